"""A season's own die-off curve, applied to a batch's runs in place of the published loss.

One curve is one series with one clock (§2.5): it runs on through every stage that the curve speaks
for, and begins anew with another curve. Losses add; what carrying the clock over would have meant
is said beside it. A curve of recovered cells knows nothing of what a wash misses: that comes from
the curve's own first count against what was applied, or from a count of this seed (§2.7).
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from rhizoledger.draws import FloatArray
from rhizoledger.evidence import Curve, Parameter
from rhizoledger.plan.batch_facts import BatchFacts
from rhizoledger.plan.clock import DAY_S
from rhizoledger.plan.context import Context, crop_slug
from rhizoledger.plan.ledger import Change
from rhizoledger.plan.on_seed import ON_SEED, run_ages
from rhizoledger.plan.timeline import Run
from rhizoledger.survival.equivalent_age import AccelerationTable
from rhizoledger.survival.own_curve import age_of_loss, log10_survival
from rhizoledger.units import degrees

SEEN = 0.01  # numeric: log10; a smaller difference between two clocks is not worth a sentence


@dataclass(frozen=True, slots=True)
class Drawn:
    """A curve with its numbers drawn, and the temperatures at which it may be used.

    ``floor_c`` to ``top_c`` is where its rate changes with temperature as told; colder, down to
    ``bottom_c``, the rate at ``floor_c`` is charged. ``table`` is None where nothing tells how the
    rate changes: then the rate as counted is charged up to the warmest temperature counted at.
    """

    curve: Curve
    numbers: Mapping[str, FloatArray]
    rows: tuple[Parameter, ...]
    table: AccelerationTable | None
    floor_c: float
    top_c: float
    bottom_c: float


@dataclass(frozen=True, slots=True)
class OwnLoss:
    """Equivalent days of a batch's runs under its own curves.

    ``by_run`` names the curve of each run, None where none speaks for it; ``worse`` and ``better``
    have shape (runs, draws) [d], gaps at either end.
    """

    runs: tuple[Run, ...]
    by_run: tuple[Drawn | None, ...]
    worse: FloatArray
    better: FloatArray
    first: int
    unit: str

    @classmethod
    def of(cls, runs: Sequence[Run], facts: BatchFacts, context: Context) -> OwnLoss | None:
        """The own curves of all runs; None where the season has none for this crop."""
        drawn = {c.id: _drawn(c, facts, context) for c in own_curves(facts.batch.crop, context)}
        if not drawn or not runs:
            return None
        by_run = tuple(
            next((d for d in drawn.values() if _speaks_for(d.curve, run)), None) for run in runs
        )
        n = context.draws.n
        worse, better = np.zeros((len(runs), n)), np.zeros((len(runs), n))
        for d in drawn.values():
            at = [i for i, own in enumerate(by_run) if own is d]
            if not at:
                continue
            if d.table is None:
                clock = np.array([[runs[i].seconds / DAY_S] for i in at])
                worse[at] = better[at] = np.broadcast_to(clock, (len(at), n))
            else:
                key = ("own", d.curve.id, facts.batch.crop)
                worse[at], better[at] = run_ages(
                    [runs[i] for i in at], facts.batch.batch, d.table, key, context
                )
        first = next((i for i, r in enumerate(runs) if r.stage in ON_SEED), 0)
        unit = context.season.settings.units.temperature
        return cls(tuple(runs), by_run, worse, better, first, unit)

    def excursion(self, run: Run) -> str:
        """How far a run lies outside the temperatures that its curve covers (§2.6)."""
        d = self._of(run)
        if d is None or run.span_c is None:
            return ""
        low, high = run.span_c
        if high > d.top_c:
            edge, reached = degrees(self.unit, d.top_c), degrees(self.unit, high)
            reached = f"just over {edge}" if reached == edge else f"up to {reached}"
            return f"{reached}: outside the own counts, which end at {edge}{run.untold}"
        if low < d.bottom_c:
            return f"down to {degrees(self.unit, low)}: colder than any count{run.untold}"
        return ""

    def outside(self, run: Run) -> str:
        """Why a run that nothing harmed is not covered, or nothing."""
        d = self._of(run)
        if d is None:
            return f"{run.moisture} seed, {run.stage.replace('_', ' ')}: no own curve covers it"
        index = self.runs.index(run)
        if float(np.median(self._before(self.worse, index) + self.worse[index])) > d.curve.last_d:
            return f"past the {d.curve.last_d:g} days that the own counts followed"
        return ""

    def rows(self, index: int) -> tuple[Parameter, ...]:
        """The evidence that the loss of one run rests on."""
        d = self.by_run[index]
        return () if d is None else d.rows

    def change(self, index: int, *, whole: bool = False) -> Change:
        """Loss of one run, always ``whole``: its numbers were fitted together."""
        d = self.by_run[index]
        assert d is not None
        worse = {d.curve.id: self._change(d, self.worse, index)}
        if bool((self.worse == self.better).all()):
            return Change.same(worse)
        return Change(worse, {d.curve.id: self._change(d, self.better, index)})

    def recovered(self) -> Change | None:
        """What a wash recovers of the cells applied, by the first run's curve; None if not told."""
        d = self.by_run[self.first]
        row = None if d is None else d.curve.row("log10_recovered")
        if d is None or row is None:
            return None
        return Change.same({row: np.minimum(d.numbers["log10_recovered"], 0.0)})

    def text(self, index: int) -> str:
        """The run in words: how long, how warm, by what, and what another clock would say."""
        run, d = self.runs[index], self.by_run[index]
        assert d is not None
        hours = run.seconds / (DAY_S / 24)  # exact: hours in a day
        low, high = run.span_c or (np.nan, np.nan)
        text = f"{hours:.0f} h at {degrees(self.unit, low, high)}, by own counts ({d.curve.model})"
        if run.has_gap:
            text += "; part of the record is missing and is taken at its worst and its best"
            text += run.untold
        if low < d.floor_c:
            edge = degrees(self.unit, d.floor_c)
            text += f"; below {edge} the rate at {edge} is charged"
        carried = self._carried(index)
        if carried is not None:
            word = "more" if carried < 0 else "less"
            text += f"; with the clock carried over it would lose {abs(carried):.2g} log10 {word}"
        return text

    def _of(self, run: Run) -> Drawn | None:
        return self.by_run[self.runs.index(run)]

    def _before(self, age: FloatArray, index: int) -> FloatArray:
        """Age on the clock of a run's curve when the run begins."""
        start = index
        while start > 0 and self.by_run[start - 1] is self.by_run[index]:
            start -= 1
        return np.asarray(age[start:index].sum(axis=0))

    def _change(self, d: Drawn, age: FloatArray, index: int) -> FloatArray:
        before = self._before(age, index)
        after = log10_survival(d.curve.model, before + age[index], d.numbers)
        return after - log10_survival(d.curve.model, before, d.numbers)

    def _carried(self, index: int) -> float | None:
        """By how much a clock carried over from other curves would change a run's loss [log10].

        None where no other curve came before, or nothing to speak of would change.
        """
        d = self.by_run[index]
        others = [i for i, own in enumerate(self.by_run[:index]) if own not in (None, d)]
        begins = index == 0 or self.by_run[index - 1] is not d
        if d is None or not others or not begins:
            return None
        lost = np.zeros(self.worse.shape[1])
        for i in others:
            before = self.by_run[i]
            assert before is not None
            lost = lost - self._change(before, self.worse, i)
        age = age_of_loss(d.curve.model, lost, d.numbers) + self.worse[index]
        then = log10_survival(d.curve.model, age, d.numbers) + lost
        change = float(np.median(then - self._change(d, self.worse, index)))
        return change if abs(change) >= SEEN else None


