"""How far weighted draws can be trusted, and draws put where the weight lies.

Weights are handled as logarithms. :func:`effective_size` counts how many equal draws weighted ones
are worth; :func:`pareto_k` looks at the largest weights and says whether that count itself can be
believed. :class:`Mixture` draws from the standard normal and from normals fitted to where the
weight was found, and :func:`next_share` says how much of a likelihood the draws at hand can bear.

Sources: Kish (1965) for the effective size; Zhang & Stephens (2009), Technometrics 51:316-325, for
the generalised Pareto fit; Vehtari, Simpson, Gelman, Yao & Gabry (2024), JMLR 25(72), for the tail
that is fitted, its prior and the limit 0.7; Veach & Guibas (1995) and Owen & Zhou (2000), JASA
95:135-143, for the weights of a mixture of which one part is the prior itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import logsumexp

FloatArray = NDArray[np.float64]

K_GOOD = 0.7  # exact: above it the error of importance sampling falls too slowly (JMLR 25:72, §3)
K_PRIOR, K_PRIOR_SIZE = 0.5, 10  # exact: the fit is drawn to 0.5 as by ten more points (same, §3)
GRID, GRID_REACH = 20, 3.0  # exact: points of the fit's grid and its reach (Zhang & Stephens, §3)
TAIL_SHARE, TAIL_ROOTS = 0.2, 3.0  # exact: at most a fifth, else 3 √n (JMLR 25:72, §3)
LEAST_TAIL = 5  # numeric: fewer points fix no tail
LEAST_VARIANCE = 1e-6  # numeric: of a fitted standard normal score, so that its root exists
HALVINGS = 50  # numeric: a share of the likelihood is found to 1e-15


def effective_size(log_weight: FloatArray) -> float:
    """How many equal draws weighted draws are worth (Kish).

    Parameters
    ----------
    log_weight : array, shape (n,)
        Logarithms of weights, up to a constant.

    Examples
    --------
    >>> round(effective_size(np.log([1.0, 1.0, 2.0])), 3)
    2.667
    """
    return float(np.exp(2 * logsumexp(log_weight) - logsumexp(2 * log_weight)))


def pareto_shape(excess: FloatArray) -> float:
    """Shape k of a generalised Pareto distribution with location 0, by Zhang & Stephens (2009).

    Parameters
    ----------
    excess : array, shape (n,)
        Values above zero, in any order.

    Returns
    -------
    float
        k: moments of order below 1/k exist; below zero the tail has an end. Nearly the posterior
        mean, in closed form. Minus infinity where the values do not differ from zero.

    Examples
    --------
    >>> u = (np.arange(2000) + 0.5) / 2000
    >>> round(pareto_shape(((1 - u) ** -0.4 - 1) / 0.4), 2)
    0.4
    """
    x = np.sort(np.asarray(excess, dtype=np.float64))
    n = x.size
    if n == 0 or not x[-1] > 0:
        return -np.inf
    quartile = x[max(0, int(n / 4 + 0.5) - 1)]  # exact: first quartile, as in the paper
    if not quartile > 0:
        quartile = x[x > 0][0]
    m = GRID + int(np.sqrt(n))
    steps = 1 - np.sqrt(m / (np.arange(1, m + 1) - 0.5))
    theta = 1 / x[-1] + steps / (GRID_REACH * quartile)
    shape = np.log1p(-theta[:, np.newaxis] * x).mean(axis=1)
    with np.errstate(divide="ignore"):
        profile = n * (np.log(-theta / shape) - shape - 1)
    weight = np.exp(profile - logsumexp(profile))
    middle = float(np.sum(theta * weight))
    return float(np.log1p(-middle * x).mean())


def pareto_k(log_weight: FloatArray) -> float:
    """Pareto k-hat of importance weights, which says whether their average can be believed.

    Parameters
    ----------
    log_weight : array, shape (n,)
        Logarithms of weights, up to a constant.

    Returns
    -------
    float
        Below 0.5 the weights have a variance; up to :data:`K_GOOD` averages still settle; above,
        no effective size can be trusted. Minus infinity where all large weights are equal, and
        infinity where all but a few draws weigh nothing.

    Examples
    --------
    >>> pareto_k(np.zeros(1000))
    -inf
    """
    log = np.sort(np.asarray(log_weight, dtype=np.float64))
    n = log.size
    size = int(np.ceil(min(TAIL_SHARE * n, TAIL_ROOTS * np.sqrt(n))))
    if size < LEAST_TAIL:
        return np.inf
    ratio = np.exp(log - log[-1])
    excess = ratio[-size:] - ratio[-size - 1]
    if excess[-1] <= np.finfo(float).eps:
        return -np.inf
    if np.count_nonzero(excess > 0) < LEAST_TAIL:
        return np.inf
    k = pareto_shape(excess)
    return (size * k + K_PRIOR_SIZE * K_PRIOR) / (size + K_PRIOR_SIZE)


def next_share(
    log_weight: FloatArray, log_likelihood: FloatArray, least: float, start: float = 0.0
) -> float:
    """The largest share of a likelihood that leaves enough effective draws.

    Parameters
    ----------
    log_weight : array, shape (n,)
        Weights without the likelihood.
    log_likelihood : array, shape (n,)
    least : float
        Effective draws wanted.
    start : float
        A share that is borne already.

    Returns
    -------
    float
        β in (start, 1]: draws weighted by likelihood to the power β are worth ``least`` or more.
        ``start`` itself where even that leaves fewer.

    Examples
    --------
    >>> x = np.linspace(-3, 3, 1001)
    >>> next_share(np.zeros(1001), -0.5 * x**2, 100)
    1.0
    >>> 0 < next_share(np.zeros(1001), -500 * x**2, 100) < 0.1
    True
    """

    def worth(share: float) -> float:
        return effective_size(log_weight + share * log_likelihood)

    if worth(1.0) >= least:
        return 1.0
    low, high = start, 1.0
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if worth(middle) >= least else (low, middle)
    return low


@dataclass(frozen=True, slots=True)
class Normal:
    """A normal distribution in several dimensions: its mean and a lower root of its covariance."""

    mean: FloatArray
    root: FloatArray

    @classmethod
    def fitted(cls, z: FloatArray, weight: FloatArray, widened: float = 1.0) -> Normal:
        """The normal with the weighted mean and covariance of draws.

        Parameters
        ----------
        z : array, shape (n, dimensions)
        weight : array, shape (n,)
            Sums to one.
        widened : float
            Standard deviations are multiplied by this.
        """
        mean = weight @ z
        away = z - mean
        covariance = (away * weight[:, np.newaxis]).T @ away
        covariance[np.diag_indices_from(covariance)] += LEAST_VARIANCE
        return cls(mean, np.asarray(widened * np.linalg.cholesky(covariance), dtype=np.float64))

    def log_density(self, z: FloatArray) -> FloatArray:
        """Log density, shape (n,), without the constant that all dimensions share."""
        scaled = np.linalg.solve(self.root, (z - self.mean).T)
        size = np.log(np.abs(np.diag(self.root))).sum()
        return np.asarray(-0.5 * np.sum(scaled * scaled, axis=0) - size)


@dataclass(frozen=True, slots=True)
class Mixture:
    """The standard normal and others beside it, each with its share of the draws.

    Parameters
    ----------
    others : tuple of Normal
        Where weight was found.
    prior_share : float
        Share of the draws left to the standard normal; the others have equal parts of the rest.

    Examples
    --------
    >>> eps = np.random.default_rng(1).normal(size=(20_000, 1))
    >>> near = Normal(np.array([2.5]), np.array([[0.5]]))
    >>> z, log_weight = Mixture((near,), 0.25).placed(eps)
    >>> w = np.exp(log_weight - logsumexp(log_weight))
    >>> bool(abs(w @ z[:, 0]) < 0.05 and abs(w @ z[:, 0] ** 2 - 1) < 0.05)
    True
    """

    others: tuple[Normal, ...]
    prior_share: float

    def placed(self, eps: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Draws from the mixture, and the weights by which they stand for the standard normal.

        Parameters
        ----------
        eps : array, shape (n, dimensions)
            Standard normal draws; the first rows stay where they are, the next go to the others.

        Returns
        -------
        z : array, shape (n, dimensions)
        log_weight : array, shape (n,)
            Log of the standard normal's density over the mixture's; never above
            −log(``prior_share``), so that no likelihood can make a weight without end.
        """
        n = len(eps)
        ends = self._ends(n)
        z = eps.copy()
        for normal, start, end in zip(self.others, ends[:-1], ends[1:], strict=True):
            z[start:end] = normal.mean + eps[start:end] @ normal.root.T
        prior = -0.5 * np.sum(z * z, axis=1)
        parts: Sequence[FloatArray] = [prior, *(normal.log_density(z) for normal in self.others)]
        shares = np.diff([0, *ends]) / n
        mixed = logsumexp(np.stack(parts), axis=0, b=shares[:, np.newaxis])
        return z, np.asarray(prior - mixed)

    def _ends(self, n: int) -> list[int]:
        """Rows at which the standard normal's draws end, and then each other's."""
        rest = (1 - self.prior_share) / max(1, len(self.others))
        shares = [self.prior_share + i * rest for i in range(len(self.others))]
        return [*(round(n * s) for s in shares), n]
