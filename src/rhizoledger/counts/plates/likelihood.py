"""What plates say about a density: its likelihood, its maximum, its limits (§1.1)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize_scalar
from scipy.special import xlogy

from rhizoledger.counts.plates.dispersion import Dispersion
from rhizoledger.counts.plates.rules import BAM_LOW
from rhizoledger.errors import InputError, RuleError
from rhizoledger.stats.negbin import log_chance_at_least, profile_log_likelihood
from rhizoledger.stats.poisson import at_least_slope, log_at_least, poisson_limits
from rhizoledger.stats.profile import likelihood_limits, log_root, step_out

FloatArray = NDArray[np.float64]

CONTRADICTION_P = 1e-6  # exact: below it a TNTC plate is a slip of the pen, not chance
SURE_LEVEL = 0.95  # numeric: an estimate from few colonies is taken at its upper bound


class TntcContradiction(RuleError):
    """A plate called TNTC that cannot stand beside the counted plates.

    Parameters
    ----------
    place : int
        Which TNTC plate, counted from 0 among the TNTC plates.
    probability : float
        Of that plate at the counted plates' estimate.
    """

    def __init__(self, place: int, probability: float) -> None:
        self.place, self.probability = place, probability
        said = f"{probability:.1g}" if probability > 0 else "next to nothing"
        super().__init__(
            "A plate called TNTC contradicts the counted plates (§1.1): at their estimate it would "
            f"be so full with probability {said}. "
            "Check its dilution, volume and TNTC limit, or mark it LA if it cannot be trusted."
        )


@dataclass(frozen=True, slots=True)
class PlateLikelihood:
    """What the plates say about a density, kept to re-weight Monte Carlo draws.

    Parameters
    ----------
    counts, portions_ml : tuple
        Counted plates: colonies, and undiluted sample on each [mL].
    at_least, over_ml : tuple
        Plates too numerous to count: least colonies, and undiluted sample on each [mL].
    uneven : bool
        Whether the counts scatter more than chance, so that the negative binomial is used.
    """

    counts: tuple[int, ...]
    portions_ml: tuple[float, ...]
    at_least: tuple[int, ...] = ()
    over_ml: tuple[float, ...] = ()
    uneven: bool = False

    def poisson(self, density: ArrayLike) -> FloatArray:
        """Poisson log likelihood of densities [per mL], up to a constant."""
        lam = np.asarray(density, dtype=float)
        out: FloatArray = xlogy(sum(self.counts), lam) - lam * sum(self.portions_ml)
        for k, w in zip(self.at_least, self.over_ml, strict=True):
            out = out + log_at_least(k, lam * w)
        return out

    def negative_binomial(self, density: ArrayLike) -> FloatArray:
        """Negative binomial log likelihood, profiled over the dispersion, up to a constant."""
        return profile_log_likelihood(
            density, self.counts, self.portions_ml, self.at_least, self.over_ml
        )

    def log_likelihood(self, density: ArrayLike) -> FloatArray:
        """The log likelihood that the interval was made from; -inf below zero.

        Parameters
        ----------
        density : array_like, any shape [per mL of undiluted sample]
        """
        lam = np.asarray(density, dtype=float)
        usable = np.where(lam > 0, lam, 1.0)
        out = self.negative_binomial(usable) if self.uneven else self.poisson(usable)
        at_zero = 0.0 if sum(self.counts) == 0 and not self.at_least else -math.inf
        return np.where(lam > 0, out, np.where(lam == 0, at_zero, -math.inf))


def _score(data: PlateLikelihood, lam: float) -> float:
    """Slope of the Poisson log likelihood times λ: same sign, no overflow."""
    out = sum(data.counts) - lam * math.fsum(data.portions_ml)
    for k, w in zip(data.at_least, data.over_ml, strict=True):
        out += lam * w * float(at_least_slope(k, lam * w))
    return out


def information(data: PlateLikelihood, lam: float) -> float:
    """Observed Poisson information at λ."""
    out = sum(data.counts) / lam**2
    for k, w in zip(data.at_least, data.over_ml, strict=True):
        m = lam * w
        slope = float(at_least_slope(k, m))
        out -= w**2 * slope * ((k - 1) / m - 1 - slope)
    return out


def with_tntc(data: PlateLikelihood) -> float:
    """Maximum likelihood with TNTC plates that do not contradict the counts."""
    total, plated_ml = sum(data.counts), math.fsum(data.portions_ml)
    # One colony where there was none is near enough to start the search.
    start = math.log(max(total / plated_ml, 0.5 / plated_ml))

    def score(t: float) -> float:
        return _score(data, math.exp(t))

    below = start if score(start) > 0 else step_out(score, start, -1.0)
    above = step_out(lambda t: -score(t), start, 1.0)
    if below is None or above is None:
        raise TntcContradiction(0, 0.0)
    return math.exp(log_root(score, below, above))


def chances_of_tntc(data: PlateLikelihood, scatter: Dispersion) -> tuple[float, ...]:
    """Probability of each TNTC plate at the counted plates' estimate.

    Parameters
    ----------
    data : PlateLikelihood
        With at least one counted plate.
    scatter : Dispersion
        Of the counted plates. Where they scatter more than chance, a TNTC plate may do so as well:
        the negative binomial with their k is taken in place of Poisson.

    Notes
    -----
    §1.1. The estimate is Σc/Σw where it rests on as many colonies as a countable plate holds (25).
    From fewer it is taken at its one-sided 95 % upper limit, up to those 25: one colony or none is
    what a TNTC plate a hundredfold stronger leads one to expect, and 18 are no rarity beside one
    tenfold stronger, though their point estimates would call both impossible.

    Examples
    --------
    >>> even = Dispersion(0.0, 0, 1.0, 0.0, None)
    >>> data = PlateLikelihood((100,), (1.0,), (251,), (2.0,))
    >>> round(chances_of_tntc(data, even)[0], 6)  # P(C > 250) at 200
    0.000285
    """
    total = float(sum(data.counts))
    if total < BAM_LOW:
        total = min(poisson_limits(total, SURE_LEVEL, "upper")[1], BAM_LOW)
    estimate = total / math.fsum(data.portions_ml)
    out = []
    for least, w in zip(data.at_least, data.over_ml, strict=True):
        log_p = (
            float(log_at_least(least, estimate * w))
            if scatter.nb_k is None
            else log_chance_at_least(least, estimate * w, scatter.nb_k)
        )
        out.append(math.exp(log_p))
    return tuple(out)


def check_tntc(chances: Sequence[float]) -> None:
    """Raise :class:`TntcContradiction` where a TNTC plate is less likely than one in a million."""
    least = min(chances)
    if least < CONTRADICTION_P:
        raise TntcContradiction(chances.index(least), least)


def lower_bound(data: PlateLikelihood, alpha: float) -> float:
    """Density at which plates as full as these have probability α."""
    target = math.log(alpha)

    def excess(t: float) -> float:
        return float(data.poisson(np.exp(t))) - target

    start = math.log(max(k / w for k, w in zip(data.at_least, data.over_ml, strict=True)))
    above = start if excess(start) > 0 else step_out(excess, start, 1.0)
    below = step_out(lambda t: -excess(t), start, -1.0)
    if above is None or below is None:
        raise InputError("The TNTC plates give no bound. Check their volumes and dilutions.")
    return math.exp(log_root(excess, below, above))


def poisson_ratio_limits(data: PlateLikelihood, value: float, level: float) -> tuple[float, float]:
    """Likelihood-ratio limits, every plate taken as Poisson."""
    return likelihood_limits(lambda t: float(data.poisson(np.exp(t))), math.log(value), level)


def negative_binomial_limits(
    data: PlateLikelihood, value: float, level: float
) -> tuple[float, float, float]:
    """Maximum and likelihood-ratio limits of the negative binomial, over its dispersion."""
    ratios = [c / w for c, w in zip(data.counts, data.portions_ml, strict=True) if c > 0]
    low, high = math.log(min(*ratios, value) / 2), math.log(max(*ratios, value) * 2)
    best = minimize_scalar(
        lambda t: -float(data.negative_binomial(np.exp(t))), bounds=(low, high), method="bounded"
    )
    limits = likelihood_limits(lambda t: float(data.negative_binomial(np.exp(t))), best.x, level)
    return math.exp(best.x), *limits
