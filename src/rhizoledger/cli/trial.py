"""``rhizoledger trial``: what trials say, one at a time and together."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter
from cyclopts.validators import Number

from rhizoledger.cli.console import say, say_json
from rhizoledger.cli.parsing import new_app

app = new_app("trial", "Analyse a trial, and pool the answers of many.")

Level = Annotated[float, Parameter(validator=Number(gt=0, lt=1))]


@app.command
def pool(
    file: Path,
    /,
    *,
    effect: str,
    variance: str,
    method: Literal["FE", "DL", "HE", "HS", "SJ", "ML", "REML", "EB", "PM"] = "REML",
    test: Literal["z", "knha"] = "knha",
    moderators: str = "",
    prediction: Literal["t", "hts", "z"] = "t",
    level: Level = 0.95,
    json: bool = False,
) -> int:
    """Pool the effects of many trials: mean, spread between trials, and what a new one may show.

    Parameters
    ----------
    file
        A CSV file with a row for each trial.
    effect
        The column of effects.
    variance
        The column of their sampling variances (squared standard errors).
    method
        How the variance between trials is estimated.
    test
        Knapp-Hartung or normal.
    moderators
        Columns that may explain differences, joined by commas.
    prediction
        Convention of the interval for a new trial.
    level
        Coverage of the intervals.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.trial import pool_text
    from rhizoledger.workflows.trial import pool_file

    found = pool_file(
        file,
        effect,
        variance,
        method=method,
        test=test,
        moderators=[name.strip() for name in moderators.split(",") if name.strip()],
        prediction=prediction,
        level=level,
    )
    if json:
        say_json(found)
    else:
        say(pool_text(found, level))
    return 0
