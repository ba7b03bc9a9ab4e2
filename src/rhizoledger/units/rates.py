"""Every trade basis of an application rate turned into one, and back.

What a basis needs to be converted — seeds per kg, seeds per unit, kg per bag or bushel, what a pack
holds, row spacing — is an argument, and a fact that is missing is named, never assumed (§3.1).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

from rhizoledger.errors import InputError, UnitError
from rhizoledger.units.grammar import RateUnit
from rhizoledger.units.names import finite

M2_PER_HA = 10_000.0  # exact: definition of the hectare

# What each fact is, for messages, and where a user gives it.
_FACTS: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "seeds_per_kg": ("the seed size", "Give seeds_per_kg or seeds_per_lb."),
        "seeds_per_unit": ("the number of seeds in a unit", "Give seeds_per_unit."),
        "kg_per_bag": ("the weight of a bag", "Give kg_per_bag."),
        "kg_per_bu": ("the crop's bushel weight", "Give a rate per kg, lb or cwt instead."),
        "pack_amount": ("what one pack holds", "Give pack_size and pack_unit in mL or g."),
        "row_spacing_m": ("the row spacing", "Give row_spacing."),
    }
)


def fact(text: str, name: str, value: float | None) -> float:
    """A fact that a conversion cannot do without, checked.

    Raises
    ------
    UnitError
        If it is missing; the text names it.
    InputError
        If it is not a number above zero.
    """
    what, remedy = _FACTS[name]
    if value is None:
        raise UnitError(text, f"It takes {what} ({name}), which is not known.", remedy)
    if not (math.isfinite(value) and value > 0):
        raise InputError(f"{text!r}: {what} is {value!r}; it must be above zero. {remedy}")
    return value


def _item_in(unit: RateUnit, pack_amount: float | None) -> float:
    """Mass or volume of one unit of the amount [g or mL]."""
    return (
        fact(unit.text, "pack_amount", pack_amount)
        if unit.amount == "packs"
        else (unit.amount_factor)
    )


def _seed_kg_in(
    unit: RateUnit,
    seeds_per_kg: float | None,
    seeds_per_unit: float | None,
    kg_per_bag: float | None,
    kg_per_bu: float | None,
) -> float:
    """Seed mass that the denominator stands for [kg]."""
    if unit.per == "seed_mass":
        return unit.per_factor
    if unit.per == "seed_unit":
        seeds = unit.per_factor * fact(unit.text, "seeds_per_unit", seeds_per_unit)
        return seeds / fact(unit.text, "seeds_per_kg", seeds_per_kg)
    if unit.per == "seed_bag":
        return unit.per_factor * fact(unit.text, "kg_per_bag", kg_per_bag)
    if unit.per == "seed_bushel":
        return unit.per_factor * fact(unit.text, "kg_per_bu", kg_per_bu)
    raise UnitError(
        unit.text,
        "This rate goes on land or row, not on seed.",
        "Use a rate per kg, lb, cwt, unit, bag or bu of seed.",
    )


def per_kg_seed(
    value: float,
    unit: RateUnit,
    *,
    seeds_per_kg: float | None = None,
    seeds_per_unit: float | None = None,
    kg_per_bag: float | None = None,
    kg_per_bu: float | None = None,
    pack_amount: float | None = None,
) -> float:
    """Amount of item per kg of seed [mL/kg or g/kg].

    Parameters
    ----------
    value : float
        The rate in ``unit``.
    unit : RateUnit
        Its unit; mL for a volume, g for a mass, and for packs whatever ``pack_amount`` is in.
    seeds_per_kg, seeds_per_unit, kg_per_bag, kg_per_bu, pack_amount : float, optional
        Facts, each needed by some bases only; ``pack_amount`` is one pack in mL or g.

    Raises
    ------
    UnitError
        If the rate is not on seed, or a fact that it needs is missing; the text names the fact.

    Notes
    -----
    §3.1. The result does not say how much live product *stays* on seed.

    Examples
    --------
    >>> from rhizoledger.units import parse_rate_unit
    >>> round(100 * per_kg_seed(4, parse_rate_unit("fl oz/cwt")), 2)  # mL per 100 kg
    260.79
    """
    seed_kg = _seed_kg_in(unit, seeds_per_kg, seeds_per_unit, kg_per_bag, kg_per_bu)
    return finite(value, unit.text) * (_item_in(unit, pack_amount) / seed_kg)


def from_per_kg_seed(
    per_kg: float,
    unit: RateUnit,
    *,
    seeds_per_kg: float | None = None,
    seeds_per_unit: float | None = None,
    kg_per_bag: float | None = None,
    kg_per_bu: float | None = None,
    pack_amount: float | None = None,
) -> float:
    """A rate of so many mL or g per kg of seed, in ``unit``; the inverse of :func:`per_kg_seed`."""
    seed_kg = _seed_kg_in(unit, seeds_per_kg, seeds_per_unit, kg_per_bag, kg_per_bu)
    return finite(per_kg, "per kg") / (_item_in(unit, pack_amount) / seed_kg)


def _ha_in(unit: RateUnit, row_spacing_m: float | None) -> float:
    """Land that the denominator stands for [ha]."""
    if unit.per == "area":
        return unit.per_factor
    if unit.per == "row":
        return unit.per_factor * fact(unit.text, "row_spacing_m", row_spacing_m) / M2_PER_HA
    raise UnitError(
        unit.text,
        "This rate goes on seed, not on land or row.",
        "Use a rate per ac, ha, 1000 ft or 100 m of row.",
    )


def per_ha(
    value: float,
    unit: RateUnit,
    *,
    row_spacing_m: float | None = None,
    pack_amount: float | None = None,
) -> float:
    """Amount of item per hectare of land [mL/ha or g/ha]; a row rate needs the row spacing.

    Examples
    --------
    >>> from rhizoledger.units import parse_rate_unit
    >>> round(per_ha(1, parse_rate_unit("fl oz/ac")), 3)
    73.078
    """
    return finite(value, unit.text) * (_item_in(unit, pack_amount) / _ha_in(unit, row_spacing_m))


def from_per_ha(
    amount_per_ha: float,
    unit: RateUnit,
    *,
    row_spacing_m: float | None = None,
    pack_amount: float | None = None,
) -> float:
    """A rate of so many mL or g per ha, in ``unit``; the inverse of :func:`per_ha`."""
    one = _item_in(unit, pack_amount) / _ha_in(unit, row_spacing_m)
    return finite(amount_per_ha, "per ha") / one


def _row_m_in(unit: RateUnit, row_spacing_m: float | None) -> float:
    """Row that the denominator stands for [m]."""
    if unit.per == "row":
        return unit.per_factor
    ha = _ha_in(unit, row_spacing_m)
    return ha * M2_PER_HA / fact(unit.text, "row_spacing_m", row_spacing_m)


def per_row_m(
    value: float,
    unit: RateUnit,
    *,
    row_spacing_m: float | None = None,
    pack_amount: float | None = None,
) -> float:
    """Amount of item per metre of row [mL/m or g/m]; a land rate needs the row spacing.

    Examples
    --------
    >>> from rhizoledger.units import parse_rate_unit
    >>> per_row_m(50, parse_rate_unit("g/100 m of row"))
    0.5
    """
    one = _item_in(unit, pack_amount) / _row_m_in(unit, row_spacing_m)
    return finite(value, unit.text) * one


def from_per_row_m(
    amount_per_m: float,
    unit: RateUnit,
    *,
    row_spacing_m: float | None = None,
    pack_amount: float | None = None,
) -> float:
    """A rate of so many mL or g per m of row, in ``unit``; the inverse of :func:`per_row_m`."""
    one = _item_in(unit, pack_amount) / _row_m_in(unit, row_spacing_m)
    return finite(amount_per_m, "per m of row") / one
