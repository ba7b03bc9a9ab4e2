"""The order of the treating runs still ahead, from a season folder."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from pathlib import Path
from typing import Any

from rhizoledger.errors import InputError, Problem, UnitError
from rhizoledger.evidence.facts import cautions_for
from rhizoledger.plan.batch_facts import batch_facts
from rhizoledger.plan.clock import local_text
from rhizoledger.plan.context import Context
from rhizoledger.plan.order import Cleanouts, Placed, RunOrder, first_moment, refuse_past, run_order
from rhizoledger.plan.order_runs import (
    Ahead,
    Machine,
    ahead_of,
    in_the_machine,
    limit_if_treated,
    pace_so_far,
    run_minutes,
    to_be_treated,
)
from rhizoledger.plan.order_weights import Weights, chosen_weights
from rhizoledger.plan.work_time import Shifts, parse_days, parse_hours
from rhizoledger.season.findings import Findings, nearest
from rhizoledger.season.one_table import read_table
from rhizoledger.season.times import parse_date, parse_time, to_utc
from rhizoledger.treating.rates import measured
from rhizoledger.workflows.plan import season_context

CLEANOUTS = "cleanouts.csv"
READY = "ready_on"
CAUTIONS = ("label_first", "not_food")
FLOW_REMEDY = 'Write it as "600 lb/min", "12 t/h" or "200 kg/min".'
FASTEST_STEP, SLOWEST_STEP = 5, 60
NOTABLE = 1.25
"""Runs so far this much slower or quicker than reckoned are spoken of."""


@dataclass(frozen=True, slots=True)
class Shop:
    """How the shop works; what is None is taken from the season or from the weights' defaults."""

    hours: str = "8-18"
    days: str = "mon-sat"
    closed: tuple[str, ...] = ()
    seed_flow: str | None = None
    pace: float = 1.0
    refill_min: float = 10.0
    cleanout_min: float = 30.0
    spread_days: float = 2.0
    unknown_window_h: float = 24.0
    step_min: int = 15
    late_per_hour: float | None = None
    cleanout_per_min: float | None = None
    reinoculate: float | None = None


def treat_order_folder(
    folder: Path, *, start: str | None = None, as_of: str | None = None, shop: Shop | None = None
) -> dict[str, Any]:
    """The order of the runs still ahead, its costs, and what was assumed.

    Parameters
    ----------
    folder : Path
        The season; ``cleanouts.csv`` in it gives minutes between recipes.
    start : str, optional
        The first day, ISO; the day after the as-of day if not given.
    as_of : str, optional
        The day that the answer is for, ISO.
    shop : Shop, optional
        Hours, pace, clean-outs and weights.

    Returns
    -------
    dict
        Ready for JSON; ``status`` is "best", "good" (with its gap), "impossible", or
        "none_found" where none was found and none is ruled out.

    Raises
    ------
    InputError
        With what cannot be used: folder, clean-outs, options, no batch to treat.
    """
    shop = Shop() if shop is None else shop
    _checked(shop)
    shifts = Shifts(
        parse_hours(shop.hours),
        parse_days(shop.days),
        frozenset(_day("--closed", text) for text in shop.closed),
    )
    context = season_context(folder, as_of)
    first = context.now
    if start is not None:
        day = _day("--from", start)
        refuse_past(day, context.now, context.zone)
        first = first_moment(day, context.zone)
    machine, flow_from = _machine(shop, context)
    waiting, left_out = to_be_treated(context)
    if not waiting:
        why = "".join(f" {x.batch}: {x.why}." for x in left_out)
        raise InputError(
            f"No batch is left to treat after {context.as_of}.{why} Batches of origin own_run or "
            "custom with a recipe and no row in treatments are; ask of an earlier day with --as-of."
        )
    times = _minutes(waiting, machine)
    weights = chosen_weights(
        waiting,
        context,
        late_per_h=shop.late_per_hour,
        cleanout_per_min=shop.cleanout_per_min,
        again=shop.reinoculate,
    )
    ready = _ready_on(context)
    runs = [
        ahead_of(
            facts, run, times[facts.batch.batch], context,
            start=first, spread_days=shop.spread_days, unknown_window_h=shop.unknown_window_h,
            weights=weights, ready_on=ready,
        )
        for facts, run in waiting
    ]  # fmt: skip
    cleanouts, from_file = _cleanouts(folder, shop, context)
    before = in_the_machine(context)
    found = run_order(
        runs,
        shifts,
        cleanouts,
        first=first,
        zone=context.zone,
        in_machine=before,
        per_min=weights.cleanout_per_min,
        step_min=shop.step_min,
    )
    return {
        "season": context.season.settings.name,
        "as_of": context.as_of.isoformat(),
        "status": _status(found),
        "runs": [_run(i, p, context) for i, p in enumerate(found.placed, 1)],
        "overruns": [
            {
                "batch": o.batch,
                "ends": local_text(o.end, context.zone),
                "must_end_by": local_text(o.deadline, context.zone),
                "hours": o.hours,
                "because": o.says,
                "even_alone": o.alone,
            }
            for o in found.overruns
        ],
        "left_out": [{"batch": x.batch, "why": x.why} for x in left_out],
        "cost": _cost(found, weights),
        "assumed": {
            "hours": shop.hours,
            "days": shop.days,
            "closed": list(shop.closed),
            "first_moment": local_text(first, context.zone),
            "looked_ahead_to": found.last_day.isoformat(),
            "step_min": shop.step_min,
            "seed_flow": flow_from,
            "pace": shop.pace,
            "pace_so_far": _pace(context, machine),
            "refill_min": shop.refill_min if any(r.fills for r in runs) else None,
            "cleanouts": from_file,
            "cleanout_min": shop.cleanout_min,
            "in_the_machine": before,
            "spread_days": shop.spread_days,
            "unknown_window_h": (
                None if all(r.window.known for r in runs) else shop.unknown_window_h
            ),
        },
        "notes": _notes(runs),
        "cautions": [
            c.sentence
            for c in cautions_for(context.season.settings.country, "run")
            if c.id in CAUTIONS
        ],
    }


