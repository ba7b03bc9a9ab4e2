"""Likelihood-ratio limits of one positive parameter, by bracketed roots on its logarithm."""

from __future__ import annotations

import math
from collections.abc import Callable

from scipy.optimize import brentq
from scipy.special import gammaincinv

from rhizoledger.stats.poisson import checked_level

LOG_TOLERANCE = 1e-13  # numeric: relative error allowed in a root, far below any data
LEAST_RTOL = 8.9e-16  # numeric: the least the root finder takes, four units in the last place
FARTHEST = 600.0  # numeric: steps on the log scale stop before exp() overflows


def chi2_1(level: float) -> float:
    """Quantile of χ² with one degree of freedom.

    Examples
    --------
    >>> round(chi2_1(0.95), 6)
    3.841459
    """
    return 2 * float(gammaincinv(0.5, checked_level(level)))


def log_root(f: Callable[[float], float], low: float, high: float) -> float:
    """The root of ``f(ln x)`` between two ends on the log scale where its signs differ."""
    return float(brentq(f, low, high, xtol=LOG_TOLERANCE, rtol=LEAST_RTOL))


def step_out(f: Callable[[float], float], start: float, direction: float) -> float | None:
    """The first point from ``start`` on, in doubling steps, where ``f`` is above zero.

    Returns None where that never happens: the parameter has no limit on this side.
    """
    step = 0.1 * direction  # numeric: a tenth on the log scale is about one decile
    while abs(step) < FARTHEST:
        if f(start + step) > 0:
            return start + step
        step *= 2
    return None


def likelihood_limits(
    log_likelihood: Callable[[float], float], log_best: float, level: float
) -> tuple[float, float]:
    """Likelihood-ratio confidence limits of a positive parameter.

    Parameters
    ----------
    log_likelihood : callable
        Log likelihood as a function of the parameter's natural logarithm, with one maximum.
    log_best : float
        Natural logarithm of the maximum-likelihood value.
    level : float
        Confidence level in (0, 1).

    Returns
    -------
    tuple of float
        Lower and upper limit of the parameter itself; 0 or infinity where there is none.

    Notes
    -----
    The limits solve 2(ℓ_max - ℓ) = χ²₁(level). Coverage is approximate.

    Examples
    --------
    For a Poisson count of 10, ℓ = 10 ln λ - λ:

    >>> low, high = likelihood_limits(lambda t: 10 * t - math.exp(t), math.log(10), 0.95)
    >>> round(low, 3), round(high, 3)
    (5.011, 17.539)
    """
    best = log_likelihood(log_best)
    drop = 0.5 * chi2_1(level)

    def excess(log_value: float) -> float:
        return best - log_likelihood(log_value) - drop

    below, above = step_out(excess, log_best, -1.0), step_out(excess, log_best, 1.0)
    low = math.exp(log_root(excess, below, log_best)) if below is not None else 0.0
    high = math.exp(log_root(excess, log_best, above)) if above is not None else math.inf
    return low, high
