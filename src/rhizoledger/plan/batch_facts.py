"""What is known of a batch before any balance is struck: recipe, lots, rate, stack, requirement."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from rhizoledger import units
from rhizoledger.errors import Problem, UnitError
from rhizoledger.plan.clock import MORNING, moment
from rhizoledger.plan.context import Context, same_crop
from rhizoledger.records import (
    Batch,
    Inoculant,
    Lot,
    RecipeStep,
    Requirement,
    Treatment,
)
from rhizoledger.treating.rates import SeedFacts, pack_of, rate_per_kg
from rhizoledger.treating.recipe import CAME_IN
from rhizoledger.treating.stacks import StackJudgement, judge_stack, stack_members

NONE_USED = "none of it was used"


@dataclass(frozen=True, slots=True)
class AppliedLot:
    """One inoculant lot on a batch, and how much of it per seed.

    ``per_seed`` is in mL or g of product per seed, whichever the titre is per; None where the
    rate, the seed mass or the seed size is not known, and ``lack`` says which.
    """

    lot: Lot | None
    inoculant: Inoculant
    per_seed: float | None
    share: float
    lack: str = ""
    group: str | None = None

    @property
    def name(self) -> str:
        """The lot's name, or the product's where no lot is written down."""
        return self.lot.lot if self.lot else self.inoculant.inoculant


@dataclass(frozen=True, slots=True)
class BatchFacts:
    """A batch with everything that names point to, resolved."""

    batch: Batch
    group: str | None
    recipe: tuple[RecipeStep, ...]
    applied: tuple[AppliedLot, ...]
    others: tuple[str, ...]
    stack: StackJudgement | None
    tank_stack: StackJudgement | None
    treated_at: datetime | None
    treated: bool
    requirement: Requirement | None
    treatments: tuple[Treatment, ...]
    problems: tuple[Problem, ...] = ()
    wrong_group: str = ""
    """The sentence that stops seed with rhizobia of another host group on it, or nothing."""

    @property
    def inoculant(self) -> Inoculant | None:
        """The inoculant on this seed, where there is one."""
        return self.applied[0].inoculant if self.applied else None

    @property
    def nothing_applied(self) -> bool:
        """Whether a run is written down that used none of its inoculant."""
        return bool(self.applied) and all(a.lack == NONE_USED for a in self.applied)

    @property
    def tank_doubt(self) -> str:
        """Why the tank mix is not known whole, or nothing: it is a contact of its own (§3.2)."""
        tank = self.tank_stack
        return "" if tank is None or tank.state == "whole" else f"in the tank: {tank.why}"


def batch_facts(batch: Batch, context: Context) -> BatchFacts:
    """Resolve a batch's recipe, lots, rate, stack, treating time and requirement."""
    season = context.season
    steps = tuple(
        sorted((s for s in season.recipes if s.recipe == batch.recipe), key=lambda s: s.step)
    )
    done = tuple(
        t
        for t in sorted(season.treatments, key=lambda t: (t.started_at, t.row))
        if t.batch == batch.batch
    )
    problems: list[Problem] = []
    applied = tuple(
        replace(a, group=context.group_served(a.inoculant))
        for a in _applied(batch, steps, done, context, problems)
    )
    inoculant = applied[0].inoculant if applied else None
    name = inoculant.inoculant if inoculant else ""
    others = stack_members(steps, context.products, name)
    others = tuple(dict.fromkeys((*others, *_used_beside(done, name, context))))
    stack = tank = None
    known = steps or done  # no recipe and no record: nobody says what else is on this seed
    if inoculant is not None and batch.origin not in CAME_IN and known:
        stack = judge_stack(
            season.stacks,
            inoculant.inoculant,
            others,
            batch.recipe,
            "on_seed",
            recipe_items=others,
        )
        mates = _tank_mates(steps, inoculant.inoculant, context)
        if mates:
            tank = judge_stack(
                season.stacks,
                inoculant.inoculant,
                mates,
                batch.recipe,
                "tank",
                recipe_items=others,
            )
    requirement = next((r for r in season.requirements if same_crop(r.crop, batch.crop)), None)
    treated_at = done[0].started_at if done else None
    if treated_at is None and batch.treat_on is not None:
        treated_at = moment(batch.treat_on, context.zone, MORNING)
    return BatchFacts(
        batch,
        context.group_of(batch.crop),
        steps,
        applied,
        others,
        stack,
        tank,
        treated_at,
        bool(done),
        requirement,
        done,
        tuple(problems),
        _wrong_group(batch, applied, others, context),
    )


def _wrong_group(
    batch: Batch, applied: Sequence[AppliedLot], others: Sequence[str], context: Context
) -> str:
    """What stops seed that carries rhizobia of another host group, or nothing."""
    needed = context.group_of(batch.crop)
    beside = [context.inoculants[name] for name in others if name in context.inoculants]
    on_seed = [(a.name, a.inoculant) for a in applied] + [(i.inoculant, i) for i in beside]
    for name, inoculant in on_seed:
        group = context.group_served(inoculant)
        if None not in (needed, group) and group != needed:
            carries = f"{name} carries rhizobia for {inoculant.host_group}"
            return f"{carries}; {batch.crop} needs those for {needed}."
    return ""


