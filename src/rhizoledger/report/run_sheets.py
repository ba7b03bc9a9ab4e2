"""Run sheets: what a treater reads at arm's length, as data for the page that prints it.

Units of the shop, no logarithm, no probability, no price. Up to eight items stand on one side;
more go to a numbered second side, never into smaller type.
"""

from __future__ import annotations

import io
from collections.abc import Mapping, Sequence
from typing import Any

from rhizoledger import units
from rhizoledger.evidence.facts import cautions_for
from rhizoledger.plan.season_plan import Plan
from rhizoledger.plan.sheet import Sheet, SheetLine, SheetTank, sheets
from rhizoledger.report.numbers import amount, day, figures
from rhizoledger.report.printed import harmless
from rhizoledger.report.typeset import Job, Paper

ON_ONE_SIDE = 8
LITRE = 1000
RULE = (
    "The label and local law rule; where this sheet and the label differ, stop and ask. "
    "Spilled or left-over treated seed: sweep up, keep apart, never food, feed or oil."
)
HOW = {"tag": "from the tag", "counted": "counted", "guess": "A GUESS"}


def run_sheets_job(plan: Plan, foot: str, paper: Paper, labels: Mapping[str, str]) -> Job:
    """Every batch's run sheet, and the labels given, word for word."""
    cautions = cautions_for(plan.context.season.settings.country, "run")
    sides: list[dict[str, Any]] = []
    for sheet in sheets(plan):
        sides += _sides(sheet, plan, [harmless(c.sentence) for c in cautions])
    data = {
        "title": f"Run sheets, {harmless(plan.context.season.settings.name)}",
        "foot": foot,
        "paper": paper,
        "rule": RULE,
        "sheets": sides,
        "labels": _labels(plan, labels),
    }
    return Job("run-sheets.pdf", "run_sheets.typ", data, plan.context.now)


def _sides(s: Sheet, plan: Plan, cautions: Sequence[str]) -> list[dict[str, Any]]:
    rows: list[dict[str, Any]] = []
    chunks: list[list[dict[str, Any]]] = []
    on_side = 0
    for number, tank in enumerate(s.tanks, 1):
        head = _tank_row(number, tank)
        rows.append(head)
        for line in tank.lines:
            if on_side == ON_ONE_SIDE:
                chunks.append(rows)
                rows, on_side = [head], 0
            rows.append(_item_row(line, tank, s, plan))
            on_side += 1
        if tank.dry_after:
            rows.append({"kind": "note", "text": "Let the seed dry before what comes next."})
    chunks.append(rows)
    return [_side(s, plan, part, i + 1, len(chunks), cautions) for i, part in enumerate(chunks)]


def _side(
    s: Sheet,
    plan: Plan,
    rows: list[dict[str, Any]],
    side: int,
    sides: int,
    cautions: Sequence[str],
) -> dict[str, Any]:
    b = s.batch
    return {
        "batch": harmless(b.batch),
        "crop": harmless(b.crop),
        "side": side,
        "sides": sides,
        "last": side == sides,
        "code": square_code(b.batch),
        "code_says": f"Square code that reads {harmless(b.batch)}",
        "head": _head(s, plan),
        "count_seed": b.seeds_per_kg is None or b.seed_size_how == "guess",
        "stops": [harmless(x) for x in s.stops],
        "rows": rows,
        "catch": [c for t in s.tanks if (c := _catch(t)) is not None],
        "slurry": f"(keeps {s.slurry_hours:g} h)" if s.slurry_hours else "(life not known)",
        "plant_by": _plant_by(s, plan),
        "plant_by_says": _says(s, plan),
        "cautions": [*[harmless(w) for w in s.warnings], *cautions],
    }  # fmt: skip


def _head(s: Sheet, plan: Plan) -> str:
    b, u = s.batch, plan.context.season.settings.units
    weight = "weight not known"
    if b.mass_kg is not None:
        weight = f"{figures(b.mass_kg / units.mass_g(1, u.seed_mass) * LITRE)} {u.seed_mass}"
    if b.quantity_unit not in ("lb", "kg"):
        weight = f"{figures(b.quantity)} {b.quantity_unit}, {weight}"
    size = "seed size not known"
    if b.seeds_per_kg is not None:
        per = b.seeds_per_kg * units.mass_g(1, u.seed_mass) / LITRE
        size = (
            f"{per:.0f} seeds per {u.seed_mass}, {HOW.get(b.seed_size_how or '', 'not said how')}"
        )
    when = day(s.treated_at, plan.context.zone) if s.treated_at else "no day written down"
    done = " (done)" if s.done else ""
    fields = f" For {', '.join(s.fields)}." if s.fields else ""
    owner = harmless(b.owner or "owner not written down")
    return f"{owner}. {harmless(f'{weight}; {size}. Treat: {when}{done}.{fields}')}"


