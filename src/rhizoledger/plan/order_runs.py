"""The runs still to be done: how long each takes, when it may start, and how long seed may wait."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from statistics import median

from rhizoledger.plan.batch_answer import batch_answer
from rhizoledger.plan.batch_facts import BatchFacts, batch_facts
from rhizoledger.plan.clock import MORNING, NOON, day_end, hours_after, moment, spoken
from rhizoledger.plan.context import Context
from rhizoledger.plan.order_cost import HOUR_S, Due
from rhizoledger.plan.order_weights import Weights, again_cost, late_cost
from rhizoledger.plan.path import path_of
from rhizoledger.plan.planting_answer import drop_time, is_planted
from rhizoledger.plan.runs import RunAnswer, run_answer
from rhizoledger.plan.windows import ON_SEED, Limit
from rhizoledger.records import Batch

TREATED_HERE = ("own_run", "custom")
MINUTES = 60.0  # exact: minutes in an hour
HOURS = 24.0  # exact: hours in a day
UNTOLD = "no label, tag or test says how long this seed may wait"


@dataclass(frozen=True, slots=True)
class Machine:
    """What seed goes through.

    Parameters
    ----------
    kg_per_min : float
        Seed flow [kg/min].
    pace : float
        How many times longer a run takes than flow and waits say.
    tank_ml : float or None
        What a tank holds [mL].
    refill_min : float
        Time to fill a tank again [min].
    """

    kg_per_min: float
    pace: float
    tank_ml: float | None
    refill_min: float


@dataclass(frozen=True, slots=True)
class Window:
    """How long seed may wait after its run starts; ``hours`` is None where nothing limits it.

    ``known`` is False where no label, tag, test or number speaks and ``hours`` is assumed.
    """

    hours: float | None
    by: str
    known: bool = True


@dataclass(frozen=True, slots=True)
class Deadline:
    """The last moment at which a run may end, and what sets it."""

    at: datetime
    says: str


@dataclass(frozen=True, slots=True)
class Ahead:
    """One run still to be done."""

    batch: Batch
    recipe: str
    passes: int
    fills: int
    minutes: float
    release: datetime
    release_says: str
    deadline: Deadline | None
    dues: tuple[Due, ...]
    window: Window
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A batch that no run is planned for, and why."""

    batch: str
    why: str


def to_be_treated(context: Context) -> tuple[list[tuple[BatchFacts, RunAnswer]], list[LeftOut]]:
    """Batches of this shop not treated yet, and those that cannot or may not be.

    A run that a rule stops is left out: no order makes it allowed.
    """
    ahead: list[tuple[BatchFacts, RunAnswer]] = []
    out: list[LeftOut] = []
    for batch in context.batches.values():
        if batch.origin not in TREATED_HERE:
            continue
        facts = batch_facts(batch, context)
        if facts.treated:
            continue
        if facts.treated_at is not None and facts.treated_at <= context.now:
            says = f"dated as treated on {spoken(facts.treated_at, context.zone)}, and no run is "
            out.append(LeftOut(batch.batch, f"{says}written down: taken as treated"))
        elif not facts.recipe:
            out.append(LeftOut(batch.batch, "no recipe is written down for it"))
        else:
            run = run_answer(facts, context)
            stops = [s.sentence for s in run.stops]
            stops += [facts.wrong_group] if facts.wrong_group else []
            if stops:
                out.append(LeftOut(batch.batch, f"STOP. {stops[0].rstrip('.')}"))
            else:
                ahead.append((facts, run))
    return ahead, out


