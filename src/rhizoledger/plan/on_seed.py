"""The published loss on seed, applied to a batch's runs: two phases, Bigelow in temperature."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from hashlib import blake2b
from typing import Literal

import numpy as np

from rhizoledger.draws import FloatArray
from rhizoledger.evidence import Parameter
from rhizoledger.plan.balance import TOGETHER
from rhizoledger.plan.batch_facts import BatchFacts
from rhizoledger.plan.clock import DAY_S
from rhizoledger.plan.context import Context, crop_slug
from rhizoledger.plan.ledger import Change
from rhizoledger.plan.timeline import Run
from rhizoledger.survival.equivalent_age import AccelerationTable, equivalent_days_constant
from rhizoledger.survival.exposure import Exposure, held
from rhizoledger.survival.kinetics import front_loaded_loss
from rhizoledger.units import degrees

ON_SEED = ("drying", "on_seed", "planter")
GAP_ENDS: tuple[Literal["high", "low"], ...] = ("high", "low")


@dataclass(frozen=True, slots=True)
class OnSeedModel:
    """The published loss on seed of one crop: two phases, Bigelow in temperature."""

    loss: Parameter
    share: Parameter
    z: Parameter
    t_ref: Parameter
    period: Parameter
    edge: Parameter

    def parameters(self, coldest_c: float) -> tuple[Parameter, ...]:
        """The rows that a run rests on; the cold edge only where the run was colder than it."""
        rows = (self.loss, self.share, self.z, self.t_ref, self.period)
        assert self.loss.valid_c is not None
        return (*rows, self.edge) if coldest_c < self.loss.valid_c[0] else rows


def on_seed_model(crop: str, context: Context) -> OnSeedModel | None:
    """The evidence rows for a crop's loss on seed, or None where there are none."""
    stem = f"survival.on_seed.{crop_slug(crop)}"
    if f"{stem}.log10_loss_21d" not in context.evidence:
        return None
    names = ("log10_loss_21d", "first_phase_share", "z_c", "t_ref_c", "period_d", "edge_down_to_c")
    return OnSeedModel(*(context.evidence[f"{stem}.{name}"] for name in names))


