"""This week: who has to do what by when, and why, most urgent first."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Literal

from rhizoledger.plan.batch_answer import BatchAnswer
from rhizoledger.plan.clock import day_end
from rhizoledger.plan.planting_answer import PlantingAnswer
from rhizoledger.plan.season_plan import Plan
from rhizoledger.records import Lot

Group = Literal["clocks", "before_treating", "roots", "undecided"]

A_MONTH = timedelta(days=30)  # numeric: how far ahead an expiry is worth a line
DIG = "dig.days_after_planting"
URGENCY = ("stop", "re_inoculate", "plant_and_back_up", "not_known", "plant")


@dataclass(frozen=True, slots=True)
class Task:
    """One row of the week: who, what, by when (None where nothing says), and why."""

    group: Group
    who: str
    about: str
    what: str
    by: datetime | None
    why: str


def week(plan: Plan) -> tuple[Task, ...]:
    """Every task of a plan: clocks running, before treating, digs, and what is undecided.

    Fields where the crop never grew come first among clocks: there dead seed costs the crop.
    """
    return (
        *_clocks(plan),
        *_before_treating(plan),
        *_digs(plan),
        *_undecided(plan),
    )


def _origin_answers(plan: Plan, name: str) -> list[PlantingAnswer]:
    """Plantings, not yet done, of a batch and of the parcels split from it."""
    parts = {p for e in plan.context.season.events if e.item == name for p in e.parts}
    return [p for p in plan.plantings if not p.planted and p.planting.batch in {name, *parts}]


def _clocks(plan: Plan) -> list[Task]:
    rows: list[tuple[bool, datetime, Task]] = []
    for b in plan.batches:
        open_ = _origin_answers(plan, b.name)
        if not open_:
            continue
        first = any(p.consequence != "history" for p in open_)
        worst = min(open_, key=lambda p: URGENCY.index(p.verdict.word))
        fields = ", ".join(
            dict.fromkeys(
                f"{p.planting.field}{' (first time)' if p.consequence == 'first_time' else ''}"
                for p in sorted(open_, key=lambda p: p.consequence == "history")
            )
        )
        by = b.window.at if b.window is not None else None
        why = b.window.says if b.window is not None else _no_window(b)
        task = Task(
            "clocks",
            _growers(open_, plan) or b.facts.batch.owner or "",
            f"{b.name} for {fields}",
            worst.verdict.actions[0] if worst.verdict.actions else "",
            by,
            why,
        )
        rows.append((not first, by or datetime.max.replace(tzinfo=plan.context.now.tzinfo), task))
    return [task for _, _, task in sorted(rows, key=lambda r: r[:2])]


def _no_window(b: BatchAnswer) -> str:
    if b.at_drop.why_no_p:
        return f"no window is known: {b.at_drop.why_no_p.rstrip('.')}"
    return "no label, tag or test says how long it may wait"


def _growers(answers: Iterable[PlantingAnswer], plan: Plan) -> str:
    growers = {f.field: f.grower for f in plan.context.season.fields}
    named = [g for p in answers if (g := growers.get(p.planting.field))]
    return ", ".join(dict.fromkeys(named))


def _before_treating(plan: Plan) -> list[Task]:
    out: list[Task] = []
    runs = {r.sheet.batch: r for r in plan.runs}
    for b in plan.batches:
        batch, run = b.facts.batch, runs.get(b.name)
        to_treat = run is not None and run.sheet.done is None and batch.origin != "bought_in"
        by = b.facts.treated_at if to_treat else None
        who = batch.owner or ""
        if run is not None and run.sheet.done is None:
            out += [
                Task("before_treating", who, b.name, f"Do not treat: {s.sentence}", by, "a stop")
                for s in run.stops
            ]
        if batch.seeds_per_kg is None or batch.seed_size_how == "guess":
            if not _origin_answers(plan, b.name):
                continue
            why = "rates and cells per seed rest on it"
            out.append(Task("before_treating", who, b.name, "Count the seed.", by, why))
    used = {a.lot.lot for b in plan.batches for a in b.facts.applied if a.lot is not None}
    gone = {d.item for d in plan.context.season.dispositions}
    for lot in plan.context.season.lots:
        out += _lot_ends(lot, lot.lot in used, gone, plan)
    for t in plan.tighten:
        open_ = [p for p in _origin_answers(plan, t.answer) if p.arrival != "meets"]
        if any(p.consequence != "history" for p in open_):
            first = min(p.planting.planned_on for p in open_)
            day = first.date() if isinstance(first, datetime) else first
            by = day_end(day, plan.context.zone) - timedelta(days=1)
            what = f"Count cells: {t.what.removeprefix('a ')}, if there is time."
            why = "it would settle most of what is not known of this seed"
            out.append(Task("before_treating", _growers(open_, plan), t.answer, what, by, why))
    return out


def _lot_ends(lot: Lot, used: bool, gone: set[str], plan: Plan) -> list[Task]:
    """A lot on the shelf that ends soon: its date, or its life since it was opened."""
    context = plan.context
    if lot.lot in gone:
        return []
    out = []
    end = day_end(lot.expires_on, context.zone)
    if context.now - A_MONTH <= end <= context.now + A_MONTH:
        what = "Past its date: do not use." if end < context.now else "Use before its date, or not."
        out.append(Task("before_treating", "", lot.lot, what, end, f"expires {lot.expires_on}"))
    life = context.inoculants[lot.inoculant].opened_life_days
    opened = [e.at for e in context.events.get(lot.lot, ()) if e.event == "opened"]
    if opened and life is not None and used:
        ends = min(opened) + timedelta(days=life)
        what = "Opened: use up, or do not use after this."
        if ends < context.now:
            what = "Open too long: do not use."
        if context.now - A_MONTH <= ends <= context.now + A_MONTH:
            out.append(
                Task("before_treating", "", lot.lot, what, ends, f"keeps {life:g} days once open")
            )
    return out


def _digs(plan: Plan) -> list[Task]:
    row = plan.context.evidence[DIG]
    assert row.low is not None and row.high is not None
    dug = {(r.field, r.seq) for r in plan.context.season.roots}
    out: list[Task] = []
    for p in plan.plantings:
        drop = p.planting.planted_to or p.planting.planted_from
        if not p.planted or drop is None or (p.planting.field, p.planting.seq) in dug:
            continue
        end = drop + timedelta(days=row.high)
        if end < plan.context.now - A_MONTH:
            continue
        out.append(
            Task(
                "roots",
                _growers([p], plan),
                f"{p.planting.field}/{p.planting.seq}",
                "Dig plants with a spade and look at the roots.",
                end,
                f"{row.low:g} to {row.high:g} days after planting, {row.grade}",
            )
        )
    return sorted(out, key=lambda t: t.by or plan.context.now)


def _undecided(plan: Plan) -> list[Task]:
    season = plan.context.season
    told = {d.item for d in season.dispositions}
    planned = {p.batch for p in season.plantings}
    parts = {e.item: e.parts for e in season.events if e.parts}
    out: list[Task] = []
    for b in season.batches:
        going = {b.batch, *parts.get(b.batch, ())} & planned
        if b.batch in told:
            continue
        if b.origin in ("returned", "carried_over"):
            what = "Say what becomes of it: planted, treated again, or disposed by local law."
            why = b.origin.replace("_", " ")
        elif not going and not any(b.batch in other.parents for other in season.batches):
            what, why = "No planting names this seed: say where it goes.", "not planned"
        elif going and all(p.planted for p in plan.plantings if p.planting.batch in going):
            what = "All its fields are planted: say what became of what was left."
            why = "never food, feed or oil"
        else:
            continue
        out.append(Task("undecided", b.owner or "", b.batch, what, _needed(b.needed_by, plan), why))
    return out


def _needed(day: date | None, plan: Plan) -> datetime | None:
    return None if day is None else day_end(day, plan.context.zone)
