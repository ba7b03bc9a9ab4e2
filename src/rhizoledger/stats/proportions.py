"""Confidence limits of a proportion: exact, score and Jeffreys."""

from __future__ import annotations

import math
from numbers import Real

from scipy.special import betainc, betaincc, betainccinv, betaincinv, ndtri

from rhizoledger.errors import InputError
from rhizoledger.stats.poisson import Side, checked_level
from rhizoledger.stats.profile import log_root, step_out

_CONFIRMED = 1e-11  # numeric: relative error of a tail that its inverse may leave
_LEAST = 1e-300  # numeric: stands for a tail of zero, which has no logarithm


def clopper_pearson(
    successes: int,
    trials: int,
    level: float = 0.95,  # exact: the customary level
    side: Side = "two",
) -> tuple[float, float]:
    """Exact (Clopper-Pearson) confidence limits of a binomial proportion.

    Parameters
    ----------
    successes, trials : int
        Whole numbers, 0 <= successes <= trials.
    level : float
        Confidence level in (0, 1).
    side : {"two", "lower", "upper"}
        ``"two"`` leaves (1 - level)/2 outside each end; ``"lower"`` and ``"upper"`` put all of
        1 - level outside one end and return 1 or 0 for the other.

    Returns
    -------
    tuple of float
        Lower and upper limit. Coverage is at least ``level``, and usually more. Without any trial
        they are 0 and 1.

    Raises
    ------
    InputError
        If a count is not a whole number, or there are more successes than trials.

    Notes
    -----
    The lower limit solves P(X >= x) = α/2, the upper one P(X <= x) = α/2.

    References
    ----------
    Clopper and Pearson, Biometrika 26 (1934) 404-413.

    Examples
    --------
    No success in 10 trials; the upper limit is 1 - 0.025^(1/10):

    >>> low, high = clopper_pearson(0, 10)
    >>> low, round(high, 4)
    (0.0, 0.3085)
    """
    x, n = _counts(successes, trials)
    tail = _tail(level, side)
    low = beta_quantile(x, n - x + 1, tail) if x > 0 and side != "upper" else 0.0
    high = beta_quantile(x + 1, n - x, tail, upper=True) if x < n and side != "lower" else 1.0
    return low, high


def wilson(
    successes: int,
    trials: int,
    level: float = 0.95,  # exact: the customary level
    side: Side = "two",
    *,
    continuity: bool = False,
) -> tuple[float, float]:
    """Score (Wilson) confidence limits of a binomial proportion.

    Parameters
    ----------
    successes, trials : int
        Whole numbers, 0 <= successes <= trials.
    level : float
        Confidence level in (0, 1).
    side : {"two", "lower", "upper"}
        As in :func:`clopper_pearson`.
    continuity : bool
        Move half a success outwards first; coverage is then nearly never below ``level``.

    Returns
    -------
    tuple of float
        Lower and upper limit. Coverage is ``level`` on average over proportions, not at each one.

    Raises
    ------
    InputError
        If a count is not a whole number, or there are more successes than trials.

    Notes
    -----
    The limits are the proportions π that solve (p - π)² = z² π(1 - π)/n, with |p - π| less 1/(2n)
    where ``continuity`` is set.

    References
    ----------
    Wilson, Journal of the American Statistical Association 22 (1927) 209-212. Newcombe, Statistics
    in Medicine 17 (1998) 857-872, methods 3 and 4.

    Examples
    --------
    With z² = 4, 0 of 4 is between 0 and z²/(n + z²) = 0.5:

    >>> low, high = wilson(0, 4, level=0.9544997361036416)
    >>> low, round(high, 9)
    (0.0, 0.5)
    """
    x, n = _counts(successes, trials)
    z = -float(ndtri(_tail(level, side)))
    moved = 0.5 if continuity else 0.0
    low = _score_low(x - moved, n, z) if x > 0 and side != "upper" else 0.0
    high = _score_high(x + moved, n, z) if x < n and side != "lower" else 1.0
    return low, high


