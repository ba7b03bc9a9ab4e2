"""Which dilutions to plant, and how many plants, for a count by infection (§1.4)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from rhizoledger.errors import InputError
from rhizoledger.stats.poisson import checked_level

FloatArray = NDArray[np.float64]

DENSITIES = 41  # numeric: points of the prior range, both ends and the middle among them
SATURATED, EMPTY = 1e3, 1e-3  # numeric: expected cells beyond which a dilution tells nothing
MOST_DILUTIONS = 300  # numeric: a series with more steps over the range is a slip, and slow
AS_GOOD = 1e-3  # numeric: a longer run that gains less than this share is not worth planting
HALVINGS = 60  # numeric: more than the bits of any number of plants
LEAST, MOST = 1e-30, 1e30  # numeric: sizes beyond these are slips, and would overflow


@dataclass(frozen=True, slots=True)
class Planting:
    """Dilutions, plants, and what they promise over the whole prior range.

    Parameters
    ----------
    dilutions : tuple of float
        Sample in each mL, strongest first.
    plants : int
        Plants on each dilution; controls come on top.
    p_interior : float
        Least probability over the range that some plants nodulate and some do not.
    limits_factor : float
        Expected limits are the estimate over and times this, at the worst density of the range.
    limits_factor_expected : float
        The same at the expected density.
    """

    dilutions: tuple[float, ...]
    plants: int
    p_interior: float
    limits_factor: float
    limits_factor_expected: float


@dataclass(frozen=True, slots=True)
class InfectionSeries:
    """A prior range of densities and the dilution series that may be planted for it.

    Parameters
    ----------
    expected : float
        Expected density per unit of sample (g or mL), > 0.
    spread : float
        The density may be this factor above or below; >= 1.
    factor : float
        Dilution factor, above 1.
    first_dilution : float
        Sample in each mL of the strongest suspension that may be planted, > 0.
    volume_ml : float
        Suspension that each plant receives, > 0 [mL].

    Raises
    ------
    InputError
        If a number is not possible.
    """

    expected: float
    spread: float
    factor: float
    first_dilution: float
    volume_ml: float = 1.0

    def __post_init__(self) -> None:
        for name, value in (
            ("expected count", self.expected),
            ("first dilution", self.first_dilution),
            ("volume", self.volume_ml),
        ):
            if not LEAST <= value <= MOST:
                raise InputError(
                    f"The {name} is {value:g}; write a number from {LEAST:g} to {MOST:g}."
                )
        if not 1 <= self.spread <= MOST:
            raise InputError(
                f"The spread is {self.spread:g}; it must be from 1 to {MOST:g}. "
                "Write 10 where the count may be ten times higher or lower."
            )
        if not 1 < self.factor <= MOST:
            raise InputError(
                f"The dilution factor is {self.factor:g}; it must be above 1 and up to {MOST:g}. "
                "Write 10 for tenfold."
            )
        if self._ends()[1] - self._ends()[0] > MOST_DILUTIONS:
            raise InputError(
                f"Factor {self.factor:g} over so wide a range makes more than {MOST_DILUTIONS} "
                "dilutions. Use a larger factor or a smaller spread."
            )

    def dilutions(self) -> FloatArray:
        """Dilutions that can tell anything over the range, strongest first [sample/mL]."""
        first, last = self._ends()
        return self.first_dilution / self.factor ** np.arange(first, last + 1.0)

    def densities(self) -> FloatArray:
        """Densities over the prior range, even on the log scale."""
        reach = math.log(self.spread)
        return np.asarray(self.expected * np.exp(np.linspace(-reach, reach, DENSITIES)))

    def _ends(self) -> tuple[int, int]:
        """Steps from the strongest suspension that are neither sure to nodulate nor sure not to."""
        cells = math.log(self.expected * self.first_dilution * self.volume_ml)
        step, reach = math.log(self.factor), math.log(self.spread)
        first = max(0, math.floor((cells - reach - math.log(SATURATED)) / step))
        return first, max(first, math.ceil((cells + reach - math.log(EMPTY)) / step))


def plan_for_plants(
    series: InfectionSeries,
    plants: float,
    *,
    probability: float = 0.95,  # exact: customary
    level: float = 0.95,  # exact: customary
) -> Planting:
    """The fewest dilutions that give an interior code wherever in the range the density lies.

    Parameters
    ----------
    series : InfectionSeries
        What may be planted, and for which densities.
    plants : float
        Plants on each dilution, a whole number >= 1.
    probability : float
        Least probability of an interior code, at every density of the range.
    level : float
        Level of the limits.

    Returns
    -------
    Planting
        Where no run of dilutions reaches the probability, the one that comes nearest to it: look
        at ``p_interior``.

    Notes
    -----
    §1.4. P = 1 - Π q^n - Π p^n with p = 1 - e^{-λz}. Among runs of equal length the one with most
    information at its worst density is taken.

    Examples
    --------
    >>> planting = plan_for_plants(InfectionSeries(1e9, 1.0, 10.0, 0.1), 4)
    >>> [f"{d:.0e}" for d in planting.dilutions]
    ['1e-09', '1e-10']
    """
    if not (plants >= 1 and plants % 1 == 0 and plants <= MOST):
        raise InputError(
            f"{plants:g} plants on each dilution cannot be; write a whole number from 1 on."
        )
    runs = _Runs.of(series)
    reached = runs.p_interior(np.full(runs.steps.shape, float(plants)))
    target = min(checked_level(probability), float(reached.max()) * (1 - AS_GOOD))
    order = np.lexsort((-runs.least_information, runs.steps, reached < target))
    return runs.planting(series, int(order[0]), int(plants), level)


def plan_for_precision(
    series: InfectionSeries,
    precision: float,
    *,
    probability: float = 0.95,  # exact: customary
    level: float = 0.95,  # exact: customary
) -> Planting:
    """Dilutions and plants that reach a precision over the whole range with fewest plants in all.

    Parameters
    ----------
    series, probability, level
        As for :func:`plan_for_plants`.
    precision : float
        Wanted factor between the estimate and either limit, above 1.

    Raises
    ------
    InputError
        If no number of plants reaches it, because the strongest suspension is too weak.

    Notes
    -----
    Limits are λ·exp(±z/√I) with expected information about ln λ, I = n Σ y² q/p, y = λz. Averaged
    over an endless series that is n·π²/(6 ln f). Codes of few plants give limits a little
    wider on average (docs/counting.md): at 3 or 4 plants some 2 to 7 % more on the log scale.

    Examples
    --------
    A density that is known already needs one dilution: y near 1.6, 0.648 of information a plant.

    >>> planting = plan_for_precision(InfectionSeries(16.0, 1.0, 10.0, 1.0), 1.8)
    >>> planting.dilutions, planting.plants  # (1.96/ln 1.8)²/0.648 = 17.2
    ((0.1,), 18)
    """
    if not (math.isfinite(precision) and precision > 1):
        raise InputError(
            f"The precision is {precision!r}; it must be above 1. "
            "Write 2 for limits of half and twice the estimate."
        )
    runs = _Runs.of(series)
    wanted = (float(ndtri(0.5 + 0.5 * checked_level(level))) / math.log(precision)) ** 2
    with np.errstate(divide="ignore", over="ignore"):
        for_precision = np.ceil(wanted / runs.least_information)
    plants = np.maximum(for_precision, runs.plants_for(checked_level(probability)))
    best = int(np.lexsort((runs.steps, plants * runs.steps))[0])
    if not plants[best] <= MOST:
        raise InputError(
            "No number of plants reaches this precision: the strongest suspension holds too few "
            "cells. Start from a stronger one, or give each plant more."
        )
    return runs.planting(series, best, int(plants[best]), level)


@dataclass(frozen=True, slots=True)
class _Runs:
    """Every run of neighbouring dilutions, per plant on each: arrays (densities, runs) or (runs,).

    ``to_negative`` and ``to_positive`` are -ln of the probability that one plant on each dilution
    is clean, and that each nodulates.
    """

    grid: FloatArray
    first: NDArray[np.intp]
    last: NDArray[np.intp]
    to_negative: FloatArray
    to_positive: FloatArray
    information: FloatArray

    @classmethod
    def of(cls, series: InfectionSeries) -> _Runs:
        grid = series.dilutions()
        y = series.densities()[:, np.newaxis] * (grid * series.volume_ml)
        p, q = -np.expm1(-y), np.exp(-y)
        first, last = np.triu_indices(grid.size)

        def over_runs(each: FloatArray) -> FloatArray:
            before = np.concatenate((np.zeros((each.shape[0], 1)), np.cumsum(each, axis=1)), axis=1)
            return np.asarray(before[:, last + 1] - before[:, first])

        return cls(grid, first, last, over_runs(y), over_runs(-np.log(p)), over_runs(y**2 * q / p))

    @property
    def steps(self) -> NDArray[np.intp]:
        return np.asarray(self.last - self.first + 1)

    @property
    def least_information(self) -> FloatArray:
        return np.asarray(self.information.min(axis=0))

    def p_interior(self, plants: FloatArray) -> FloatArray:
        """Least probability of an interior code over the densities, shape (runs,)."""
        with np.errstate(over="ignore", under="ignore"):
            ends = np.exp(-plants * self.to_negative) + np.exp(-plants * self.to_positive)
        return np.asarray(1 - ends.max(axis=0))

    def plants_for(self, probability: float) -> FloatArray:
        """Fewest plants on each dilution that give an interior code with a probability."""
        nearest = np.minimum(self.to_negative, self.to_positive).min(axis=0)
        with np.errstate(divide="ignore", over="ignore"):
            high = np.ceil(-math.log((1 - probability) / 2) / nearest)
        never = ~(high <= MOST)
        high = np.where(never, 1.0, np.maximum(high, 1.0))
        low = np.zeros_like(high)
        for _ in range(HALVINGS):
            middle = np.floor((low + high) / 2)
            enough = self.p_interior(middle) >= probability
            low, high = np.where(enough, low, middle), np.where(enough, middle, high)
        return np.where(never, np.inf, high)

    def planting(self, series: InfectionSeries, i: int, plants: int, level: float) -> Planting:
        z = float(ndtri(0.5 + 0.5 * checked_level(level)))
        worst, expected = self.information[:, i].min(), self.information[DENSITIES // 2, i]

        def reach(information: float) -> float:
            log = z / math.sqrt(plants * information) if information > 0 else math.inf
            return math.exp(log) if log < math.log(MOST) else math.inf

        interior = self.p_interior(np.full(self.steps.shape, float(plants)))[i]
        return Planting(
            dilutions=tuple(self.grid[self.first[i] : self.last[i] + 1].tolist()),
            plants=plants,
            p_interior=max(0.0, float(interior)),
            limits_factor=reach(float(worst)),
            limits_factor_expected=reach(float(expected)),
        )
