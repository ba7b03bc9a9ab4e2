"""What is fitted: counts on the log10 scale or colonies on plates, and their likelihoods.

A likelihood is a function of log10 N of each row (μ) and one scatter coordinate ψ: ln σ of log10
counts, ln k of negative binomial colonies, none for Poisson colonies. It returns its value with
first and second derivatives, row by row, so that any curve can be fitted to any data.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import digamma, gammaln, log_ndtr, polygamma

from rhizoledger.survival.temperature import LN10

FloatArray = NDArray[np.float64]
Likelihood = Literal["normal", "poisson", "nb"]
LN_2PI = math.log(2 * math.pi)
LARGEST_LN_MEAN = 60.0  # numeric: a mean of e^60 colonies is no plate; keeps exp finite
SIGMA_BOUNDS = (-14.0, 10.0)  # numeric: ln σ of log10 counts, a millionth to anything
NB_BOUNDS = (-7.0, 14.0)  # numeric: ln k; at the upper end the counts are Poisson


@dataclass(frozen=True, slots=True)
class CountData:
    """Rows to be fitted together.

    Parameters
    ----------
    time_d : ndarray, shape (n,)
        Clock time, ≥ 0 [d].
    log10_count : ndarray, shape (n,), or None
        Counts on the log10 scale, or the limit of those that are ``censored``.
    censored : ndarray of bool, shape (n,), or None
        True where only "below the limit" is known.
    colonies, exposure : ndarray, shape (n,), or None
        Colonies, and the sample each plate held: dilution times volume [mL].
    group : ndarray of int, shape (n,)
        Which start count a row has.
    temp_c : ndarray, shape (n,), or None
        Temperature [°C].
    """

    time_d: FloatArray
    log10_count: FloatArray | None
    censored: NDArray[np.bool_] | None
    colonies: FloatArray | None
    exposure: FloatArray | None
    group: NDArray[np.intp]
    temp_c: FloatArray | None = None

    @property
    def n(self) -> int:
        """Rows."""
        return len(self.time_d)

    @property
    def n_censored(self) -> int:
        """Rows that only say "below"."""
        return 0 if self.censored is None else int(self.censored.sum())

    def rough_log10(self) -> FloatArray:
        """log10 counts good enough to start from: limits as they stand, no colonies as a half."""
        if self.log10_count is not None:
            return self.log10_count
        assert self.colonies is not None and self.exposure is not None
        return np.log10(np.maximum(self.colonies, 0.5) / self.exposure)


def log10_counts(
    time_d: FloatArray,
    log10_count: FloatArray,
    *,
    censored: NDArray[np.bool_] | None = None,
    group: NDArray[np.intp] | None = None,
    temp_c: FloatArray | None = None,
) -> CountData:
    """Counts on the log10 scale, by default none censored and all of one start.

    Examples
    --------
    >>> log10_counts(np.array([0.0, 1.0]), np.array([6.0, 5.0])).n
    2
    """
    n = len(time_d)
    below = np.zeros(n, dtype=np.bool_) if censored is None else censored
    starts = np.zeros(n, dtype=np.intp) if group is None else group
    return CountData(time_d, log10_count, below, None, None, starts, temp_c)


def plate_counts(
    time_d: FloatArray,
    colonies: FloatArray,
    exposure: FloatArray,
    *,
    group: NDArray[np.intp] | None = None,
    temp_c: FloatArray | None = None,
) -> CountData:
    """Colonies on plates, each with the sample it held [mL].

    Examples
    --------
    >>> plate_counts(np.array([0.0]), np.array([0.0]), np.array([1e-2])).rough_log10().round(3)
    array([1.699])
    """
    starts = np.zeros(len(time_d), dtype=np.intp) if group is None else group
    return CountData(time_d, None, None, colonies, exposure, starts, temp_c)


@dataclass(frozen=True, slots=True)
class Scores:
    """Log likelihood at one point, with derivatives by μ of each row and by ψ.

    Parameters
    ----------
    loglik : float
        ℓ with all its constants.
    by_mu : ndarray, shape (n,)
        ∂ℓ/∂μ.
    weight : ndarray, shape (n,)
        Information about μ, ≥ 0: expected where that is simple, else observed.
    by_scatter, scatter_weight : float
        ∂ℓ/∂ψ and information about ψ; 0 where there is no ψ.
    cross : ndarray, shape (n,)
        Information about μ and ψ together.
    """

    loglik: float
    by_mu: FloatArray
    weight: FloatArray
    by_scatter: float
    scatter_weight: float
    cross: FloatArray


def normal_scores(data: CountData, mu: FloatArray, scatter: float) -> Scores:
    """Normal log10 counts; a censored one counts as the probability of lying below its limit.

    Examples
    --------
    >>> data = log10_counts(np.zeros(1), np.array([1.3]), censored=np.array([True]))
    >>> round(math.exp(normal_scores(data, np.array([1.3]), 0.0).loglik), 12)
    0.5
    """
    assert data.log10_count is not None and data.censored is not None
    sigma = math.exp(scatter)
    r = (data.log10_count - mu) / sigma
    rr = r * r
    if not data.censored.any():
        n = len(r)
        total = float(rr.sum())
        loglik = -0.5 * total - n * (scatter + 0.5 * LN_2PI)
        weight = np.full(n, 1 / sigma**2)
        return Scores(loglik, r / sigma, weight, total - n, 2.0 * n, np.zeros(n))
    below = data.censored
    ln_phi = log_ndtr(r)
    hazard = np.exp(-0.5 * rr - 0.5 * LN_2PI - ln_phi)
    bend = hazard * (r + hazard)
    terms = np.where(below, ln_phi, -0.5 * rr - scatter - 0.5 * LN_2PI)
    by_mu = np.where(below, -hazard, r) / sigma
    weight = np.where(below, bend, 1.0) / sigma**2
    by_scatter = np.where(below, -r * hazard, rr - 1)
    information = np.where(below, np.maximum(rr * bend - r * hazard, 0.0), 2.0)
    cross = np.where(below, r * bend - hazard, 0.0) / sigma
    return Scores(
        float(terms.sum()),
        by_mu,
        weight,
        float(by_scatter.sum()),
        float(information.sum()),
        cross,
    )


def poisson_scores(data: CountData, mu: FloatArray, scatter: float) -> Scores:
    """Poisson colonies with mean 10^μ times the sample on the plate.

    Examples
    --------
    >>> data = plate_counts(np.zeros(1), np.array([0.0]), np.array([1.0]))
    >>> poisson_scores(data, np.zeros(1), 0.0).loglik
    -1.0
    """
    assert data.colonies is not None and data.exposure is not None
    ln_mean = np.minimum(LN10 * mu + np.log(data.exposure), LARGEST_LN_MEAN)
    mean = np.exp(ln_mean)
    loglik = float((data.colonies * ln_mean - mean - gammaln(data.colonies + 1)).sum())
    by_mu = LN10 * (data.colonies - mean)
    return Scores(loglik, by_mu, LN10**2 * mean, 0.0, 0.0, np.zeros_like(mu))


def nb_scores(data: CountData, mu: FloatArray, scatter: float) -> Scores:
    """Negative binomial colonies: variance m + m²/k, ψ = ln k.

    Examples
    --------
    >>> data = plate_counts(np.zeros(1), np.array([0.0]), np.array([1.0]))
    >>> round(nb_scores(data, np.zeros(1), 0.0).loglik, 6) == round(math.log(0.5), 6)
    True
    """
    assert data.colonies is not None and data.exposure is not None
    y, k = data.colonies, math.exp(scatter)
    ln_mean = np.minimum(LN10 * mu + np.log(data.exposure), LARGEST_LN_MEAN)
    m = np.exp(ln_mean)
    ln_both = np.logaddexp(scatter, ln_mean)
    # gammaln(y + k) − gammaln(k) loses its digits at large k; both are needed to few digits there.
    terms = gammaln(y + k) - gammaln(k) - gammaln(y + 1)
    terms += k * (scatter - ln_both) + y * (ln_mean - ln_both)
    share = k / (k + m)
    by_k = digamma(y + k) - digamma(k) + scatter - ln_both + 1 - (k + y) / (k + m)
    by_kk = polygamma(1, y + k) - polygamma(1, k) + 1 / k - 1 / (k + m) - (m - y) / (k + m) ** 2
    information = -float((k * by_k + k * k * by_kk).sum())
    return Scores(
        float(terms.sum()),
        LN10 * share * (y - m),
        LN10**2 * share * m,
        float((k * by_k).sum()),
        max(information, 1e-3 * data.n),  # numeric: where it bends the wrong way, a short step
        np.zeros_like(mu),
    )
