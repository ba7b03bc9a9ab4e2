"""What would arrive if a batch waited longer, stood cooler or carried other things (§2.13).

The season stays as it is written. The wait still ahead is put in place of the planned one, and the
same ledger is kept again: for one question, and for a table of delays by store temperatures.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from rhizoledger.errors import InputError, NotFoundError
from rhizoledger.plan.batch_answer import At, batch_at, fine_enough, standing
from rhizoledger.plan.batch_facts import BatchFacts, batch_facts
from rhizoledger.plan.clock import spoken
from rhizoledger.plan.context import Context
from rhizoledger.plan.path import path_of
from rhizoledger.plan.planting_answer import drop_time, is_planted
from rhizoledger.plan.verdict import Arrival, judge_arrival
from rhizoledger.plan.windows import Limit, hard_limits
from rhizoledger.records import Planting, Stay
from rhizoledger.units import temperature_c

DELAYS_D = (0.0, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 14.0, 21.0)  # numeric: rows of a table
STORES_C = (5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 35.0)  # numeric: columns of a table
STORES_F = (40.0, 50.0, 60.0, 70.0, 80.0, 90.0)  # numeric: columns of a table
LONGEST_D = 365.0  # numeric: no seed waits longer than a year
COLDEST_C, HOTTEST_C = -40.0, 60.0  # numeric: beyond, it is no store
STEPS_PER_DAY = 24  # exact: a latest wait is told to the hour


@dataclass(frozen=True, slots=True)
class Question:
    """What is to be changed; None leaves it as the season has it."""

    delay_days: float = 0.0
    store_c: float | None = None
    recipe: str | None = None


@dataclass(frozen=True, slots=True)
class Outcome:
    """What arrives under one set of circumstances."""

    drop: datetime
    at: At
    arrival: Arrival
    sentence: str
    closed: Limit | None
    """The first limit of label, tag, test or date that is past at seed drop."""


@dataclass(frozen=True, slots=True)
class Store:
    """One store temperature: outcomes along the delays, and the longest wait that still meets.

    ``latest_days`` is None where already the shortest wait falls short or is not known; ``open``
    says that the longest wait asked about still meets, so that the true limit lies further.
    """

    temp_c: float
    outcomes: tuple[Outcome, ...]
    latest_days: float | None
    open: bool


@dataclass(frozen=True, slots=True)
class WhatIf:
    """One question answered beside the plan, and the table around it."""

    name: str
    facts: BatchFacts
    base: datetime
    """Seed drop without delay."""
    waits_from: datetime
    question: Question
    planned: Outcome
    asked: Outcome
    delays_days: tuple[float, ...]
    stores: tuple[Store, ...]
    wanted: float
    notes: tuple[str, ...]


def what_if(name: str, question: Question, context: Context) -> WhatIf:
    """Answer one question about a batch, or a parcel split from one.

    Parameters
    ----------
    name : str
        The batch.
    question : Question
        What is to be changed.
    context : Context
        The season, as it stands.

    Raises
    ------
    NotFoundError
        If there is no such batch or recipe.
    InputError
        If the seed is in the ground, the delay is negative or past a year, or a store is none.

    Notes
    -----
    §2.13. A delay counts from the planned seed drop, or from the end of the as-of day where that
    is later or nothing is planned. A store temperature replaces every stay from the end of the
    as-of day (from treating, where that is later) to seed drop.
    """
    _checked(question)
    origin = path_of(name, context)[0].item
    if origin not in context.batches:
        there = ", ".join(context.batches) or "none"
        raise NotFoundError(f"{name!r} is no batch of this season. There are: {there}.")
    facts = batch_facts(context.batches[origin], context)
    notes: list[str] = []
    plantings = [
        p
        for p in context.season.plantings
        if p.batch and (p.batch == name or path_of(p.batch, context)[0].item == name)
    ]
    base = _base(name, plantings, context, notes)
    facts = replace(facts, batch=replace(facts.batch, batch=name))
    other = facts if question.recipe is None else _with_recipe(facts, question.recipe, context)
    if question.recipe is not None and facts.treated:
        notes.append("The seed is treated already: this asks what would have been.")
    start = max(context.now, other.treated_at or context.now)
    if other.treated_at is not None and other.treated_at > base:
        notes.append("The seed would be treated after its planned seed drop.")
    fine = fine_enough(facts, base, context)

    def under(f: BatchFacts, delay: float, store_c: float | None) -> Outcome:
        kept = fine if store_c is None else _stored(fine, name, start, store_c)
        return _outcome(f, base + timedelta(days=delay), kept)

    delays = tuple(sorted({*DELAYS_D, question.delay_days}))
    fahrenheit = context.season.settings.units.temperature == "F"
    temps = {temperature_c(f, "F") for f in STORES_F} if fahrenheit else {*STORES_C}
    if question.store_c is not None:
        temps = {t for t in temps if abs(t - question.store_c) > 1} | {question.store_c}
    stores = []
    for temp in sorted(temps):
        outcomes = tuple(under(other, d, temp) for d in delays)
        latest, still = _latest(other, base, _stored(fine, name, start, temp), delays, outcomes)
        stores.append(Store(temp, outcomes, latest, still))
    return WhatIf(
        name,
        other,
        base,
        start,
        question,
        under(facts, 0.0, None),
        under(other, question.delay_days, question.store_c),
        delays,
        tuple(stores),
        context.season.settings.probability,
        tuple(notes),
    )


def _checked(question: Question) -> None:
    if not 0 <= question.delay_days <= LONGEST_D:
        raise InputError(
            f"A delay of {question.delay_days:g} days is no wait of seed. Give 0 to {LONGEST_D:g}."
        )
    t = question.store_c
    if t is not None and not COLDEST_C <= t <= HOTTEST_C:
        raise InputError(
            f"A store at {t:g} °C is none. Give the temperature of the seed in °C with --store-c, "
            "or in °F with --store-f."
        )


def _base(name: str, plantings: Sequence[Planting], context: Context, notes: list[str]) -> datetime:
    """The latest planned seed drop of what is not yet in the ground, no earlier than now."""
    ahead = [p for p in plantings if not is_planted(p, context)]
    if plantings and not ahead:
        raise InputError(
            f"All of {name} is written down as planted. A what-if asks about seed that still "
            "waits: name another batch, or ask for an earlier day with --as-of."
        )
    if not ahead:
        notes.append("No planting of it is planned, so a delay counts from the as-of day.")
        return context.now
    planned = max(drop_time(p, context) for p in ahead)
    if planned < context.now:
        notes.append("The planned seed drop is past, so a delay counts from the as-of day.")
    return max(planned, context.now)


def _with_recipe(facts: BatchFacts, recipe: str, context: Context) -> BatchFacts:
    """The batch as if it had been treated, at the same hour, by another recipe."""
    names = dict.fromkeys(s.recipe for s in context.season.recipes)
    if recipe not in names:
        there = ", ".join(names) or "none"
        raise NotFoundError(f"{recipe!r} is no recipe of this season. There are: {there}.")
    batch = replace(facts.batch, recipe=recipe, treat_on=facts.treated_at)
    undone = tuple(t for t in context.season.treatments if t.batch != batch.batch)
    return batch_facts(batch, replace(context, season=replace(context.season, treatments=undone)))


def _stored(context: Context, item: str, start: datetime, temp_c: float) -> Context:
    """The context with everything that waits for an item replaced by one store from ``start``."""
    before = tuple(
        s if s.end is not None and s.end <= start else replace(s, end=start)
        for s in context.stays.get(item, ())
        if s.start < start
    )
    row = max((s.row for s in context.season.stays), default=0) + 1
    store = Stay(
        row, item, "on_seed", start, None, "store",
        temp_low_c=temp_c, temp_high_c=temp_c, moisture="dry",
    )  # fmt: skip
    return replace(context, stays={**context.stays, item: (*before, store)})


def _outcome(facts: BatchFacts, drop: datetime, context: Context) -> Outcome:
    at = batch_at(facts, drop, context, brief=True)
    limits = hard_limits(facts, facts.treated_at, context)
    arrival, sentence = judge_arrival(
        standing(at, limits, facts), context.season.settings.probability
    )
    closed = next((limit for limit in limits if limit.at < drop), None)
    if closed is not None:
        sentence = f"{closed.says[0].upper()}{closed.says[1:]}: past since "
        sentence += f"{spoken(closed.at, context.zone)}."
    return Outcome(drop, at, arrival, sentence, closed)


def _latest(
    facts: BatchFacts,
    base: datetime,
    context: Context,
    delays: Sequence[float],
    outcomes: Sequence[Outcome],
) -> tuple[float | None, bool]:
    """The longest delay at which P is still what is wanted, to the hour; whether it is open."""
    wanted = context.season.settings.probability
    meets = [o.at.p is not None and o.at.p >= wanted for o in outcomes]
    if not meets[0]:
        return None, False
    if all(meets):
        return delays[-1], True
    fails = meets.index(False)
    low, high = delays[fails - 1] * STEPS_PER_DAY, delays[fails] * STEPS_PER_DAY
    while high - low > 1:
        middle = float((low + high) // 2)
        p = batch_at(facts, base + timedelta(days=middle / STEPS_PER_DAY), context, brief=True).p
        low, high = (middle, high) if p is not None and p >= wanted else (low, middle)
    return low / STEPS_PER_DAY, False