def _used_beside(done: Sequence[Treatment], inoculant: str, context: Context) -> tuple[str, ...]:
    """Items that a run put on the seed whether or not the recipe names them, water left out."""
    water = {p.product for p in context.season.products if p.kind == "water"}
    return tuple(t.item for t in done if t.item != inoculant and t.item not in water)


def _tank_mates(steps: Sequence[RecipeStep], inoculant: str, context: Context) -> tuple[str, ...]:
    """Items that share a tank with the inoculant, water left out."""
    tanks = {s.tank for s in steps if s.item == inoculant}
    return stack_members([s for s in steps if s.tank in tanks], context.products, inoculant)


def _applied(
    batch: Batch,
    steps: Sequence[RecipeStep],
    done: Sequence[Treatment],
    context: Context,
    problems: list[Problem],
) -> tuple[AppliedLot, ...]:
    """The inoculant lots on a batch: as done where that is written down, else as planned."""
    jugs = [t for t in done if t.item in context.inoculants]
    if jugs:
        return _applied_done(batch, jugs, context, problems)
    planned = [(context.lots[name], context.lots[name].inoculant) for name in batch.lots]
    if not planned:
        named = [s.item for s in steps if s.item in context.inoculants]
        return tuple(
            _one(batch, None, context.inoculants[i], _rate(steps, i), 1.0, context, problems)
            for i in named[:1]
        )
    share = 1.0 / len(planned)
    return tuple(
        _one(batch, lot, context.inoculants[i], _rate(steps, i), share, context, problems)
        for lot, i in planned
    )


def _applied_done(
    batch: Batch, jugs: Sequence[Treatment], context: Context, problems: list[Problem]
) -> tuple[AppliedLot, ...]:
    """Lots as used in the run: the rate is all that went on over all the seed."""
    inoculant = context.inoculants[jugs[0].item]
    amounts: dict[str | None, float] = {}
    for t in jugs:
        if t.item != inoculant.inoculant:
            continue
        try:
            amount = _amount(t.amount, t.unit, inoculant)
        except UnitError as error:
            problems.append(
                Problem("treatments", t.row, "unit", t.unit, error.what, error.remedy, "warning")
            )
            return (AppliedLot(None, inoculant, None, 1.0, "the amount applied"),)
        amounts[t.lot] = amounts.get(t.lot, 0.0) + amount
    total = sum(amounts.values())
    lack = _lack(batch) if total else NONE_USED
    per_seed = None
    if not lack and batch.mass_kg and batch.seeds_per_kg:
        per_seed = total / (batch.mass_kg * batch.seeds_per_kg)
    return tuple(
        AppliedLot(
            context.lots.get(name) if name else None,
            inoculant,
            per_seed or None,
            amount / total if total else 1.0,
            lack,
        )
        for name, amount in amounts.items()
    )


def _amount(value: float, unit: str, inoculant: Inoculant) -> float:
    """An amount used, in mL or g as the titre is per."""
    pack = pack_of(inoculant.pack_size, inoculant.pack_unit)
    if unit in ("pack", "packs") and pack is not None:
        return value * pack.amount
    if inoculant.titre_unit == "CFU/mL":
        return units.volume_ml(value, unit)
    return units.mass_g(value, unit)


def seed_facts(batch: Batch, context: Context) -> SeedFacts:
    """What turns a rate on this batch's seed into an amount."""
    bushel = context.crop_row(batch.crop, "lb_per_bu")
    return SeedFacts.of(batch, bushel.number() * units.LB_KG if bushel else None)


def _lack(batch: Batch) -> str:
    if batch.seeds_per_kg is None:
        return "the seed size (count the seed)"
    return "" if batch.mass_kg else "the mass of the batch"


def _rate(steps: Sequence[RecipeStep], item: str) -> tuple[float, str, int] | None:
    rates = [(s.rate, s.rate_unit, s.row) for s in steps if s.item == item]
    return rates[0] if rates else None


def _one(
    batch: Batch,
    lot: Lot | None,
    inoculant: Inoculant,
    rate: tuple[float, str, int] | None,
    share: float,
    context: Context,
    problems: list[Problem],
) -> AppliedLot:
    if rate is None and inoculant.rate is not None and inoculant.rate_unit is not None:
        rate = (inoculant.rate, inoculant.rate_unit, inoculant.row)
    if rate is None:
        return AppliedLot(lot, inoculant, None, share, "the rate")
    if batch.seeds_per_kg is None:
        return AppliedLot(lot, inoculant, None, share, "the seed size (count the seed)")
    try:
        unit = units.parse_rate_unit(rate[1])
        pack = pack_of(inoculant.pack_size, inoculant.pack_unit)
        per_kg = rate_per_kg(rate[0], unit, seed_facts(batch, context), pack)
    except UnitError as error:
        problems.append(
            Problem("recipes", rate[2], "rate_unit", rate[1], error.what, error.remedy, "warning")
        )
        return AppliedLot(lot, inoculant, None, share, "the rate in a usable unit")
    return AppliedLot(lot, inoculant, per_kg / batch.seeds_per_kg or None, share)