def _notes(runs: Sequence[Ahead]) -> list[str]:
    """Each note once, after the batches it is about."""
    about: dict[str, list[str]] = {}
    for r in runs:
        for note in r.notes:
            about.setdefault(note, []).append(r.batch.batch)
    return [f"{', '.join(names)}: {note}." for note, names in about.items()]


def _checked(shop: Shop) -> None:
    for name, value, least in (
        ("--cleanout-min", shop.cleanout_min, 0.0),
        ("--refill-min", shop.refill_min, 0.0),
        ("--spread-days", shop.spread_days, 0.0),
        ("--unknown-window", shop.unknown_window_h, 0.0),
    ):
        if not least <= value < float("inf"):
            raise InputError(f"{name} {value:g} is no time. Give zero or more.")
    if not 0 < shop.pace < float("inf"):
        raise InputError(f"--pace {shop.pace:g} is no factor. Give a number above zero.")
    if not FASTEST_STEP <= shop.step_min <= SLOWEST_STEP:
        raise InputError(
            f"--step-min {shop.step_min} cannot be used. Give {FASTEST_STEP} to {SLOWEST_STEP}."
        )


def _day(option: str, text: str) -> date:
    day = parse_date(text)
    if day is None:
        raise InputError(
            f"{option} {text!r} is not a date. Write it as year-month-day, for example 2027-05-10."
        )
    return day


def _machine(shop: Shop, context: Context) -> tuple[Machine, str]:
    text = shop.seed_flow or context.season.settings.seed_flow
    where = "--seed-flow" if shop.seed_flow else "season.toml, [treater] seed_flow"
    if not text:
        raise InputError(
            "How much seed goes through the machine is not written down, so no run has a length. "
            f"Give seed_flow under [treater] in season.toml, or --seed-flow. {FLOW_REMEDY}"
        )
    number, _, unit = text.strip().partition(" ")
    mass, _, time = unit.partition("/")
    minutes = {"min": 1.0, "minute": 1.0, "h": 60.0, "hour": 60.0}.get(time.strip())
    try:
        flow = float(number)
        grams, kind = measured(1.0, mass.strip())
    except (ValueError, UnitError) as error:
        raise InputError(f"{where} {text!r} is no flow of seed. {FLOW_REMEDY}") from error
    if minutes is None or kind != "g":
        raise InputError(f"{where} {text!r} is no flow of seed. {FLOW_REMEDY}")
    if not 0 < flow < float("inf"):
        raise InputError(f"{where} {text!r} moves no seed. {FLOW_REMEDY}")
    tank_l = context.season.settings.tank_l
    tank_ml = tank_l * 1000 if tank_l else None
    return Machine(flow * grams / 1000 / minutes, shop.pace, tank_ml, shop.refill_min), text


def _minutes(waiting: Sequence[Any], machine: Machine) -> dict[str, tuple[float, int, int]]:
    problems, out = [], {}
    for facts, run in waiting:
        minutes, passes, fills = run_minutes(facts, run, machine)
        if minutes is None:
            b = facts.batch
            what = f"The mass of {b.batch} is not known, so its run has no length."
            remedy = "Give quantity in kg or lb, or what a bag or unit of it weighs."
            problems.append(Problem("batches.csv", b.row, "quantity", None, what, remedy))
        else:
            out[facts.batch.batch] = (minutes, passes, fills)
    if problems:
        raise InputError(problems)
    return out


