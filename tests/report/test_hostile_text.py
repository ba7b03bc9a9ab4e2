"""Whatever people write into a cell is printed as they wrote it: never run, never overflowing."""

from __future__ import annotations

import json
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from python_calamine import CalamineWorkbook

from rhizoledger.report.printed import harmless
from rhizoledger.report.statements import write_statements
from rhizoledger.season.tables import TABLES
from rhizoledger.workflows.plan import make_plan
from tests.report.pages import PDFS, closed, is_nothing_but_cells, page, sheets
from tests.season.make import TINY, TOML, Tables, tiny, write_season

DIRECTIONS = "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
PLAIN = "Plain words"
TEXTS = {
    "script": "<script>alert(1)</script>",
    "attribute": '"><img src=x onerror=alert(1)> &lt;b&gt; &#60;i&#62; </td></table>',
    "formula": '=HYPERLINK("ftp://x","y")',
    "sum": "+1+1",
    "difference": "-2+3+cmd|' /C calc'!A0",
    "at": "@SUM(A1)",
    "address": "https" + "://x.example/a?b=c",
    "markup": r'#eval("x") $a$ *b* _c_ \\ @ref <lab> //comment',
    "more markup": "= Heading ] } ) #set page(width: 1pt) `raw` /* open",
    "template": "{{ page }} {% raw %} ${x} %s {0}",
    "right to left": "مرحبا بالعالم שלום עולם",
    "override": "abc\u202edef\u2066ghi",
    "emoji": "🌱🚜 👩🏽\u200d🌾 seed",
    "other scripts": "大豆 根瘤菌 соя ถั่ว मूंग Ærøskøbing",
    "no blank": "m" * 500,
    "long and broken": "wide word " * 50,
    "control characters": "bell\x07 escape\x1b[31m delete\x7f feed\x0c next\x85 line\u2028 end",
    "marks": "e" + "\u0301" * 60,
}
LATIN = ("script", "attribute", "formula", "sum", "difference", "at",
         "address", "markup", "more markup", "template", "no blank", "long and broken")  # fmt: skip
"""Texts whose letters the sheets' typefaces all hold, one box for each."""
QUICK = ("script", "formula")

WITH_MEANING = {"crop", "host_group", "metals", "water_rate", "tank", "years_since_group"}
"""Text columns that decide something; a text that says nothing there is refused or changes it."""
SHOWN = {
    "plan.html": {"owner", "grower", "source", "name"},
    "plan.pdf": {"owner", "grower", "source", "name"},
    "run-sheets.pdf": {"owner", "label"},
    "growers.pdf": {"grower", "name"},
    "plan.xlsx": {"grower", "owner"},
}
"""Columns whose texts must stand in a file: a test of texts that nobody prints shows nothing."""
NAMES = {
    "right to left": ("سماد", "שדה"),
    "longest": ("m" * 62, "w" * 62),
    "like markup": ("_a_ -- b.c", "_b_ ... ---"),
    "like numbers": ("1e5", "007"),
    "like cells": ("A1", "R1C1"),
    "wide letters": ("大豆根瘤菌", "ｆｕｌｌ　".strip()),
}


@dataclass(frozen=True, slots=True)
class Result:
    folder: Path
    tags: list[tuple[str, tuple[str, ...]]]
    pages: dict[str, int]


def marked(text: str, column: str) -> str:
    """The text with a word after it that says where it was written."""
    return f"{text} z{column.replace('_', '')}z"


