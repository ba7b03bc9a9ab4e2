"""``rhizoledger survival fit``: die-off curves from counts along time."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from rhizoledger.cli.console import progress, say, say_json
from rhizoledger.cli.parsing import Level
from rhizoledger.errors import FitError, InputError, Problem

Model = Literal["auto", "loglinear", "weibull", "biphasic", "shoulder", "tail", "shoulder_tail"]


def fit(
    file: Path,
    /,
    *,
    model: Model = "auto",
    secondary: Literal["bigelow", "arrhenius"] | None = None,
    likelihood: Literal["poisson", "nb"] | None = None,
    level: Level = 0.95,
    t_ref: float | None = None,
    json: bool = False,
) -> int:
    """Fit die-off curves to counts along time.

    Parameters
    ----------
    file
        A CSV file with time_h or time_d; log10_count (<1.30 below a limit) or dilution, volume_ml
        and colonies; series and temp_c (or temp_f) where there are any.
    model
        One model, or auto for all that the rows allow.
    secondary
        How rates follow temp_c; bigelow where there is that column.
    likelihood
        How colonies scatter; poisson unless told.
    level
        Coverage of the limits.
    t_ref
        Temperature in °C that rates belong to where there are several; 20 unless told.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.survival_fit import fit_text
    from rhizoledger.workflows.survival_fit import fit_file

    try:
        with progress() as told:
            found = fit_file(
                file,
                model=model,
                secondary=secondary,
                likelihood=likelihood,
                level=level,
                t_ref_c=t_ref,
                told=told,
            )
    except FitError as error:
        raise InputError([_of_series(line) for line in str(error).split("\n")]) from error
    if json:
        say_json(found)
    else:
        say(fit_text(found))
    return 0


def _of_series(line: str) -> Problem:
    """One series without a fit; its line begins with the file and the series."""
    place, _, what = line.partition(": ")
    return Problem(place, None, None, None, what, "")
