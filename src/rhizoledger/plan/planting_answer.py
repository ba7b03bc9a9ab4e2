"""Each planting: what arrives, what it would mean if too little does, and what to do."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

from rhizoledger.estimate import Estimate
from rhizoledger.fields.history import history
from rhizoledger.plan.batch_answer import At, BatchAnswer, batch_at, fine_enough, standing
from rhizoledger.plan.batch_facts import BatchFacts
from rhizoledger.plan.clock import NOON, day_end, moment, spoken
from rhizoledger.plan.context import Context, same_crop
from rhizoledger.plan.furrow_answer import FurrowAnswer
from rhizoledger.plan.market import kg_ha_per_unit, price_per_gain
from rhizoledger.plan.runs import RunAnswer
from rhizoledger.plan.verdict import (
    Arrival,
    Consequence,
    Standing,
    Verdict,
    judge_arrival,
    judge_planting,
)
from rhizoledger.records import Field, Planting


@dataclass(frozen=True, slots=True)
class PlantingAnswer:
    """Everything the plan says of one planting."""

    planting: Planting
    consequence: Consequence
    arrival: Arrival
    verdict: Verdict
    at: At | None
    cost_of_waiting: Estimate | None
    furrow: tuple[FurrowAnswer, ...]
    planted: bool


def drop_time(p: Planting, context: Context) -> datetime:
    """When the seed is dropped: as done where that is written down, else as planned (noon)."""
    return p.planted_to or moment(p.planned_on, context.zone, NOON)


def consequence_of(crop: str, field: Field | None, context: Context) -> Consequence:
    """What too few cells would mean in this field for this crop's host group."""
    if field is None:
        return "unknown"
    own = field.crop or next(
        (p.crop for p in context.season.plantings if p.field == field.field), crop
    )
    group = context.group_of(crop)
    if group is None or group != context.group_of(own):
        return "unknown"
    past = history(field.years_since_group)
    return "first_time" if past == "never" else past


def planting_answer(
    planting: Planting,
    field: Field | None,
    batch: BatchAnswer | None,
    run: RunAnswer | None,
    furrow: tuple[FurrowAnswer, ...],
    context: Context,
) -> PlantingAnswer:
    """Judge one planting by SEASON's rules, with the sentences that explain it."""
    wanted = context.season.settings.probability
    consequence = consequence_of(planting.crop, field, context)
    drop = drop_time(planting, context)
    at: At | None = None
    if batch is None:
        s = Standing(None, None, None, False, "", True, "")
        arrival: Arrival = "fails"
        sentence = "This seed carries no inoculant."
    else:
        named = replace(batch.facts.batch, batch=planting.batch or batch.name)
        facts = replace(batch.facts, batch=named)
        at = batch_at(facts, drop, fine_enough(facts, drop, context), brief=True)
        s = standing(at, batch.limits, batch.facts)
        arrival, sentence = judge_arrival(s, wanted)
    unknown = _unknown_group(planting, batch.facts if batch else None, context)
    stops = [s.sentence for s in run.stops] if run is not None else []
    if batch is not None and batch.facts.wrong_group:
        stops.append(batch.facts.wrong_group)
    stops += [f.wrong_group for f in furrow if f.wrong_group]
    stop = stops[0] if stops else ""
    can = _may_re_inoculate(planting.crop, batch, run, drop, context)
    word = judge_planting(
        arrival, consequence, stop=stop, unknown_group=unknown, may_re_inoculate=can
    )
    reasons = _reasons(word, arrival, sentence, stop, unknown, consequence, s, batch, context)
    actions = (
        _actions_afterwards(arrival)
        if is_planted(planting, context)
        else _actions(word, arrival, batch, furrow, context)
    )
    waiting = _cost_of_waiting(planting.crop, context)
    return PlantingAnswer(
        planting,
        consequence,
        arrival,
        Verdict(word, reasons, actions),
        at,
        waiting,
        furrow,
        is_planted(planting, context),
    )


def _unknown_group(planting: Planting, facts: BatchFacts | None, context: Context) -> str:
    if context.group_of(planting.crop) is None:
        return f"The host group of {planting.crop} is not known here: ask which rhizobia it needs."
    if facts is not None and not same_crop(facts.batch.crop, planting.crop):
        other = facts.batch.crop
        return f"The planting says {planting.crop} and its batch is {other}: mend one of the two."
    for a in facts.applied if facts is not None else ():
        if a.group is None:
            what = f"The host group {a.inoculant.host_group!r} of {a.inoculant.inoculant}"
            return f"{what} is not known here: read off the label which crops it serves."
    return ""


