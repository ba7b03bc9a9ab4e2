"""What may not lie in the repository."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path

import pytest

from tests.house.tree import ROOT, dotted, files, name_of

LARGEST = 2**20

# Joined from pieces, so that this file does not hold what it looks for.
FORBIDDEN = tuple(
    "".join(pieces)
    for pieces in (
        ("seed ", "document"),
        ("trans", "cript"),
        ("/wo", "rk/"),
        ("/t", "mp/"),
        ("/ro", "ot/"),
        ("py", "pi.org"),
        ("python", "hosted"),
        ("npm", "js."),
        ("unp", "kg."),
        ("js", "delivr"),
        ("crates", ".io"),
        ("ana", "conda.org"),
        ("proxy.go", "lang"),
        ("cran.r-", "project"),
    )
)
URL = re.compile("https?" + "://", re.IGNORECASE)


def text_of(path: Path) -> str:
    return path.read_bytes().decode("utf-8", "replace").lower()


@pytest.mark.parametrize("words", FORBIDDEN, ids=lambda words: words[::-1])
def test_no_file_holds_these_words(words: str) -> None:
    assert [name_of(path) for path in files() if words in text_of(path)] == []


def test_no_file_is_large() -> None:
    assert [name_of(path) for path in files() if path.stat().st_size > LARGEST] == []


def test_no_ready_made_browser_files() -> None:
    ready_made = re.compile(r"\.min\.(js|css)$|\.(woff2?|ttf|otf|wasm)$")
    assert [name_of(path) for path in files() if ready_made.search(path.name)] == []


def test_no_link_leads_elsewhere() -> None:
    assert [name_of(path) for path in files() if path.is_symlink()] == []


@pytest.mark.parametrize("name", ["run", "dev", "lock"])
def test_locks_are_pinned_hashed_and_name_no_host(name: str) -> None:
    text = (ROOT / "requirements" / f"{name}.txt").read_text(encoding="utf-8")
    assert not URL.search(text) and "file:" not in text and "index" not in text
    entries = re.split(r"\n(?=\S)", text.strip())
    assert entries
    for entry in entries:
        assert re.match(r"[a-z0-9._-]+==\S+", entry), entry
        assert "--hash=sha256:" in entry, entry


def test_what_the_project_declares_is_what_the_lock_holds() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    lock = (ROOT / "requirements" / "run.txt").read_text(encoding="utf-8")
    wanted = [*project["project"]["dependencies"], *project["build-system"]["requires"]]
    for requirement in wanted:
        name = re.split(r"[^A-Za-z0-9_.-]", requirement)[0]
        assert re.search(rf"^{re.escape(name)}==", lock, re.MULTILINE), f"{name} is not locked"


def test_one_version() -> None:
    import rhizoledger

    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    changes = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert project["project"]["version"] == rhizoledger.__version__
    assert f"## {rhizoledger.__version__}" in changes


@pytest.mark.parametrize(
    "path",
    [path for path in files() if path.suffix == ".py" and ROOT / "tests" in path.parents],
    ids=name_of,
)
def test_no_test_sleeps(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            assert dotted(node.func) not in ("time.sleep", "sleep"), f"line {node.lineno}"
