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
def analyse(
    file: Path,
    /,
    *,
    response: str = "yield",
    treatment: str = "treatment",
    check: str | None = None,
    site: str | None = None,
    block: str | None = None,
    random: list[str] | None = None,
    df: Literal["kenward_roger", "satterthwaite"] = "kenward_roger",
    level: Level = 0.95,
    json: bool = False,
) -> int:
    """Analyse plots or strips as one mixed model: treatments against the check.

    Parameters
    ----------
    file
        A CSV file with a row for each plot or strip.
    response
        The column of results.
    treatment
        The column of treatments.
    check
        The treatment that others are compared with; the one called check, control or untreated.
    site
        The column of sites; sites are then taken as random.
    block
        The column of blocks, within sites where there are any.
    random
        Further components, such as site:treatment; may be repeated.
    df
        How degrees of freedom are found.
    level
        Coverage of the intervals.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.trial import analysis_text
    from rhizoledger.workflows.trial_analysis import analyse_file
    from rhizoledger.workflows.trial_layout import Columns

    columns = Columns(response, treatment, site, block, tuple(random or ()))
    found = analyse_file(file, columns, check=check, df=df, level=level)
    if json:
        say_json(found)
    else:
        say(analysis_text(found))
    return 0


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
