"""Negative binomial counts: likelihood, fit with profile limits, tails.

The variance of a count with mean m is m + m²/k: Poisson where k is infinite.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from numbers import Real

import numpy as np
from numpy.polynomial import Polynomial
from numpy.polynomial.polynomial import polyval
from numpy.typing import ArrayLike, NDArray
from scipy.special import betainc, chdtrc, gammaln, xlogy

from rhizoledger.errors import InputError
from rhizoledger.stats.profile import chi2_1, likelihood_limits, log_root, step_out

FloatArray = NDArray[np.float64]

# Dispersions a (variance m + a m²) over which the likelihood is profiled. Neighbours differ by
# 7 %, so the profile is short of its true maximum by about 0.001 for a handful of counts.
_DISPERSIONS = np.geomspace(1e-5, 10.0, 200)  # numeric: from all but Poisson to near geometric
_POISSON_K = 1e100  # numeric: k so large that the counts are Poisson to the last digit
_LEAST_K = 1e-12  # numeric: of one positive count among some 1e11 zeros
_MOST_K = 1e9  # numeric: times the largest count; beyond it k cannot be told from infinity
_NO_GAIN = 1e-9  # numeric: so small a gain in log likelihood is rounding
_POINTS = 33  # numeric: each round narrows the search sixteenfold
_LOG_K = 0.02  # numeric: relative width at which the search for k ends in a polynomial
_DEGREE = 4  # numeric: its error is the fifth power of that width
_POLISH = 3  # numeric: Newton steps on it, from less than a width away
_NEWTON = 100  # numeric: rounds; five or so are used
_SETTLED = 1e-15  # numeric: relative step at which Newton's method stands still
_STIRLING_FROM = 10.0
_STIRLING = (1 / 12, -1 / 360, 1 / 1260, -1 / 1680, 1 / 1188)  # exact: Stirling's series
_HALF_LOG_2_PI = 0.5 * math.log(2 * math.pi)


@dataclass(frozen=True, slots=True)
class NegativeBinomialFit:
    """Density and k of a negative binomial by maximum likelihood.

    Parameters
    ----------
    mean : float
        Density: the expected count per unit of exposure, so the mean where exposures are 1.
    k : float
        Infinite where the counts scatter no more than Poisson counts do.
    loglik, loglik_poisson : float
        Log likelihood, factorials included, here and at the Poisson's own maximum (k infinite).
    """

    mean: float
    k: float
    loglik: float
    loglik_poisson: float
    _rows: _Rows = field(repr=False, compare=False)

    @property
    def p_poisson(self) -> float:
        """Likelihood-ratio test of k infinite against k finite.

        Notes
        -----
        An infinite k is an end of the range (1/k = 0), not a point within it. In large samples of
        Poisson counts the statistic is 0 half of the time and χ² with one degree of freedom
        otherwise, so the tail of χ² is halved.

        References
        ----------
        Self and Liang, Journal of the American Statistical Association 82 (1987) 605-610, case 5.

        Examples
        --------
        >>> fit([10, 12, 9, 11]).p_poisson
        1.0
        """
        statistic = 2 * (self.loglik - self.loglik_poisson)
        return 0.5 * float(chdtrc(1, statistic)) if statistic > 0 else 1.0

    def k_limits(self, level: float = 0.95) -> tuple[float, float]:  # exact: the customary level
        """Profile-likelihood limits of k, the density free.

        The upper one is infinite where the Poisson is not excluded at this level; the lower one is
        0 only where every count is zero, which says nothing of k.

        Notes
        -----
        The drop is that of χ² with one degree of freedom also near the end k = infinity, where it
        is wider than it need be (see :attr:`p_poisson`): there the limits cover more often than
        ``level``.
        """
        return self._limits(lambda t: self._rows.of_k(np.exp([t]))[0], self.k, level)

    def mean_limits(self, level: float = 0.95) -> tuple[float, float]:  # exact: customary level
        """Profile-likelihood limits of the density, k free.

        Zeros alone give 0 and infinity: the smaller k, the larger a density they allow.
        """
        return self._limits(lambda t: self._rows.of_density(math.exp(t)), self.mean, level)

    def _limits(
        self, profile: Callable[[float], float], best: float, level: float
    ) -> tuple[float, float]:
        drop = 0.5 * chi2_1(level)
        if self.mean == 0:
            return 0.0, math.inf
        if math.isfinite(best):
            return likelihood_limits(profile, math.log(best), level)

        def excess(t: float) -> float:
            return self.loglik - profile(t) - drop

        top = self._rows.ends[1]
        below = step_out(excess, top, -1.0)
        return (math.exp(log_root(excess, below, top)) if below is not None else 0.0), math.inf


def fit(counts: Sequence[int], exposures: Sequence[float] | None = None) -> NegativeBinomialFit:
    """Fit a negative binomial whose means are density times exposure.

    Parameters
    ----------
    counts : sequence of int, shape (n,)
        Whole numbers >= 0, at least one.
    exposures : sequence of float, shape (n,), optional
        What each was counted over, > 0; 1 where left out.

    Raises
    ------
    InputError
        If there is no count, a count is not a whole number, or an exposure is not above zero.

    Notes
    -----
    §1.1. For a given k the density solves Σ(c - m)/(k + m) = 0; k is then searched on its logarithm
    over the whole range, since with unequal exposures its profile may have two maxima. It is
    infinite where no k is likelier than the Poisson. The estimate of k is biased upwards in small
    samples, and has infinite expectation: use its limits.

    Examples
    --------
    Mites on leaves (Bliss & Fisher, Biometrics 9 (1953) 176-200; in print k = 1.0246):

    >>> leaves = zip((70, 38, 17, 10, 9, 3, 2, 1), range(8), strict=True)
    >>> mites = fit([found for times, found in leaves for _ in range(times)])
    >>> round(mites.mean, 4), round(mites.k, 4)
    (1.1467, 1.0246)

    Counts that agree better than chance has them do:

    >>> fit([10, 12, 9, 11]).k
    inf
    """
    rows = _rows(counts, exposures)
    density = float(rows.densities(np.array([_POISSON_K]))[0])
    if density == 0:
        return NegativeBinomialFit(0.0, math.inf, 0.0, 0.0, rows)
    poisson = float(rows.of_k(np.array([_POISSON_K]))[0])
    log_k, best = _highest(lambda t: rows.of_k(np.exp(t)), *rows.ends)
    if best <= poisson + _NO_GAIN:
        return NegativeBinomialFit(density, math.inf, poisson, poisson, rows)
    k = math.exp(log_k)
    return NegativeBinomialFit(float(rows.densities(np.array([k]))[0]), k, best, poisson, rows)


@dataclass(frozen=True, slots=True)
class _Rows:
    """Different pairs of count and exposure, and how often each occurs; shapes (n, 1)."""

    counts: FloatArray
    exposures: FloatArray
    times: FloatArray

    @property
    def ends(self) -> tuple[float, float]:
        """Where k is looked for, on the log scale."""
        return math.log(_LEAST_K), math.log(_MOST_K * float(self.counts.max()))

    def densities(self, k: FloatArray) -> FloatArray:
        """The likeliest density at each k, shape (m,).

        Newton's method on n/Σ((k + c)/(k + m)), which is concave in the density and linear where
        exposures are equal: from zero it climbs to the root and never passes it.
        """
        c, w, times = self.counts, self.exposures, self.times
        n = float(times.sum())
        density = np.zeros(k.shape)
        for _ in range(_NEWTON):
            m = density * w
            score = (times * (c - m) / (k + m)).sum(axis=0)
            slope = (times * w * ((k + c) / (k + m)) / (k + m)).sum(axis=0)
            step = score / slope * (1 + score / n)
            density = density + step
            if (np.abs(step) <= _SETTLED * density).all():
                break
        return density

    def of_k(self, k: FloatArray) -> FloatArray:
        """Log likelihood at each k, the density free, shape (m,)."""
        return self.at(self.densities(k), k)

    def of_density(self, density: float) -> float:
        """Log likelihood at a density, k free and possibly infinite."""
        poisson = float(self.at(density, np.array([_POISSON_K]))[0])
        return max(poisson, _highest(lambda t: self.at(density, np.exp(t)), *self.ends)[1])

    def at(self, density: FloatArray | float, k: FloatArray) -> FloatArray:
        """Log likelihood of pairs of density and k, shape (m,)."""
        terms = log_probability(self.counts, density * self.exposures, k)
        return np.asarray((self.times * terms).sum(axis=0))


def _rows(counts: Sequence[int], exposures: Sequence[float] | None) -> _Rows:
    given = [1.0] * len(counts) if exposures is None else list(exposures)
    if not len(counts) or len(counts) != len(given):
        raise InputError(
            f"{len(counts)} counts over {len(given)} exposures: give at least one count, and one "
            "exposure for each."
        )
    for i, (c, w) in enumerate(zip(counts, given, strict=True), start=1):
        if not (_is_number(c) and c >= 0 and c == math.floor(c)):
            raise InputError(f"count {i}, {c!r}: it must be a whole number, zero or more.")
        if not (_is_number(w) and w > 0):
            raise InputError(f"exposure {i}, {w!r}: it must be a number above zero.")
    pairs = np.column_stack([np.asarray(counts, dtype=float), np.asarray(given, dtype=float)])
    different, times = np.unique(pairs, axis=0, return_counts=True)
    return _Rows(different[:, :1], different[:, 1:], times[:, np.newaxis].astype(float))


def _is_number(x: object) -> bool:
    return isinstance(x, Real) and not isinstance(x, bool) and math.isfinite(x)


def _highest(f: Callable[[FloatArray], FloatArray], low: float, high: float) -> tuple[float, float]:
    """Where a function is highest and how high.

    Points close in around the best one; the last of them are smoothed by a polynomial, since near
    the top rounding hides which is highest.
    """
    while True:
        at = np.linspace(low, high, _POINTS)
        values = f(at)
        i = int(values.argmax())
        if i in (0, _POINTS - 1):
            return float(at[i]), float(values[i])
        if high - low <= _LOG_K:
            break
        low, high = float(at[i - 1]), float(at[i + 1])
    top = float(values[i])
    curve = Polynomial.fit(at, values - top, _DEGREE)
    slope, bend = curve.deriv(), curve.deriv(2)
    x = float(at[i])
    for _ in range(_POLISH):
        if bend(x) < 0:
            x = min(max(x - float(slope(x) / bend(x)), low), high)
    return x, top + max(0.0, float(curve(x)))


def log_probability(count: ArrayLike, mean: ArrayLike, k: ArrayLike) -> FloatArray:
    """Natural log of P(C = count) for a negative binomial C, whatever the size of count and k.

    Parameters
    ----------
    count : array_like
        Whole numbers >= 0.
    mean, k : array_like
        Above zero and finite; broadcast together with ``count``.

    Notes
    -----
    The probability at mean = count, from Stirling's series, times what the deviance takes off: the
    gamma functions of large arguments, whose difference would lose its digits, never appear.

    References
    ----------
    Loader, "Fast and accurate computation of binomial probabilities" (2000), for the binomial.

    Examples
    --------
    >>> round(math.exp(log_probability(0, 2.0, 1.0)), 6)  # 1/(1 + 2)
    0.333333
    """
    c, m, r = (np.asarray(x, dtype=float) for x in (count, mean, k))
    some = np.maximum(c, 1)
    at_count = -_HALF_LOG_2_PI - 0.5 * (np.log(some) + np.log1p(some / r))
    at_count = at_count + _beyond_stirling(some + r) - _beyond_stirling(r) - _beyond_stirling(some)
    off = c * _log(r / (r + some) * ((some - m) / m), some / m * ((r + m) / (r + some)))
    off = off + r * _log((m - c) / (r + c), (r + m) / (r + c))
    return np.asarray(np.where(c > 0, at_count, 0.0) - off)


def _log(less_one: FloatArray, ratio: FloatArray) -> FloatArray:
    """Ln of a ratio, from what it is above 1 where that keeps more digits."""
    near = np.log1p(np.maximum(less_one, -0.5))
    return np.asarray(np.where(less_one > -0.5, near, np.log(ratio)))


def _beyond_stirling(x: FloatArray) -> FloatArray:
    """What Stirling's formula leaves of ln Γ(x): less (x - 1/2) ln x - x + ln √(2π)."""
    small, large = np.minimum(x, _STIRLING_FROM), np.maximum(x, _STIRLING_FROM)
    plain = gammaln(small) - (small - 0.5) * np.log(small) + small - _HALF_LOG_2_PI
    series = polyval((1 / large) ** 2, _STIRLING) / large
    return np.asarray(np.where(x < _STIRLING_FROM, plain, series))


def log_chance_at_least(count: int, mean: float, k: float) -> float:
    """Natural log of P(C >= count) for a negative binomial C.

    Examples
    --------
    >>> round(math.exp(log_chance_at_least(1, 2.0, 1.0)), 6)  # 1 - 1/(1 + 2)
    0.666667
    """
    tail = float(betainc(count, k, mean / (mean + k)))
    if tail > 0:
        return math.log(tail)
    # The first term alone is below the smallest number there is, and so is the sum.
    return float(log_probability(count, mean, k))


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
