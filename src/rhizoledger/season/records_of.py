"""Typed rows to records: the few derived fields, and everything else as it stands."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from rhizoledger.season.cross_check import NO_BATCH
from rhizoledger.season.findings import Findings
from rhizoledger.season.rows import Row, TypedTable
from rhizoledger.units import LB_KG


def records_of(
    typed: TypedTable, lb_per_bu: Mapping[str, float], findings: Findings
) -> tuple[Any, ...]:
    """The records of a table whose rows are all sound.

    Parameters
    ----------
    typed : TypedTable
        Rows that passed every check.
    lb_per_bu : mapping of str to float
        Bushel weight by crop [lb/bu].
    findings : Findings
        Takes a warning where a batch's mass cannot be known.
    """
    made = []
    for row in typed.rows:
        values = {c.record_field: row.values[c.name] for c in typed.table.columns}
        for name, value in values.items():
            if value is None and name in ("parents", "lots", "parts", "tank_mix", "label_crops"):
                values[name] = ()
        derive = DERIVED.get(typed.table.name)
        if derive is not None:
            derive(values, row, typed.file, lb_per_bu, findings)
        made.append(typed.table.record(row=row.number, **values))
    return tuple(made)


def crop_key(crop: str) -> str:
    """A crop's name as evidence ids write it.

    Examples
    --------
    >>> crop_key("Dry bean")
    'dry_bean'
    """
    return "_".join(crop.casefold().replace("-", " ").split())


def _batch(
    values: dict[str, Any],
    row: Row,
    file: str,
    lb_per_bu: Mapping[str, float],
    findings: Findings,
) -> None:
    per_lb = values.pop("seeds_per_lb")
    if values["seeds_per_kg"] is None and per_lb is not None:
        values["seeds_per_kg"] = per_lb / LB_KG
    mass, missing = _mass_kg(values, lb_per_bu)
    values["mass_kg"] = mass
    if mass is None:
        findings.warning(
            file,
            row.number,
            "quantity",
            row.texts.get("quantity"),
            f"The mass of {values['batch']} is not known: {missing} is not given.",
            "Doses and packs for it cannot be worked out until it is.",
        )


def _mass_kg(values: Mapping[str, Any], lb_per_bu: Mapping[str, float]) -> tuple[float | None, str]:
    """Mass of a batch [kg], or None and what would give it."""
    quantity, unit = values["quantity"], values["quantity_unit"]
    if unit == "kg":
        return quantity, ""
    if unit == "lb":
        return quantity * LB_KG, ""
    if unit == "bag":
        per_bag = values["kg_per_bag"]
        return (None if per_bag is None else quantity * per_bag), "kg_per_bag"
    if unit == "unit":
        seeds, per_kg = values["seeds_per_unit"], values["seeds_per_kg"]
        if seeds is None or per_kg is None:
            return None, "seeds_per_unit" if seeds is None else "seeds_per_kg or seeds_per_lb"
        return quantity * seeds / per_kg, ""
    weight = lb_per_bu.get(crop_key(values["crop"]))
    if weight is None:
        return None, f"the bushel weight of {values['crop']}"
    return quantity * weight * LB_KG, ""


def _planting(
    values: dict[str, Any],
    row: Row,
    file: str,
    lb_per_bu: Mapping[str, float],
    findings: Findings,
) -> None:
    if values["batch"] == NO_BATCH:
        values["batch"] = None
    spacing = values["row_spacing"]
    values["row_spacing"], values["row_spacing_m"] = spacing if spacing else (None, None)


def _product(
    values: dict[str, Any],
    row: Row,
    file: str,
    lb_per_bu: Mapping[str, float],
    findings: Findings,
) -> None:
    limit = values["label_rate_max"]
    values["label_rate_max"], values["label_rate_unit"] = limit if limit else (None, None)


DERIVED = {"batches": _batch, "plantings": _planting, "products": _product}


def in_season(typed: TypedTable, starts: Any, ends: Any, findings: Findings) -> None:
    """Warn of plantings planned outside the season: mostly a slip in the year."""
    for row in typed.rows:
        planned = row.values["planned_on"]
        day = planned.date() if isinstance(planned, datetime) else planned
        if day is not None and not starts <= day <= ends:
            findings.warning(
                typed.file,
                row.number,
                "planned_on",
                row.texts.get("planned_on"),
                f"This day is outside the season ({starts} to {ends}).",
                "Check the year, or the season's dates in season.toml.",
            )
