"""Everything people hold in their hands, written beside the plan."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import nullcontext
from pathlib import Path

from rhizoledger import __version__
from rhizoledger.provenance import digest_bytes
from rhizoledger.report.blocks import Figure
from rhizoledger.report.draw import svg
from rhizoledger.report.files import write_file
from rhizoledger.report.growers import growers_job
from rhizoledger.report.html import page_html
from rhizoledger.report.run_sheets import run_sheets_job
from rhizoledger.report.statement import statement
from rhizoledger.report.typeset import (
    Job,
    Paper,
    paper_for,
    report_jobs,
    two_at_a_time,
    typeset_all,
)
from rhizoledger.report.workbook import workbook
from rhizoledger.workflows.plan import PlanResult, to_text

Progress = Callable[[str, int, int], None]

SOME_FIGURES = 120
"""As many, and the sheets with them, are made without starting another process."""
CHUNK = 25
LAST = ("plan.pdf", "run-sheets.pdf", "growers.pdf", "plan.xlsx")
"""What is written after plan.html, volumes of plan.pdf beside."""


def write_statements(
    result: PlanResult, paper: Paper | None = None, told: Progress | None = None
) -> tuple[Path, ...]:
    """Write plan.html, plan.pdf, run-sheets.pdf, growers.pdf and plan.xlsx beside plan.json.

    A report too thick for one binder goes on in plan-2.pdf and so on.

    Parameters
    ----------
    result : PlanResult
        A plan as made and written.
    paper : {"a4", "us-letter"}, optional
        The sheet to print on; by the season's country where left out.
    told : callable, optional
        Told what is worked on, how many of it are done, and of how many.

    Returns
    -------
    tuple of Path
        The files, in the order named above. The same plan gives the same bytes.

    Raises
    ------
    InputError
        If a file cannot be written.
    """
    plan, tell = result.plan, told or (lambda _what, _done, _of: None)
    digest = digest_bytes(to_text(result.document).encode())
    page = statement(plan, digest, __version__)
    sheet = paper or paper_for(plan.context.season.settings.country)
    figures = [b for b in page.blocks if isinstance(b, Figure)]
    many = len(figures) > SOME_FIGURES
    drawn = _drawn(figures, many, tell)
    folder = result.written[0].parent
    written = [write_file(folder / "plan.html", page_html(page, drawn).encode())]
    tell("files", 1, 1 + len(LAST))

    def jobs() -> Iterator[Job]:
        yield from report_jobs(page, sheet, drawn)
        yield run_sheets_job(plan, page.foot, sheet, plan.context.season.labels)
        yield growers_job(plan, page.foot, sheet)

    for name, pdf in typeset_all(jobs(), many=many):
        written.append(write_file(folder / name, pdf))
        tell("files", 2 + LAST.index(name) if name in LAST else 1, 1 + len(LAST))
    book = workbook(result.document, page.blocks, plan.context.now)
    written.append(write_file(folder / LAST[-1], book))
    tell("files", 1 + len(LAST), 1 + len(LAST))
    return tuple(written)


def _drawn(figures: Sequence[Figure], many: bool, tell: Progress) -> Callable[[Figure], str]:
    """Every figure drawn once; hundreds of them by two processes."""
    specs, names = [f.spec for f in figures], [f.anchor for f in figures]
    drawings: dict[str, str] = {}
    with two_at_a_time() if many else nullcontext() as pool:
        made = pool.map(svg, specs, names, chunksize=CHUNK) if pool else map(svg, specs, names)
        for name, drawing in zip(names, made, strict=True):
            drawings[name] = drawing
            tell("figures", len(drawings), len(figures))
    return lambda f: drawings[f.anchor]
