"""Tails of the noncentral t and F, to all digits however large the noncentrality is."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import betainc, betaincc, gammaln, ndtr, xlogy

from rhizoledger.stats.proportions import beta_quantile

_X, _W = np.polynomial.legendre.leggauss(20)  # numeric: nodes a panel, for 15 digits
_STEPS = np.arange(-10.0, 11.0)  # numeric: ten standard deviations each way
_PANELS = 40  # numeric: over the whole range, beside the steps above
_LOG_SMALL = 40.0  # numeric: e^-40 is nothing beside the smallest result
_SHARPEST = 4.0  # numeric: points a standard deviation; the sum of a bell is then exact
_LARGE = 50.0  # numeric: from here Stirling's series has all digits


def t_tails(df: float, ncp: float, critical: float) -> tuple[float, float]:
    """P(T > critical) and P(T < -critical) of a noncentral t.

    Parameters
    ----------
    df : float
        Degrees of freedom, 1 or more, whole or not.
    ncp : float
        Noncentrality >= 0: the true difference over its standard error.
    critical : float
        Critical value > 0.

    Returns
    -------
    tuple of float
        Upper and lower tail, both to some 14 digits however large ``ncp`` is.

    Notes
    -----
    T = (Z + ncp)/S with νS² a χ². The mean of Φ(ncp - cS) and of Φ(-ncp - cS) over ln S, by
    Gauss-Legendre panels that are narrow where the density or Φ changes. Every term is positive,
    so nothing cancels; library series give NaN or lose half their digits at a large ``ncp``.

    Examples
    --------
    Student's t with one degree of freedom exceeds 1 with probability 1/4:

    >>> upper, lower = t_tails(1, 0.0, 1.0)
    >>> round(upper, 12), round(lower, 12)
    (0.25, 0.25)
    """
    narrow = 1 / math.sqrt(2 * df)
    low = -_LOG_SMALL / df - math.log1p(critical)
    high = math.log1p(12 * narrow)  # numeric: twelve standard deviations above the mean of S
    edges = [np.linspace(low, high, _PANELS + 1), _STEPS * narrow]
    if ncp / critical > 0:
        edges.append(math.log(ncp / critical) + _STEPS / max(ncp, 1.0))
    panels = np.unique(np.clip(np.concatenate(edges), low, high))
    half = 0.5 * np.diff(panels)[:, np.newaxis]
    u = 0.5 * (panels[1:] + panels[:-1])[:, np.newaxis] + half * _X
    weight = half * _W * np.exp(df * (u - 0.5 * np.expm1(2 * u)))
    weight /= weight.sum()
    reach = critical * np.exp(u)
    upper, lower = (weight * ndtr(ncp - reach)).sum(), (weight * ndtr(-ncp - reach)).sum()
    return min(1.0, float(upper)), min(1.0, float(lower))


def f_tail(df1: float, df2: float, ncp: float, alpha: float) -> float:
    """P(F > its critical value) of a noncentral F, the critical value being the central one of α.

    Parameters
    ----------
    df1, df2 : float
        Degrees of freedom above and below the line, > 0.
    ncp : float
        Noncentrality >= 0: squared differences over the error variance, summed.
    alpha : float
        Upper tail of the central F beyond the critical value.

    Notes
    -----
    The Poisson(ncp/2) mean of beta tails I_y(ν₂/2, ν₁/2 + j), where I_y(ν₂/2, ν₁/2) = α. All terms
    are positive; for a large ``ncp`` the sum takes equally spaced terms, four a standard deviation.

    Examples
    --------
    >>> round(f_tail(3, 12, 0.0, 0.05), 12)
    0.05
    """
    # The point on the beta scale that is near zero; its distance from one would lose digits.
    y = beta_quantile(0.5 * df2, 0.5 * df1, alpha)
    rest = beta_quantile(0.5 * df1, 0.5 * df2, alpha, upper=True)
    mean = 0.5 * ncp
    spread = math.sqrt(mean)
    step = max(1.0, math.floor(spread / _SHARPEST))
    reach = math.ceil((12 * spread + _LOG_SMALL) / step)  # numeric: twelve sd and more
    j = math.floor(mean) + step * np.arange(-reach, reach + 1)
    j = j[j >= 0]
    # Loader's form of the Poisson probability: its exponent is small where the terms matter.
    off = (j - mean) / mean if mean > 0 else np.where(j > 0, math.inf, 0.0)
    if mean > 0:
        exponent = -mean * (xlogy(1 + off, 1 + off) - off)
        near = abs(off) < 0.5
        exponent[near] = -mean * ((1 + off[near]) * np.log1p(off[near]) - off[near])
    else:
        exponent = -off
    safe = np.maximum(j, 1)
    stirling = 0.5 * np.log(2 * math.pi * safe) + 1 / (12 * safe)  # exact: Stirling's series
    stirling -= 1 / (360 * safe**3)  # exact: its second term
    small = j < _LARGE
    stirling[small] = gammaln(j[small] + 1) - xlogy(j[small], j[small]) + j[small]
    weight = np.exp(exponent - stirling)
    if y < rest:
        tails = betainc(0.5 * df2, 0.5 * df1 + j, y)
    else:
        tails = betaincc(0.5 * df1 + j, 0.5 * df2, rest)
    tail = (weight * tails).sum() / weight.sum()
    return min(1.0, float(tail))