def _ready_on(context: Context) -> dict[str, date | datetime]:
    """The column ``ready_on`` of batches, where there is one: when seed is at hand."""
    rows: Mapping[int, Mapping[str, str]] = context.season.extra.get("batches", {})
    findings, out = Findings(), {}
    for batch in context.batches.values():
        text = rows.get(batch.row, {}).get(READY, "").strip()
        if not text:
            continue
        when: date | datetime | str | None = parse_date(text) or parse_time(text)
        if isinstance(when, datetime):
            when = to_utc(when, context.zone)
        if when is None or isinstance(when, str):
            what = f"The clock change makes this a {when} hour." if when else "This is no date."
            remedy = "Write 2027-05-10 or 2027-05-10T14:30, with its offset where clocks change."
            findings.error("batches.csv", batch.row, READY, text, what, remedy)
        else:
            out[batch.batch] = when
    if findings.has_errors():
        raise InputError(findings.in_order())
    return out


def _cleanouts(folder: Path, shop: Shop, context: Context) -> tuple[Cleanouts, bool]:
    items: dict[str, frozenset[str]] = {}
    for step in context.season.recipes:
        items[step.recipe] = items.get(step.recipe, frozenset()) | {step.item}
    path = folder / CLEANOUTS
    if not path.is_file():
        return Cleanouts({}, shop.cleanout_min, items), False
    table = read_table(path)
    findings = Findings()
    given: dict[tuple[str, str], float] = {}
    both = zip(
        table.row_numbers(),
        table.texts("from_recipe"),
        table.texts("to_recipe"),
        table.numbers("minutes"),
        strict=True,
    )
    for row, before, after, minutes in both:
        for column, name in (("from_recipe", before), ("to_recipe", after)):
            if name not in items:
                what = "This is no recipe of the season."
                remedy = nearest(name, tuple(items))
                findings.error(CLEANOUTS, row, column, name, what, remedy)
        if minutes is None:
            what = "Minutes are missing."
            findings.error(CLEANOUTS, row, "minutes", "", what, "Write them, 0 for none.")
        elif minutes < 0:
            what = "Minutes may not be negative."
            findings.error(CLEANOUTS, row, "minutes", f"{minutes:g}", what, "Write 0 or more.")
        elif given.setdefault((before, after), minutes) != minutes:
            what = f"{before} to {after} stands above with other minutes."
            findings.error(CLEANOUTS, row, "minutes", f"{minutes:g}", what, "Keep one row.")
    if findings.has_errors():
        raise InputError(findings.in_order())
    return Cleanouts(given, shop.cleanout_min, items), True


def _pace(context: Context, machine: Machine) -> dict[str, Any] | None:
    """How runs went so far, where that is far from what is reckoned."""
    so_far = pace_so_far(context, machine)
    if so_far is None or 1 / NOTABLE <= so_far[0] / machine.pace <= NOTABLE:
        return None
    return {"factor": so_far[0], "runs": so_far[1]}


def _status(found: RunOrder) -> str:
    if found.overruns:
        return "impossible" if found.sure else "none_found"
    return "best" if found.result.proved else "good"


def _run(place: int, p: Placed, context: Context) -> dict[str, Any]:
    a: Ahead = p.ahead
    limit = limit_if_treated(batch_facts(a.batch, context), p.start, context)
    return {
        "place": place,
        "batch": a.batch.batch,
        "crop": a.batch.crop,
        "owner": a.batch.owner,
        "recipe": a.recipe,
        "quantity": a.batch.quantity,
        "quantity_unit": a.batch.quantity_unit,
        "start": local_text(p.start, context.zone),
        "end": local_text(p.end, context.zone),
        "minutes": a.minutes,
        "passes": a.passes,
        "refills": a.fills,
        "cleanout_min": p.cleanout_min,
        "cleanout_from": p.cleanout_from,
        "not_before": a.release_says,
        "plant_by": None if limit is None else local_text(limit.at, context.zone),
        "plant_by_says": "" if limit is None else limit.in_the_shop,
        "window_hours": a.window.hours,
        "window_known": a.window.known,
        "plantings": [
            {
                "planting": d.name,
                "on": local_text(d.at, context.zone),
                "spread_days": d.sd_h / 24,
                "share": d.share,
                "late_per_hour": d.late_per_h,
                "reinoculate": d.again,
            }
            for d in a.dues
        ],
        "hours_late": p.hours_late,
        "chance_late": p.chance_late,
        "chance_window_closed": p.chance_closed,
        "cost": {"late": p.late_cost, "cleanout": p.cleanout_cost, "reinoculate": p.again_cost},
    }


def _cost(found: RunOrder, weights: Weights) -> dict[str, Any]:
    placed = found.placed
    finite = bool(placed)
    return {
        "unit": weights.unit,
        "late": sum(p.late_cost for p in placed),
        "cleanout": sum(p.cleanout_cost for p in placed),
        "reinoculate": sum(p.again_cost for p in placed),
        "whole": found.cost if finite else None,
        "greedy": found.result.greedy if finite and found.result.greedy < float("inf") else None,
        "least": found.result.least if finite else None,
        "gap": found.result.gap if finite else None,
        "late_per_hour": weights.late_per_h,
        "cleanout_per_min": weights.cleanout_per_min,
        "reinoculate_batch": weights.again,
    }
