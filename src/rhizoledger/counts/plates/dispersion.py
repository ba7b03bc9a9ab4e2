"""How far plates scatter: G², the index of dispersion, and the k of a negative binomial (§1.1)."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from scipy.special import chdtrc

from rhizoledger.stats import negbin
from rhizoledger.stats.poisson import homogeneity

UNEVEN_P = 0.05  # numeric: customary level of a warning, not of a decision


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
    tested = test.df > 0 and test.p < UNEVEN_P
    k = negbin.fit(counts, portions_ml).k if tested else math.inf
    return Dispersion(test.g2, test.df, test.p, test.chi2, k if math.isfinite(k) else None)


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