def _may_re_inoculate(
    crop: str,
    batch: BatchAnswer | None,
    run: RunAnswer | None,
    drop: datetime,
    context: Context,
) -> bool:
    """Whether tag and label leave room for inoculant alone on this seed (§3.3).

    A tag that does not say so is taken as no; bare seed may always be inoculated. A second wetting
    counts against the liquid limit, and a lot of the right group must be in date.
    """
    if batch is not None and batch.facts.batch.origin not in ("own_run", "custom"):
        return False
    if (
        batch is not None
        and batch.facts.stack is not None
        and batch.facts.stack.state == "forbidden"
    ):
        return False
    if run is not None and not run.room_for_inoculant():
        return False
    for lot in context.season.lots:
        inoculant = context.inoculants[lot.inoculant]
        right = context.group_served(inoculant) == context.group_of(crop)
        in_date = day_end(lot.expires_on, context.zone) >= drop
        if right and in_date and "seed" in inoculant.placements:
            return True
    return False


def _reasons(
    word: str,
    arrival: Arrival,
    sentence: str,
    stop: str,
    unknown: str,
    consequence: Consequence,
    s: Standing,
    batch: BatchAnswer | None,
    context: Context,
) -> tuple[str, ...]:
    if word == "stop":
        return (stop,)
    if word == "not_known":
        return (unknown,)
    ground = {
        "first_time": "This crop's rhizobia have never been in this field: dead seed would fail.",
        "unknown": "The field's history is not known, so it is treated as first-time ground.",
        "history": "This crop's rhizobia were in this field before, so the planter need not wait.",
    }[consequence]
    out = [sentence, ground]
    if arrival == "fails" and consequence == "history":
        out.append("What inoculating would have added here is lost.")
    if batch is not None and s.p is None and s.window_open and not s.window_closed:
        limit = batch.window
        if limit is not None:
            out.append(f"Limit: {limit.says} ({spoken(limit.at, context.zone)}).")
    return tuple(out)


def is_planted(planting: Planting, context: Context) -> bool:
    """Whether the seed is in the ground: what can be done is no longer what could have been."""
    done = planting.planted_from or planting.planted_to
    return done is not None and done <= context.now


def _actions_afterwards(arrival: Arrival) -> tuple[str, ...]:
    if arrival == "meets":
        return ("Planted.",)
    return ("Already planted: dig plants early to see whether nodules form.",)


def _actions(
    word: str,
    arrival: Arrival,
    batch: BatchAnswer | None,
    furrow: tuple[FurrowAnswer, ...],
    context: Context,
) -> tuple[str, ...]:
    backed = "Put a second, in-furrow dose of the right inoculant down in the same pass."
    if any(f.backs_up for f in furrow):
        backed = "The furrow dose already planned is that back-up."
    if word == "stop":
        return ("Do not plant this batch here as it is; read the label and ask who treated it.",)
    if word == "not_known":
        return ("Find out before planting; do not guess.",)
    if word == "re_inoculate" and batch is None:
        return (
            "Inoculate this bare seed with the right inoculant, inside its label.",
            "Let it dry, keep it shaded and plant the same day.",
        )
    if word == "re_inoculate":
        return (
            "Inoculate again with inoculant only, inside label and tag; never a second dose of a "
            "pesticide.",
            "Let it dry, keep it shaded and plant the same day.",
        )
    if word == "plant_and_back_up":
        later = (
            []
            if arrival == "fails"
            else ["Or count cells on a seed sample first, if there is time."]
        )
        return (backed, *later)
    if batch is not None and batch.window is not None and arrival == "meets":
        return (f"Plant by {spoken(batch.window.at, context.zone)}.",)
    if arrival != "meets":
        return ("Plant; dig plants early to see whether nodules form.",)
    return ("Plant.",)


def _cost_of_waiting(crop: str, context: Context) -> Estimate | None:
    """What a day of waiting costs per area: yield lost at the market's price (§4.6)."""
    settings = context.season.settings
    losses = settings.delay_loss_per_day
    loss = next((x for name, x in losses.items() if same_crop(name, crop)), None)
    if loss is None:
        return None
    unit = f"money/{settings.units.area}/d"
    source = settings.delay_source.get(crop, "as the season says")
    price = price_per_gain(crop, kg_ha_per_unit(crop, context), context)
    if price is None:
        return Estimate.not_known(unit, "needs a market price for this crop")
    return Estimate(loss * price, None, None, unit, method=f"yield lost at its price; {source}")
