"""How warm seed was from treating to seed drop, and what the model makes of it, as two curves.

The loss rate is the derivative of the ledger's own slow phase at the middle of every parameter, so
that the area under it is the loss that the ledger charges after drying; what it charges at once on
drying is a number of its own, for as a rate it would dwarf everything after it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

import numpy as np

from rhizoledger.draws import FloatArray
from rhizoledger.plan.batch_facts import BatchFacts
from rhizoledger.plan.clock import seconds
from rhizoledger.plan.context import Context
from rhizoledger.plan.lot_book import VEHICLE_RISE
from rhizoledger.plan.on_seed import ON_SEED, on_seed_model
from rhizoledger.plan.own_loss import own_curves
from rhizoledger.plan.path import path_of
from rhizoledger.plan.seed_book import seed_runs
from rhizoledger.plan.timeline import Run, temperature_bound
from rhizoledger.survival.temperature import acceleration

LONGEST_STEP_S = 7200  # numeric: readings further apart than this are drawn as a gap
MOST_POINTS = 300  # numeric: as many points as a figure can show; more are thinned evenly


@dataclass(frozen=True, slots=True)
class Stretch:
    """A time without readings, and the two temperatures and loss rates it lies between.

    ``low_rate`` and ``high_rate`` are None where no published loss covers the temperatures.
    """

    start: datetime
    end: datetime
    low_c: float
    high_c: float
    low_rate: float | None
    high_rate: float | None


@dataclass(frozen=True, slots=True)
class Warmth:
    """Temperature and loss rate of one batch on the seed.

    Parameters
    ----------
    at : tuple of datetime
        Moments of readings, in order; several stretches may follow one another with holes between.
    temp_c : tuple of float
        Temperature then [°C].
    rate : tuple of float or None
        Loss rate then [log10 per day]; None where no published loss covers it.
    stretches : tuple of Stretch
        Time known only by a range.
    places : tuple of (datetime, datetime, str)
        Where it stood.
    of_product : bool
        Whether every reading is of the product itself; else some or all are of the air.
    """

    at: tuple[datetime, ...]
    temp_c: tuple[float, ...]
    rate: tuple[float | None, ...]
    stretches: tuple[Stretch, ...]
    places: tuple[tuple[datetime, datetime, str], ...]
    of_product: bool
    at_once: float | None
    """Loss of the first phase [log10], charged on drying and not part of ``rate``."""


def warmth(facts: BatchFacts, until: datetime, context: Context) -> Warmth | None:
    """The two curves of a batch, or None where nothing is known of its temperature on the seed."""
    start = facts.treated_at
    if start is None or start >= until:
        return None
    runs = seed_runs(path_of(facts.batch.batch, context), start, until, (), context)
    rates = _Rates.of(runs, facts, context)
    at: list[datetime] = []
    temps: list[float] = []
    rate: list[float | None] = []
    stretches: list[Stretch] = []
    places: list[tuple[datetime, datetime, str]] = []
    sensors: set[str | None] = set()
    for run in runs:
        for stay in run.stays:
            a, b = max(stay.start, run.start), min(stay.end or run.end, run.end)
            if b <= a:
                continue
            places.append((a, b, stay.place or run.stage))
            bound = temperature_bound(
                stay, context.season.settings, context.evidence[VEHICLE_RISE].number()
            )
            trace = context.season.traces.get(stay.logger) if stay.logger else None
            known: list[tuple[datetime, datetime]] = []
            if trace is not None:
                inside = (trace.time_s >= seconds(a)) & (trace.time_s <= seconds(b))
                times, read = _thinned(trace.time_s[inside], trace.temp_c[inside])
                sensors.add(stay.sensor_at)
                at += [datetime.fromtimestamp(int(t), UTC) for t in times]
                temps += [float(c) for c in read]
                rate += [rates.at(run, float(c)) for c in read]
                known = _covered(times)
            if bound is not None:
                stretches += [
                    Stretch(x, y, *bound, *(rates.at(run, end) for end in bound))
                    for x, y in _holes(a, b, known)
                ]
    if not at and not stretches:
        return None
    return Warmth(
        tuple(at), tuple(temps), tuple(rate), tuple(stretches), _joined(places),
        sensors == {"product"}, rates.at_once(runs),
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Rates:
    """Loss rates of a batch's runs at the middle of every parameter."""

    known: bool
    loss: float = 0.0
    share: float = 0.0
    period: float = 1.0
    z_c: float = 1.0
    t_ref_c: float = 0.0
    floor_c: float = 0.0
    top_c: float = 0.0
    bottom_c: float = 0.0

    @classmethod
    def of(cls, runs: Sequence[Run], facts: BatchFacts, context: Context) -> _Rates:
        model = on_seed_model(facts.batch.crop, context)
        if model is None or own_curves(facts.batch.crop, context):
            return cls(False)

        def middle(values: FloatArray) -> float:
            return float(np.median(values))

        assert model.loss.valid_c is not None
        who = facts.inoculant.inoculant if facts.inoculant else ""
        draws = context.draws
        return cls(
            True,
            middle(draws.parameter(model.loss, who)),
            middle(draws.parameter(model.share, who)),
            model.period.number(),
            middle(draws.parameter(model.z)),
            model.t_ref.number(),
            model.loss.valid_c[0],
            model.loss.valid_c[1],
            model.edge.number(),
        )

    def at(self, run: Run, temp_c: float) -> float | None:
        """Loss rate in a run at a temperature [log10 per day]."""
        if not self.known or not self.bottom_c <= temp_c <= self.top_c:
            return None
        if run.stage not in ON_SEED:
            return 0.0
        return self.loss * self._pace(temp_c) * (1 - self.share) / self.period

    def at_once(self, runs: Sequence[Run]) -> float | None:
        """Loss of the first phase [log10], at the mean pace of the first stay."""
        first = next((r for r in runs if r.stage in ON_SEED), None)
        if not self.known or first is None or first.span_c is None:
            return None
        if first.span_c[0] < self.bottom_c or first.span_c[1] > self.top_c:
            return None
        low, high = (self._pace(end) for end in first.span_c)
        return self.loss * self.share * 0.5 * (low + high)

    def _pace(self, temp_c: float) -> float:
        return float(acceleration(max(temp_c, self.floor_c), self.t_ref_c, self.z_c))


