"""``rhizoledger evidence``: the numbers about the world, and where they come from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from rhizoledger.cli.console import say, say_json
from rhizoledger.cli.parsing import new_app

app = new_app("evidence", "List the numbers about the world, and show where each comes from.")


@app.command(name="list")
def list_(*, gaps: bool = False, json: bool = False) -> int:
    """List every evidence parameter with its grade.

    Parameters
    ----------
    gaps
        Only what rests on an assumption or on memory, or is not known at all.
    json
        Print one JSON object instead of a table.
    """
    from rhizoledger.report.listing import evidence_list_text
    from rhizoledger.workflows.evidence import list_evidence

    listed = list_evidence(gaps=gaps)
    if json:
        say_json(listed)
    else:
        say(evidence_list_text(listed))
    return 0


@app.command
def show(id: str, /, *, json: bool = False) -> int:
    """Show one evidence parameter: value, interval, range of validity and source.

    Parameters
    ----------
    id
        The parameter's dotted name, as "evidence list" prints it.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.listing import evidence_show_text
    from rhizoledger.workflows.evidence import show_evidence

    shown = show_evidence(id)
    if json:
        say_json(shown)
    else:
        say(evidence_show_text(shown))
    return 0


@app.command
def adopt(
    file: Path,
    /,
    *,
    as_id: Annotated[str, Parameter(name="--as")],
    into: Path = Path("."),
    parameter: str | None = None,
    series: str | None = None,
    model: str | None = None,
    json: bool = False,
) -> int:
    """Write a parameter of a fit into a season's own evidence, where it outranks what was shipped.

    Parameters
    ----------
    file
        What "survival fit --json" printed.
    as_id
        The evidence id it shall answer to, as "evidence list" prints it, or a new one.
    into
        The season folder; the present one unless told.
    parameter
        Which parameter of the fit, where the id does not end in its name.
    series
        Which series, where there are several.
    model
        Which model; the best by AICc unless told.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.own_evidence import adopted_text
    from rhizoledger.workflows.own_evidence import adopt as write

    found = write(file, as_id, into, parameter=parameter, series=series, model=model)
    if json:
        say_json(found)
    else:
        say(adopted_text(found))
    return 0


@app.command
def diff(folder: Path = Path("."), /, *, json: bool = False) -> int:
    """Compare a season's own evidence with what was shipped.

    Parameters
    ----------
    folder
        The season folder; the present one unless told.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.own_evidence import diff_text
    from rhizoledger.workflows.own_evidence import diff as compare

    found = compare(folder)
    if json:
        say_json(found)
    else:
        say(diff_text(found))
    return 0
