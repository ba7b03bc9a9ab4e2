"""The report: what a plan says, as blocks; first this week, then what is not known."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from rhizoledger.evidence import GRADES
from rhizoledger.evidence.facts import cautions_for, gaps
from rhizoledger.plan.batch_answer import BatchAnswer
from rhizoledger.plan.clock import spoken
from rhizoledger.plan.field_answer import FieldAnswer
from rhizoledger.plan.ledger import Entry
from rhizoledger.plan.planting_answer import PlantingAnswer
from rhizoledger.plan.season_plan import Plan
from rhizoledger.plan.warmth import Warmth, warmth
from rhizoledger.plan.week import Task, week
from rhizoledger.report.blocks import (
    Block,
    Cell,
    Document,
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
    money_figure,
    temperature_figure,
)
from rhizoledger.report.numbers import (
    amount,
    by_interval,
    cells,
    chance,
    day,
    figures,
    large,
    money,
    odds,
    raised,
    time_left,
    with_interval,
)
from rhizoledger.report.printed import harmless
from rhizoledger.report.words import ARRIVALS_AHEAD, GRADE_WORDS, LIMITS, STEPS, VERDICTS, part
from rhizoledger.units import from_celsius

GROUPS = {
    "clocks": "Clocks running",
    "before_treating": "Before treating",
    "roots": "Roots to look at",
    "undecided": "Not decided yet",
}
ORDER = {
    "clocks": "first-time fields on top, then by time left",
    "before_treating": "stops, seed size, dates, counts",
    "roots": "by date",
    "undecided": "as the tables list them",
}
NOTHING = {
    "clocks": "No seed is waiting for the planter.",
    "before_treating": "Nothing stands against treating what is planned.",
    "roots": "No planted field is due for a dig.",
    "undecided": "Nothing returned or left over is waiting for a decision.",
}
RESCUE = (
    "Rescue nitrogen has no date here: it is worth a thought only after a dig has shown that "
    "nodules failed and other causes are ruled out."
)
LEAST_SHARE = 0.01


def statement(plan: Plan, digest: str, version: str) -> Document:
    """The whole report of a plan.

    Parameters
    ----------
    plan : Plan
    digest : str
        Digest of ``plan.json``: which plan this page belongs to.
    version : str
        Version of the program.
    """
    blocks: list[Block] = [
        *_week(plan),
        *_not_known(plan),
        *_grades(plan),
        *_cautions(plan),
        Heading("Seed batches", 2, "batches"),
        *(_batches_table(plan) if plan.batches else [Paragraph("No batches were asked about.")]),
    ]
    for i, b in enumerate(plan.batches):
        blocks += _batch(plan, b, i)
    blocks += [Heading("Plantings", 2, "plantings"), *_plantings(plan)]
    blocks += [Heading("Fields and money", 2, "fields"), *_fields_table(plan)]
    for i, f in enumerate(plan.fields):
        blocks += _field(plan, f, i)
    blocks += [*_rules(plan), *_runs(plan), *_evidence(plan), *_warnings(plan), *_inputs(plan)]
    return document(plan, digest, version, plan.context.season.settings.name, tuple(blocks))


def document(
    plan: Plan, digest: str, version: str, title: str, blocks: tuple[Block, ...]
) -> Document:
    """Blocks under a title, with the day they speak of and where they came from."""
    c = plan.context
    foot = f"plan {digest[:12]}, rhizoledger {version}, seed {c.season.settings.seed}"
    return Document(harmless(title), f"As of {day(c.as_of, c.zone)}", blocks, foot, c.now)


def _week(plan: Plan) -> list[Block]:
    tasks = week(plan)
    out: list[Block] = [Heading("This week", 2, "week")]
    for group, title in GROUPS.items():
        rows = [t for t in tasks if t.group == group]
        out.append(Heading(title, 3, f"week-{group.replace('_', '-')}"))
        if not rows:
            out.append(Paragraph(NOTHING[group], "aside"))
        else:
            columns = ("Who", "What for", "What to do", "By when", "Left", "Why", "Done / can't")
            body = tuple(_task(t, plan) for t in rows)
            caption = f"{len(rows)} to do, {ORDER[group]}"
            out.append(Table("This week", caption, columns, body, about=title))
        if group == "roots":
            out.append(Paragraph(RESCUE, "aside"))
    return out


def _task(t: Task, plan: Plan) -> tuple[Cell, ...]:
    c = plan.context
    by = day(t.by, c.zone) if t.by is not None else "not known"
    left = time_left(t.by, c.now) if t.by is not None else ""
    return (t.who or "not written down", t.about, t.what, by, left, t.why, "☐ / ☐")


def _not_known(plan: Plan) -> list[Block]:
    out: list[Block] = [Heading("What is not known", 2, "not-known")]
    here = [
        f"{b.name}: {b.at_drop.why_no_p.rstrip('.')}." for b in plan.batches if b.at_drop.why_no_p
    ]
    here += [f"{what[0].upper()}{what[1:]} was not asked." for what in plan.not_asked]
    if plan.tighten:
        t = plan.tighten[0]
        here.append(
            f"{t.answer} is known within a factor of {large(t.factor_now)}; "
            f"{t.what} would bring that to about {large(t.factor_then)}."
        )
    if here:
        out += [Paragraph("In this season:"), Points(tuple(here))]
    rows = tuple((g.about, g.missing, g.until_then, g.would_settle) for g in gaps())
    out.append(
        Table(
            "Not known",
            "Not known anywhere, as far as was found",
            ("About", "What is missing", "Until then", "What would settle it"),
            rows,
        )
    )
    return out


def _grades(plan: Plan) -> list[Block]:
    """The weakest evidence that each answer stands on."""
    batches, fields = (
        _by_grade((b.worst_grade, b.name) for b in plan.batches),
        _by_grade((f.worst_grade, f"{f.field.field} {f.crop or ''}".strip()) for f in plan.fields),
    )
    rows = tuple(
        (grade, meaning, _some(batches.get(grade, [])), _some(fields.get(grade, [])))
        for grade, meaning in [*reversed(GRADE_WORDS.items()), (NONE_USED, "")]
        if grade in batches or grade in fields
    )
    return [
        Heading("How good the evidence is", 2, "grades"),
        Paragraph("Each answer is as good as the weakest number it stands on."),
        Table(
            "Worst grades",
            "Weakest grade of evidence used, weakest first",
            ("Grade", "Which means", "Batches", "Fields"),
            rows,
        ),
    ]


NONE_USED = "none used"


def _by_grade(answers: Iterable[tuple[str | None, str]]) -> dict[str, list[str]]:
    out: dict[str, list[str]] = {}
    for grade, name in answers:
        out.setdefault(grade or NONE_USED, []).append(name)
    return out


def _cautions(plan: Plan) -> list[Block]:
    rows = cautions_for(plan.context.season.settings.country, "report")
    return [
        Heading("Cautions", 2, "cautions"),
        Paragraph("The label and local law rule; this report does not outrank them.", "stop"),
        Table(
            "Cautions",
            "General cautions, in our own words",
            ("Caution", "Source", "How it is known"),
            tuple((c.sentence, c.source, c.how_known) for c in rows),
        ),
    ]


def _batches_table(plan: Plan) -> list[Block]:
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


def _batch(plan: Plan, b: BatchAnswer, index: int) -> list[Block]:
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
            raised(e.why.rstrip(".")),
        )
        for e in b.ledger.entries
    )
    columns = ("Step", "When", "Lives on", "Live cells a seed", "Dots that are enough", "Why")
    return Table("Ledger", f"Ledger of {b.name}", columns, rows, about=b.name, folded=True)


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


def _plantings(plan: Plan) -> list[Block]:
    if not plan.plantings:
        return [Paragraph("No plantings are written down.", "aside")]
    rows = tuple(_planting(p, plan) for p in plan.plantings)
    columns = ("Field", "Batch", "Planned", "Ground", "Arrival", "Verdict", "Why", "What to do",
               "Waiting costs a day")  # fmt: skip
    return [Table("Plantings", "Every planting, with its verdict", columns, rows)]


GROUND = {"first_time": "first time", "history": "grew here before", "unknown": "not known"}


def _planting(p: PlantingAnswer, plan: Plan) -> tuple[Cell, ...]:
    row = p.planting
    wait = p.cost_of_waiting
    return (
        f"{row.field}/{row.seq}",
        row.batch or "bare seed",
        day(row.planned_on, plan.context.zone),
        GROUND[p.consequence],
        ARRIVALS_AHEAD[p.arrival],
        "planted" if p.planted else VERDICTS[p.verdict.word],
        " ".join(p.verdict.reasons),
        " ".join(p.verdict.actions),
        "" if wait is None else with_interval(wait),
    )


def _fields_table(plan: Plan) -> list[Block]:
    if not plan.fields:
        return [Paragraph("No fields were asked about.", "aside")]
    u = plan.context.season.settings.units
    rows = tuple(
        (
            f.field.field,
            f.crop,
            f.field.grower or "",
            VERDICTS[f.verdict.word],
            with_interval(f.gain),
            None if f.cost_per_area is None else money(f.cost_per_area),
            None if f.break_even is None else figures(f.break_even),
            chance(f.p_pays, f.worst_grade),
            with_interval(f.net),
        )
        for f in plan.fields
    )
    columns = ("Field", "Crop", "Grower", "Answer", f"Gain, {u.yield_}", f"Cost per {u.area}",
               f"Pays from, {u.yield_}", "Chance that it pays", f"Net per {u.area}")  # fmt: skip
    return [Table("Fields", "Every field", columns, rows)]


def _field(plan: Plan, f: FieldAnswer, index: int) -> list[Block]:
    u = plan.context.season.settings.units
    name = f"Field {f.field.field}, {f.crop or 'crop not written down'}"
    answer = VERDICTS[f.verdict.word]
    out: list[Block] = [
        Heading(name, 3, f"field-{index}"),
        Paragraph(f"{answer[0].upper()}{answer[1:]}.", "answer"),
    ]
    said = list(f.verdict.reasons)
    if f.gain.value is None:
        said.append(f"Gain: not known ({f.gain.method}).")
    else:
        said.append(
            f"Gain in a field like this: {with_interval(f.gain)} {u.yield_}; {f.gain.method}."
        )
    if f.cost_per_area is not None:
        said.append(f"It costs {money(f.cost_per_area)} per {u.area} ({f.cost_how}).")
    if f.p_pays is not None and f.p_pays_k:
        folds = ", ".join(f"{k}-fold {chance(p, f.worst_grade)}" for k, p in f.p_pays_k.items())
        pays = chance(f.p_pays, f.worst_grade)
        said.append(f"Chance that it pays: {pays}; that it pays {folds}.")
    said.append(f.dose)
    out.append(Points(tuple(x for x in said if x)))
    if f.net_dots and f.cost_per_area and f.net.value is not None:
        spec = money_figure(f.net_dots, f.net.value, f.cost_per_area, area=u.area)
        says = f"What inoculating {f.field.field} leaves per {u.area}; each dot is one in twenty."
        low, high = min(f.net_dots), max(f.net_dots)
        each = [by_interval(x, low, high) for x in f.net_dots]
        rows = (tuple(", ".join(each[k : k + 5]) for k in range(0, 20, 5)),)
        columns = ("Dots 1 to 5", "6 to 10", "11 to 15", "16 to 20")
        caption = f"The twenty dots of {f.field.field}: net per {u.area}"
        table = Table("Money", caption, columns, rows, (),
                      f"{f.field.field} {f.crop}", folded=True)  # fmt: skip
        out.append(Figure(f"money-{index}", spec, says, table))
    if f.worth_testing:
        tests = tuple((t.what, t.value, t.needed_by, t.note) for t in f.worth_testing)
        heads = ("What", "Worth", "Order by", "Note")
        caption = f"Worth finding out in {f.field.field}"
        out.append(Table("Worth finding out", caption, heads, tests, (1,), f.field.field))
    return out


def _rules(plan: Plan) -> list[Block]:
    """Every published rule that speaks to a field, once, with the fields and where it points."""
    said: dict[tuple[str, str, str], list[str]] = {}
    for f in plan.fields:
        for r in f.rules:
            said.setdefault((r.says, r.source, r.points_to), []).append(f.field.field)
    if not said:
        return []
    rows = tuple(
        (says, points, _some(list(dict.fromkeys(fields))), source)
        for (says, source, points), fields in sorted(said.items())
    )
    columns = ("Published rule", "Points to", "In fields", "Source")
    return [
        Heading("Published rules", 2, "rules"),
        Paragraph("They stand side by side where they contradict one another; there is no score."),
        Table("Rules as printed", "Rules that speak to these fields", columns, rows),
    ]


def _runs(plan: Plan) -> list[Block]:
    if not plan.runs:
        return []
    rows: list[tuple[Cell, ...]] = []
    facts = {b.name: b.facts for b in plan.batches}
    for r in plan.runs:
        done = {d.item: d for d in (r.sheet.done.deviations if r.sheet.done else ())}
        steps = {s.item: s for s in facts[r.sheet.batch].recipe}
        for d in r.sheet.planned.doses:
            written = steps[d.item].rate_unit.split("/")[0].strip() if d.item in steps else d.unit
            was = done.get(d.item)
            rows.append(
                (
                    r.sheet.batch,
                    d.item,
                    amount(d.amount, d.unit, written),
                    "" if was is None else amount(was.done, was.unit, written),
                    "" if was is None or was.pct is None else f"{round(was.pct) + 0:+d} %",
                    r.sheet.planned.packs.get(d.item, ""),
                )
            )
    out: list[Block] = [Heading("Treating runs", 2, "runs")]
    stops = [f"{r.sheet.batch}: {s.sentence}" for r in plan.runs for s in r.stops]
    if stops:
        out += [Paragraph("Stops", "stop"), Points(tuple(stops))]
    columns = ("Batch", "Item", "Planned", "Done", "Off by", "Packs")
    return [*out, Table("Runs", "Amounts, planned and done", columns, tuple(rows), (5,))]


def _evidence(plan: Plan) -> list[Block]:
    ev = plan.context.evidence
    rows = []
    for key, by in plan.used.items():
        p = ev[key]
        ends = "" if p.low is None else f"{p.low:g} to {p.high:g}"
        value = "" if p.value is None else f"{p.value:g}"
        rows.append(
            (key, value, ends, p.unit, p.grade, "; ".join(p.sources), p.how_known, _some(by))
        )
    columns = ("Number", "Value", "From, to", "Unit", "Grade", "Source", "How it is known",
               "What rests on it")  # fmt: skip
    return [
        Heading("Evidence used", 2, "evidence"),
        Table("Evidence", "Every number about the world that was used", columns, tuple(rows)),
    ]


def _some(names: Sequence[str]) -> str:
    shown = ", ".join(names[:8])
    return shown if len(names) <= 8 else f"{shown} and {len(names) - 8} more"


def _warnings(plan: Plan) -> list[Block]:
    if not plan.problems:
        return []
    rows = tuple((p.file, p.row, p.column, p.value, p.what, p.remedy) for p in plan.problems)
    columns = ("File", "Row", "Column", "Value", "What", "What to do")
    plain = tuple(tuple("" if c is None else c for c in r) for r in rows)
    return [
        Heading("Warnings", 2, "warnings"),
        Table("Warnings", "What was odd in the files", columns, plain),
    ]


def _inputs(plan: Plan) -> list[Block]:
    rows = tuple(sorted(plan.context.season.digests.items()))
    return [
        Heading("What was read", 2, "inputs"),
        Table("Inputs", "Files, with their SHA-256", ("File", "Digest"), rows),
    ]
