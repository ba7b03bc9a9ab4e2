"""``plan why``: one batch's ledger or one field's answer, in sentences."""

from __future__ import annotations

from zoneinfo import ZoneInfo

from rhizoledger.plan.batch_answer import BatchAnswer
from rhizoledger.plan.clock import spoken
from rhizoledger.plan.field_answer import FieldAnswer
from rhizoledger.plan.ledger import Entry
from rhizoledger.plan.season_plan import Plan
from rhizoledger.plan.spoken import grouped
from rhizoledger.report.counted import count_sentence
from rhizoledger.report.numbers import cells, figures, money, odds
from rhizoledger.report.words import STEPS, VERDICTS, part

LEAST_SHARE = 0.01
"""Shares of the spread below this are not worth a word."""


def why_sentences(plan: Plan, name: str) -> list[str]:
    """The sentences that explain a batch or a field.

    Raises
    ------
    NotFoundError
        If the plan has neither a batch nor a field of that name.
    """
    batch, fields = plan.find(name)
    out: list[str] = []
    if batch is not None:
        out += _batch(plan, batch)
    for f in fields:
        out += _field(plan, f)
    return out


def _batch(plan: Plan, b: BatchAnswer) -> list[str]:
    zone = plan.context.zone
    at, ledger = b.at_drop, b.ledger
    out = []
    if b.window is not None:
        when = spoken(b.window.at, zone)
        out.append(f"Plant batch {b.name} by {when}: {b.window.says}; {b.if_stored}.")
    else:
        out.append(f"How long batch {b.name} may wait is not known: no label, tag or test says it.")
    if b.requirement_log10 is not None:
        need = grouped(10**b.requirement_log10)
        source = b.facts.requirement.source if b.facts.requirement else ""
        out.append(f"The requirement is {need} live cells a seed ({source}).")
    if at.p is not None:
        said = odds(at.p, at_least=at.book.worse.at_least)
        out.append(f"The chance that enough arrive: {said}.")
        if at.p_better is not None and odds(at.p_better) != odds(at.p):
            other = odds(at.p_better)
            out.append(f"That is with the gaps in the record at their worse end; {other} at best.")
        if at.share_meeting is not None:
            out.append(
                f"Of single seeds {odds(at.share_meeting)} would carry enough, as far as an "
                "assumed variation from seed to seed tells."
            )
    elif at.why_no_p:
        out.append(f"The chance is not stated: {at.why_no_p.rstrip('.')}.")
    out += [_entry(e, zone) for e in ledger.entries]
    out.append(f"At seed drop: {cells(at.cells)} live cells a seed, by plate count.")
    shares = sorted(ledger.spread_from.items(), key=lambda kv: -kv[1])
    if shares:
        said = ", ".join(f"{part(n)} {round(100 * x)} %" for n, x in shares if x >= LEAST_SHARE)
        out.append(f"Where the spread comes from: {said}.")
    for x in b.limits:
        if x is not b.window:
            out.append(f"Another limit: {x.says} ({spoken(x.at, zone)}).")
    for p in plan.plantings:
        if p.planting.batch == b.name:
            place = f"{p.planting.field}/{p.planting.seq}"
            said = "already planted" if p.planted else VERDICTS[p.verdict.word]
            out.append(f"In field {place}: {said}. {' '.join(p.verdict.reasons)}")
    if b.worst_grade:
        out.append(f"Worst grade of the evidence used: {b.worst_grade}.")
    return out


def _entry(e: Entry, zone: ZoneInfo) -> str:
    start = spoken(e.start, zone, starts=True)
    head = f"{start}, {STEPS.get(e.step, e.step)}: {e.why.rstrip('.')}."
    if e.state != "quantified":
        return f"{head} Not quantified; the balance is {cells(e.balance)}."
    if e.met is not None:
        return f"{head} {count_sentence(e)}"
    moved = e.change.value
    lost = ""
    if moved is not None and moved < 0 and e.change.low is not None and e.change.high is not None:
        kept = [round(100 * 10**x) for x in (e.change.low, e.change.high)]
        lost = f" About {100 * 10**moved:.0f} % live on ({kept[0]} to {kept[1]} %)."
    return f"{head}{lost} Balance {cells(e.balance)}."


def _field(plan: Plan, f: FieldAnswer) -> list[str]:
    unit = plan.context.season.settings.units.yield_
    area = plan.context.season.settings.units.area
    out = [
        f"Field {f.field.field}, {f.crop or 'crop not written down'}: {VERDICTS[f.verdict.word]}."
    ]
    out += list(f.verdict.reasons)
    if f.gain.value is not None and f.gain.low is not None and f.gain.high is not None:
        out.append(
            f"A field like this gains about {figures(f.gain.value)} {unit} "
            f"(90 %: {figures(f.gain.low)} to {figures(f.gain.high)}): {f.gain.method}."
        )
    else:
        out.append(f"Gain: not known ({f.gain.method}).")
    if f.cost_per_area is not None:
        out.append(f"It costs {money(f.cost_per_area)} per {area} ({f.cost_how}).")
    if f.break_even is not None:
        out.append(f"It pays from a gain of {figures(f.break_even)} {unit}.")
    if f.p_pays is not None:
        folds = ", ".join(f"{k}-fold {odds(p)}" for k, p in (f.p_pays_k or {}).items())
        out.append(f"Chance that it pays: {odds(f.p_pays)}; that it pays {folds}.")
        ends = f"{money(f.net.low)} to {money(f.net.high)}"
        out.append(f"Net per {area}: {money(f.net.value)} (90 %: {ends}).")
    out.append(f.dose)
    for t in f.worth_testing:
        by = f" by {t.needed_by}" if t.needed_by else ""
        worth = f"worth about {grouped(t.value)}, " if t.value is not None else ""
        out.append(f"Worth finding out: {t.what}{by}; {worth}{t.note}.")
    for r in f.rules:
        out.append(f"A published rule points to {r.points_to}: {r.says} ({r.source})")
    if f.worst_grade:
        out.append(f"Worst grade of the evidence used: {f.worst_grade}.")
    return out
