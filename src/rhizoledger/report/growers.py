"""The grower's page: which boxes go where, until when, and what to do if it rains."""

from __future__ import annotations

from collections import defaultdict
from datetime import date, datetime, timedelta
from typing import Any

from rhizoledger.evidence.facts import cautions_for
from rhizoledger.plan.batch_answer import BatchAnswer
from rhizoledger.plan.delays import rained_out
from rhizoledger.plan.planting_answer import PlantingAnswer
from rhizoledger.plan.season_plan import Plan
from rhizoledger.plan.week import DIG
from rhizoledger.report.numbers import day
from rhizoledger.report.printed import harmless, shortened
from rhizoledger.report.run_sheets import RULE
from rhizoledger.report.typeset import Job, Paper
from rhizoledger.report.words import VERDICTS

IN_THE_FOOT = 40
"""Letters of a name that fit beside the plan's digest at the foot of a page."""
NOBODY = "Grower not written down"
SHADE = (
    "Keep boxes in the shade, cool and dry; take to the field what the day can plant. "
    "Never leave seed in the tender overnight or in a closed vehicle."
)
STRIP = {
    "history": "Check strip where the crop grew before: leave one pass of bare seed, the whole "
    "length, away from the edge. Plant it first, with a clean planter, and mark both ends.",
    "other": "Check strip on first-time ground: a few short rows of bare seed away from the edge "
    "show what the inoculant did. Expect them to turn yellow.",
}


def growers_job(plan: Plan, foot: str, paper: Paper) -> Job:
    """One page for each grower, in the order of the fields."""
    rules = [c.sentence for c in cautions_for(plan.context.season.settings.country, "grower")]
    fields = plan.context.season.fields
    grower = {f.field: f.grower or NOBODY for f in reversed(fields)}
    pages: dict[str, list[PlantingAnswer]] = defaultdict(list)
    for f in fields:
        pages[grower[f.field]] += []
    for p in plan.plantings:
        pages[grower.get(p.planting.field, NOBODY)].append(p)
    c = plan.context
    data = {
        "title": f"Growers' pages, {harmless(c.season.settings.name)}",
        "subtitle": harmless(f"{c.season.settings.name}, as of {day(c.as_of, c.zone)}"),
        "foot": foot,
        "paper": paper,
        "rule": RULE,
        "growers": [
            {
                "name": harmless(name),
                "short": shortened(harmless(name), IN_THE_FOOT),
                "fields": [
                    _field(p, plan)
                    for p in sorted(answers, key=lambda p: (p.planted, p.consequence == "history"))
                ],
                "rules": [SHADE, *_strips(answers), *(harmless(r) for r in rules)],
            }
            for name, answers in pages.items()
            if answers
        ],
    }
    return Job("growers.pdf", "growers.typ", data, plan.context.now)


def _strips(answers: list[PlantingAnswer]) -> list[str]:
    """Where to leave a check strip, for the kinds of ground this grower has."""
    kinds = {"history" if p.consequence == "history" else "other" for p in answers if not p.planted}
    return [STRIP[kind] for kind in STRIP if kind in kinds]


def _field(p: PlantingAnswer, plan: Plan) -> dict[str, Any]:
    row, zone = p.planting, plan.context.zone
    batch = next((b for b in plan.batches if p.at is not None and b.name == _origin(p, plan)), None)
    answer = VERDICTS[p.verdict.word]
    window = batch.window if batch is not None and not p.planted else None
    furrow = ""
    if p.verdict.word == "plant_and_back_up" or p.furrow:
        furrow = " ".join(p.verdict.actions) if p.verdict.word == "plant_and_back_up" else ""
        furrow = furrow or "; ".join(_furrow(f.why, f.application.lot) for f in p.furrow)
    return {
        "field": harmless(f"{row.field}/{row.seq}, {row.crop}"),
        "first_time": p.consequence == "first_time",
        "boxes": harmless(row.batch or "bare seed, no inoculant on it"),
        "on_seed": harmless(_on_seed(batch)),
        "answer": "Planted." if p.planted else f"{answer[0].upper()}{answer[1:]}.",
        "why": "" if p.planted else harmless(" ".join(p.verdict.reasons)),
        "plant_by": "" if window is None else f"Plant by {day(window.at, zone)}",
        "assumes": _assumes(batch) if batch is not None and not p.planted else "",
        "furrow": harmless(furrow),
        "delays": _delays(p, plan),
        "tag": harmless(_tag(batch)),
        "dig": _dig(row.planted_to or row.planned_on, plan),
    }


def _delays(p: PlantingAnswer, plan: Plan) -> list[dict[str, str]]:
    """One action for each delay; delays that end in the same action stand together."""
    out: list[tuple[list[int], str]] = []
    for d in rained_out(plan, p):
        action = harmless(_one_action(d.answer))
        if out and out[-1][1] == action:
            out[-1][0].append(d.days)
        else:
            out.append(([d.days], action))
    return [
        {"days": ", ".join(f"+{n}" for n in days) + " days", "action": action}
        for days, action in out
    ]


def _origin(p: PlantingAnswer, plan: Plan) -> str:
    name = p.planting.batch or ""
    for e in plan.context.season.events:
        if name in e.parts:
            return e.item
    return name


def _furrow(why: str, lot: str) -> str:
    return f"lot {lot}" + (f": {why}" if why else "")


def _assumes(b: BatchAnswer) -> str:
    """What sets the hour and the storage it counts on."""
    if b.window is None:
        return "How long this seed may wait is not known."
    return f"Set by: {b.window.in_the_shop}. If {b.if_stored}."


def _one_action(a: PlantingAnswer) -> str:
    said = a.verdict.actions[0] if a.verdict.actions else ""
    if a.verdict.word in ("plant", "re_inoculate", "stop"):
        return said
    answer = VERDICTS[a.verdict.word]
    return f"{answer[0].upper()}{answer[1:]}. {said}"


def _on_seed(b: BatchAnswer | None) -> str:
    if b is None:
        return "nothing"
    items = list(dict.fromkeys(s.item for s in b.facts.recipe))
    lots = [a.name for a in b.facts.applied if a.lot]
    if not items:
        return "not written down; read the tag" if not lots else f"inoculant lot {', '.join(lots)}"
    return ", ".join(items) + (f" (inoculant lot {', '.join(lots)})" if lots else "")


def _tag(b: BatchAnswer | None) -> str:
    """What the tag says, as far as it was written down."""
    if b is None:
        return ""
    batch = b.facts.batch
    said = []
    if batch.tag_use_by is not None:
        said.append(f"use by {batch.tag_use_by}")
    if batch.tag_cells_per_seed:
        said.append(f"{batch.tag_cells_per_seed:g} cells per seed")
    return "; ".join(said)


def _dig(planted: date | datetime, plan: Plan) -> str:
    row = plan.context.evidence[DIG]
    assert row.low is not None and row.high is not None
    first = (
        planted.astimezone(plan.context.zone).date() if isinstance(planted, datetime) else planted
    )
    ends = [first + timedelta(days=x) for x in (row.low, row.high)]
    zone = plan.context.zone
    return f"{day(ends[0], zone)} to {day(ends[1], zone)}, with a spade, ten plants or more."
