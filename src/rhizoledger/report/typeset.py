"""Blocks and sheets as PDF: typeset with everything a user wrote arriving as data, not as markup.

The compiler sees an empty folder, no package and no font of this machine, so that the same plan
gives the same bytes anywhere.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Literal

from rhizoledger.report.blocks import Block, Document, Figure, Heading, Paragraph, Points, Table
from rhizoledger.report.draw import svg
from rhizoledger.report.printed import printed

Paper = Literal["a4", "us-letter"]
Drawn = Callable[[Figure], str]

LETTER_COUNTRIES = ("us", "usa", "united states", "canada", "ca", "mexico", "mx")
LEAST_WIDTH, MOST_WIDTH = 4, 34


def paper_for(country: str | None) -> Paper:
    """The sheet that printers hold in a country.

    Examples
    --------
    >>> paper_for("US"), paper_for("Argentina"), paper_for(None)
    ('us-letter', 'a4', 'a4')
    """
    return "us-letter" if (country or "").strip().casefold() in LETTER_COUNTRIES else "a4"


def report_pdf(page: Document, paper: Paper, drawn: Drawn | None = None) -> bytes:
    """A document of blocks as a tagged PDF."""
    draw = drawn or (lambda f: svg(f.spec, f.anchor))
    blocks = [_block(b, draw) for b in page.blocks]
    whole = {"title": page.title, "subtitle": page.subtitle, "foot": page.foot, "blocks": blocks}
    return typeset("report.typ", {"document": whole, "paper": paper}, page.made)


def typeset(template: str, data: Mapping[str, Any], made: datetime) -> bytes:
    """Typeset a template of this package with ``data`` as PDF/UA-1 bytes.

    Parameters
    ----------
    template : str
        Name in ``templates``.
    data : mapping
        Plain JSON values; texts in it are never read as markup.
    made : datetime
        The date written into the file.
    """
    import typst

    source = (files("rhizoledger.report") / "templates" / template).read_text(encoding="utf-8")
    with TemporaryDirectory() as empty:
        main = Path(empty) / "main.typ"
        main.write_text(source, encoding="utf-8")
        pdf = typst.compile(
            str(main),
            root=empty,
            font_paths=[],
            ignore_system_fonts=True,
            package_path=empty,
            package_cache_path=empty,
            sys_inputs={"data": json.dumps(data, ensure_ascii=False)},
            pdf_standards=["ua-1"],
            timestamp=int(made.astimezone(UTC).timestamp()),
        )
    return bytes(pdf)


def _block(b: Block, draw: Drawn) -> dict[str, Any]:
    match b:
        case Heading():
            return {"kind": "heading", "level": b.level, "text": printed(b.text)}
        case Paragraph():
            return {"kind": "paragraph", "tone": b.tone, "text": printed(b.text)}
        case Points():
            return {"kind": "points", "items": [printed(x) for x in b.items]}
        case Figure():
            return {"kind": "figure", "svg": draw(b), "says": printed(b.says),
                    "table": _table(b.table)}  # fmt: skip
        case Table():
            return _table(b)


def _table(t: Table) -> dict[str, Any]:
    rows = [[printed(x) for x in row] for row in t.rows]
    return {
        "kind": "table",
        "caption": printed(t.caption),
        "columns": [c or "Note" for c in t.columns],
        "rows": rows,
        "numbers": list(t.numbers),
        "widths": _widths(t.columns, rows),
    }


def _widths(columns: tuple[str, ...], rows: list[list[str]]) -> list[float]:
    """Relative widths by what the columns hold: the square root of their usual length."""
    out = []
    for i, name in enumerate(columns):
        lengths = [len(row[i]) for row in rows] or [0]
        usual = max(sum(lengths) / len(lengths), 0.5 * max(lengths), 0.8 * len(name))
        out.append(round(min(max(usual, LEAST_WIDTH), MOST_WIDTH) ** 0.7, 2))
    return out
