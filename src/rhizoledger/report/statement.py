"""The report: what a plan says, as blocks; first this week, then what is not known."""

from __future__ import annotations

from collections.abc import Iterable

from rhizoledger.evidence.facts import cautions_for, gaps
from rhizoledger.plan.season_plan import Plan
from rhizoledger.plan.week import Task, week
from rhizoledger.report.blocks import (
    Block,
    Cell,
    Document,
    Heading,
    Paragraph,
    Points,
    Table,
)
from rhizoledger.report.numbers import (
    amount,
    day,
    large,
    time_left,
)
from rhizoledger.report.printed import harmless
from rhizoledger.report.statement_batches import batch_blocks, batches_table
from rhizoledger.report.statement_counts import counts_blocks
from rhizoledger.report.statement_fields import (
    field_blocks,
    fields_table,
    plantings_blocks,
    rules_blocks,
    some,
)
from rhizoledger.report.words import GRADE_WORDS

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
        *(batches_table(plan) if plan.batches else [Paragraph("No batches were asked about.")]),
    ]
    for i, b in enumerate(plan.batches):
        blocks += batch_blocks(plan, b, i)
    blocks += [Heading("Plantings", 2, "plantings"), *plantings_blocks(plan)]
    blocks += [Heading("Fields and money", 2, "fields"), *fields_table(plan)]
    for i, f in enumerate(plan.fields):
        blocks += field_blocks(plan, f, i)
    blocks += [
        *rules_blocks(plan),
        *_runs(plan),
        *counts_blocks(plan),
        *_evidence(plan),
        *_warnings(plan),
        *_inputs(plan),
    ]
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
        (grade, meaning, some(batches.get(grade, [])), some(fields.get(grade, [])))
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
            (key, value, ends, p.unit, p.grade, "; ".join(p.sources), p.how_known, some(by))
        )
    columns = ("Number", "Value", "From, to", "Unit", "Grade", "Source", "How it is known",
               "What rests on it")  # fmt: skip
    return [
        Heading("Evidence used", 2, "evidence"),
        Table("Evidence", "Every number about the world that was used", columns, tuple(rows)),
    ]


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