def jeffreys(
    successes: int,
    trials: int,
    level: float = 0.95,  # exact: the customary level
    side: Side = "two",
) -> tuple[float, float]:
    """Jeffreys limits of a binomial proportion: quantiles of Beta(x + 1/2, n - x + 1/2).

    Parameters
    ----------
    successes, trials : int
        Whole numbers, 0 <= successes <= trials.
    level : float
        Level in (0, 1).
    side : {"two", "lower", "upper"}
        As in :func:`clopper_pearson`.

    Returns
    -------
    tuple of float
        Lower and upper limit; the lower one is 0 where there is no success and the upper one 1
        where there is no failure, so that these proportions are never excluded.

    Raises
    ------
    InputError
        If a count is not a whole number, or there are more successes than trials.

    References
    ----------
    Brown, Cai and DasGupta, Statistical Science 16 (2001) 101-133, section 3.1.2.

    Examples
    --------
    Half of the trials give limits that mirror each other:

    >>> low, high = jeffreys(5, 10)
    >>> round(low + high, 12)
    1.0
    """
    x, n = _counts(successes, trials)
    tail = _tail(level, side)
    low = beta_quantile(x + 0.5, n - x + 0.5, tail) if x > 0 and side != "upper" else 0.0
    high = (
        beta_quantile(x + 0.5, n - x + 0.5, tail, upper=True) if x < n and side != "lower" else 1.0
    )
    return low, high


def beta_quantile(a: float, b: float, tail: float, *, upper: bool = False) -> float:
    """The point of a beta distribution with a given tail below it, or above it.

    Parameters
    ----------
    a, b : float
        Shapes > 0.
    tail : float
        Probability in (0, 1) below the point, or above it if ``upper``.
    upper : bool
        Which tail.

    Notes
    -----
    The library's inverse is taken where its own tail confirms it. From a + b = 10⁷ on it can be far
    off, while the tail itself keeps its digits; the tail is then inverted by a bracketed root.

    Examples
    --------
    >>> round(beta_quantile(1, 1, 0.3), 12), round(beta_quantile(1, 1, 0.3, upper=True), 12)
    (0.3, 0.7)
    """
    inverse, forward = (betainccinv, betaincc) if upper else (betaincinv, betainc)
    x = float(inverse(a, b, tail))
    if abs(float(forward(a, b, x)) - tail) <= _CONFIRMED * tail:
        return x
    if a > b:  # the root is sought on the logarithm, which has digits only near zero
        return 1 - beta_quantile(b, a, tail, upper=not upper)
    sign = -1.0 if upper else 1.0

    def excess(log_x: float) -> float:
        reached = float(forward(a, b, min(1.0, math.exp(log_x))))
        return sign * math.log(max(reached, _LEAST) / tail)

    middle = math.log(a / (a + b))
    above = step_out(excess, middle, 1.0)
    below = step_out(lambda u: -excess(u), middle, -1.0)
    if above is None or below is None:
        return x
    return math.exp(log_root(excess, below, above))


def _score_low(x: float, n: int, z: float) -> float:
    """The smaller root of (n + z²)π² - (2x + z²)π + x²/n, as the product over the larger one.

    A negative z, of a one-sided level below one half, asks for the other root and gets it.
    """
    return 2 * x * (x / n) / (2 * x + z * z + _score_root(x, n, z))


def _score_high(x: float, n: int, z: float) -> float:
    return (2 * x + z * z + _score_root(x, n, z)) / (2 * (n + z * z))


def _score_root(x: float, n: int, z: float) -> float:
    return z * math.sqrt(z * z + 4 * x * ((n - x) / n))  # exact: of the quadratic's discriminant


def _tail(level: float, side: Side) -> float:
    checked_level(level)
    if side not in ("two", "lower", "upper"):
        raise InputError(f"side {side!r}: not known. Take two, lower or upper.")
    return (1 - level) / 2 if side == "two" else 1 - level


def _counts(successes: int, trials: int) -> tuple[int, int]:
    for name, value in (("successes", successes), ("trials", trials)):
        whole = not isinstance(value, bool) and isinstance(value, Real) and math.isfinite(value)
        if not whole or value < 0 or value != math.floor(value):
            raise InputError(
                f"{name} {value!r}: not a whole number, zero or more. Give a count, not a share."
            )
    if successes > trials:
        raise InputError(
            f"{successes} successes in {trials} trials: there cannot be more successes than "
            "trials. Check that the two are not swapped."
        )
    return int(successes), int(trials)