def _thinned(times: np.ndarray, temps: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    step = max(1, -(-len(times) // MOST_POINTS))
    return times[::step], temps[::step]


def _covered(times: np.ndarray) -> list[tuple[datetime, datetime]]:
    """Spans that readings cover without a hole."""
    out: list[tuple[datetime, datetime]] = []
    for t in times:
        now = datetime.fromtimestamp(int(t), UTC)
        if out and (now - out[-1][1]).total_seconds() <= LONGEST_STEP_S:
            out[-1] = (out[-1][0], now)
        else:
            out.append((now, now))
    return out


def _holes(
    a: datetime, b: datetime, known: Sequence[tuple[datetime, datetime]]
) -> list[tuple[datetime, datetime]]:
    """What of a span its readings leave open."""
    out: list[tuple[datetime, datetime]] = []
    now = a
    for x, y in known:
        if (x - now).total_seconds() > LONGEST_STEP_S or (not out and now == a and x > a):
            out.append((now, x))
        now = max(now, y)
    if b > now:
        out.append((now, b))
    return [(x, y) for x, y in out if y > x]


def _joined(
    places: Sequence[tuple[datetime, datetime, str]],
) -> tuple[tuple[datetime, datetime, str], ...]:
    out: list[tuple[datetime, datetime, str]] = []
    for a, b, name in places:
        if out and out[-1][2] == name and out[-1][1] == a:
            out[-1] = (out[-1][0], b, name)
        else:
            out.append((a, b, name))
    return tuple(out)
