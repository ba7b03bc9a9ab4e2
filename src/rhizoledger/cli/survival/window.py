"""``rhizoledger survival window``: how long a lot may wait, from counts along time."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter
from cyclopts.validators import Number

from rhizoledger.cli.console import say, say_json

Chance = Annotated[float, Parameter(validator=Number(gt=0, lt=1))]
Confidence = Annotated[float, Parameter(validator=Number(gte=0.5, lt=1))]


def window(
    file: Path,
    /,
    *,
    limit: float,
    side: Literal["lower", "upper", "two"] = "lower",
    confidence: Confidence = 0.95,
    new_batch: Chance = 0.9,
    pool: Literal["auto", "common", "common_slope", "separate"] = "auto",
    error: Literal["individual", "pooled"] = "individual",
    interval: Literal["confidence", "prediction"] = "confidence",
    extrapolate: bool = False,
    response: str | None = None,
    time: str | None = None,
    series: str | None = None,
    figure: Path | None = None,
    json: bool = False,
) -> int:
    """State how long counts keep a limit, for a new batch and for the mean of those at hand.

    Parameters
    ----------
    file
        A CSV file as survival fit takes it; each series is a batch.
    limit
        The requirement, in the counts' unit: 5 for a log10 count of 100 000.
    side
        Which limit of the mean is held against it; two for a two-sided interval.
    confidence
        Of that limit.
    new_batch
        Wanted probability that a new batch's true mean keeps the requirement.
    pool
        One line, one slope, or a line each; auto by tests against 0.25.
    error
        With a line each: each its own scatter, or one for all.
    interval
        Of the mean, or of one more count.
    extrapolate
        Let the window pass the last sampled time.
    response
        Column of another response than counts, such as moisture.
    time
        Column of times, named for its unit, such as time_h or months.
    series
        Column of batches.
    figure
        A file for the figure, ending in .png, .svg or .pdf.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.figure_file import checked_figure
    from rhizoledger.report.survival_window import (
        window_text,
        write_window_figure,
    )
    from rhizoledger.workflows.survival_window import window_file

    if figure is not None:
        checked_figure(figure)
    found = window_file(
        file,
        limit=limit,
        side=side,
        confidence=confidence,
        new_batch=new_batch,
        pool=pool,
        error=error,
        interval=interval,
        extrapolate=extrapolate,
        response=response,
        time=time,
        series=series,
        with_curves=figure is not None,
    )
    written = () if figure is None else (write_window_figure(found, figure),)
    if json:
        say_json(found)
    else:
        say(window_text(found, written))
    return 0
