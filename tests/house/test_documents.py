"""The documents hold what they promise: commands parse, words have one meaning."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from rhizoledger.cli.app import app
from rhizoledger.cli.parsing import with_minus_values
from tests.house.tree import ROOT, files, name_of

DOCUMENTS = [path for path in files() if path.suffix == ".md"]
BLOCK = re.compile(r"^```[^\n]*\n(.*?)^```", re.DOTALL | re.MULTILINE)
INLINE = re.compile(r"`([^`\n]+)`")


def command_lines(text: str) -> list[str]:
    """Every command line of ours that a document shows, in blocks and in running text."""
    lines = [line.strip() for block in BLOCK.findall(text) for line in block.splitlines()]
    lines += [code.strip() for code in INLINE.findall(BLOCK.sub("", text))]
    lines = [re.sub(r"^(\$ )?(\S*python3? -m )?", "", line) for line in lines]
    ours = [line for line in lines if re.match(r"rhizoledger [a-z-]", line)]
    return [re.split(r"\s(?:[|>#&]|2>)", line)[0] for line in ours]


SHOWN = sorted(
    {
        (name_of(path), line)
        for path in DOCUMENTS
        for line in command_lines(path.read_text(encoding="utf-8"))
    }
)


@pytest.mark.parametrize(("document", "line"), SHOWN)
def test_command_lines_in_documents_parse(document: str, line: str) -> None:
    tokens = shlex.split(line.replace("[", "").replace("]", ""))[1:]
    app.parse_args(with_minus_values(tokens), print_error=False, exit_on_error=False)


def test_command_lines_are_found() -> None:
    text = "```\n$ rhizoledger plan d\n```\nor `rhizoledger plan why d B1 | head`, not `rhizobia`"
    assert command_lines(text) == ["rhizoledger plan d", "rhizoledger plan why d B1"]
    assert any(document == "README.md" for document, _ in SHOWN)


def test_readme_names_the_two_commands() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for command in ("make plan", "make test"):
        assert re.search(rf"^(\$ )?{command}\b", text, re.MULTILINE)


def test_make_targets_in_documents_exist() -> None:
    targets = set(re.findall(r"^([a-z][a-z-]*)(?=[ a-z-]*:)", makefile(), re.MULTILINE))
    targets |= {"serve", "screenshots"}
    for path in DOCUMENTS:
        for code in INLINE.findall(path.read_text(encoding="utf-8")):
            if match := re.fullmatch(r"make ([a-z-]+)", code):
                assert match[1] in targets, f"{name_of(path)}: {code}"


def makefile() -> str:
    return (ROOT / "Makefile").read_text(encoding="utf-8")


ENTRY = re.compile(r"^\*\*(.+?)\*\* [-–—] (.+)$", re.MULTILINE)


def test_glossary_has_one_entry_for_each_word() -> None:
    entries = ENTRY.findall((ROOT / "GLOSSARY.md").read_text(encoding="utf-8"))
    words = [word.lower() for word, _ in entries]
    assert len(words) >= 30
    assert words == sorted(words)
    assert len(words) == len(set(words))
    assert all(meaning.rstrip().endswith(".") for _, meaning in entries)


def test_glossary_holds_the_words_the_program_is_built_on() -> None:
    words = {
        w.lower() for w, _ in ENTRY.findall((ROOT / "GLOSSARY.md").read_text(encoding="utf-8"))
    }
    assert {
        "balance",
        "batch",
        "journal",
        "ledger",
        "lot",
        "statement",
        "stack",
        "verdict",
    } <= words


@pytest.mark.parametrize("path", sorted((ROOT / "docs" / "adr").glob("*.md")), ids=name_of)
def test_decision_records_say_the_four_things(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    assert re.fullmatch(r"\d{4}-[a-z0-9-]+\.md", path.name)
    for part in ("Status", "Context", "Decision", "Consequences"):
        assert re.search(rf"^## {part}$", text, re.MULTILINE), part


def test_decision_records_are_numbered_without_gaps() -> None:
    numbers = [int(path.name[:4]) for path in sorted((ROOT / "docs" / "adr").glob("*.md"))]
    assert numbers == list(range(1, len(numbers) + 1))


@pytest.mark.parametrize("path", DOCUMENTS, ids=name_of)
def test_links_between_documents_lead_somewhere(path: Path) -> None:
    for target in re.findall(r"\]\(([^)#:\s]+)(?:#[^)]*)?\)", path.read_text(encoding="utf-8")):
        assert (path.parent / target).exists(), target