def _tank_row(number: int, t: SheetTank) -> dict[str, Any]:
    said = f"{number}. Tank {t.letter}"
    unit = _written(t)
    if t.total_ml is not None:
        said += f": {amount(t.total_ml, 'mL', unit)} in all"
    if t.fills is not None and t.fills > 1:
        said += f", {t.fills} equal fills"
    if t.pump_ml_per_min is not None:
        said += f"; pump {amount(t.pump_ml_per_min, 'mL', unit)} a minute"
    if t.water:
        said += f"; water is {t.water}: harmful, find other water"
    return {"kind": "note", "text": harmless(said)}


def _written(t: SheetTank) -> str:
    return next((x.written_in for x in t.lines if x.unit == "mL"), "mL")


def _item_row(x: SheetLine, t: SheetTank, s: Sheet, plan: Plan) -> dict[str, Any]:
    many = t.fills is not None and t.fills > 1
    fill = amount(t.per_fill(x.amount), x.unit, x.written_in) if many else None
    packs = ""
    if x.packs is not None:
        left = amount(x.left, x.unit, x.written_in)
        packs = f"open {x.packs}, left {left}" if x.unit != "packs" else f"open {x.packs}"
    return {
        "kind": "item",
        "item": harmless(x.item) + (" (live)" if x.live else ""),
        "rate": harmless(x.rate),
        "amount": amount(x.amount, x.unit, x.written_in),
        "per_fill": fill,
        "packs": packs,
        "running": _running(x.running_ml_per_100kg, s.limit_ml_per_100kg, plan),
        "lots": harmless(", ".join(x.lots)),
    }


def _running(now: float | None, limit: float | None, plan: Plan) -> str:
    pounds = plan.context.season.settings.units.seed_mass == "lb"
    unit = "fl oz/cwt" if pounds else "mL/100 kg"

    def said(x: float) -> str:
        return figures(units.from_per_kg_seed(x / 100, units.parse_rate_unit(unit)))

    if now is None:
        return "not known"
    return f"{said(now)} of {said(limit)} {unit}" if limit is not None else f"{said(now)} {unit}"


def _catch(t: SheetTank) -> dict[str, str] | None:
    if t.pump_ml_per_min is None or t.catch_low_ml is None or t.catch_high_ml is None:
        return None
    unit = _written(t)
    weight = (
        "By weight: weigh one measured quart or litre of the mix first; its density is not known."
    )
    if t.g_per_ml is not None:
        grams = [x * t.g_per_ml for x in (t.catch_low_ml, t.pump_ml_per_min, t.catch_high_ml)]
        by = "oz" if unit == "fl oz" else "g"
        low, aim, high = (amount(g, "g", by) for g in grams)
        weight = f"By weight: aim for {aim}, between {low} and {high}."
    return {
        "name": f"Tank {harmless(t.letter)}",
        "aim": amount(t.pump_ml_per_min, "mL", unit),
        "band": f"{amount(t.catch_low_ml, 'mL', unit)} and {amount(t.catch_high_ml, 'mL', unit)}",
        "weight": weight,
    }


def _plant_by(s: Sheet, plan: Plan) -> str:
    if s.plant_by is None:
        return "PLANT BY: NOT KNOWN"
    return f"PLANT BY {day(s.plant_by, plan.context.zone)}"


def _says(s: Sheet, plan: Plan) -> str:
    said = f"Set by: {s.plant_by_says}. If {s.if_kept}."
    if s.plant_by is not None and not s.done and s.treated_at is not None:
        said += " Counted from the planned treating time; it moves with it."
    return harmless(said)


def square_code(text: str) -> str:
    """A square code (QR) that reads ``text``, as SVG."""
    import segno

    out = io.BytesIO()
    segno.make(text, error="m", micro=False).save(out, kind="svg", xmldecl=False, border=2, scale=4)
    return out.getvalue().decode()


def _labels(plan: Plan, texts: Mapping[str, str]) -> list[dict[str, Any]]:
    out = []
    named = {name: i.label_file for name, i in plan.context.inoculants.items()}
    named |= {name: p.label_file for name, p in plan.context.products.items()}
    used = {x.item for s in sheets(plan) for t in s.tanks for x in t.lines}
    for item, file in named.items():
        if item in used and file is not None and file in texts:
            out.append(
                {
                    "item": harmless(item),
                    "file": harmless(file),
                    "language": language_of(file),
                    "lines": [harmless(line) for line in texts[file].splitlines()],
                }
            )
    return out


def language_of(file: str) -> str:
    """The language a label file says it is in, by its name: ``label.fr.txt``.

    Examples
    --------
    >>> language_of("label.fr.txt"), language_of("label.txt")
    ('fr', 'not said (name the file like label.en.txt)')
    """
    parts = file.split(".")
    if len(parts) > 2 and 2 <= len(parts[-2]) <= 5 and parts[-2].replace("-", "").isalpha():
        return parts[-2]
    return "not said (name the file like label.en.txt)"
