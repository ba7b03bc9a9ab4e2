"""What repeated catch tests say of a pump: its mean, its bias, its scatter, and whether to set it.

Each catch is one observation, taken for normal and independent of the others (§3.1).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, gammaln, ndtr, stdtr, stdtrit

from rhizoledger.errors import InputError
from rhizoledger.stats.noncentral import t_tails
from rhizoledger.stats.poisson import checked_level
from rhizoledger.stats.relative_spread import cv_limits

Verdict = Literal["pass", "adjust", "not_settled", "no_target"]

MOST_CATCHES = 1000  # numeric: nobody catches more; beyond it the answer is no number
WANTED_POWER = 0.8  # numeric: the customary chance that a planned test settles what is true
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)  # numeric: points over the spread of s


@dataclass(frozen=True, slots=True)
class Interval:
    """A number with its limits; infinite where there is none."""

    value: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Calibration:
    """What catches say of a pump.

    Parameters
    ----------
    n : int
        Catches.
    mean : Interval
        In the unit of the catches; Student's t.
    sd : float or None
        None from one catch.
    cv : Interval or None
        Share of the mean; exact limits (noncentral t). None where catches do not differ.
    bias : Interval or None
        Mean over target, less one.
    factor : Interval or None
        What to multiply the setting by: target over mean.
    verdict : {"pass", "adjust", "not_settled", "no_target"}
        pass: the mean is shown to lie within the tolerance. adjust: shown to lie outside it.
    p_within : float or None
        Of the two one-sided tests: the larger p. Small shows that the mean lies within.
    more : int or None
        Further catches after which the matter is likely settled, if the pump is as these say.
        0 where it is settled; None where no number of catches would do, or none can be told.
    """

    n: int
    mean: Interval
    sd: float | None
    cv: Interval | None
    bias: Interval | None
    factor: Interval | None
    verdict: Verdict
    p_within: float | None
    more: int | None


def calibrate(
    catches: Sequence[float],
    target: float | None = None,
    *,
    tolerance: float,
    level: float = 0.95,  # exact: the customary level
) -> Calibration:
    """Mean, bias, scatter and verdict of repeated catch tests.

    Parameters
    ----------
    catches : sequence of float, shape (n,)
        Rates, > 0, in one unit.
    target : float, optional
        What was wanted, > 0, in that unit.
    tolerance : float
        Share of the target, in (0, 1), by which the mean may be off.
    level : float
        Of the intervals. The verdict takes each side's test at 1 - level.

    Returns
    -------
    Calibration

    Raises
    ------
    InputError
        If there is no catch, or a number is not above zero.

    Notes
    -----
    §3.1. *pass* is an equivalence test: both one-sided t tests reject "off by the tolerance or
    more", which is when the interval of level 2·level - 1 lies within it. *adjust* is when that
    interval lies wholly outside. Anything else is not settled: few catches do not make a pump good.

    Examples
    --------
    >>> c = calibrate([258, 262, 259, 261, 260], 260, tolerance=0.05)
    >>> c.verdict, round(c.bias.value, 12), round(c.cv.value, 4)
    ('pass', 0.0, 0.0061)
    """
    x = _checked(catches, target, tolerance)
    level = checked_level(level)
    n = x.size
    middle = float(x.mean())
    # Equal readings have no spread at all, whatever the last binary digit of their mean says.
    sd = None if n < 2 else float(x.std(ddof=1)) if np.ptp(x) > 0 else 0.0
    reach = math.inf
    if sd is not None:
        reach = float(stdtrit(n - 1, 0.5 + 0.5 * level)) * sd / math.sqrt(n)
    mean = Interval(middle, middle - reach, middle + reach)
    cv = None
    if sd:
        cv = Interval(sd / middle, *cv_limits(sd / middle, n, level))
    if target is None:
        return Calibration(n, mean, sd, cv, None, None, "no_target", None, None)
    bias = Interval(*(m / target - 1 for m in (mean.value, mean.low, mean.high)))
    factor = Interval(
        target / middle,
        target / mean.high if mean.high > 0 else 0.0,
        target / mean.low if mean.low > 0 else math.inf,
    )
    edges = (target * (1 - tolerance), target * (1 + tolerance))
    verdict, p = _judged(middle, sd, n, edges, 1 - level)
    more: int | None = 0
    if verdict == "not_settled":
        more = _catches_needed(middle, sd, n, edges, 1 - level) if sd else None
    return Calibration(n, mean, sd, cv, bias, factor, verdict, p, more)


def _checked(
    catches: Sequence[float], target: float | None, tolerance: float
) -> NDArray[np.float64]:
    x = np.asarray(catches, dtype=np.float64)
    if x.size == 0:
        raise InputError("There is no catch. Give at least one.")
    if not np.all(np.isfinite(x) & (x > 0)):
        raise InputError("A catch must be above zero. Leave a failed one out and say why.")
    if target is not None and not (math.isfinite(target) and target > 0):
        raise InputError(f"The target is {target:g}. Give a rate above zero.")
    if not 0 < tolerance < 1:
        raise InputError(f"The tolerance is {tolerance:g}. Give a share between 0 and 1.")
    return x


def _judged(
    middle: float, sd: float | None, n: int, edges: tuple[float, float], alpha: float
) -> tuple[Verdict, float | None]:
    """Two one-sided tests against the edges, and the same turned outward."""
    if not sd:
        return "not_settled", None  # one reading, or several too coarse to differ, show nothing
    low, high = edges
    error = sd / math.sqrt(n)
    within = max(
        float(stdtr(n - 1, (low - middle) / error)), float(stdtr(n - 1, (middle - high) / error))
    )
    outside = min(
        float(stdtr(n - 1, (middle - low) / error)), float(stdtr(n - 1, (high - middle) / error))
    )
    if within <= alpha:
        return "pass", within
    return ("adjust" if outside <= alpha else "not_settled"), within


def chance_of_verdict(
    mean: float, sd: float, n: int, edges: tuple[float, float], alpha: float
) -> float:
    """Chance that n catches settle it the right way, if mean and spread are the true ones.

    Parameters
    ----------
    mean, sd : float
        True ones, in the unit of ``edges``; sd > 0.
    n : int
        Catches, 2 or more.
    edges : (float, float)
        Lowest and highest mean that is still right.
    alpha : float
        Of each one-sided test.

    Notes
    -----
    Within: the mean over s of the chance that the sample mean keeps its distance from both edges.
    Outside: a noncentral t.

    Examples
    --------
    A mean at an edge is called within, or outside, no more often than alpha allows:

    >>> round(chance_of_verdict(105, 2, 8, (95, 105), 0.05), 6)
    0.05
    """
    low, high = edges
    error, df = sd / math.sqrt(n), n - 1
    t = float(stdtrit(df, 1 - alpha))
    if not low < mean < high:
        off = max(low - mean, mean - high) / error
        return t_tails(df, off, t)[0]
    # s beyond this leaves no room between the edges; there the chance is nothing.
    most = df * ((high - low) / (2 * t * error)) ** 2
    bottom, top = float(chdtri(df, 1 - 1e-12)), float(chdtri(df, 1e-12))  # numeric: nothing beyond
    top = min(top, most)
    if top <= bottom:
        return 0.0
    # Over the root of chi squared, in which the density is smooth down to one degree of freedom.
    half = 0.5 * (math.sqrt(top) - math.sqrt(bottom))
    root = math.sqrt(bottom) + half * (1 + _NODES)
    log_density = (df - 1) * np.log(root) - 0.5 * root**2
    log_density -= float(gammaln(0.5 * df)) + (0.5 * df - 1) * math.log(2)
    s = error * root / math.sqrt(df)
    chance = ndtr((high - t * s - mean) / error) - ndtr((low + t * s - mean) / error)
    return float(np.sum(half * _WEIGHTS * np.exp(log_density) * np.maximum(chance, 0.0)))


def _catches_needed(
    mean: float, sd: float, n: int, edges: tuple[float, float], alpha: float
) -> int | None:
    """Further catches with which a set of that size is likely settled; None if none is."""

    def enough(size: int) -> bool:
        return chance_of_verdict(mean, sd, size, edges, alpha) >= WANTED_POWER

    if not enough(MOST_CATCHES):
        return None
    short, long = max(n, 2), MOST_CATCHES
    if enough(short + 1):
        return 1
    while long - short > 1:
        middle = (short + long) // 2
        short, long = (short, middle) if enough(middle) else (middle, long)
    return max(1, long - n)