def own_curves(crop: str, context: Context) -> tuple[Curve, ...]:
    """The season's own curves on seed of a crop: of one stage first, then of all of them."""
    slug = crop_slug(crop)
    names = [f"survival.{stage}.{slug}" for stage in ("drying", "planter", "on_seed")]
    return tuple(c for n in names if (c := context.evidence.curves.get(n)) is not None)


def package_loss(
    run: Run, inoculant: str, context: Context
) -> tuple[Change | None, tuple[Parameter, ...], str] | None:
    """Loss of a product in its package by the season's own counts, or None where there are none.

    Returns
    -------
    tuple or None
        The change (None where the counts do not reach), the rows it rests on, and why. Only a
        log-linear curve is taken: it alone does not ask when the clock of a jug began.
    """
    curve = own_package_curve(inoculant, context)
    if curve is None:
        return None
    d = drawn_curve(curve, inoculant, None, context)
    unit = context.season.settings.units.temperature
    if run.unknown_s or run.span_c is None:
        return None, (), "temperature not known, and nothing bounds it"
    low, high = run.span_c
    if high > d.top_c or low < d.bottom_c:
        span = degrees(unit, low, high)
        own = degrees(unit, d.bottom_c, d.top_c)
        return None, (), f"{span}: outside the own counts of {inoculant}, {own}{run.untold}"
    days = run.seconds / DAY_S
    if d.table is None:
        worse = better = np.full((1, context.draws.n), days)
    else:
        key = ("own", curve.id, inoculant)
        worse, better = run_ages([run], inoculant, d.table, key, context)
    parts = [{curve.id: log10_survival(curve.model, age[0], d.numbers)} for age in (worse, better)]
    why = f"{degrees(unit, low, high)}, {days:.1f} d, by own counts"
    return Change(parts[0], parts[1]), d.rows, why


