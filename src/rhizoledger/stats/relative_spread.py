"""The coefficient of variation of normal observations, with exact limits."""

from __future__ import annotations

import math
from collections.abc import Callable

from rhizoledger.errors import InputError
from rhizoledger.stats.noncentral import t_tails
from rhizoledger.stats.poisson import checked_level
from rhizoledger.stats.profile import log_root, step_out


def cv_limits(cv: float, n: int, level: float = 0.95) -> tuple[float, float]:  # exact: customary
    """Exact limits of a coefficient of variation.

    Parameters
    ----------
    cv : float
        Standard deviation (n - 1 in the denominator) over mean, > 0, of the sample.
    n : int
        Observations, 2 or more.
    level : float
        In (0, 1).

    Returns
    -------
    tuple of float
        The upper one is infinite where so wide a scatter cannot be told from any wider one.

    Raises
    ------
    InputError
        If cv is not above zero or n below 2.

    Notes
    -----
    √n/cv is a noncentral t with n - 1 degrees of freedom and noncentrality √n/κ, κ the true
    coefficient; the limits are the κ at which the observed one lies at either tail. Exact for
    normal observations, unlike McKay's approximation.

    Examples
    --------
    >>> low, high = cv_limits(0.05, 10)
    >>> round(low, 4), round(high, 4)
    (0.0344, 0.0915)
    """
    if not (math.isfinite(cv) and cv > 0):
        raise InputError(f"The coefficient of variation is {cv}; it must be above zero.")
    if n < 2:
        raise InputError("One observation has no spread. Take two or more.")
    tail = 0.5 * (1 - checked_level(level))
    root, t = math.sqrt(n), math.sqrt(n) / cv

    def upper_tail(log_kappa: float) -> float:
        """P(T >= t), which falls as κ grows: a wider scatter has smaller T."""
        return t_tails(n - 1, root * math.exp(-log_kappa), t)[0]

    best = math.log(cv)
    low = _crossing(lambda u: upper_tail(u) - (1 - tail), best, -1.0)
    high = _crossing(lambda u: tail - upper_tail(u), best, 1.0)
    return (0.0 if low is None else low), (math.inf if high is None else high)


def _crossing(f: Callable[[float], float], start: float, direction: float) -> float | None:
    """Where a function of ln κ turns from below zero at the estimate to above it, on one side."""
    if f(start) >= 0:
        return math.exp(start)
    end = step_out(f, start, direction)
    return None if end is None else math.exp(log_root(f, min(start, end), max(start, end)))
