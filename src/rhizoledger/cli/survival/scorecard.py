"""``rhizoledger survival scorecard``: predictions against the counts that came later."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from rhizoledger.cli.console import say, say_json


def scorecard(
    dir: Path,
    /,
    *,
    plan: Path | None = None,
    as_of: Annotated[str | None, Parameter(metavar="DATE")] = None,
    figure: Path | None = None,
    json: bool = False,
) -> int:
    """Hold what was predicted of lots and seed against the counts that came later.

    Parameters
    ----------
    dir
        The season folder; nothing in it is changed.
    plan
        The folder that plans were written to; the folder's own "plan" if not given.
    as_of
        Leave out counts after this day, as 2027-05-10.
    figure
        A file for predicted against counted, ending in .png, .svg or .pdf.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.figure_file import checked_figure
    from rhizoledger.report.survival_scorecard import scorecard_text, write_scorecard_figure
    from rhizoledger.workflows.survival_scorecard import scorecard_folder

    if figure is not None:
        checked_figure(figure)
    found = scorecard_folder(dir, plan=plan, as_of=as_of)
    written = () if figure is None else (write_scorecard_figure(found, figure),)
    if json:
        say_json(found)
    else:
        say(scorecard_text(found, written))
    return 0