@dataclass(frozen=True, slots=True)
class Ages:
    """Equivalent days of the runs on seed, at both ends of their gaps, for one model.

    ``worse`` and ``better`` have shape (runs, draws) [d at the reference temperature].
    """

    model: OnSeedModel
    runs: tuple[Run, ...]
    worse: FloatArray
    better: FloatArray
    first: int
    loss: FloatArray
    share: FloatArray
    period: float
    unit: str = "C"
    """The season's unit of temperature, for sentences."""

    @classmethod
    def of(cls, runs: Sequence[Run], facts: BatchFacts, context: Context) -> Ages | None:
        """The ages of all runs at once; None where the crop has no model."""
        model = on_seed_model(facts.batch.crop, context)
        if model is None or not runs:
            return None
        draws = context.draws
        z, t_ref = draws.parameter(model.z), model.t_ref.number()
        assert model.loss.valid_c is not None
        floor = model.loss.valid_c[0]
        table = context.once(
            ("acceleration", model.z.id, model.t_ref.id, model.loss.id),
            lambda: AccelerationTable(z, t_ref, floor_c=floor),
        )
        key = (model.z.id, model.t_ref.id, model.loss.id)
        worse, better = run_ages(runs, facts.batch.batch, table, key, context)
        first = next((i for i, r in enumerate(runs) if r.stage in ON_SEED), 0)
        who = facts.inoculant.inoculant if facts.inoculant else ""
        return cls(
            model,
            tuple(runs),
            worse,
            better,
            first,
            draws.parameter(model.loss, who),
            draws.parameter(model.share, who),
            model.period.number(),
            context.season.settings.units.temperature,
        )

    def excursion(self, run: Run) -> str:
        """How far a run lies outside the temperatures that the parameters cover (§2.6)."""
        assert self.model.loss.valid_c is not None
        low, high = run.span_c or self.model.loss.valid_c
        top, bottom = self.model.loss.valid_c[1], self.model.edge.number()
        if high > top:
            edge = degrees(self.unit, top)
            reached = degrees(self.unit, high)
            reached = f"just over {edge}" if reached == edge else f"up to {reached}"
            outside = f"{reached}: outside the published loss, which ends at {edge}"
            return outside + run.untold
        if low < bottom:
            return f"down to {degrees(self.unit, low)}: frozen seed, no published loss{run.untold}"
        return ""

    def outside(self, run: Run) -> str:
        """Why a run that nothing harmed is not covered, or nothing."""
        if run.moisture in self.model.loss.moisture:
            return ""
        return f"{run.moisture} seed: outside what the published loss covers"

    def rows(self, index: int) -> tuple[Parameter, ...]:
        """The evidence that the loss of one run rests on."""
        span = self.runs[index].span_c
        assert span is not None
        return self.model.parameters(span[0])

    def change(self, index: int, *, whole: bool = False) -> Change:
        """Loss of one run, split into what each parameter moved, or ``whole``."""
        worse = self._parts(self.worse, index, whole)
        told = bool((self.worse == self.better).all())
        return Change(worse, worse if told else self._parts(self.better, index, whole))

    def _parts(self, age: FloatArray, index: int, whole: bool) -> dict[str, FloatArray]:
        days = self.runs[self.first].seconds / DAY_S
        pace = age[self.first] / days
        before = age[self.first : index].sum(axis=0)
        after = before + age[index]
        drawn = (before, after, pace)
        total = -self._loss(self.loss, self.share, drawn)
        if whole:
            return {TOGETHER: total}
        usual = tuple(np.asarray(np.median(x)) for x in drawn)
        size, share = np.asarray(np.median(self.loss)), np.asarray(np.median(self.share))
        centre = self._loss(size, share, usual)
        parts = {
            self.model.loss.id: -self._loss(self.loss, share, usual),
            self.model.share.id: centre - self._loss(size, self.share, usual),
            self.model.z.id: centre - self._loss(size, share, drawn),
        }
        parts[TOGETHER] = total - parts[self.model.loss.id] - sum(list(parts.values())[1:])
        return parts

    def _loss(
        self, size: FloatArray, share: FloatArray, ages: tuple[FloatArray, ...]
    ) -> FloatArray:
        """Loss between two ages, at the pace of the first stay [log10]."""
        before, after, pace = ages
        whole = front_loaded_loss(size, share, after / self.period, pace)
        return whole - front_loaded_loss(size, share, before / self.period, pace)

    def text(self, index: int) -> str:
        """The run in words: how long, how warm, and what the mean would have hidden."""
        run = self.runs[index]
        hours = run.seconds / (DAY_S / 24)  # exact: hours in a day
        low, high = run.span_c or (np.nan, np.nan)
        text = f"{hours:.0f} h at {degrees(self.unit, low, high)}"
        if run.has_gap:
            text += "; part of the record is missing and is taken at its worst and its best"
            text += run.untold
        if self.model.loss.valid_c and low < self.model.loss.valid_c[0]:
            edge = degrees(self.unit, self.model.loss.valid_c[0])
            text += f"; below {edge} the rate at {edge} is charged"
        return text


def run_ages(
    runs: Sequence[Run],
    batch: str,
    table: AccelerationTable,
    key: tuple[str, ...],
    context: Context,
) -> tuple[FloatArray, FloatArray]:
    """Equivalent days of runs with their gaps held at the worse and at the better end.

    Parameters
    ----------
    runs : sequence of Run
    batch : str
        Whose waits: one draw from a range serves the whole of them.
    table : AccelerationTable
        Of the draws of z.
    key : tuple of str
        What the table depends on.

    Returns
    -------
    tuple of array, shape (runs, draws)
        [d at the table's reference temperature]; zero where nothing bounds the temperature.
    """
    u = context.draws.uniform("wait", batch)
    ends = []
    for end in GAP_ENDS:
        told = [i for i, r in enumerate(runs) if r.recorded is not None and not r.unknown_s]
        exposures = [held(e, end) for i in told if (e := runs[i].recorded) is not None]
        age = np.zeros((len(runs), context.draws.n))
        if exposures:
            whole = ("days", *key, _digest(exposures))
            age[told] = context.lately(whole, partial(table.days, exposures))
        for i, r in enumerate(runs):
            for w in r.waits:
                temp = w.low_c + (w.high_c - w.low_c) * u
                age[i] += equivalent_days_constant(
                    w.seconds, temp, table.z_c, table.t_ref_c, floor_c=table.floor_c
                )
        ends.append(age)
    return ends[0], ends[1]


def _digest(exposures: Sequence[Exposure]) -> str:
    """What tells exposures apart, whatever rows and readings they came from."""
    digest = blake2b()
    for e in exposures:
        digest.update(b"%d,%d;" % (e.first_bin, e.ticks.size))
        digest.update(e.ticks.tobytes())
        digest.update(e.degree_ticks.tobytes())
    return digest.hexdigest()
