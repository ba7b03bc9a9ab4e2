"""The run sheet's facts: what goes on which seed, how much of it, in which order, until when.

Amounts stay in mL and g here; the sheet prints them in the shop's own units.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from rhizoledger import units
from rhizoledger.errors import UnitError
from rhizoledger.plan.batch_answer import BatchAnswer
from rhizoledger.plan.runs import RunAnswer
from rhizoledger.plan.season_plan import Plan
from rhizoledger.records import Batch, RecipeStep
from rhizoledger.treating.label import density_of
from rhizoledger.treating.rates import measured
from rhizoledger.treating.runs import RunDose

TOLERANCE = "catch_test.tolerance_pct"


@dataclass(frozen=True, slots=True)
class SheetLine:
    """One item of a run, in the order it goes on.

    ``amount``, ``per_fill`` and ``left`` are in ``unit`` (mL, g or packs); ``written_in`` is the
    unit the shop wrote its rate in. ``running_ml_per_100kg`` is liquid on the seed once this item
    is on it.
    """

    item: str
    live: bool
    lots: tuple[str, ...]
    rate: str
    amount: float | None
    unit: str
    written_in: str
    packs: int | None
    left: float | None
    running_ml_per_100kg: float | None


@dataclass(frozen=True, slots=True)
class SheetTank:
    """Items mixed together: how often the tank is filled, and what the pump must give."""

    letter: str
    lines: tuple[SheetLine, ...]
    total_ml: float | None
    fills: int | None
    pump_ml_per_min: float | None
    catch_low_ml: float | None
    catch_high_ml: float | None
    g_per_ml: float | None
    dry_after: bool
    water: str

    def per_fill(self, amount: float | None) -> float | None:
        """Share of an amount that goes into one fill of the tank."""
        return None if amount is None or not self.fills else amount / self.fills


@dataclass(frozen=True, slots=True)
class Sheet:
    """Everything a run sheet prints."""

    batch: Batch
    treated_at: datetime | None
    tanks: tuple[SheetTank, ...]
    limit_ml_per_100kg: float | None
    slurry_hours: float | None
    plant_by: datetime | None
    plant_by_says: str
    if_kept: str
    fields: tuple[str, ...]
    stops: tuple[str, ...]
    warnings: tuple[str, ...]
    done: bool


def sheets(plan: Plan) -> tuple[Sheet, ...]:
    """A sheet for each batch that is treated here, in the order of the table."""
    answers = {b.name: b for b in plan.batches}
    return tuple(_sheet(answers[r.sheet.batch], r, plan) for r in plan.runs)


def _sheet(b: BatchAnswer, run: RunAnswer, plan: Plan) -> Sheet:
    steps = b.facts.recipe
    planned = run.sheet.planned
    lines = _lines(steps, planned.doses, b, run, plan) if len(planned.doses) == len(steps) else ()
    letters = list(dict.fromkeys(s.tank for s in steps)) if lines else []
    pace = _kg_per_min(plan.context.season.settings.seed_flow)
    fields = [
        f"{p.planting.field}/{p.planting.seq}" for p in plan.plantings if p.planting.batch == b.name
    ]
    window = b.window
    return Sheet(
        b.facts.batch,
        b.facts.treated_at,
        tuple(_tank(letter, steps, lines, b, pace, plan) for letter in letters),
        planned.liquid_limit_ml_per_100kg,
        b.facts.inoculant.slurry_life_hours if b.facts.inoculant else None,
        window.at if window else None,
        window.in_the_shop if window else "no label, tag or test says how long this seed may wait",
        b.if_stored,
        tuple(fields),
        tuple(s.sentence for s in run.stops),
        tuple(w.sentence for w in run.sheet.warnings),
        run.sheet.done is not None,
    )


def _lines(
    steps: Sequence[RecipeStep],
    doses: Sequence[RunDose],
    b: BatchAnswer,
    run: RunAnswer,
    plan: Plan,
) -> tuple[SheetLine, ...]:
    planned, out = run.sheet.planned, []
    running: float | None = 0.0
    mass = b.facts.batch.mass_kg
    packed: set[str] = set()
    for step, dose in zip(steps, doses, strict=True):
        live = step.item in plan.context.inoculants
        liquid = dose.amount if dose.unit == "mL" else 0.0
        running = None if None in (running, liquid, mass) or not mass else (
            (running or 0.0) + (liquid or 0.0) / mass * 100
        )  # fmt: skip
        used = [a for a in b.facts.applied if a.inoculant.inoculant == step.item]
        lots = tuple(a.name for a in used if a.lot)
        first = step.item not in packed
        packed.add(step.item)
        out.append(
            SheetLine(
                step.item,
                live,
                lots,
                f"{step.rate:g} {step.rate_unit}",
                dose.amount,
                dose.unit,
                units.parse_rate_unit(step.rate_unit).text.split("/")[0].strip(),
                planned.packs.get(step.item) if first else None,
                planned.left_over.get(step.item) if first else None,
                running,
            )
        )
    return tuple(out)


def _tank(
    letter: str,
    steps: Sequence[RecipeStep],
    lines: Sequence[SheetLine],
    b: BatchAnswer,
    kg_per_min: float | None,
    plan: Plan,
) -> SheetTank:
    context = plan.context
    mine = [(s, x) for s, x in zip(steps, lines, strict=True) if s.tank == letter]
    liquids = [x.amount for _, x in mine if x.unit == "mL"]
    total = None if None in liquids else sum(x for x in liquids if x is not None)
    mass, size = b.facts.batch.mass_kg, context.season.settings.tank_l
    fills = math.ceil(total / (size * 1000)) if total and size else None  # exact: mL in a litre
    pump = total / mass * kg_per_min if total and mass and kg_per_min else None
    share = context.evidence[TOLERANCE].number() / 100
    water = {s.water_source for s, _ in mine if s.water_source}
    return SheetTank(
        letter,
        tuple(x for _, x in mine),
        total or None,
        fills,
        pump,
        None if pump is None else pump * (1 - share),
        None if pump is None else pump * (1 + share),
        _density([x for _, x in mine], total, plan),
        any(bool(s.dry_before_next) for s, _ in mine),
        "chlorinated" if "chlorinated" in water else "",
    )


def _density(lines: Sequence[SheetLine], total: float | None, plan: Plan) -> float | None:
    """Grams in a millilitre of the mix; None unless every part's density is written down."""
    grams = 0.0
    for x in lines:
        product = plan.context.products.get(x.item)
        density = None if product is None else density_of(product)
        if product is not None and product.kind == "water":
            density = density or 1.0  # exact: 1 g/mL by the old definition of the litre
        if x.amount is None or density is None or x.unit != "mL":
            return None  # what a solid does to the volume of a mix is not known
        grams += x.amount * density
    return grams / total if total else None


def _kg_per_min(text: str | None) -> float | None:
    """Seed through the machine [kg/min]; None where it is not written or cannot be read."""
    if not text:
        return None
    number, _, unit = text.strip().partition(" ")
    mass, _, time = unit.partition("/")
    minutes = {"min": 1.0, "minute": 1.0, "h": 60.0, "hour": 60.0}.get(time.strip())  # exact: min
    try:
        grams, kind = measured(float(number), mass.strip())
    except (ValueError, UnitError):
        return None
    return grams / 1000 / minutes if minutes and kind == "g" else None  # exact: g in a kg
