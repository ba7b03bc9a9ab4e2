"""Exact Poisson limits, tails and a test of homogeneity."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, gammainc, gammainccinv, gammaincinv, gammaln, hyp1f1, xlogy

from rhizoledger.errors import InputError

Side = Literal["two", "lower", "upper"]
FloatArray = NDArray[np.float64]

_TINY_TAIL = 1e-250  # numeric: below it the tail is taken from its series, before it underflows


def checked_level(level: float) -> float:
    """A confidence level strictly inside (0, 1); an :class:`InputError` otherwise."""
    if not 0 < level < 1:
        raise InputError(f"level {level!r}: it must lie between 0 and 1. Write 0.9 for 90 %.")
    return float(level)


def poisson_limits(
    count: float,
    level: float = 0.95,  # exact: the customary level
    side: Side = "two",
) -> tuple[float, float]:
    """Exact (Garwood) confidence limits of a Poisson mean.

    Parameters
    ----------
    count : float
        Events counted, a whole number >= 0.
    level : float
        Confidence level in (0, 1).
    side : {"two", "lower", "upper"}
        ``"two"`` leaves (1 - level)/2 outside each end; ``"lower"`` and ``"upper"`` put all of
        1 - level outside one end and return infinity or zero for the other.

    Returns
    -------
    tuple of float
        Lower and upper limit of the mean. Coverage is at least ``level``, not exactly it.

    Raises
    ------
    InputError
        If the count is not a whole number >= 0 or the level is outside (0, 1).

    Notes
    -----
    §1.1. Lower limit P⁻¹(c, α/2) and upper limit Q⁻¹(c + 1, α/2) of the regularised incomplete
    gamma functions, which are half the χ² quantiles with 2c and 2c + 2 degrees of freedom.

    References
    ----------
    Garwood, Biometrika 28 (1936) 437-442.

    Examples
    --------
    >>> low, high = poisson_limits(0)
    >>> low, round(high, 5)  # -ln 0.025
    (0.0, 3.68888)
    >>> round(poisson_limits(0, side="upper")[1], 5)  # -ln 0.05
    2.99573
    """
    checked_level(level)
    if not (math.isfinite(count) and count >= 0 and count == math.floor(count)):
        raise InputError(f"count {count!r}: it must be a whole number, zero or more.")
    alpha = (1 - level) / 2 if side == "two" else 1 - level
    low = float(gammaincinv(count, alpha)) if count > 0 and side != "upper" else 0.0
    high = float(gammainccinv(count + 1, alpha)) if side != "lower" else math.inf
    return low, high


def log_at_least(count: ArrayLike, mean: ArrayLike) -> FloatArray:
    """Natural log of P(C >= count) for a Poisson C, finite however small it is.

    Parameters
    ----------
    count : array_like of int
        Threshold k >= 1.
    mean : array_like
        Poisson mean >= 0; at 0 the result is -inf.

    Notes
    -----
    P(C >= k | m) = P(k, m), the regularised *lower* incomplete gamma function with the count first.
    Where it would underflow it is m^k e^-m / k! · ₁F₁(1; k + 1; m).

    Examples
    --------
    >>> round(float(np.exp(log_at_least(1, 2.0))), 6)  # 1 - e^-2
    0.864665
    """
    k, m = np.broadcast_arrays(np.asarray(count, dtype=float), np.asarray(mean, dtype=float))
    tail = np.asarray(gammainc(k, m))
    small = tail < _TINY_TAIL
    out: FloatArray = np.array(np.log(np.where(small, 1.0, tail)))
    if small.any():
        ks, ms = k[small], m[small]
        # The series is needed only where m < k, and there 1F1 is a modest number.
        series = np.log(hyp1f1(1.0, ks + 1, np.minimum(ms, ks)))
        out[small] = xlogy(ks, ms) - ms - gammaln(ks + 1) + series
    return out


def at_least_slope(count: ArrayLike, mean: ArrayLike) -> FloatArray:
    """Derivative of :func:`log_at_least` with respect to the mean, for means above zero.

    Examples
    --------
    >>> round(float(at_least_slope(1, 2.0)), 6)  # e^-2 / (1 - e^-2)
    0.156518
    """
    k, m = np.asarray(count, dtype=float), np.asarray(mean, dtype=float)
    log_density = xlogy(k - 1, m) - m - gammaln(k)
    return np.asarray(np.exp(log_density - log_at_least(k, m)))


@dataclass(frozen=True, slots=True)
class Homogeneity:
    """Whether counts agree with one Poisson density.

    Parameters
    ----------
    chi2, g2 : float
        Pearson's and the likelihood-ratio statistic.
    df : int
        Counts less one; with 0 there is nothing to test and ``p`` is 1.
    p_chi2, p : float
        Upper χ² tail of ``chi2`` and of ``g2``. Approximate where expected counts are below five.
    """

    chi2: float
    g2: float
    df: int
    p_chi2: float
    p: float


def homogeneity(counts: ArrayLike, exposures: ArrayLike) -> Homogeneity:
    """Test that counts share one Poisson density over their exposures.

    Parameters
    ----------
    counts : array_like, shape (n,)
        Whole numbers >= 0, n >= 1.
    exposures : array_like, shape (n,)
        What each count was taken over, > 0 (volume of undiluted sample, for plates).

    Notes
    -----
    §1.1. Expected e_i = w_i Σc/Σw; G² = 2 Σ c ln(c/e); χ² = Σ (c - e)²/e, which for equal exposures
    is n - 1 times the index of dispersion.

    Examples
    --------
    >>> test = homogeneity([168, 215], [1, 1])
    >>> round(test.g2, 5), test.df, round(test.p, 5)
    (5.78219, 1, 0.01619)
    """
    c, w = np.asarray(counts, dtype=float), np.asarray(exposures, dtype=float)
    total, df = c.sum(), c.size - 1
    if df < 1 or total == 0:
        return Homogeneity(0.0, 0.0, max(df, 0), 1.0, 1.0)
    expected = w * (total / w.sum())
    chi2 = float(((c - expected) ** 2 / expected).sum())
    g2 = max(0.0, 2 * float(xlogy(c, c / expected).sum()))
    return Homogeneity(chi2, g2, df, float(chdtrc(df, chi2)), float(chdtrc(df, g2)))
