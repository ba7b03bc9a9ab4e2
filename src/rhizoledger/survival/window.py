"""The window: how long the mean of the batches at hand, and the mean of a new one, keep a limit.

§2.12: series are pooled as far as F tests against 0.25 let them; the window ends where a confidence
limit of the mean meets the requirement, and never past the last sampled time unless that is asked.
What leads is the new batch: the last time at which its true mean keeps the requirement with a
probability.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from rhizoledger.errors import FitError, InputError
from rhizoledger.survival.batches import FEW_BATCHES, FEWEST_BATCHES, BatchFit, fit_batches
from rhizoledger.survival.window_lines import FTest, Line, Lines, Model, Series

Pool = Literal["auto", "common", "common_slope", "separate"]
Side = Literal["lower", "upper", "two"]
Error = Literal["individual", "pooled"]
Interval = Literal["confidence", "prediction"]
Status = Literal["meets", "never_meets", "not_held"]
NewBatchStatus = Literal["ok", "few_batches", "too_few_batches", "not_fitted", "not_held"]
POOLED_FROM = 0.25  # exact: §2.12, series are pooled where p reaches it
COARSE = 64  # numeric: whole times looked at before a bisection
FARTHEST = 10
"""A window that was asked past the last sampled time is looked for up to so many times that."""


@dataclass(frozen=True, slots=True)
class Window:
    """How long the mean keeps a limit.

    Parameters
    ----------
    window : int or None
        Largest whole time to which the limit is held; None if it is not held at the start.
    crossing : float or None
        Where the limit is met first; 0 if it is not held at the start, None if it is never met.
    status : {"meets", "never_meets", "not_held"}
        Of the worst series.
    by_series : dict
        Crossing and status of each series.
    worst : str
        The series that decides.
    model : {"common", "common_slope", "separate"}
        How series were pooled.
    slopes, intercepts, curvature : FTest or None
        Tests; None where they cannot be made.
    side : {"lower", "upper"}
        Which limit of the mean faces the requirement.
    probability : float
        Of that limit, one-sided.
    last_sampled : float
        The time that the window may not pass.
    lines : dict
        The line of each series, in the response's own sign.
    """

    window: int | None
    crossing: float | None
    status: Status
    by_series: dict[str, tuple[float | None, Status]]
    worst: str
    model: Model
    slopes: FTest | None
    intercepts: FTest | None
    curvature: FTest | None
    side: Literal["lower", "upper"]
    probability: float
    last_sampled: float
    lines: dict[str, Line]


def mean_window(
    series: Series,
    limit: float,
    *,
    side: Side = "lower",
    confidence: float = 0.95,  # exact: as §2.12 has it
    pool: Pool = "auto",
    error: Error = "individual",
    interval: Interval = "confidence",
    extrapolate: bool = False,
) -> Window:
    """How long a confidence limit of the mean keeps a requirement.

    Parameters
    ----------
    series : mapping of str to (ndarray, ndarray)
        Times, ≥ 0, and responses, each of shape (n,), of every series.
    limit : float
        The requirement, in the unit of the response.
    side : {"lower", "upper", "two"}
        Which limit of the mean is held against it; ``two``: of a two-sided interval, the one that
        faces it.
    confidence : float
        Of the limit, from 0.5 to below 1.
    pool : {"auto", "common", "common_slope", "separate"}
        ``auto`` pools slopes, then intercepts, where p is at least 0.25.
    error : {"individual", "pooled"}
        With lines each: each its own mean square, or one for all.
    interval : {"confidence", "prediction"}
        Of the mean, or of one more row.
    extrapolate : bool
        Whether the window may pass the last sampled time.

    Raises
    ------
    InputError
        If the confidence is out of range or a row is no number.
    FitError
        If a series has one time, or nothing is left to judge scatter by.

    Notes
    -----
    The last sampled time is the latest of all where lines share a slope, each series' own where
    they do not. Published shelf-life examples are reproduced in the tests.

    Examples
    --------
    >>> t = np.array([0.0, 10, 20, 30])
    >>> found = mean_window({"A": (t, np.array([7.0, 6.4, 6.1, 5.6]))}, 5.5)
    >>> found.window, round(found.crossing, 2), found.model
    (27, 27.93, 'common')
    """
    if not 0.5 <= confidence < 1:
        raise InputError(f"A confidence of {confidence:g} is none. Give 0.5 to below 1, as 0.95.")
    if not math.isfinite(limit):
        raise InputError("The limit is no number. Give it in the unit of the counts.")
    facing = facing_side(series, limit) if side == "two" else side
    sign = 1.0 if facing == "lower" else -1.0
    probability = (1 + confidence) / 2 if side == "two" else confidence
    lines = Lines(turned(series, sign))
    slopes, intercepts = lines.poolability()
    model = pool if pool != "auto" else _pooled(lines, slopes, intercepts)
    fitted = lines.fitted(model, pooled_error=error == "pooled")
    one_more = interval == "prediction"
    by_series: dict[str, tuple[float | None, Status]] = {}
    ends: dict[str, float] = {}
    lasts = {name: float(t.max()) for name, (t, _) in series.items()}
    for name, line in fitted.items():
        last = lasts[name] if model == "separate" else max(lasts.values())
        held = line.held(sign * limit, probability, one_more=one_more)
        if held is None or not held[0] <= 0 <= held[1]:
            by_series[name], ends[name] = (0.0, "not_held"), -1.0
        elif math.isinf(held[1]):
            by_series[name], ends[name] = (None, "never_meets"), last
        else:
            by_series[name] = held[1], "meets"
            ends[name] = held[1] if extrapolate else min(held[1], last)
    first = min(ends, key=lambda name: ends[name])
    met = [name for name, (at, _) in by_series.items() if at is not None]
    worst = min(met, key=lambda name: by_series[name][0] or 0.0) if met else first
    crossing, status = by_series[worst]
    return Window(
        window=math.floor(ends[first]) if ends[first] >= 0 else None,
        crossing=crossing,
        status=status,
        by_series=by_series,
        worst=worst,
        model=model,
        slopes=slopes,
        intercepts=intercepts,
        curvature=lines.curvature(model),
        side=facing,
        probability=probability,
        last_sampled=min(lasts.values()) if model == "separate" else max(lasts.values()),
        lines={
            name: replace(line, level=sign * line.level, slope=sign * line.slope)
            for name, line in fitted.items()
        },
    )


def facing_side(series: Series, limit: float) -> Literal["lower", "upper"]:
    """Which side of a two-sided interval faces a limit: the lower where counts begin above it.

    Examples
    --------
    >>> facing_side({"A": (np.array([0.0, 9.0]), np.array([7.0, 4.0]))}, 5.0)
    'lower'
    """
    first = min(float(t.min()) for t, _ in series.values())
    start = np.concatenate([y[t == first] for t, y in series.values()])
    return "lower" if start.mean() >= limit else "upper"


def turned(series: Series, sign: float) -> Series:
    """Responses with a sign, so that a limit above becomes one below."""
    return {name: (t, sign * y) for name, (t, y) in series.items()}


def _pooled(lines: Lines, slopes: FTest | None, intercepts: FTest | None) -> Model:
    if len(lines.series) == 1:
        return "common"
    if slopes is None or intercepts is None:
        raise FitError(
            "Nothing is left to judge scatter by once each series has its own line, so whether "
            "they may be pooled is not known. First, count every series at a third time, and write "
            "counts with all their digits. Second, where the series are known to be alike, say "
            "--pool common."
        )
    if slopes.p < POOLED_FROM:
        return "separate"
    return "common_slope" if intercepts.p < POOLED_FROM else "common"


@dataclass(frozen=True, slots=True)
class NewBatch:
    """How long the true mean of a batch not seen yet keeps a limit.

    Parameters
    ----------
    window : int or None
        Last whole time to which the probability is reached; None if refused or not at the start.
    status : {"ok", "few_batches", "too_few_batches", "not_fitted", "not_held"}
        Why there is a window, or none.
    probability : float or None
        At the window; at the start where there is none.
    is_cut : bool
        Whether the window ends at the last sampled time, with the limit still held.
    said : tuple of str
        What to mind.
    fit : BatchFit or None
        The lines of the batches; its responses carry the sign of the side.
    """

    window: int | None
    status: NewBatchStatus
    probability: float | None
    is_cut: bool
    said: tuple[str, ...]
    fit: BatchFit | None


def new_batch_window(
    series: Series,
    limit: float,
    *,
    side: Literal["lower", "upper"] = "lower",
    probability: float = 0.9,  # exact: as §2.12 has it
    extrapolate: bool = False,
) -> NewBatch:
    """The last whole time at which a new batch's true mean keeps a limit with a probability.

    Parameters
    ----------
    series : mapping of str to (ndarray, ndarray)
        Times and responses of every batch.
    limit : float
        The requirement, in the unit of the response.
    side : {"lower", "upper"}
        Whether the mean must stay above or below it.
    probability : float
        Wanted, between 0 and 1; of t on Satterthwaite's degrees of freedom.
    extrapolate : bool
        Whether it may pass the last sampled time.

    Notes
    -----
    Refused below three batches, warned of below six (§2.12).

    Examples
    --------
    >>> t = np.array([0.0, 10, 20, 30])
    >>> new_batch_window({"A": (t, 7 - t / 10)}, 5.5).status
    'too_few_batches'
    """
    if len(series) < FEWEST_BATCHES:
        return NewBatch(None, "too_few_batches", None, False, (), None)
    sign = 1.0 if side == "lower" else -1.0
    own = turned(series, sign)
    names = [name for name, (t, _) in own.items() for _ in t]
    t, y = (np.concatenate(part) for part in zip(*own.values(), strict=True))
    try:
        fit = fit_batches(names, t, y)
    except FitError as error:
        return NewBatch(None, "not_fitted", None, False, (str(error),), None)

    def chance(time: float) -> float:
        return fit.new_batch(time).probability_at_least(sign * limit)

    last = math.floor(float(t.max()))
    end = FARTHEST * last if extrapolate else last
    window = last_whole(lambda time: chance(time) >= probability, end)
    is_cut = window == end
    if is_cut:
        window = last  # no end is seen, so none beyond the counts is stated
    status: NewBatchStatus = "few_batches" if len(series) < FEW_BATCHES else "ok"
    status = "not_held" if window is None else status
    return NewBatch(window, status, chance(window or 0), is_cut, fit.warnings, fit)


def last_whole(holds: Callable[[int], bool], end: int) -> int | None:
    """The last whole number up to which something holds; None if it does not at 0.

    Notes
    -----
    Every whole number is looked at up to 64; of more, 65 at even distances, then a bisection: a
    limit that fails and holds again between two of those is not seen.

    Examples
    --------
    >>> last_whole(lambda day: day < 700.5, 1000), last_whole(lambda day: day > 3, 10)
    (700, None)
    """
    looked: list[int] = [round(x) for x in np.linspace(0, end, min(end, COARSE) + 1).tolist()]
    failed = next((i for i, time in enumerate(looked) if not holds(time)), None)
    if failed is None:
        return end
    if failed == 0:
        return None
    good, bad = looked[failed - 1], looked[failed]
    while bad - good > 1:
        middle = (good + bad) // 2
        good, bad = (middle, bad) if holds(middle) else (good, middle)
    return good
