"""How far plates scatter: G², the index of dispersion, and the k of a negative binomial (§1.1)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, minimize_scalar
from scipy.special import betainc, chdtrc, gammaln

from rhizoledger.stats.poisson import homogeneity

FloatArray = NDArray[np.float64]

UNEVEN_P = 0.05  # numeric: customary level of a warning, not of a decision
LEAST_K, MOST_K = 1e-4, 1e7  # numeric: beyond the upper one counts cannot be told from Poisson
INFINITE = 0.99  # numeric: this near the end of the search on the log scale means no maximum
SOME = 1e-9  # numeric: the least share of the highest density at which a root is looked for


@dataclass(frozen=True, slots=True)
class Dispersion:
    """Whether the counted plates agree, and how they scatter where they do not.

    Parameters
    ----------
    g2, df, p : float, int, float
        Likelihood-ratio test; with no degree of freedom ``p`` is 1.
    chi2 : float
        Pearson's statistic.
    nb_k : float or None
        k of a negative binomial (variance m + m²/k) by maximum likelihood where ``p`` < 0.05; None
        where the plates agree.
    """

    g2: float
    df: int
    p: float
    chi2: float
    nb_k: float | None

    @property
    def index(self) -> float | None:
        """Index of dispersion, χ²/df; None for one plate."""
        return self.chi2 / self.df if self.df else None

    @property
    def uneven(self) -> bool:
        """Whether the plates disagree more than chance allows."""
        return self.df > 0 and self.p < UNEVEN_P


def dispersion(counts: Sequence[int], portions_ml: Sequence[float]) -> Dispersion:
    """How counted plates scatter.

    Parameters
    ----------
    counts : sequence of int, shape (n,)
        May be empty.
    portions_ml : sequence of float, shape (n,)
        Undiluted sample on each, > 0 [mL].

    Notes
    -----
    §1.1. G² is referred to χ² with n - 1 degrees of freedom, roughly where plates are expected to
    hold fewer than five colonies.

    Examples
    --------
    >>> two = dispersion([168, 215], [0.01, 0.01])
    >>> round(two.g2, 5), two.df, round(two.p, 5), round(two.index, 5)
    (5.78219, 1, 0.01619, 5.76762)
    """
    if not counts:
        return Dispersion(0.0, 0, 1.0, 0.0, None)
    test = homogeneity(counts, portions_ml)
    k = None
    if test.df > 0 and test.p < UNEVEN_P:
        k = negative_binomial_k(counts, portions_ml)
    return Dispersion(test.g2, test.df, test.p, test.chi2, k)


def pooled(parts: Iterable[Dispersion]) -> Dispersion:
    """Scatter within several samples together: statistics and degrees of freedom add.

    There is one k only where there is one sample.

    Examples
    --------
    >>> within = pooled([dispersion([30, 40], [1, 1]), dispersion([300, 310], [1, 1])])
    >>> within.df, round(within.p, 3)
    (2, 0.45)
    """
    every = tuple(parts)
    g2, df = math.fsum(d.g2 for d in every), sum(d.df for d in every)
    p = float(chdtrc(df, g2)) if df else 1.0
    k = every[0].nb_k if len(every) == 1 else None
    return Dispersion(g2, df, p, math.fsum(d.chi2 for d in every), k)


def negative_binomial_k(counts: Sequence[int], portions_ml: Sequence[float]) -> float | None:
    """The k that makes the counts likeliest, their density free; None where it has no end.

    Parameters
    ----------
    counts, portions_ml : sequence, shape (n,)
        At least one count above zero.

    Examples
    --------
    Mites on leaves (Bliss & Fisher, Biometrics 9 (1953) 176-200, print 1.0246):

    >>> leaves = zip((70, 38, 17, 10, 9, 3, 2, 1), range(8), strict=True)
    >>> mites = [found for times, found in leaves for _ in range(times)]
    >>> round(negative_binomial_k(mites, [1.0] * len(mites)), 4)
    1.0246
    """
    c, w = np.asarray(counts, dtype=float), np.asarray(portions_ml, dtype=float)
    w = w / w.max()

    def minus_log_likelihood(log_k: float) -> float:
        k = math.exp(log_k)
        m = _density(c, w, k) * w
        # gammaln(c + k) - gammaln(k) loses its digits where k is large; counts are few enough.
        rising = [float(np.log1p(np.arange(int(x)) / k).sum()) for x in c]
        return -float((c * np.log(m) - (k + c) * np.log1p(m / k)).sum() + sum(rising))

    ends = math.log(LEAST_K), math.log(MOST_K)
    finely = {"xatol": 1e-9}  # numeric: far finer than any k is known
    best = minimize_scalar(minus_log_likelihood, bounds=ends, method="bounded", options=finely)
    return None if best.x > INFINITE * ends[1] else math.exp(best.x)


def _density(c: FloatArray, w: FloatArray, k: float) -> float:
    """Maximum-likelihood density at a given k; c/w of every plate on either side of it."""
    ratios = c / w
    low, high = max(float(ratios.min()), float(ratios.max()) * SOME), float(ratios.max())

    def score(lam: float) -> float:
        return float(((c - lam * w) / (k + lam * w)).sum())

    if score(low) <= 0 or score(high) >= 0:  # all ratios alike, but for rounding
        return low if score(low) <= 0 else high
    return float(brentq(score, low, high))


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
    log_term = float(gammaln(count + k) - gammaln(k) - gammaln(count + 1))
    return log_term + count * math.log(mean / (mean + k)) - k * math.log1p(mean / k)
