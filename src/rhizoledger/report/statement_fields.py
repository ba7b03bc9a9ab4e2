"""What the report says of plantings and fields: verdicts, money, published rules."""

from __future__ import annotations

from collections.abc import Sequence

from rhizoledger.plan.field_answer import FieldAnswer
from rhizoledger.plan.planting_answer import PlantingAnswer
from rhizoledger.plan.season_plan import Plan
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
    money_figure,
)
from rhizoledger.report.numbers import (
    by_interval,
    chance,
    day,
    figures,
    money,
    with_interval,
)
from rhizoledger.report.words import ARRIVALS_AHEAD, VERDICTS


def plantings_blocks(plan: Plan) -> list[Block]:
    """Every planting, with its verdict."""
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


def fields_table(plan: Plan) -> list[Block]:
    """Every field in one table."""
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


def field_blocks(plan: Plan, f: FieldAnswer, index: int) -> list[Block]:
    """One field: answer, money, what is worth finding out."""
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


def rules_blocks(plan: Plan) -> list[Block]:
    """Every published rule that speaks to a field, once, with the fields and where it points."""
    said: dict[tuple[str, str, str], list[str]] = {}
    for f in plan.fields:
        for r in f.rules:
            said.setdefault((r.says, r.source, r.points_to), []).append(f.field.field)
    if not said:
        return []
    rows = tuple(
        (says, points, some(list(dict.fromkeys(fields))), source)
        for (says, source, points), fields in sorted(said.items())
    )
    columns = ("Published rule", "Points to", "In fields", "Source")
    return [
        Heading("Published rules", 2, "rules"),
        Paragraph("They stand side by side where they contradict one another; there is no score."),
        Table("Rules as printed", "Rules that speak to these fields", columns, rows),
    ]


def some(names: Sequence[str]) -> str:
    """A few names, and how many more there are."""
    shown = ", ".join(names[:8])
    return shown if len(names) <= 8 else f"{shown} and {len(names) - 8} more"