def own_package_curve(inoculant: str, context: Context) -> Curve | None:
    """The season's own curve of a product in its package, by the product's name in lower case."""
    slug = re.sub(r"[^a-z0-9]+", "_", inoculant.lower()).strip("_")
    return context.evidence.curves.get(f"survival.package.{slug}")


def drawn_curve(curve: Curve, who: str, z: Parameter | None, context: Context) -> Drawn:
    """A curve with its numbers drawn together, and a table of its rates by temperature.

    Parameters
    ----------
    curve : Curve
    who : str
        The inoculant, where rows vary by strain.
    z : Parameter or None
        A published z to fall back on; the curve's own outranks it.
    context : Context
    """
    rows = tuple(context.evidence[name] for name in curve.parameters)
    names = [row.id.rpartition(".")[2] for row in rows]
    drawn = context.draws.together(rows, curve.correlation, who)
    numbers = dict(zip(names, drawn, strict=True))
    low, high = curve.temp_c
    draws = numbers.get("z_c")
    if draws is None and z is not None and z.valid_c is not None:
        draws, rows = context.draws.parameter(z), (*rows, z)
        low, high = min(low, z.valid_c[0]), max(high, z.valid_c[1])
    table = None
    if draws is not None:
        make = partial(AccelerationTable, np.asarray(draws), curve.t_ref_c, floor_c=low)
        table = context.once(("own acceleration", curve.id, who, z.id if z else ""), make)
    return Drawn(curve, numbers, rows, table, low, high, low)


def _drawn(curve: Curve, facts: BatchFacts, context: Context) -> Drawn:
    stem = f"survival.on_seed.{crop_slug(facts.batch.crop)}"
    who = facts.inoculant.inoculant if facts.inoculant else ""
    d = drawn_curve(curve, who, context.parameter(f"{stem}.z_c"), context)
    edge = context.parameter(f"{stem}.edge_down_to_c")
    bottom = d.floor_c if edge is None else min(d.floor_c, edge.number())
    return Drawn(d.curve, d.numbers, d.rows, d.table, d.floor_c, d.top_c, bottom)


def _speaks_for(curve: Curve, run: Run) -> bool:
    return run.stage in curve.stages and run.moisture in curve.moisture