def quoted(text: str) -> str:
    """A text as TOML writes it."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def season_of(folder: Path, text: str) -> Path:
    """A season with ``text`` in every cell that takes any text."""
    tables: Tables = tiny()
    columns = {t.name: [c.name for c in t.columns if c.kind == "text"] for t in TABLES}
    for name, rows in tables.items():
        for row in rows:
            row |= {c: marked(text, c) for c in columns[name] if c not in WITH_MEANING}
    tables["inoculants"][0]["label_file"] = "label.en.txt"
    toml = TOML.replace('"Invented season"', quoted(marked(text, "name")))
    toml = toml.replace('"Nowhere"', quoted(marked(text, "country")))
    toml = toml.replace("probability = 0.9", "probability = 0.9\nas_of = 2027-05-08")
    toml += f"\n[delay.soybean]\nloss_per_day = 0.3\nsource = {quoted(marked(text, 'delay'))}\n"
    write_season(folder, tables, toml)
    (folder / "label.en.txt").write_text(f"{marked(text, 'label')}\n\n{text}\n", encoding="utf-8")
    return folder


def written(folder: Path) -> Result:
    out = folder.parent / "out"
    write_statements(make_plan(folder, out))
    tags = [(x.tag, tuple(x.attributes)) for x in page(out / "plan.html").every()]
    return Result(out, tags, {name: len(sheets(out / name)) for name in PDFS})


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Result:
    return written(season_of(tmp_path_factory.mktemp("plain") / "season", PLAIN))


def cells_of(book: Path) -> list[Any]:
    read = CalamineWorkbook.from_path(str(book))
    return [x for n in read.sheet_names for row in read.get_sheet_by_name(n).to_python()
            for x in row]  # fmt: skip


def nothing_overflows(result: Result, letters_apart: bool) -> None:
    for name in PDFS:
        for number, sheet in enumerate(sheets(result.folder / name), 1):
            assert (name, number, sheet.outside()) == (name, number, "")
            if letters_apart:
                assert (name, number, sheet.printed_over()) == (name, number, "")


@pytest.mark.parametrize(
    "kind",
    [kind if kind in QUICK else pytest.param(kind, marks=pytest.mark.thorough) for kind in TEXTS],
)
def test_a_text_stays_a_text_everywhere(kind: str, plain: Result, tmp_path: Path) -> None:
    text = TEXTS[kind]
    got = written(season_of(tmp_path / "season", text))
    assert got.tags == plain.tags, "the text made or took an element"
    whole = page(got.folder / "plan.html").text
    assert whole.count(harmless(text)) >= 5
    turned = {c for c in whole if unicodedata.category(c) == "Cc"} | set(whole) & set(DIRECTIONS)
    assert turned <= {"\n"}
    for where, columns in SHOWN.items():
        if where == "plan.html":
            for column in columns:
                assert harmless(marked(text, column)) in whole, column
        elif where.endswith(".pdf"):
            print_ = closed("".join(s.text for s in sheets(got.folder / where)))
            for column in columns:
                want = marked(text if kind in LATIN else "", column)
                assert closed(want) in print_, (where, column)
        else:
            is_nothing_but_cells(got.folder / where)
            cells = cells_of(got.folder / where)
            for column in columns:
                mark = marked("", column).strip()
                found = [x for x in cells if isinstance(x, str) and mark in x]
                assert found, column
                assert any(harmless(marked(text, column)) in x for x in found), column
    nothing_overflows(got, kind in LATIN)
    for name, pages in got.pages.items():
        assert pages <= 2 * plain.pages[name] + 2, name


@pytest.mark.thorough
@pytest.mark.parametrize("kind", NAMES)
def test_a_name_may_be_anything_a_name_can_be(kind: str, plain: Result, tmp_path: Path) -> None:
    first, second = NAMES[kind]
    swap = {
        "L-1": f"{first}1", "F1": f"{first}2", "liquid A": f"{first}3", "R1": f"{first}4",
        "B-1": f"{second}1", "B-1a": f"{second}2", "B-1b": f"{second}3", "North": f"{second}4",
    }  # fmt: skip

    def swapped(cell: str) -> str:
        return "+".join(swap.get(part, part) for part in cell.split("+"))

    tables = {
        name: [{k: swapped(v) for k, v in row.items()} for row in rows]
        for name, rows in TINY.items()
    }
    got = written(write_season(tmp_path / "season", tables))
    whole = page(got.folder / "plan.html").text
    for name in (f"{first}1", f"{second}1", f"{second}4"):
        assert name in whole
    is_nothing_but_cells(got.folder / "plan.xlsx")
    assert f"{second}1" in cells_of(got.folder / "plan.xlsx")
    if first.isascii():
        run = closed("".join(s.text for s in sheets(got.folder / "run-sheets.pdf")))
        for name in (f"{first}1", f"{first}2", f"{first}3", f"{second}1"):
            assert closed(name) in run
    nothing_overflows(got, first.isascii())
    for name, pages in got.pages.items():
        assert pages <= 2 * plain.pages[name] + 2, name
