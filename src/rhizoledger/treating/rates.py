"""From a rate to the amount of each item for a batch (§3.1).

Amounts of liquids and solids only; what lives in them is counted elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from rhizoledger.errors import InputError, UnitError
from rhizoledger.records import Batch
from rhizoledger.units import (
    RateUnit,
    from_per_kg_seed,
    mass_g,
    parse_rate_unit,
    per_kg_seed,
    volume_ml,
)

ItemUnit = Literal["mL", "g", "packs"]
"""Packs only where what one holds is not known."""

ROUNDING = 1e-9  # numeric: relative slack, so that 3 packs computed as 3.0000000001 stay 3
_PER_BATCH_UNIT = {"seed_unit": "unit", "seed_bag": "bag", "seed_bushel": "bu"}
_SHOWN_DIGITS = 4  # numeric: significant digits of an echoed rate


@dataclass(frozen=True, slots=True)
class Pack:
    """What one pack holds, in mL or g."""

    amount: float
    unit: ItemUnit


UNOPENED = Pack(1.0, "packs")
"""A pack of unknown content: counted, never turned into mL or g."""


@dataclass(frozen=True, slots=True)
class SeedFacts:
    """What is known of a batch's seed for turning rates into amounts.

    Parameters
    ----------
    mass_kg, seeds_per_kg, seeds_per_unit, kg_per_bag, kg_per_bu : float or None
        None where not known.
    quantity, quantity_unit
        The batch as the user counts it; a rate per unit, bag or bu needs no more than that.
    """

    mass_kg: float | None = None
    seeds_per_kg: float | None = None
    seeds_per_unit: float | None = None
    kg_per_bag: float | None = None
    kg_per_bu: float | None = None
    quantity: float | None = None
    quantity_unit: str | None = None

    @classmethod
    def of(cls, batch: Batch, kg_per_bu: float | None = None) -> SeedFacts:
        """The facts that a batch's row gives, with the crop's bushel weight where known."""
        return cls(
            batch.mass_kg,
            batch.seeds_per_kg,
            batch.seeds_per_unit,
            batch.kg_per_bag,
            kg_per_bu,
            batch.quantity,
            batch.quantity_unit,
        )


@dataclass(frozen=True, slots=True)
class Dose:
    """One item of a recipe, turned into an amount for a batch.

    Parameters
    ----------
    item : str
        Product or inoculant.
    amount : float or None
        For the whole batch [``unit``]; None where a fact is missing.
    unit : {"mL", "g", "packs"}
        Unit of ``amount`` and ``per_kg``; packs where what one holds is not known.
    per_kg : float or None
        Per kg of seed; None where a fact is missing.
    text : str
        The rate as written and in a second basis, or which fact is missing.
    liquid_ml_per_kg : float or None
        Liquid that wets the seed [mL/kg]; 0 for a solid, None where a fact is missing.
    tank : str
        Items that share a letter are mixed together.
    """

    item: str
    amount: float | None
    unit: ItemUnit
    per_kg: float | None
    text: str
    liquid_ml_per_kg: float | None = 0.0
    tank: str = ""


def measured(value: float, unit: str) -> tuple[float, ItemUnit]:
    """An amount in mL if its unit is a volume, else in g.

    Raises
    ------
    UnitError
        If the unit is neither.

    Examples
    --------
    >>> measured(2, "L"), measured(1, "kg")
    ((2000.0, 'mL'), (1000.0, 'g'))
    """
    try:
        return volume_ml(value, unit), "mL"
    except UnitError:
        return mass_g(value, unit), "g"


def pack_of(size: float | None, unit: str | None) -> Pack | None:
    """What a pack holds, or None where its size or unit is not known.

    Raises
    ------
    InputError
        If the size is not above zero.
    UnitError
        If the unit is neither a volume nor a mass.

    Examples
    --------
    >>> pack_of(5, "L")
    Pack(amount=5000.0, unit='mL')
    """
    if size is None or unit is None:
        return None
    amount, kind = measured(size, unit)
    if amount <= 0:
        raise InputError(f"A pack of {size:g} {unit} holds nothing. Give what one pack holds.")
    return Pack(amount, kind)


def item_unit(unit: RateUnit, pack: Pack | None) -> ItemUnit:
    """Whether a rate is of mL or of g; a rate in packs is of what the pack holds.

    Raises
    ------
    UnitError
        If the rate is in packs and what one holds is not known.
    """
    if unit.amount == "packs":
        if pack is None:
            raise UnitError(
                unit.text, "What one pack holds is not known.", "Give pack_size and pack_unit."
            )
        return pack.unit
    return "mL" if unit.amount == "volume" else "g"


def pack_or_count(unit: RateUnit, pack: Pack | None) -> Pack | None:
    """The pack, or for a rate in packs of unknown content :data:`UNOPENED`."""
    return UNOPENED if pack is None and unit.amount == "packs" else pack


def rate_per_kg(rate: float, unit: RateUnit, seed: SeedFacts, pack: Pack | None = None) -> float:
    """Amount of item per kg of seed [mL or g].

    Raises
    ------
    UnitError
        If a fact that the basis needs is missing; the text names it.

    Examples
    --------
    >>> seed = SeedFacts(seeds_per_kg=6000, seeds_per_unit=150_000)
    >>> rate_per_kg(100, parse_rate_unit("mL/unit"), seed)
    4.0
    """
    return per_kg_seed(
        rate,
        unit,
        seeds_per_kg=seed.seeds_per_kg,
        seeds_per_unit=seed.seeds_per_unit,
        kg_per_bag=seed.kg_per_bag,
        kg_per_bu=seed.kg_per_bu,
        pack_amount=pack.amount if pack else None,
    )


def batch_amount(per_kg: float, mass_kg: float) -> float:
    """Amount for a batch [mL or g] from a rate per kg and the seed's mass.

    Raises
    ------
    InputError
        If a number is negative or not finite.

    Examples
    --------
    >>> batch_amount(2.0, 1000.0)
    2000.0
    """
    return not_negative("rate", per_kg) * not_negative("seed mass", mass_kg)


def dose(
    item: str,
    rate: float,
    rate_unit: str,
    seed: SeedFacts,
    *,
    pack: Pack | None = None,
    density_g_per_ml: float | None = None,
    tank: str = "",
) -> Dose:
    """One item of a recipe as an amount for a batch.

    Parameters
    ----------
    item : str
        Product or inoculant.
    rate, rate_unit : float, str
        As in the recipe.
    seed : SeedFacts
        The batch.
    pack : Pack or None
        What one pack of the item holds; without it a rate in packs is counted in packs.
    density_g_per_ml : float or None
        Where given, an item dosed by mass is taken for a liquid and counted as wetting the seed:
        the careful side of a liquid limit.
    tank : str
        Letter of its tank.

    Returns
    -------
    Dose
        With None for what a missing fact leaves unknown, never a guess; ``text`` names the fact.

    Raises
    ------
    InputError
        If the rate is negative or not finite.
    UnitError
        If the unit is unknown.

    Examples
    --------
    >>> dose("I1", 2, "mL/kg", SeedFacts(mass_kg=1000)).amount
    2000.0
    """
    unit = parse_rate_unit(rate_unit)
    pack = pack_or_count(unit, pack)
    kind = item_unit(unit, pack)
    not_negative(f"rate of {item}", rate)
    text = echo(rate, unit, seed, pack)
    per_kg: float | None = None
    try:
        per_kg = rate_per_kg(rate, unit, seed, pack)
    except UnitError as missing:
        text = f"{text} ({missing.what})"
    total = _total(rate, unit, per_kg, seed, pack)
    liquid: float | None = 0.0
    if kind != "g":
        liquid = per_kg if kind == "mL" else None
    if kind == "g" and density_g_per_ml is not None:
        if not (math.isfinite(density_g_per_ml) and density_g_per_ml > 0):
            raise InputError(f"The density of {item} is {density_g_per_ml}. Give g per mL above 0.")
        liquid = None if per_kg is None else per_kg / density_g_per_ml
    return Dose(item, total, kind, per_kg, text, liquid, tank)


def echo(rate: float, unit: RateUnit, seed: SeedFacts, pack: Pack | None = None) -> str:
    """A rate as written and in a second basis, so that a slip shows.

    Examples
    --------
    >>> echo(4, parse_rate_unit("fl oz/cwt"), SeedFacts())
    '4 fl oz/cwt = 260.8 mL/100 kg'
    >>> echo(100, parse_rate_unit("mL/unit"), SeedFacts())
    '100 mL/unit'
    """
    written = f"{plain(rate)} {unit.text}"
    kind = item_unit(unit, pack)
    if kind == "packs":
        return written
    metric = unit.per == "seed_mass" and unit.text.endswith("kg")
    customary = "fl oz/cwt" if kind == "mL" else "oz/cwt"
    second = parse_rate_unit(customary if metric else f"{kind}/100 kg")
    try:
        per_kg = rate_per_kg(rate, unit, seed, pack)
    except UnitError:
        return written
    return f"{written} = {plain(from_per_kg_seed(per_kg, second))} {second.text}"


def packs_needed(amount: float, pack_amount: float) -> tuple[int, float]:
    """Whole packs to open for an amount, and what is left over of them.

    Parameters
    ----------
    amount, pack_amount : float
        In the same unit; ``pack_amount`` > 0.

    Examples
    --------
    >>> packs_needed(2500.0, 1000.0)
    (3, 500.0)
    """
    if not_negative("pack", pack_amount) == 0:
        raise InputError("A pack holds 0. Give what one pack holds.")
    share = not_negative("amount", amount) / pack_amount
    if not math.isfinite(share):
        raise InputError("The number of packs is too large to compute. Check the units.")
    packs = math.ceil(share * (1 - ROUNDING))
    return packs, max(packs * pack_amount - amount, 0.0)


def liquid_ml_per_100kg(doses: Iterable[Dose]) -> float | None:
    """Liquid that wets the seed, water included [mL per 100 kg]; None if any of it is not known.

    Examples
    --------
    >>> seed = SeedFacts()
    >>> liquid_ml_per_100kg([dose("I1", 2, "mL/kg", seed), dose("water", 1, "mL/kg", seed)])
    300.0
    """
    total = 0.0
    for one in doses:
        if one.liquid_ml_per_kg is None:
            return None
        total += one.liquid_ml_per_kg
    return total * 100


def plain(value: float) -> str:
    """A number to four figures without an exponent.

    Examples
    --------
    >>> plain(260.7939), plain(12345.6), plain(0.5)
    ('260.8', '12346', '0.5')
    """
    if value == 0 or not math.isfinite(value):
        return f"{value:g}"
    places = _SHOWN_DIGITS - 1 - math.floor(math.log10(abs(value)))
    text = f"{value:.{max(places, 0)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _total(
    rate: float, unit: RateUnit, per_kg: float | None, seed: SeedFacts, pack: Pack | None
) -> float | None:
    """Amount for the batch, by mass or by the batch's own count of units, bags or bushels."""
    if per_kg is not None and seed.mass_kg is not None:
        return batch_amount(per_kg, seed.mass_kg)
    if seed.quantity is None or _PER_BATCH_UNIT.get(unit.per) != seed.quantity_unit:
        return None
    each = pack.amount if unit.amount == "packs" and pack else unit.amount_factor
    return rate * each / unit.per_factor * seed.quantity


def not_negative(name: str, value: float) -> float:
    """``value`` if it is finite and not negative, else an :class:`InputError` naming it."""
    if not (math.isfinite(value) and value >= 0):
        raise InputError(f"The {name} is {value}. Give a finite number that is not negative.")
    return float(value)
