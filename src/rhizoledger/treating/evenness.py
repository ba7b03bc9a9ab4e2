"""How evenly cells lie: the share of seeds that get fewer than the requirement (§3.5).

The amount on a seed varies about its mean from seed to seed; the cells in that amount are Poisson.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import betainc, gammainc, gammaincc, ndtr

from rhizoledger.errors import InputError

Shape = Literal["lognormal", "gamma"]
FloatArray = NDArray[np.float64]

_REACH = 9.0  # numeric: standard deviations of ln amount on either side; beyond lies nothing
_X, _W = np.polynomial.legendre.leggauss(20)  # numeric: nodes a panel, for 13 digits
_PANELS = 36  # numeric: over the whole range, beside those at the step
_STEP = np.arange(-10.0, 11.0)  # numeric: ten widths of the Poisson step each way
_FARTHEST = 200.0  # numeric: ln of the mean over the requirement; no titre reaches it
_LEAST_CV = 1e-6  # numeric: below it all seeds are alike to the last digit


def share_below(mean: float, requirement: float, cv: float, shape: Shape = "lognormal") -> float:
    """Share of seeds with fewer cells than the requirement.

    Parameters
    ----------
    mean : float
        Cells per seed on average, > 0: titre × rate ÷ seeds.
    requirement : float
        Cells per seed, > 0.
    cv : float
        Seed-to-seed coefficient of variation of the *amount* on a seed, 0 or more, without the
        chance of how many cells a drop holds.
    shape : {"lognormal", "gamma"}
        Distribution of the amount.

    Raises
    ------
    InputError
        If a number is out of its range.

    Notes
    -----
    §3.5. P(N < R) with N ~ Poisson(L), L of mean m. Gamma gives a negative binomial: the incomplete
    beta I(k/(k + m); k, R) with k = 1/cv². Lognormal is integrated over ln L. At many cells both
    come to the distribution of L itself: Φ((ln(R/m) + s²/2)/s), s² = ln(1 + cv²).
    Recovery and death are not in it: the mean is what is meant to be there.

    Examples
    --------
    Seeds that vary by half, with five times the requirement on average:

    >>> round(share_below(5e5, 1e5, 0.5), 5)
    0.00076
    >>> round(share_below(1e5, 1e5, 0.5), 3)
    0.593
    """
    _above_zero("mean", mean)
    _above_zero("requirement", requirement)
    if not (math.isfinite(cv) and cv >= 0):
        raise InputError(f"The seed-to-seed variation is {cv:g}. Give 0 or more, as 0.5 for 50 %.")
    needed = float(math.ceil(requirement))  # cells are whole: fewer than R is R - 1 or less
    if cv < _LEAST_CV:
        return float(gammaincc(needed, mean))
    if shape == "gamma":
        k = 1 / cv**2
        return float(betainc(k, needed, k / (k + mean)))
    return _lognormal_poisson(mean, needed, cv)


def _lognormal_poisson(mean: float, needed: float, cv: float) -> float:
    """The mean over ln L of P(Poisson(L) < R): panels over the bell, narrow at the step L = R."""
    s = math.sqrt(math.log1p(cv**2))
    centre = math.log(mean) - 0.5 * s**2
    ends = (centre - _REACH * s, centre + _REACH * s)
    step = math.log(needed) + _STEP / math.sqrt(needed)
    edges = np.unique(np.clip(np.concatenate((np.linspace(*ends, _PANELS), step)), *ends))
    half = 0.5 * np.diff(edges)[:, np.newaxis]
    u = 0.5 * (edges[1:] + edges[:-1])[:, np.newaxis] + half * _X
    weight = half * _W * np.exp(-0.5 * ((u - centre) / s) ** 2)
    return float((weight * gammaincc(needed, np.exp(u))).sum() / (s * math.sqrt(2 * math.pi)))


def share_below_at_many_cells(
    mean: float, requirement: float, cv: float, shape: Shape = "lognormal"
) -> float:
    """The same where cells are so many that only the amount on a seed varies.

    Examples
    --------
    >>> round(share_below_at_many_cells(5e5, 1e5, 0.5), 5)
    0.00076
    """
    if shape == "gamma":
        k = 1 / cv**2
        return float(gammainc(k, k * requirement / mean))
    return float(share_below_in_draws(np.array([mean]), requirement, np.array([cv]))[0])


def share_below_in_draws(mean: FloatArray, requirement: float, cv: FloatArray) -> FloatArray:
    """Share of seeds below the requirement in each of many draws, lognormal, at many cells.

    Parameters
    ----------
    mean : ndarray, shape (draws,)
        Cells per seed on average, > 0.
    requirement : float
        Cells per seed, > 0.
    cv : ndarray, shape (draws,)
        Seed-to-seed coefficient of variation, > 0.

    Examples
    --------
    >>> share_below_in_draws(np.array([5e5, 1e5]), 1e5, np.array([0.5, 0.5])).round(5).tolist()
    [0.00076, 0.59336]
    """
    s2 = np.log1p(cv**2)
    return np.asarray(ndtr((np.log(requirement / mean) + 0.5 * s2) / np.sqrt(s2)))


def mean_needed(requirement: float, cv: float, share: float, shape: Shape = "lognormal") -> float:
    """Average cells per seed with which no more than a share of seeds lie below the requirement.

    Parameters
    ----------
    requirement, cv, shape
        As :func:`share_below`.
    share : float
        In (0, 1).

    Raises
    ------
    InputError
        If the share is none, or so small beside so wide a variation that no mean would do.

    Examples
    --------
    >>> m = mean_needed(1e5, 0.5, 0.05)
    >>> round(m / 1e5, 2), round(share_below(m, 1e5, 0.5), 9)
    (2.43, 0.05)
    """
    if not 0 < share < 1:
        raise InputError(f"The share of seeds is {share:g}. Give it between 0 and 1.")
    _above_zero("requirement", requirement)

    def excess(log_mean: float) -> float:
        return share_below(math.exp(log_mean), requirement, cv, shape) - share

    start = math.log(requirement)
    low, high = start, start
    while excess(low) < 0:
        low -= 1
    while excess(high) > 0:
        high += 1
        if high > start + _FARTHEST:
            raise InputError(
                f"With a variation of {cv:g} no mean leaves only {share:g} of seeds below. Treat "
                "more evenly, or allow a larger share."
            )
    if low == high:
        return math.exp(low)
    return math.exp(float(brentq(excess, low, high, xtol=1e-13)))  # numeric: far below any count


@dataclass(frozen=True, slots=True)
class Factor:
    """One thing changed, and the share of seeds below that it leaves."""

    what: str
    mean: float
    cv: float
    share: float


def effects(
    mean: float, requirement: float, cv: float, shape: Shape = "lognormal"
) -> tuple[Factor, ...]:
    """What each thing would do to the share of seeds below the requirement.

    Titre, rate and seed size enter only through the mean; so twice the titre and twice the rate
    are one row.

    Examples
    --------
    >>> [f.what for f in effects(5e5, 1e5, 0.5)]
    ['as it is', 'half the titre or rate', 'twice the titre or rate', 'half the variation', \
'twice the variation']
    """
    rows = (
        ("as it is", mean, cv),
        ("half the titre or rate", 0.5 * mean, cv),
        ("twice the titre or rate", 2 * mean, cv),
        ("half the variation", mean, 0.5 * cv),
        ("twice the variation", mean, 2 * cv),
    )
    return tuple(Factor(w, m, c, share_below(m, requirement, c, shape)) for w, m, c in rows)


def simulated_share_below(
    mean: float,
    requirement: float,
    cv: float,
    shape: Shape,
    rng: np.random.Generator,
    seeds: int = 100_000,  # numeric: to three thousandths
) -> float:
    """The slow twin of :func:`share_below`: seeds drawn one by one.

    Examples
    --------
    >>> simulated_share_below(1.0, 2.0, 0.0, "gamma", np.random.default_rng(1), 1000) > 0.5
    True
    """
    if cv == 0:
        amount = np.full(seeds, mean)
    elif shape == "gamma":
        amount = rng.gamma(1 / cv**2, mean * cv**2, seeds)
    else:
        s = math.sqrt(math.log1p(cv**2))
        amount = mean * np.exp(rng.normal(-0.5 * s**2, s, seeds))
    return float((rng.poisson(amount) < requirement).mean())


def _above_zero(name: str, value: float) -> None:
    if not (math.isfinite(value) and value > 0):
        raise InputError(f"The {name} is {value:g} cells per seed. Give a number above zero.")