def run_minutes(
    facts: BatchFacts, run: RunAnswer, machine: Machine
) -> tuple[float | None, int, int]:
    """Minutes a run takes, how often seed goes through, and how often a tank is filled.

    Seed that must dry before the next item goes through the machine once more; waits of the recipe
    are waited out beside it. Minutes are None where the mass is not known.
    """
    mass = facts.batch.mass_kg
    steps = facts.recipe
    breaks = [s for s in steps[:-1] if s.dry_before_next]
    waits = sum(s.wait_minutes or 0.0 for s in steps[:-1])
    doses = run.sheet.planned.doses
    fills = 0
    if machine.tank_ml and len(doses) == len(steps):
        for tank in dict.fromkeys(s.tank for s in steps):
            liquid = sum(
                d.amount or 0.0
                for s, d in zip(steps, doses, strict=True)
                if s.tank == tank and d.unit == "mL"
            )
            fills += max(0, math.ceil(liquid / machine.tank_ml) - 1)
    passes = 1 + len(breaks)
    if not mass:
        return None, passes, fills
    through = passes * mass / machine.kg_per_min
    return machine.pace * (through + waits + fills * machine.refill_min), passes, fills


def pace_so_far(context: Context, machine: Machine) -> tuple[float, int] | None:
    """How many times longer runs took so far than flow and waits say (median), and how many."""
    ratios = []
    for batch in context.batches.values():
        facts = batch_facts(batch, context)
        if not facts.treated or not facts.recipe or batch.origin not in TREATED_HERE:
            continue
        ends = [t.finished_at for t in facts.treatments]
        minutes, _, _ = run_minutes(facts, run_answer(facts, context), replace(machine, pace=1.0))
        if minutes and all(ends):
            took = max(e for e in ends if e) - min(t.started_at for t in facts.treatments)
            ratios.append(took.total_seconds() / HOUR_S * MINUTES / minutes)
    return (median(ratios), len(ratios)) if ratios else None


def in_the_machine(context: Context) -> str | None:
    """The recipe that went through the machine last; None where nothing was run yet."""
    done = max(context.season.treatments, key=lambda t: (t.started_at, t.row), default=None)
    batch = context.batches.get(done.batch) if done else None
    return batch.recipe if batch else None


def ahead_of(
    facts: BatchFacts,
    run: RunAnswer,
    minutes: tuple[float, int, int],
    context: Context,
    *,
    start: datetime,
    spread_days: float,
    unknown_window_h: float,
    weights: Weights,
    ready_on: Mapping[str, date | datetime],
) -> Ahead:
    """Everything an order needs to know of one run.

    Parameters
    ----------
    facts, run, minutes
        The batch, its run as planned, and what :func:`run_minutes` says.
    context : Context
        The season.
    start : datetime
        Nothing is run before.
    spread_days : float
        Spread of planting dates whose row gives none [d].
    unknown_window_h : float
        How long seed may wait where nothing says so [h]; an assumption.
    weights : Weights
        What being late and inoculating again cost.
    ready_on : mapping of str to date or datetime
        When seed is at hand, by batch.
    """
    batch, notes = facts.batch, list[str]()
    dues = _dues(facts, run, context, spread_days, weights, notes)
    release, says = _release(facts, context, start, ready_on)
    window = _window(facts, context, release, dues, unknown_window_h)
    if not window.known:
        notes.append(
            f"{window.by}: reckoned as if it may wait {window.hours:g} h, which is assumed"
        )
    deadline = _deadline(facts, context)
    if deadline and any(d.at > deadline.at for d in dues):
        notes.append(f"{deadline.says}, before its planned planting")
    if not run.room_for_inoculant():
        notes.append(
            "label or liquid leave no room to inoculate it again: if its window closes, it needs "
            "a second dose in the furrow; that is counted at the same cost"
        )
    return Ahead(
        batch, batch.recipe or "", minutes[1], minutes[2], minutes[0], release, says, deadline,
        dues, window, tuple(notes),
    )  # fmt: skip


