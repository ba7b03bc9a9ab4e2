"""What the report says of each batch: its answer, its ledger, how warm it was."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from rhizoledger.evidence import GRADES
from rhizoledger.plan.batch_answer import BatchAnswer
from rhizoledger.plan.clock import spoken
from rhizoledger.plan.ledger import Entry
from rhizoledger.plan.season_plan import Plan
from rhizoledger.plan.warmth import Warmth, warmth
from rhizoledger.report.blocks import (
    Block,
    Cell,
    Figure,
    Heading,
    Paragraph,
    Points,
    Table,
)
from rhizoledger.report.charts import (
    LedgerStep,
    TemperatureFigure,
    ledger_figure,
    temperature_figure,
)
from rhizoledger.report.counted import count_sentence
from rhizoledger.report.numbers import (
    cells,
    day,
    large,
    odds,
    raised,
    time_left,
)
from rhizoledger.report.words import LIMITS, STEPS, part
from rhizoledger.units import from_celsius

LEAST_SHARE = 0.01


def batches_table(plan: Plan) -> list[Block]:
    """Every batch in one table."""
    c = plan.context
    rows = tuple(
        (
            b.name,
            b.facts.batch.crop,
            b.facts.batch.owner or "",
            day(b.window.at, c.zone) if b.window else None,
            LIMITS.get(b.window.by, b.window.by) if b.window else "",
            time_left(b.window.at, c.now) if b.window else "",
            cells(b.at_drop.cells),
            _chance(b),
        )
        for b in plan.batches
    )
    columns = ("Batch", "Crop", "Owner", "Plant by", "Set by", "Left", "Live cells a seed at drop",
               "Chance of enough")  # fmt: skip
    return [Table("Batches", "Every batch", columns, rows)]


def _chance(b: BatchAnswer) -> str:
    p = b.at_drop.p
    if p is None:
        return "not stated"
    return odds(p, at_least=b.at_drop.book.worse.at_least)


def batch_blocks(plan: Plan, b: BatchAnswer, index: int) -> list[Block]:
    """One batch: answer, reasons, ledger, temperature."""
    zone, at = plan.context.zone, b.at_drop
    out: list[Block] = [Heading(f"Batch {b.name}", 3, f"batch-{index}")]
    if b.window is not None:
        past = " That time is past." if b.window.at < plan.context.now else ""
        answer = f"Plant by {day(b.window.at, zone)}; {b.window.says}.{past}"
        out += [Paragraph(answer, "answer"), Paragraph(f"That assumes it is {b.if_stored}.")]
    else:
        out.append(
            Paragraph("How long it may wait is not known: no label, tag or test says it.", "answer")
        )
    out.append(Points(tuple(_batch_reasons(b))))
    steps = tuple(_steps(b, plan))
    if steps:
        need = b.requirement_log10
        says = f"Live cells a seed of batch {b.name}, step by step; each dot is one in twenty."
        table = _ledger_table(b, plan)
        out.append(Figure(f"ledger-{index}", ledger_figure(steps, need), says, table))
    warm = warmth(b.facts, at.moment, plan.context)
    if warm is not None:
        out += _warm_blocks(b, warm, plan, index)
    return out


def _batch_reasons(b: BatchAnswer) -> Iterable[str]:
    at, r = b.at_drop, b.facts.requirement
    if r is not None:
        yield f"The requirement is {large(r.cells_per_seed)} live cells a seed ({r.source})."
    yield f"At seed drop: {cells(at.cells)} live cells a seed, by plate count."
    if at.p is not None:
        said = odds(at.p, at_least=at.book.worse.at_least)
        yield f"Chance that enough arrive: {said}."
        if at.p_low is not None and at.p_high is not None:
            low, high = odds(at.p_low), odds(at.p_high)
            if low != high:
                yield f"Read otherwise, the same evidence gives {low} to {high}."
        if at.p_better is not None and odds(at.p_better) != odds(at.p):
            best = odds(at.p_better)
            yield f"That holds the gaps in the record at their worse end; at best {best}."
    elif at.why_no_p:
        yield f"The chance is not stated: {at.why_no_p.rstrip('.')}."
    shares = sorted(b.ledger.spread_from.items(), key=lambda kv: -kv[1])
    said = ", ".join(f"{part(n)} {round(100 * x)} %" for n, x in shares if x >= LEAST_SHARE)
    if said:
        yield f"Where the spread comes from: {said}."
    for x in b.limits:
        if x is not b.window:
            yield f"Another limit: {x.says}."


def _steps(b: BatchAnswer, plan: Plan) -> Iterable[LedgerStep]:
    entries = b.ledger.entries
    zero = b.facts.treated_at or entries[0].start
    for e in entries:
        grades = [plan.context.evidence[i].grade for i in e.parameters]
        worst = max(grades, key=GRADES.index) if grades else None
        count = None
        v = e.balance
        if e.step == "count" and None not in (v.value, v.low, v.high):
            count = (v.value or 0.0, v.low or 0.0, v.high or 0.0)
        yield LedgerStep(
            STEPS.get(e.step, e.step),
            _elapsed(e.end - zero),
            e.dots,
            v.high if v.value is None else None,
            worst,
            count,
        )


def _elapsed(span: timedelta) -> str:
    hours = span / timedelta(hours=1)
    if hours < 0:
        return "before"
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.1f} d"


def _ledger_table(b: BatchAnswer, plan: Plan) -> Table:
    zone = plan.context.zone
    rows = tuple(
        (
            STEPS.get(e.step, e.step),
            _span(e.start, e.end, zone),
            _kept(e),
            cells(e.balance),
            _above(e, b.requirement_log10),
            _why(e),
        )
        for e in b.ledger.entries
    )
    columns = ("Step", "When", "Lives on", "Live cells a seed", "Dots that are enough", "Why")
    return Table("Ledger", f"Ledger of {b.name}", columns, rows, about=b.name, folded=True)


def _why(e: Entry) -> str:
    why = raised(e.why.rstrip("."))
    return why if e.met is None else f"{why}. {count_sentence(e)}".rstrip(".")


def _span(start: datetime, end: datetime, zone: ZoneInfo) -> str:
    begun = spoken(start, zone, starts=True)
    return begun if start == end else f"{begun} to {day(end, zone)}"


def _kept(e: Entry) -> str:
    moved = e.change
    if e.state != "quantified":
        return "not known"
    if moved.value is None or moved.value >= 0:
        return ""
    if moved.low is None or moved.high is None:
        return f"{100 * 10**moved.value:.0f} %"
    low, high = (f"{100 * 10**x:.0f}" for x in (moved.low, moved.high))
    return f"{100 * 10**moved.value:.0f} % ({low} to {high} %)"


def _above(e: Entry, need: float | None) -> str:
    if not e.dots or need is None:
        return ""
    return f"{sum(x >= need for x in e.dots)} of {len(e.dots)}"


def _warm_blocks(b: BatchAnswer, w: Warmth, plan: Plan, index: int) -> list[Block]:
    unit, zone = plan.context.season.settings.units.temperature, plan.context.zone

    def iso(t: datetime) -> str:
        return t.astimezone(zone).strftime("%Y-%m-%dT%H:%M")

    def degrees(c: float) -> float:
        return round(from_celsius(c, unit), 1)

    data = TemperatureFigure(
        tuple((iso(t), degrees(c)) for t, c in zip(w.at, w.temp_c, strict=True)),
        tuple((iso(s.start), iso(s.end), degrees(s.low_c), degrees(s.high_c)) for s in w.stretches),
        tuple((iso(t), r) for t, r in zip(w.at, w.rate, strict=True) if r is not None),
        tuple(
            (iso(s.start), iso(s.end), s.low_rate, s.high_rate)
            for s in w.stretches
            if s.low_rate is not None and s.high_rate is not None
        ),
        tuple((iso(a), iso(z), STEPS.get(name, name.replace("_", " "))) for a, z, name in w.places),
        f"°{unit}",
        "product" if w.of_product else "air",
    )
    says = f"How warm batch {b.name} was on the seed, and how fast cells were lost."
    table = _warm_table(b, w, plan)
    out: list[Block] = [
        Figure(f"warmth-{index}", temperature_figure(data), says, table),
    ]
    if w.at_once is not None:
        kept = 100 * 10**-w.at_once
        out.append(
            Paragraph(
                f"Not in the lower curve: what is lost at once on drying. At the middle of the "
                f"evidence {kept:.0f} % live through it; how much falls then is an assumption "
                "between none and all of the published loss.",
                "aside",
            )
        )
    return out


def _warm_table(b: BatchAnswer, w: Warmth, plan: Plan) -> Table:
    unit, zone = plan.context.season.settings.units.temperature, plan.context.zone
    rows: list[tuple[Cell, ...]] = []
    for a, z, place in w.places:
        inside = [(c, r) for t, c, r in zip(w.at, w.temp_c, w.rate, strict=True) if a <= t <= z]
        bounds = [s for s in w.stretches if s.start < z and s.end > a]
        temps = [c for c, _ in inside] + [x for s in bounds for x in (s.low_c, s.high_c)]
        rates = [r for _, r in inside if r is not None]
        rates += [x for s in bounds for x in (s.low_rate, s.high_rate) if x is not None]
        if not temps:
            continue
        low, high = from_celsius(min(temps), unit), from_celsius(max(temps), unit)
        lost = None if not rates else f"{_daily(min(rates))} to {_daily(max(rates))}"
        rows.append(
            (
                place.replace("_", " "), _span(a, z, zone), len(inside),
                f"{low:.0f} to {high:.0f}", lost,
            )
        )  # fmt: skip
    columns = ("Where", "When", "Readings", f"°{unit}", "Lost a day after drying")
    caption = f"Temperature and loss of {b.name}"
    return Table("Temperature", caption, columns, tuple(rows), (2,), b.name, folded=True)


def _daily(rate: float) -> str:
    """Share lost in a day at a rate in log10 per day."""
    return f"{100 * (1 - 10**-rate):.0f} %"
