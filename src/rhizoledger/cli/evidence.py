"""``rhizoledger evidence``: the numbers about the world, and where they come from."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter

from rhizoledger.cli.console import say, say_json
from rhizoledger.cli.parsing import new_app
from rhizoledger.errors import InputError

Stage = Literal["package", "drying", "on_seed", "planter"]

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
    curve: bool = False,
    applied: float | None = None,
    temp_c: float | None = None,
    stages: tuple[Stage, ...] = (),
    json: bool = False,
) -> int:
    """Write a parameter or a curve of a fit into a season's own evidence, which outranks shipped.

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
    curve
        Take the whole curve, which the ledger then follows, as survival.on_seed.soybean.
    applied
        With --curve: cells applied per seed in that trial, so that what a wash misses is known.
    temp_c
        With --curve: the temperature of the counts in °C, where their file does not say.
    stages
        With --curve: stages it speaks for, if not all on seed.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.own_evidence import adopted_text, curve_text
    from rhizoledger.workflows.own_curve import adopt_curve
    from rhizoledger.workflows.own_evidence import adopt as write

    if curve and parameter is not None:
        raise InputError("--parameter is for one number and --curve for all: leave one out.")
    if curve:
        taken = adopt_curve(
            file, as_id, into, series=series, model=model, applied=applied, temp_c=temp_c,
            stages=stages,
        )  # fmt: skip
        if json:
            say_json(taken)
        else:
            say(curve_text(taken))
        return 0
    if applied is not None or temp_c is not None or stages:
        raise InputError("--applied, --temp-c and --stages are for a whole curve: add --curve.")

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
