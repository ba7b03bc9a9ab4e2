"""A treating run as planned and as done, side by side (§3.3)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from rhizoledger.records import Batch, Inoculant, Product, Treatment
from rhizoledger.treating.cautions import Caution
from rhizoledger.treating.label import Stop, is_pesticide, pack_held
from rhizoledger.treating.rates import (
    ROUNDING,
    UNOPENED,
    ItemUnit,
    Pack,
    measured,
    packs_needed,
    plain,
)
from rhizoledger.treating.recipe import RecipeCheck

PACK_WORDS = frozenset(("pack", "packs"))


@dataclass(frozen=True, slots=True)
class RunDose:
    """An amount of one item in a run; ``per_unit_seed`` is per one of the batch's own units."""

    item: str
    amount: float | None
    unit: ItemUnit
    per_unit_seed: float | None
    lot: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """The dose as plain JSON values."""
        return {
            "item": self.item,
            "amount": self.amount,
            "unit": self.unit,
            "per_unit_seed": self.per_unit_seed,
        }


@dataclass(frozen=True, slots=True)
class Deviation:
    """What was used of an item against the plan; ``pct`` is None where it cannot be compared."""

    item: str
    planned: float | None
    done: float
    unit: ItemUnit
    pct: float | None


@dataclass(frozen=True, slots=True)
class PlannedRun:
    """What a run needs: amounts, liquid, packs to open and what is left of them.

    ``left_over`` is in the unit of the item's dose.
    """

    doses: tuple[RunDose, ...]
    liquid_ml_per_100kg: float | None
    liquid_limit_ml_per_100kg: float | None
    packs: Mapping[str, int]
    left_over: Mapping[str, float]

    def to_dict(self) -> dict[str, Any]:
        """The plan as plain JSON values, with the keys of SEASON's ``runs``."""
        return {
            "doses": [one.to_dict() for one in self.doses],
            "liquid_ml_per_100kg": self.liquid_ml_per_100kg,
            "liquid_limit": self.liquid_limit_ml_per_100kg,
            "packs": dict(self.packs),
            "left_over": dict(self.left_over),
        }


