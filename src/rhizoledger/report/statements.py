"""Everything people hold in their hands, written beside the plan."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from rhizoledger import __version__
from rhizoledger.errors import InputError, Problem
from rhizoledger.provenance import digest_bytes
from rhizoledger.report.blocks import Figure
from rhizoledger.report.draw import svg
from rhizoledger.report.growers import growers_pdf
from rhizoledger.report.html import page_html
from rhizoledger.report.run_sheets import run_sheets_pdf
from rhizoledger.report.statement import statement
from rhizoledger.report.typeset import Paper, paper_for, report_pdf
from rhizoledger.report.workbook import workbook
from rhizoledger.workflows.plan import PlanResult, to_text

Progress = Callable[[str], None]


def write_statements(
    result: PlanResult, paper: Paper | None = None, told: Progress | None = None
) -> tuple[Path, ...]:
    """Write plan.html, plan.pdf, run-sheets.pdf, growers.pdf and plan.xlsx beside plan.json.

    Parameters
    ----------
    result : PlanResult
        A plan as made and written.
    paper : {"a4", "us-letter"}, optional
        The sheet to print on; by the season's country where left out.
    told : callable, optional
        Told what is being written.

    Returns
    -------
    tuple of Path
        The files, in the order named above. The same plan gives the same bytes.

    Raises
    ------
    InputError
        If a file cannot be written.
    """
    plan, tell = result.plan, told or (lambda _: None)
    digest = digest_bytes(to_text(result.document).encode())
    page = statement(plan, digest, __version__, tell)
    sheet = paper or paper_for(plan.context.season.settings.country)
    kept: dict[str, str] = {}

    def drawn(figure: Figure) -> str:
        if figure.anchor not in kept:
            tell(f"figure {figure.anchor}")
            kept[figure.anchor] = svg(figure.spec, figure.anchor)
        return kept[figure.anchor]

    folder = result.written[0].parent
    labels = plan.context.season.labels
    work: dict[str, Callable[[], bytes]] = {
        "plan.html": lambda: page_html(page, drawn).encode(),
        "plan.pdf": lambda: report_pdf(page, sheet, drawn),
        "run-sheets.pdf": lambda: run_sheets_pdf(plan, page.foot, sheet, labels),
        "growers.pdf": lambda: growers_pdf(plan, page.foot, sheet),
        "plan.xlsx": lambda: workbook(result.document, page.blocks, plan.context.now),
    }
    written = []
    for name, make in work.items():
        tell(name)
        path = folder / name
        try:
            path.write_bytes(make())
        except OSError as error:
            what = f"It cannot be written: {error.strerror}."
            raise InputError(
                [Problem(str(path), None, None, None, what, "Close it, or name another --out.")]
            ) from error
        written.append(path)
    return tuple(written)
