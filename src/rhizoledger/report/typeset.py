"""Blocks and sheets as PDF: typeset with everything a user wrote arriving as data, not as markup.

The compiler sees an empty folder, no package and no font of this machine, so that the same plan
gives the same bytes anywhere.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.resources import files
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Literal

from rhizoledger.report.blocks import Block, Document, Figure, Heading, Paragraph, Points, Table
from rhizoledger.report.draw import svg
from rhizoledger.report.legible import legible
from rhizoledger.report.printed import printed

Paper = Literal["a4", "us-letter"]
Drawn = Callable[[Figure], str]

LETTER_COUNTRIES = ("us", "usa", "united states", "canada", "ca", "mexico", "mx")
LONG_WORD = 15
"""Letters up to which a word is not broken."""
LEAST_WIDTH, MOST_WIDTH = 4, 34
VOLUME = 8000
"""Cells after which the report goes on in another volume: some hundred pages, and 300 MB."""
WORKERS = 2


def paper_for(country: str | None) -> Paper:
    """The sheet that printers hold in a country.

    Examples
    --------
    >>> paper_for("US"), paper_for("Argentina"), paper_for(None)
    ('us-letter', 'a4', 'a4')
    """
    return "us-letter" if (country or "").strip().casefold() in LETTER_COUNTRIES else "a4"


@dataclass(frozen=True, slots=True)
class Job:
    """One PDF to be typeset: its file, its template, what goes in, and the date written into it."""

    file: str
    template: str
    data: Mapping[str, Any]
    made: datetime


def report_jobs(page: Document, paper: Paper, drawn: Drawn | None = None) -> Iterator[Job]:
    """The report as one PDF, or as several volumes where it would be too thick for one binder.

    A volume ends before a heading; the first is ``plan.pdf``, the next ``plan-2.pdf``.
    """
    draw = drawn or (lambda f: svg(f.spec, f.anchor))
    parts = _volumes(page.blocks)
    for i, part in enumerate(parts, 1):
        title = page.title if len(parts) == 1 else f"{page.title}, volume {i} of {len(parts)}"
        whole = {
            "title": title,
            "subtitle": page.subtitle,
            "foot": page.foot,
            "blocks": [_block(b, draw) for b in part],
        }
        name = "plan.pdf" if i == 1 else f"plan-{i}.pdf"
        yield Job(name, "report.typ", {"document": whole, "paper": paper}, page.made)


def _volumes(blocks: Sequence[Block]) -> list[list[Block]]:
    parts: list[list[Block]] = [[]]
    weight = 0
    for b in blocks:
        if isinstance(b, Heading) and weight > VOLUME:
            parts.append([])
            weight = 0
            if b.level == 3:
                parts[-1].append(Heading("Continued", 2, f"volume-{len(parts)}"))
        parts[-1].append(b)
        t = b.table if isinstance(b, Figure) else b
        weight += len(t.rows) * len(t.columns) if isinstance(t, Table) else 2
    return parts


def typeset_all(jobs: Iterable[Job], *, many: bool) -> Iterator[tuple[str, bytes]]:
    """File names and bytes, in the order of the jobs; ``many`` by two processes at a time.

    Work on a job begins when ``jobs`` gives it. Each process ends with its job: what the compiler
    keeps in memory goes with it.
    """
    if not many:
        yield from ((j.file, typeset(j.template, j.data, j.made)) for j in jobs)
        return
    with two_at_a_time(once=True) as pool:
        made = [(j.file, pool.submit(typeset, j.template, j.data, j.made)) for j in jobs]
        yield from ((file, future.result()) for file, future in made)


def two_at_a_time(*, once: bool = False) -> ProcessPoolExecutor:
    """Two fresh processes; with ``once`` each ends with its job."""
    return ProcessPoolExecutor(
        WORKERS, mp_context=get_context("spawn"), max_tasks_per_child=1 if once else None
    )


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
        (Path(empty) / "data.json").write_text(
            json.dumps(legible(data), ensure_ascii=False), "utf-8"
        )
        pdf = typst.compile(
            str(main),
            root=empty,
            font_paths=[],
            ignore_system_fonts=True,
            package_path=empty,
            package_cache_path=empty,
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
        words = [len(w) for row in [[name] * len(columns), *rows] for w in row[i].split()]
        longest = min(max(words, default=0), LONG_WORD)
        usual = max(sum(lengths) / len(lengths), 0.5 * max(lengths), 0.8 * len(name))
        out.append(round(max(min(max(usual, LEAST_WIDTH), MOST_WIDTH), 1.3 * longest) ** 0.7, 2))
    return out
