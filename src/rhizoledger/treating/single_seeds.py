"""Seed-to-seed variation from plates of single seeds, the chance of colonies taken out (§3.5)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, minimize_scalar

from rhizoledger.errors import InputError
from rhizoledger.stats import negbin
from rhizoledger.stats.profile import chi2_1, likelihood_limits, log_root, step_out

LEAST = 3  # exact: two seeds show one difference, no spread
_LOG_K = (math.log(0.01), math.log(1e9))  # numeric: cv from ten down to none
_GRID = 120  # numeric: fine enough that the best of it lies beside the maximum
_NO_GAIN = 1e-7  # numeric: so small a gain over no variation is rounding


@dataclass(frozen=True, slots=True)
class SeedSpread:
    """Mean and seed-to-seed variation of cells from counts of single seeds.

    Parameters
    ----------
    seeds : int
        Counted.
    mean, mean_low, mean_high : float
        Cells per seed as recovered, with profile limits.
    cv, cv_low, cv_high : float
        Of the amount on a seed; 0 where colonies scatter no more than by chance.
    p_even : float
        Of the hypothesis that all seeds carry the same.
    """

    seeds: int
    mean: float
    mean_low: float
    mean_high: float
    cv: float
    cv_low: float
    cv_high: float
    p_even: float


def seed_spread(
    colonies: Sequence[int],
    shares_plated: Sequence[float],
    level: float = 0.95,  # exact: the customary level
) -> SeedSpread:
    """Seed-to-seed variation from plates of single seeds.

    Parameters
    ----------
    colonies : sequence of int, shape (n,)
        Of each seed, all its countable plates together.
    shares_plated : sequence of float, shape (n,)
        Share of the seed's wash that those plates hold: volume × dilution ÷ wash, summed.
    level : float
        Of the limits.

    Raises
    ------
    InputError
        If there are fewer than three seeds, none has a colony, or a number is out of its range.

    Notes
    -----
    §3.5. Colonies are negative binomial with mean m × share and k = 1/cv²: a gamma amount on each
    seed. k has the likelihood profiled over m, less half the log information on ln m, which pays
    for the mean being estimated (as n - 1 does for a variance); without it the limits of a dozen
    seeds are too narrow. What the wash recovers differs from seed to seed too, and is in the cv.

    References
    ----------
    Cox and Reid, Journal of the Royal Statistical Society B 49 (1987) 1-39.

    Examples
    --------
    >>> s = seed_spread([20, 55, 31, 90, 44, 12], [1e-4] * 6)
    >>> round(s.mean), round(s.cv, 2)
    (420000, 0.65)
    """
    if len(colonies) < LEAST:
        raise InputError("Two seeds show no spread. Count three or more; ten begin to tell.")
    found = negbin.fit(colonies, shares_plated)
    if found.mean == 0:
        raise InputError("No seed has a colony. Plate less dilute wash.")
    profile = _Profile(np.asarray(colonies, dtype=np.float64), np.asarray(shares_plated))
    low, high = found.mean_limits(level)
    cv, cv_low, cv_high = _variation(profile, level)
    return SeedSpread(len(colonies), found.mean, low, high, cv, cv_low, cv_high, found.p_poisson)


@dataclass(frozen=True, slots=True, eq=False)
class _Profile:
    """Log likelihood of ln k, over the mean, with what an estimated mean costs."""

    colonies: NDArray[np.float64]
    shares: NDArray[np.float64]

    def __call__(self, log_k: float) -> float:
        k = math.exp(log_k)
        means = self.density(k) * self.shares
        information = float((means / (1 + means / k)).sum())
        ll = float(negbin.log_probability(self.colonies, means, k).sum())
        return ll - 0.5 * math.log(information)

    def density(self, k: float) -> float:
        """The cells per seed that are likeliest for a given k."""
        overall = float(self.colonies.sum() / self.shares.sum())
        if np.ptp(self.shares) == 0:
            return overall
        each = self.colonies[self.colonies > 0] / self.shares[self.colonies > 0]
        most = float(each.max())

        def slope(log_density: float) -> float:
            means = math.exp(log_density) * self.shares
            return float(((self.colonies - means) / (1 + means / k)).sum())

        if slope(math.log(most)) >= 0:
            return most
        low = math.log(overall)
        while slope(low) <= 0:
            low -= 1
        return math.exp(float(brentq(slope, low, math.log(most), xtol=1e-14)))  # numeric: rounding


def _variation(profile: _Profile, level: float) -> tuple[float, float, float]:
    """The cv, 1/√k, with its limits; none at all where no k is likelier than an infinite one."""
    grid = np.linspace(*_LOG_K, _GRID)
    heights = np.array([profile(t) for t in grid])
    i = int(heights.argmax())
    top = _LOG_K[1]
    if heights[i] <= heights[-1] + _NO_GAIN:
        drop = 0.5 * chi2_1(level)

        def excess(t: float) -> float:
            return float(heights[-1]) - profile(t) - drop

        below = step_out(excess, top, -1.0)
        least_k = 0.0 if below is None else math.exp(log_root(excess, below, top))
        return 0.0, 0.0, _cv(least_k)
    ends = (grid[max(i - 1, 0)], grid[min(i + 1, _GRID - 1)])
    best = minimize_scalar(lambda t: -profile(t), bounds=ends, method="bounded",
                           options={"xatol": 1e-8})  # fmt: skip  # numeric: the root of rounding
    k_low, k_high = likelihood_limits(profile, float(best.x), level)
    return _cv(math.exp(float(best.x))), _cv(k_high), _cv(k_low)


def _cv(k: float) -> float:
    return math.inf if k == 0 else 1 / math.sqrt(k)