@dataclass(frozen=True, slots=True)
class DoneRun:
    """What was used, by item and lot, with how far it is from the plan."""

    doses: tuple[RunDose, ...]
    deviations: tuple[Deviation, ...]
    liquid_ml_per_100kg: float | None
    started_at: datetime
    finished_at: datetime | None
    runs: tuple[str, ...]
    stops: tuple[Stop, ...] = ()
    warnings: tuple[Caution, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """What was done as plain JSON values; times in ISO 8601."""
        return {
            "doses": [one.to_dict() | {"lot": one.lot} for one in self.doses],
            "deviations": [
                {"item": d.item, "planned": d.planned, "done": d.done, "unit": d.unit, "pct": d.pct}
                for d in self.deviations
            ],
            "liquid_ml_per_100kg": self.liquid_ml_per_100kg,
            "started_at": self.started_at.isoformat(),
            "finished_at": self.finished_at.isoformat() if self.finished_at else None,
            "runs": list(self.runs),
        }


@dataclass(frozen=True, slots=True)
class RunSheet:
    """One batch's run: planned, done, window, stops and warnings."""

    batch: str
    planned: PlannedRun
    done: DoneRun | None = None
    window: Mapping[str, Any] = field(default_factory=dict)
    stops: tuple[Stop, ...] = ()
    warnings: tuple[Caution, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """The run as plain JSON values, with the keys of SEASON's ``runs``."""
        return {
            "batch": self.batch,
            "planned": self.planned.to_dict(),
            "done": self.done.to_dict() if self.done else None,
            "window": dict(self.window),
            "stops": [stop.sentence for stop in self.stops],
            "warnings": [warning.sentence for warning in self.warnings],
        }


def planned_run(
    batch: Batch,
    check: RecipeCheck,
    inoculants: Mapping[str, Inoculant],
    products: Mapping[str, Product],
) -> PlannedRun:
    """Amounts, packs to open and left-over for a batch.

    Parameters
    ----------
    batch : Batch
        The seed.
    check : RecipeCheck
        Its recipe's amounts.
    inoculants, products : mapping of str to record
        Items by name, for what their packs hold.

    Returns
    -------
    PlannedRun
        An item whose pack or amount is not known, or whose pack is sold by another measure than
        its rate, is left out of ``packs``.
    """
    doses = tuple(
        RunDose(one.item, one.amount, one.unit, _per_unit(one.amount, batch)) for one in check.doses
    )
    packs: dict[str, int] = {}
    left: dict[str, float] = {}
    for name, (unit, amount) in _planned_amounts(check).items():
        pack = UNOPENED if unit == "packs" else _pack(name, inoculants, products)
        if pack is not None and pack.unit == unit and amount is not None:
            packs[name], left[name] = packs_needed(amount, pack.amount)
    return PlannedRun(
        doses, check.liquid_ml_per_100kg, check.liquid_limit_ml_per_100kg, packs, left
    )


def done_run(
    batch: Batch,
    treatments: Sequence[Treatment],
    check: RecipeCheck,
    inoculants: Mapping[str, Inoculant],
    products: Mapping[str, Product],
) -> DoneRun | None:
    """What was used on a batch, against the plan and against the label.

    Parameters
    ----------
    batch : Batch
        The seed.
    treatments : sequence of Treatment
        All rows; those of other batches are left aside.
    check : RecipeCheck
        The plan, with the label's maxima.
    inoculants, products : mapping of str to record
        Items by name, for packs and densities.

    Returns
    -------
    DoneRun or None
        None where nothing was done. Its ``stops`` hold a rate over the label as done, and a
        pesticide put on in two runs with more than half again of the planned amount in all.

    Raises
    ------
    UnitError
        If an amount's unit is neither a volume, a mass nor packs.

    Notes
    -----
    A jug changed in mid-run is two rows of one run with two lots: their amounts add.
    """
    rows = [row for row in treatments if row.batch == batch.batch]
    if not rows:
        return None
    planned = _planned_amounts(check)
    used = {
        name: [
            (row, *_used(row, _pack(name, inoculants, products)))
            for row in rows
            if row.item == name
        ]
        for name in dict.fromkeys(row.item for row in rows)
    }
    deviations: list[Deviation] = []
    stops: list[Stop] = []
    cautions: list[Caution] = []
    for name, amounts in used.items():
        unit, wanted = planned.get(name, (amounts[0][-1], None))
        total = _sum([_in_unit(a, kind, unit, _density(name, products)) for _, a, kind in amounts])
        if name not in planned:
            cautions.append(Caution("not_in_recipe", f"{name} was used and is not in the recipe."))
        if total is None:
            sentence = (
                f"{name} was planned in {unit} and used in another measure. "
                "Give its density, or what a pack holds, to compare them."
            )
            cautions.append(Caution("deviation_not_known", sentence))
            continue
        pct = (total - wanted) / wanted * 100 if wanted else None
        deviations.append(Deviation(name, wanted, total, unit, pct))
        by_run: dict[str, float] = {}
        for row, amount, kind in amounts:
            part = _in_unit(amount, kind, unit, _density(name, products)) or 0.0
            by_run[row.run] = by_run.get(row.run, 0.0) + part
        stops += _stops_as_done(name, by_run, unit, wanted, batch, check, products)
    finished = [row.finished_at for row in rows if row.finished_at is not None]
    return DoneRun(
        tuple(
            RunDose(name, amount, kind, _per_unit(amount, batch), row.lot)
            for name, amounts in used.items()
            for row, amount, kind in amounts
        ),
        tuple(deviations),
        _liquid_per_100kg(used, batch, products),
        min(row.started_at for row in rows),
        max(finished) if len(finished) == len(rows) else None,
        tuple(dict.fromkeys(row.run for row in rows)),
        tuple(stops),
        tuple(cautions),
    )


def _liquid_per_100kg(
    used: Mapping[str, Sequence[tuple[Treatment, float, ItemUnit]]],
    batch: Batch,
    products: Mapping[str, Product],
) -> float | None:
    """Liquid as done; a mass counts only where a density makes it a liquid."""
    if not batch.mass_kg:
        return None
    liquid = 0.0
    for name, amounts in used.items():
        for _, amount, kind in amounts:
            if kind == "packs":
                return None
            liquid += _in_unit(amount, kind, "mL", _density(name, products)) or 0.0
    return liquid / batch.mass_kg * 100


def _stops_as_done(
    name: str,
    by_run: Mapping[str, float],
    unit: ItemUnit,
    wanted: float | None,
    batch: Batch,
    check: RecipeCheck,
    products: Mapping[str, Product],
) -> list[Stop]:
    """Label maximum and second dose; a pesticide is judged by the sum of all its runs.

    Another item is judged run by run: seed may be inoculated again where the label allows it.
    """
    stops, total = [], sum(by_run.values())
    pesticide = name in products and is_pesticide(products[name])
    judged = total if pesticide else max(by_run.values())
    most = check.max_per_kg.get(name)
    if most is not None and batch.mass_kg and judged > most * batch.mass_kg * (1 + ROUNDING):
        sentence = (
            f"{plain(judged)} {unit} of {name} was used on {batch.batch}; "
            f"the label allows at most {plain(most * batch.mass_kg)} {unit}."
        )
        stops.append(Stop("over_label_rate", sentence))
    if pesticide and len(by_run) > 1 and wanted is not None and total - wanted > 0.5 * wanted:
        sentence = (
            f"{name} went on {batch.batch} in {len(by_run)} runs, {plain(total)} {unit} in all "
            f"against {plain(wanted)} planned: it is on this seed already."
        )
        stops.append(Stop("pesticide_already_on_seed", sentence))
    return stops


def _planned_amounts(check: RecipeCheck) -> dict[str, tuple[ItemUnit, float | None]]:
    """Unit and total of each item; None where a fact is missing."""
    planned: dict[str, tuple[ItemUnit, float | None]] = {}
    for one in check.doses:
        unit, total = planned.get(one.item, (one.unit, 0.0))
        both = total is not None and one.amount is not None and one.unit == unit
        planned[one.item] = (unit, (total or 0.0) + (one.amount or 0.0) if both else None)
    return planned


def _used(row: Treatment, pack: Pack | None) -> tuple[float, ItemUnit]:
    if row.unit.strip().casefold() not in PACK_WORDS:
        return measured(row.amount, row.unit)
    held = pack or UNOPENED
    return row.amount * held.amount, held.unit


def _in_unit(
    amount: float, unit: ItemUnit, wanted: ItemUnit, density_g_per_ml: float | None
) -> float | None:
    if unit == wanted:
        return amount
    if not density_g_per_ml or "packs" in (unit, wanted):
        return None
    return amount / density_g_per_ml if wanted == "mL" else amount * density_g_per_ml


def _sum(amounts: Sequence[float | None]) -> float | None:
    known = [amount for amount in amounts if amount is not None]
    return sum(known) if len(known) == len(amounts) else None


def _density(name: str, products: Mapping[str, Product]) -> float | None:
    return products[name].density_g_per_ml if name in products else None


def _per_unit(amount: float | None, batch: Batch) -> float | None:
    if amount is None or batch.quantity <= 0:
        return None
    return amount / batch.quantity


def _pack(
    name: str, inoculants: Mapping[str, Inoculant], products: Mapping[str, Product]
) -> Pack | None:
    item = inoculants.get(name) or products.get(name)
    return pack_held(item) if item is not None else None
