"""Posteriors without sampling: mixtures of normals, and a standard deviation on its panels."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.optimize import brentq
from scipy.special import ndtr

from rhizoledger.stats.hierarchy_quadrature import FloatArray, LogDensity, legendre
from rhizoledger.stats.poisson import checked_level

_ROOT = 1e-13  # numeric: relative width at which a quantile is settled
_LEAST_RTOL = 8.9e-16  # numeric: the least the root finder takes


@dataclass(frozen=True, slots=True, eq=False)
class Mixture:
    """Posterior that is a mixture of normals over the nodes.

    Parameters
    ----------
    weights, means, sds : ndarray, shape (n,)
        Of the components; the weights add to 1.
    finite_mean, finite_sd : bool
        Whether the posterior has these moments; with few groups and vague priors it may not.
    """

    weights: FloatArray
    means: FloatArray
    sds: FloatArray
    finite_mean: bool = True
    finite_sd: bool = True

    @property
    def mean(self) -> float | None:
        """Posterior mean; None where it is infinite or undefined."""
        return float(self.weights @ self.means) if self.finite_mean else None

    @property
    def sd(self) -> float | None:
        """Posterior standard deviation; None where it is infinite."""
        if not self.finite_sd:
            return None
        centre = float(self.weights @ self.means)
        return math.sqrt(float(self.weights @ (self.sds**2 + (self.means - centre) ** 2)))

    def above(self, x: float) -> float:
        """P(value > x).

        Examples
        --------
        >>> one = np.array([1.0])
        >>> Mixture(one, 0 * one, one).above(0)
        0.5
        """
        return float(self.weights @ ndtr((self.means - x) / self.sds))

    def below(self, x: float) -> float:
        """P(value < x)."""
        return float(self.weights @ ndtr((x - self.means) / self.sds))

    def quantile(self, p: float) -> float:
        """The value with probability ``p`` below it; works from the nearer tail.

        Examples
        --------
        >>> one = np.array([1.0])
        >>> round(Mixture(one, 0 * one, one).quantile(0.975), 6)
        1.959964
        """
        checked_level(p)

        def excess(x: float) -> float:
            return self.below(x) - p if p <= 0.5 else 1 - p - self.above(x)

        best = int(np.argmax(self.weights))
        start, unit = float(self.means[best]), float(self.sds[best])
        step = unit if excess(start) < 0 else -unit
        near = start
        far = start + step
        while excess(far) * step < 0:
            near, step = far, 2 * step
            far = start + step
        return float(brentq(excess, *sorted((near, far)), xtol=_ROOT * unit, rtol=_LEAST_RTOL))

    def interval(self, level: float = 0.95) -> tuple[float, float]:  # exact: the customary level
        """Central interval: equal probability outside each end."""
        tail = 0.5 * (1 - checked_level(level))
        return self.quantile(tail), self.quantile(1 - tail)


@dataclass(frozen=True, slots=True, eq=False)
class TauPosterior:
    """Posterior of a standard deviation, by Gauss-Legendre panels on its logarithm.

    Parameters
    ----------
    nodes, weights : ndarray, shape (n,)
        Standard deviations and their probabilities, which add to 1.
    edges, cumulated : ndarray
        Ends of the panels on ln tau and the probability below each.
    finite_mean, finite_sd : bool
        Whether the posterior has these moments.
    """

    nodes: FloatArray
    weights: FloatArray
    edges: FloatArray
    cumulated: FloatArray
    finite_mean: bool
    finite_sd: bool
    _density: LogDensity = field(repr=False)

    @property
    def mean(self) -> float | None:
        """Posterior mean; None where it is infinite."""
        return float(self.weights @ self.nodes) if self.finite_mean else None

    @property
    def sd(self) -> float | None:
        """Posterior standard deviation; None where it is infinite."""
        if not self.finite_sd:
            return None
        centre = float(self.weights @ self.nodes)
        return math.sqrt(float(self.weights @ (self.nodes - centre) ** 2))

    def below(self, tau: float) -> float:
        """P(standard deviation < tau)."""
        if tau <= 0:
            return 0.0
        u = math.log(tau)
        if u <= self.edges[0]:
            return 0.0
        if u >= self.edges[-1]:
            return 1.0
        j = int(np.searchsorted(self.edges, u, side="right")) - 1
        x, w = legendre(np.array([self.edges[j], u]))
        return float(self.cumulated[j] + w @ np.exp(self._density(x)))

    def quantile(self, p: float) -> float:
        """The standard deviation with probability ``p`` below it."""
        checked_level(p)
        j = min(max(int(np.searchsorted(self.cumulated, p)) - 1, 0), self.edges.size - 2)
        low, high = float(self.edges[j]), float(self.edges[j + 1])

        def excess(u: float) -> float:
            if u == low:
                return float(self.cumulated[j]) - p
            x, w = legendre(np.array([low, u]))
            return float(self.cumulated[j] + w @ np.exp(self._density(x))) - p

        if excess(high) <= 0:  # rounding at a panel's end
            return math.exp(high)
        return math.exp(float(brentq(excess, low, high, xtol=_ROOT, rtol=_LEAST_RTOL)))

    def interval(self, level: float = 0.95) -> tuple[float, float]:  # exact: the customary level
        """Central interval: equal probability outside each end."""
        tail = 0.5 * (1 - checked_level(level))
        return self.quantile(tail), self.quantile(1 - tail)


def tau_posterior(
    x: FloatArray, p: FloatArray, edges: FloatArray, fall: float, density: LogDensity
) -> TauPosterior:
    """The posterior whose logarithm has probability ``p`` at ``x``, and falls as tau^-``fall``."""
    in_panels = p.reshape(edges.size - 1, -1).sum(axis=1)
    cumulated = np.r_[0.0, np.cumsum(in_panels)]
    return TauPosterior(np.exp(x), p, edges, cumulated, *moments(fall), density)


def moments(fall: float) -> tuple[bool, bool]:
    """Whether a density that falls as tau^-``fall`` has a mean, and whether a second moment."""
    return fall > 2, fall > 3  # exact: the integrals of tau^(1 - fall) and tau^(2 - fall)
