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

from rhizoledger.counts.mpn import count_mpn
from rhizoledger.counts.per_seed import per_seed_factor
from rhizoledger.counts.plates import count_plates
from rhizoledger.draws import Z_90, Draws, FloatArray, quantile_function
from rhizoledger.errors import InputError, Problem, RhizoledgerError
from rhizoledger.estimate import Estimate
from rhizoledger.evidence import Parameter
from rhizoledger.records import Plate, Season, Tubes

CORE_WIDTHS = 14.0  # numeric: the likelihood is followed this many of its widths either way
NODES_PER_WIDTH = 12.0  # numeric: and this finely, however sharp it is
TAIL_DECADES = 6.0  # numeric: how far down a count without colonies is followed
STEPS_PER_SD = 25.0  # numeric: the marginal is tabled this finely; linear between, 2e-4 at most
SD_POINTS = 5  # numeric: points at which the uncertain sample error is taken


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

    def _nodes(self) -> FloatArray:
        """Even log10 densities that carry the whole likelihood of the plates or tubes, finely.

        The step follows the *likelihood's* width, not the sample error's: 700 colonies are ten
        times sharper than the error between samples, and a coarser rule would step over them.
        """
        e = self.estimate
        if e.value and e.low and e.high:
            centre = float(np.log10(e.value))
            width = max(float(np.log10(e.high)) - centre, centre - float(np.log10(e.low))) / Z_90
            count = int(2 * CORE_WIDTHS * NODES_PER_WIDTH) + 1
            return np.linspace(centre - CORE_WIDTHS * width, centre + CORE_WIDTHS * width, count)
        bound = float(np.log10(e.high or e.low or 1.0))
        count = int(2 * TAIL_DECADES * 100) + 1
        return np.linspace(bound - TAIL_DECADES, bound + TAIL_DECADES, count)

    def marginal(self, log10_density: FloatArray, sample_sd_log10: FloatArray) -> FloatArray:
        """Log likelihood of true log10 densities, the between-sample error integrated out.

        Parameters
        ----------
        log10_density : array, shape (m,)
            True densities [log10 per basis].
        sample_sd_log10 : array, shape (k,)
            Equally likely sizes of the between-sample error [log10].
        """
        nodes = self._nodes()
        inside = self.log_likelihood(10.0**nodes)
        sds = np.asarray(sample_sd_log10, dtype=np.float64)
        low, high = float(log10_density.min()), float(log10_density.max())
        step = float(sds.min()) / STEPS_PER_SD
        table = np.linspace(low, high, max(2, int((high - low) / step) + 2))
        total = np.full(table.shape, -np.inf)
        for sd in sds:
            away = (nodes[np.newaxis, :] - table[:, np.newaxis]) / sd
            log = inside - 0.5 * away * away - np.log(sd)
            top = log.max(axis=1)
            total = np.logaddexp(total, top + np.log(np.exp(log - top[:, np.newaxis]).sum(axis=1)))
        return np.asarray(np.interp(log10_density, table, total))

    def posterior(self, draws: Draws, sample_sd: Parameter) -> FloatArray:
        """Draws of the true log10 density from the count alone, shape (draws,).

        The Jeffreys prior stands on the sample's own rate (gamma of colonies + 1/2 for plates) and
        a flat one on the true log density, so that the sample error widens and does not lift it.
        """
        name = ("count", self.item, self.at.isoformat(), self.basis)
        error = draws.parameter(sample_sd) * draws.normal(*name, "error")
        return np.asarray(self.of_sample(draws.uniform(*name)) + error)

    def of_sample(self, u: FloatArray) -> FloatArray:
        """Quantiles at ``u`` of the sample's own log10 density, without error between samples."""
        nodes = self._nodes()
        log_mass = self.log_likelihood(10.0**nodes) + 0.5 * np.log(10) * nodes
        mass = np.exp(log_mass - log_mass.max())
        cumulative = np.concatenate(([0.0], np.cumsum(0.5 * (mass[1:] + mass[:-1]))))
        return np.asarray(np.interp(u * cumulative[-1], cumulative, nodes))


def error_sizes(sample_sd: Parameter) -> FloatArray:
    """Equally likely sizes of the between-sample error [log10], from its evidence row."""
    middles = (np.arange(SD_POINTS) + 0.5) / SD_POINTS
    return quantile_function(sample_sd)(middles)


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
