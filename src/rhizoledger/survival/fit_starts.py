"""Where a search begins: starts that the rows themselves suggest, screened before any climbs.

The likelihood of a curve with a bend can have several maxima. A coarse grid over where the bend
may lie is scored first; only its best places climb.
"""

from __future__ import annotations

import math
from itertools import product

import numpy as np

from rhizoledger.survival.fit_models import FloatArray, Model
from rhizoledger.survival.fit_search import Point, Problem
from rhizoledger.survival.temperature import LN10

CLIMBERS = 4  # numeric: places that climb; how often a better one is missed is in the docs
BIPHASIC_CLIMBERS = 6  # numeric: two groups have more maxima than a shoulder or a tail
GENTLE = ((0.5, 3.0), (0.9, 3.0), (0.99, 30.0))  # numeric: fragile share, k₁/k₂ of gentle bends
EARLY_FALL = 1.0  # numeric: log10 by which a fast group is gone at the second time
DEEPEST = 9.0  # numeric: log10 by which the hardy group may lie below the start
BENDS = (0.05, 0.2, 0.4, 0.65)  # numeric: where in the course of time a bend may lie
SHAPES_P = (0.3, 0.6, 1.0, 2.0, 4.0)  # numeric: Weibull shapes to begin from
RATES_Z = (0.0, 0.03, 0.1)  # numeric: 1/z to begin from, °C⁻¹
KJ_PER_Z = 160.0  # numeric: about the kJ/mol·°C that z times Ea makes; a start, no more
LEAST_FALL = 0.1  # numeric: log10, so that a start always falls a little


def line(problem: Problem, at_warmth: float = 0.0) -> tuple[FloatArray, float]:
    """Least-squares log10 N₀ of each start and 1/D, with the temperature coordinate given."""
    data = problem.data
    of_group = data.group[:, np.newaxis] == np.arange(problem.starts)
    age = data.time_d
    if problem.ln_age_per is not None:
        age = age * np.exp(np.clip(at_warmth * problem.ln_age_per, -LN10 * 10, LN10 * 10))
    design = np.column_stack([of_group.astype(np.float64), -age])
    found = np.linalg.lstsq(design, data.rough_log10(), rcond=None)[0]
    return found[:-1], float(found[-1])


def warmths(problem: Problem) -> tuple[float, ...]:
    """Temperature coordinates to begin from; one 0 that nobody reads where there is none."""
    if problem.temperature is None:
        return (0.0,)
    per = KJ_PER_Z if problem.temperature.name == "ea_kj_per_mol" else 1.0
    return tuple(per * z for z in RATES_Z)


def own_starts(model: Model, problem: Problem, slope: float, span: float) -> list[list[float]]:
    """Coordinates of the model to begin from, given a line's fall and the span of ages."""
    y = problem.data.rough_log10()
    fall = max(float(y.max() - y.min()), LEAST_FALL)
    gentle = max(slope, LEAST_FALL / span)
    low = float(y.min())
    if model == "loglinear":
        return [[slope]]
    if model == "weibull":
        # The whole fall over the whole span fixes δ for each p.
        return [[math.log(span) - math.log(fall) / p, math.log(p)] for p in SHAPES_P]
    if model == "biphasic":
        return _two_lines(problem, gentle)
    if model == "shoulder":
        return [[math.log(fall * LN10 / (span * (1 - b))), b * span] for b in (0.0, *BENDS)]
    steep = [math.log(fall * LN10 / (span * b)) for b in (*BENDS, 1.0)]
    if model == "tail":
        return [[k, low + r] for k, r in product(steep, (0.0, -1.0))]
    return [
        [math.log(fall * LN10 / (span * (end - b))), b * span, low]
        for b, end in product((0.0, *BENDS), (0.3, 0.6, 1.0))  # numeric: where the tail may begin
        if end > b
    ]


def _two_lines(problem: Problem, gentle: float) -> list[list[float]]:
    """Biphasic coordinates from a line through the late rows and one from the start to the bend.

    The late line alone gives k₂ and, by where it meets the start, the hardy share. Gentle bends and
    a fast group that is gone at the second time are begun from too.
    """
    time, y = problem.data.time_d, problem.data.rough_log10()
    last, top = float(time.max()), float(y[time <= time.min()].mean())
    found = []
    for bend in BENDS:
        late = time >= bend * last
        if len(np.unique(time[late])) > 1:
            slow, hardy = np.polyfit(time[late], y[late], 1)
        else:
            slow, hardy = 0.0, float(y[late].mean())
        depth = min(max(top - hardy, LEAST_FALL), DEEPEST)
        k2 = LN10 * max(-slow, 0.01 * gentle)  # numeric: all but standing still
        for steep in (1.0, 3.0):  # numeric: the fast group is gone at the bend, or well before
            fast = max(LN10 * depth / (bend * last) * steep, 1.2 * k2)  # numeric: a little faster
            logit = math.log(10**depth - 1)
            found.append([logit, math.log(k2), math.log(fast / k2)])
    for share, ratio in GENTLE:
        logit = math.log(share / (1 - share))
        found.append([logit, math.log(0.5 * LN10 * gentle), math.log(ratio)])
    times = np.unique(time)
    if len(times) > 3:  # numeric: two for the late line, with one to spare
        late = time >= times[1]
        slow, hardy = np.polyfit(time[late], y[late], 1)
        depth = min(max(top - hardy, LEAST_FALL), DEEPEST)
        k2 = LN10 * max(-slow, 0.01 * gentle)  # numeric: all but standing still
        span = max(float(times[1] - times[0]), 1e-3 * last)  # numeric: two times all but one
        fast = max(LN10 * (depth + EARLY_FALL) / span, 2 * k2)
        found.append([math.log(10**depth - 1), math.log(k2), math.log(fast / k2)])
    return found


def best_maximum(model: Model, problem: Problem) -> Point:
    """The highest maximum reached from the starts."""
    grid: list[FloatArray] = []
    for warmth in warmths(problem):
        n0, slope = line(problem, warmth)
        ages = problem.data.time_d
        if problem.ln_age_per is not None:
            ages = ages * np.exp(np.clip(warmth * problem.ln_age_per, -LN10 * 10, LN10 * 10))
        span = float(ages.max())
        for own in own_starts(model, problem, slope, span):
            tops = n0 if model in ("loglinear", "biphasic") else _tops(problem)
            tail = [warmth] if problem.temperature is not None else []
            scatter = [_scatter(problem)] if problem.size > problem.curve_size else []
            grid.append(np.array([*tops, *own, *tail, *scatter]))
    low, high = problem.bounds
    ranked = sorted(grid, key=lambda at: -problem.loglik(np.clip(at, low, high)))
    most = BIPHASIC_CLIMBERS if model == "biphasic" else CLIMBERS
    reached = [problem.climb(at) for at in ranked[:most]]
    return max(reached, key=lambda point: point.loglik)


def _tops(problem: Problem) -> FloatArray:
    """log10 N₀ to begin from where a curve bends: the mean of the earliest rows of each start."""
    data, y = problem.data, problem.data.rough_log10()
    tops = np.empty(problem.starts)
    for g in range(problem.starts):
        own = data.group == g
        first = own & (data.time_d <= data.time_d[own].min())
        tops[g] = float(y[first].mean())
    return tops


def _scatter(problem: Problem) -> float:
    return math.log(0.3) if problem.likelihood == "normal" else math.log(20)  # numeric: a start