def _dues(
    facts: BatchFacts,
    run: RunAnswer,
    context: Context,
    spread_days: float,
    weights: Weights,
    notes: list[str],
) -> tuple[Due, ...]:
    batch = facts.batch
    rows = [
        p
        for p in context.season.plantings
        if p.batch
        and path_of(p.batch, context)[0].item == batch.batch
        and not is_planted(p, context)
    ]
    area = sum(p.area for p in rows)
    if not rows and batch.needed_by is not None:
        notes.append("no planting names it: its needed_by date stands for one")
        at = moment(batch.needed_by, context.zone, NOON)
        again = again_cost(facts, run, 1.0, 0.0, weights, context)
        late = late_cost(batch.crop, 0.0, weights, context)
        return (Due(batch.owner or batch.batch, at, spread_days * HOURS, 1.0, late, again),)
    if not rows:
        notes.append("no planting and no needed_by date: it may go at any time, so it goes last")
    if any(drop_time(p, context) < context.now for p in rows):
        notes.append("a planting of it is planned for a day that is past: it is late already")
    out = []
    for p in rows:
        share = p.area / area if area else 1 / len(rows)
        spread = spread_days if p.spread_days is None else p.spread_days
        out.append(
            Due(
                f"{p.field}/{p.seq}",
                drop_time(p, context),
                spread * HOURS,
                share,
                late_cost(p.crop, p.area, weights, context),
                again_cost(facts, run, share, p.area, weights, context),
            )
        )
    return tuple(sorted(out, key=lambda d: (d.at, d.name)))


def _release(
    facts: BatchFacts, context: Context, start: datetime, ready_on: Mapping[str, date | datetime]
) -> tuple[datetime, str]:
    """The first moment a run may start, and what sets it."""
    when = [(start, "")]
    if facts.batch.batch in ready_on:
        at = moment(ready_on[facts.batch.batch], context.zone, MORNING)
        when.append((at, f"the seed is there from {spoken(at, context.zone)}"))
    for name in facts.batch.lots:
        lot = context.lots.get(name)
        if lot is not None and lot.received_on is not None and lot.received_on > context.as_of:
            at = moment(lot.received_on, context.zone, MORNING)
            when.append((at, f"lot {name} comes on {spoken(at, context.zone)}"))
    return max(when, key=lambda w: w[0])


def _deadline(facts: BatchFacts, context: Context) -> Deadline | None:
    """When the run must have ended: a lot past its date, or open too long, may not go on seed."""
    limits = []
    for a in facts.applied:
        if a.lot is None:
            continue
        says = f"lot {a.lot.lot} expires on {a.lot.expires_on}"
        limits.append(Deadline(day_end(a.lot.expires_on, context.zone), says))
        opened = [e.at for e in context.events.get(a.lot.lot, ()) if e.event == "opened"]
        life = a.inoculant.opened_life_days
        if opened and life is not None:
            end = hours_after(min(opened), HOURS * life)
            says = f"lot {a.lot.lot} was opened and keeps {life:g} d open"
            limits.append(Deadline(end, says))
    return min(limits, key=lambda d: d.at, default=None)


def _window(
    facts: BatchFacts,
    context: Context,
    release: datetime,
    dues: Sequence[Due],
    unknown_h: float,
) -> Window:
    """The shorter of the waits allowed to seed treated at once and to seed treated when due."""
    last = max((d.at for d in dues), default=release)
    found: list[Window] = []
    for at in dict.fromkeys((release, max(release, last))):
        limit = limit_if_treated(facts, at, context)
        if limit is None:
            return Window(unknown_h, UNTOLD, False)
        hours = (limit.at - at).total_seconds() / HOUR_S
        found.append(Window(max(0.0, hours), limit.in_the_shop))
    return min(found, key=lambda w: w.hours or 0.0)


def limit_if_treated(facts: BatchFacts, at: datetime, context: Context) -> Limit | None:
    """What closes a batch's window first if its run starts then; None where nothing speaks."""
    told = batch_facts(replace(facts.batch, treat_on=at), context)
    limits = [
        x
        for x in batch_answer(told, at + timedelta(hours=1), context).limits
        if x.by in ON_SEED and x.at >= at
    ]
    return min(limits, key=lambda x: x.at, default=None)
