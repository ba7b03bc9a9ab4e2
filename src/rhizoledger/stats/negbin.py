"""Negative binomial log likelihoods for counts that scatter more than chance."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import betainc, gammaln, xlogy

FloatArray = NDArray[np.float64]

# Dispersions a (variance m + a m²) over which the likelihood is profiled. Neighbours differ by
# 7 %, so the profile is short of its true maximum by about 0.001 for a handful of counts.
_DISPERSIONS = np.geomspace(1e-5, 10.0, 200)  # numeric: from all but Poisson to near geometric


def profile_log_likelihood(
    density: ArrayLike,
    counts: ArrayLike,
    exposures: ArrayLike,
    at_least: ArrayLike = (),
    over_exposures: ArrayLike = (),
) -> FloatArray:
    """Negative binomial log likelihood of a density, maximised over the dispersion.

    Parameters
    ----------
    density : array_like, any shape
        Density > 0; the mean of each count is density times exposure.
    counts, exposures : array_like, shape (n,)
        Counts and what they were taken over.
    at_least, over_exposures : array_like, shape (m,)
        Counts known only to be at least so many, and what they were taken over.

    Returns
    -------
    ndarray, shape of ``density``
        Up to a constant that does not depend on the density.

    Notes
    -----
    §1.1. With r = 1/a, P(C >= k) = I_{m/(m + r)}(k, r).
    """
    lam = np.asarray(density, dtype=float)[..., np.newaxis]
    r = 1 / _DISPERSIONS
    total = np.zeros(np.broadcast_shapes(lam.shape, r.shape))
    for c, w in zip(np.asarray(counts, float), np.asarray(exposures, float), strict=True):
        m = lam * w
        total += gammaln(c + r) - gammaln(r) - c * np.log(r) + xlogy(c, m)
        total -= (r + c) * np.log1p(m / r)
    for k, w in zip(np.asarray(at_least, float), np.asarray(over_exposures, float), strict=True):
        m = lam * w
        with np.errstate(divide="ignore"):  # a tail of zero is a log likelihood of minus infinity
            total += np.log(betainc(k, r, m / (m + r)))
    best: FloatArray = total.max(axis=-1)
    return best
