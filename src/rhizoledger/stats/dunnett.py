"""The largest |t| of several correlated contrasts: probability and quantile."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq
from scipy.special import chdtri, gammaln, ndtr, stdtrit

from rhizoledger.stats.mixed_equations import FloatArray

NODES = 96  # numeric: Gauss-Legendre nodes in each of the two directions, good to 1e-10
NORMAL_REACH = 8.5  # numeric: the normal density beyond is below 1e-16
TAIL = 1e-14  # numeric: share of the chi distribution left out at either end
MANY_DF = 1e7  # numeric: degrees of freedom from which t is normal to all digits
FACTOR_TOLERANCE = 1e-7  # numeric: largest error of a correlation written as one factor
FACTOR_ROUNDS = 2000  # numeric: rounds of the one-factor search, a few dozen usually
ALMOST_ONE = 1 - 1e-12  # numeric: a loading that leaves the quadrature a width
POINTS = 200_000  # numeric: quasi-random points where the correlations have no single factor
SEED = 20_240_601  # numeric: fixed, so that the same data give the same digits
PANEL = 20.0  # numeric: width in ln S that one set of nodes serves
MOST = 12  # numeric: sets of nodes at most
SLACK = 1e-6  # numeric: room for the quadrature's own error at the ends of a bracket


def one_factor(correlation: FloatArray) -> FloatArray | None:
    """Loadings a with a_i a_j equal to every correlation off the diagonal, or None.

    Differences from one check have this form whenever the means are independent; so does any pair.
    """
    m = correlation.shape[0]
    off = correlation - np.diag(np.diag(correlation))
    if m == 2:  # exact: a pair
        rho = float(off[0, 1])
        return np.array([math.sqrt(abs(rho)), math.copysign(math.sqrt(abs(rho)), rho)])
    loadings: FloatArray = np.sqrt(np.clip(off.max(axis=1), 0.1, 1))  # numeric: a start
    for _ in range(FACTOR_ROUNDS):
        squares = loadings @ loadings - loadings**2
        new = (off @ loadings) / np.where(squares > 0, squares, 1)
        new = 0.5 * (new + loadings)
        moved = float(np.abs(new - loadings).max())
        loadings = new
        if moved < 0.1 * FACTOR_TOLERANCE**2:  # numeric: a tenth of the tolerance
            break
    gap = np.outer(loadings, loadings) - off
    np.fill_diagonal(gap, 0)
    if np.abs(gap).max() > FACTOR_TOLERANCE or np.abs(loadings).max() > ALMOST_ONE:
        return None
    return loadings


def joint_tail(reach: float, correlation: FloatArray, df: float) -> float:
    """P(max |T_i| > reach) of a multivariate t with these correlations and degrees of freedom.

    Parameters
    ----------
    reach : float
        Bound, >= 0.
    correlation : ndarray (m, m)
        Correlations, ones on the diagonal.
    df : float
        Degrees of freedom > 0.

    Notes
    -----
    With one factor, T_i = (a_i Z + √(1 - a_i²) E_i)/S, and the probability is a double integral
    over Z normal and S = χ/√df by Gauss-Legendre. Without one, scipy's quasi-random integral with a
    fixed seed, good to about 1e-4.

    Examples
    --------
    >>> round(joint_tail(1.96, np.eye(2), 1e9), 4)  # 1 - 0.95²
    0.0975
    """
    loadings = one_factor(correlation)
    if loadings is None:
        from scipy.stats import multivariate_t

        bound = np.full(correlation.shape[0], reach)
        return 1 - float(
            multivariate_t.cdf(
                bound,
                shape=correlation,
                df=df if df < MANY_DF else np.inf,
                lower_limit=-bound,
                allow_singular=True,
                maxpts=POINTS,
                random_state=SEED,
            )
        )
    nodes, weights = _legendre(NODES)
    z = NORMAL_REACH * nodes
    wz = NORMAL_REACH * weights * np.exp(-0.5 * z * z) / math.sqrt(2 * math.pi)
    if df >= MANY_DF:
        s, ws = np.ones(1), np.ones(1)
    else:
        ends = 0.5 * np.log(np.array([chdtri(df, 1 - TAIL), chdtri(df, TAIL)]) / df)
        # With a fraction of a degree of freedom ln S spreads over hundreds.
        nodes, weights = _legendre(NODES * min(MOST, 1 + int((ends[1] - ends[0]) / PANEL)))
        log_s = 0.5 * (ends[1] - ends[0]) * nodes + 0.5 * (ends[1] + ends[0])
        s = np.exp(log_s)
        # The density of ln(χ/√df).
        log_density = (
            math.log(2)
            + 0.5 * df * math.log(0.5 * df)
            - float(gammaln(0.5 * df))
            + df * log_s
            - 0.5 * df * s * s
        )
        ws = 0.5 * (ends[1] - ends[0]) * weights * np.exp(log_density)
    log_inside = np.zeros((s.size, z.size))
    for loading in loadings:
        width = math.sqrt(1 - float(loading) ** 2)
        middle = loading * z[None, :]
        edge = reach * s[:, None]
        outside = ndtr((middle - edge) / width) + ndtr((-edge - middle) / width)
        log_inside += np.log1p(-np.minimum(outside, ALMOST_ONE))
    return float(ws @ -np.expm1(log_inside) @ wz)


def joint_quantile(level: float, correlation: FloatArray, df: float) -> float:
    """The bound that max |T_i| stays below with probability ``level``.

    References
    ----------
    Dunnett, Biometrics 20 (1964) 482-491.

    Examples
    --------
    Two-sided 5 %, five treatments and a check, 20 degrees of freedom:

    >>> rho = np.full((5, 5), 0.5) + 0.5 * np.eye(5)
    >>> round(joint_quantile(0.95, rho, 20), 2)
    2.73
    """
    m = correlation.shape[0]
    # One contrast alone needs less and Bonferroni's inequality more, whatever the correlations.
    low = (1 - SLACK) * float(stdtrit(df, (1 + level) / 2))
    high = (1 + SLACK) * float(stdtrit(df, 1 - (1 - level) / (2 * m)))

    def excess(reach: float) -> float:
        return 1 - level - joint_tail(reach, correlation, df)

    if excess(low) >= 0:
        return low
    if excess(high) <= 0:
        return high
    return float(brentq(excess, low, high, xtol=SLACK**2))


@lru_cache(maxsize=8)  # exact: a few sizes in use
def _legendre(count: int) -> tuple[FloatArray, FloatArray]:
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return nodes, weights
