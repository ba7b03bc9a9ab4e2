"""``rhizoledger survival fit``: die-off curves from counts along time."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter
from cyclopts.validators import Number

from rhizoledger.cli.console import say, say_json

Level = Annotated[float, Parameter(validator=Number(gt=0, lt=1))]
Model = Literal["auto", "loglinear", "weibull", "biphasic", "shoulder", "tail", "shoulder_tail"]


def fit(
    file: Path,
    /,
    *,
    model: Model = "auto",
    secondary: Literal["bigelow", "arrhenius"] | None = None,
    likelihood: Literal["poisson", "nb"] | None = None,
    level: Level = 0.95,
    t_ref: float = 20.0,
    json: bool = False,
) -> int:
    """Fit die-off curves to counts along time.

    Parameters
    ----------
    file
        A CSV file with time_h or time_d; log10_count (<1.30 below a limit) or dilution, volume_ml
        and colonies; series and temp_c where there are any.
    model
        One model, or auto for all that the rows allow.
    secondary
        How rates follow temp_c; bigelow where there is that column.
    likelihood
        How colonies scatter; poisson unless told.
    level
        Coverage of the limits.
    t_ref
        Temperature in °C that rates belong to where there are several.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.survival_fit import fit_text
    from rhizoledger.workflows.survival_fit import fit_file

    found = fit_file(
        file,
        model=model,
        secondary=secondary,
        likelihood=likelihood,
        level=level,
        t_ref_c=t_ref,
    )
    if json:
        say_json(found)
    else:
        say(fit_text(found))
    return 0
