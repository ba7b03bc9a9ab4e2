"""Counts as the ledger needs them: one likelihood per sample, plates or tubes alike.

The sample is the unit (§1.2): plates or tubes of one item at one time share one between-sample
error, lognormal, whose size is an evidence parameter. A count on a non-selective medium (total
colonies) can only lower a balance, never raise it (§1.5).
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import TypeVar

import numpy as np
from numpy.polynomial.hermite_e import hermegauss

from rhizoledger.counts.mpn import count_mpn
from rhizoledger.counts.per_seed import per_seed_factor
from rhizoledger.counts.plates import count_plates
from rhizoledger.draws import Draws, FloatArray
from rhizoledger.errors import InputError, Problem, RhizoledgerError
from rhizoledger.estimate import Estimate
from rhizoledger.records import Plate, Season, Tubes

NODES, NODE_WEIGHTS = hermegauss(15)  # numeric: Gauss-Hermite order; 1e-10 of the integral here
GRID = np.linspace(-4.0, 4.0, 1601)  # numeric: log10 grid around the estimate, 0.005 apart


@dataclass(frozen=True, slots=True)
class SampleCount:
    """One sample, counted.

    Parameters
    ----------
    item : str
        Lot, batch, parcel or field.
    at : datetime
        When the sample was taken.
    basis : str
        What a count is per: mL, g or seed.
    estimate : Estimate
        Density per basis, by plates or tubes alone (no between-sample error).
    log_likelihood : callable
        Density per basis, shape (m,) → log likelihood, shape (m,).
    only_lowers : bool
        Whether colonies of every kind were, or may have been, counted.
    how : str
        "plates" or "tubes", with how many.
    warnings : tuple of str
        What the count itself warns of: plates that disagree, a rare code of tubes.
    """

    item: str
    at: datetime
    basis: str
    estimate: Estimate
    log_likelihood: Callable[[FloatArray], FloatArray]
    only_lowers: bool
    how: str
    warnings: tuple[str, ...] = ()

    @property
    def open_above(self) -> bool:
        """Whether every plate or tube is past what it can tell: only a lower bound is known."""
        return self.estimate.value is None and self.estimate.low is not None

    def marginal(self, log10_density: FloatArray, sample_sd_log10: float) -> FloatArray:
        """Log likelihood of log10 densities with the between-sample error integrated out."""
        total = np.full(log10_density.shape, -np.inf)
        for node, weight in zip(NODES, NODE_WEIGHTS, strict=True):
            density = 10.0 ** (log10_density + sample_sd_log10 * node)
            total = np.logaddexp(total, np.log(weight) + self.log_likelihood(density))
        return total

    def posterior(self, draws: Draws, sample_sd_log10: float) -> FloatArray:
        """Draws of log10 density from the count alone (Jeffreys prior), shape (draws,)."""
        centre = self.estimate.value or self.estimate.high or self.estimate.low or 1.0
        grid = np.log10(centre) + GRID
        log_density = self.marginal(grid, sample_sd_log10) + 0.5 * np.log(10) * grid
        mass = np.exp(log_density - log_density.max())
        cumulative = np.concatenate(([0.0], np.cumsum(0.5 * (mass[1:] + mass[:-1]))))
        u = draws.uniform("count", self.item, self.at.isoformat(), self.basis)
        return np.asarray(np.interp(u * cumulative[-1], cumulative, grid))


def sample_counts(season: Season) -> tuple[tuple[SampleCount, ...], tuple[Problem, ...]]:
    """Every countable sample of a season, and what could not be counted and why."""
    counts: list[SampleCount] = []
    problems: list[Problem] = []
    for key, plates in _by_sample(season.plates).items():
        rows = [p for p in plates if p.colonies_are != "contaminant"]
        try:
            if rows:
                counts.append(_from_plates(key, rows))
                problems += _said("plates", rows[0].row, counts[-1])
        except RhizoledgerError as error:
            problems.append(_unusable("plates", rows[0].row, key[0], error))
    for key, tubes in _by_sample(season.tubes).items():
        try:
            counts.append(_from_tubes(key, tubes))
            problems += _said("tubes", tubes[0].row, counts[-1])
        except RhizoledgerError as error:
            problems.append(_unusable("tubes", tubes[0].row, key[0], error))
    counts.sort(key=lambda c: (c.at, c.item, c.basis, c.how))
    return tuple(counts), tuple(problems)


Row = TypeVar("Row", Plate, Tubes)


def _by_sample(rows: Iterable[Row]) -> dict[tuple[str, datetime, str], list[Row]]:
    groups: dict[tuple[str, datetime, str], list[Row]] = defaultdict(list)
    for row in rows:
        groups[row.item, row.sampled_at, row.basis].append(row)
    return groups


def _said(table: str, row: int, count: SampleCount) -> list[Problem]:
    """A count's own warnings; the count is used all the same."""
    return [
        Problem(table, row, None, count.item, text, "The count is used.", "warning")
        for text in count.warnings
    ]


def _unusable(table: str, row: int, item: str, error: RhizoledgerError) -> Problem:
    return Problem(
        table, row, None, item, str(error), "The count is left out until it is mended.", "warning"
    )


def _from_plates(key: tuple[str, datetime, str], rows: list[Plate]) -> SampleCount:
    item, at, basis = key
    result = count_plates(
        [p.colonies for p in rows],
        [p.volume_ml for p in rows],
        [p.dilution for p in rows],
        unit=f"CFU/{basis}",
    )
    factor = 1.0
    if basis == "seed":
        wash_ml, seeds = rows[0].wash_ml, rows[0].seeds_washed
        if wash_ml is None or seeds is None:
            raise InputError("A count per seed needs wash_ml and seeds_washed.")
        factor = per_seed_factor(wash_ml, seeds)
    return SampleCount(
        item,
        at,
        basis,
        _scaled(result.estimate, factor),
        lambda density: result.log_likelihood(density / factor),
        any(_only_lowers(p) for p in rows),
        f"{len(rows)} plate{'s' if len(rows) != 1 else ''}",
        result.warnings,
    )


def _only_lowers(plate: Plate) -> bool:
    """Whether a plate may hold other bacteria: said so, or not said of a wash of seed (§1.5)."""
    unsaid = plate.colonies_are is None and plate.basis == "seed"
    return unsaid or plate.colonies_are == "total"


def _from_tubes(key: tuple[str, datetime, str], rows: list[Tubes]) -> SampleCount:
    item, at, basis = key
    if any(t.control_positive for t in rows):
        raise InputError("The uninoculated control is positive, which voids the count (§1.4).")
    result = count_mpn(
        [t.amount for t in rows],
        [t.tubes for t in rows],
        [t.positive for t in rows],
        unit=f"cells/{basis}",
    )
    n = sum(t.tubes for t in rows)
    how = f"{n} tubes (MPN)"
    return SampleCount(
        item, at, basis, result.estimate, result.log_likelihood, False, how, result.warnings
    )


def _scaled(e: Estimate, factor: float) -> Estimate:
    def times(x: float | None) -> float | None:
        return None if x is None else x * factor

    return Estimate(
        times(e.value), times(e.low), times(e.high), e.unit, e.scale, e.level, e.kind,
        times(e.se), e.n, e.method, e.status,
    )  # fmt: skip
