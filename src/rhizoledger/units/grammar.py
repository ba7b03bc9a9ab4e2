"""The grammar of application rates: an amount per something, closed and exact.

An amount is a volume, a mass, or packs; it is counted per seed mass, seed unit, bag, bushel, area,
or length of row. :mod:`rhizoledger.units.rates` turns one basis into another.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

from rhizoledger.errors import UnitError
from rhizoledger.units.factors import AREA, LENGTH, MASS, VOLUME, is_bushel
from rhizoledger.units.names import UnitKind, finite, split_ratio, tidied, unknown_unit

Amount = Literal["volume", "mass", "packs"]
Per = Literal["seed_mass", "seed_unit", "seed_bag", "seed_bushel", "area", "row"]

_PACK = frozenset(("pack", "packs"))
_UNIT = frozenset(("unit", "units", "seed unit", "seed units"))
_BAG = frozenset(("bag", "bags"))
_AMOUNT_MASSES = frozenset(("kg", "g", "mg", "lb", "oz"))
_ROW_LENGTHS = frozenset(("ft", "m"))
SEED_BASES = frozenset(("seed_mass", "seed_unit", "seed_bag", "seed_bushel"))

_PER = UnitKind(
    "something a rate is counted per",
    MappingProxyType(
        dict.fromkeys(("kg", "lb", "cwt", "t", "unit", "bag", "bu", "ac", "ha", "ft", "m"), 1.0)
    ),
    MappingProxyType({**MASS.spellings, **AREA.spellings, **LENGTH.spellings, "unit": "unit"}),
    MappingProxyType(
        {
            "": ("It does not say per what.", "Write for example fl oz/cwt or fl oz/1000 ft."),
            "wt": ("wt is not a unit.", "Write cwt (100 lb)."),
        }
        | dict.fromkeys(
            ("seed", "seeds"),
            ("A rate per single seed is not taken.", "Write it per kg, cwt, unit, bag or bu."),
        )
    ),
)


@dataclass(frozen=True, slots=True)
class RateUnit:
    """The unit of an application rate, with exact factors.

    Parameters
    ----------
    amount : {"volume", "mass", "packs"}
        What is applied.
    amount_factor : float
        One unit of the amount in mL or g; 1 for packs.
    per : {"seed_mass", "seed_unit", "seed_bag", "seed_bushel", "area", "row"}
        What it is applied to.
    per_factor : float
        The denominator in kg, units, bags, bushels, ha or m.
    text : str
        The unit as it is written everywhere: "fl oz/cwt", "mL/100 kg", "pack/50 units".
    """

    amount: Amount
    amount_factor: float
    per: Per
    per_factor: float
    text: str


def parse_rate_unit(text: str) -> RateUnit:
    """The rate unit that a text names.

    Parameters
    ----------
    text : str
        An amount, ``/`` or ``per``, an optional count, and a basis: "fl oz/cwt", "mL per 100 kg",
        "pack/50 units", "fl oz/1000 ft", "g per 100 m of row".

    Raises
    ------
    UnitError
        If it is unknown or could mean two things; the text says what was probably meant.

    Examples
    --------
    >>> unit = parse_rate_unit("FL OZ per 100 lb")
    >>> unit.per, round(unit.per_factor, 6), unit.text
    ('seed_mass', 45.359237, 'fl oz/100 lb')
    """
    top, bottom = split_ratio(text)
    amount, amount_factor, amount_name = _amount(text, top)
    count, basis = _count(text, bottom)
    per, per_factor, per_name = _basis(text, basis)
    if count == 1:
        per_text = per_name
    else:
        plural = "s" if per in ("seed_unit", "seed_bag") else ""
        per_text = f"{count:.15g} {per_name}{plural}"
    return RateUnit(amount, amount_factor, per, count * per_factor, f"{amount_name}/{per_text}")


def parse_rate(text: str) -> tuple[float, RateUnit]:
    """A rate written as one text: a number and a rate unit.

    Raises
    ------
    UnitError
        If there is no number in front, the number is negative or ambiguous, or the unit is unknown.

    Examples
    --------
    >>> value, unit = parse_rate("4 fl oz/cwt")
    >>> value, unit.text
    (4.0, 'fl oz/cwt')
    """
    match = _LEADING_NUMBER.match(tidied(text))
    if match is None:
        raise UnitError(text, "There is no number in front.", "Write it like '4 fl oz/cwt'.")
    value = _number(text, match["number"])
    if value < 0:
        raise UnitError(text, "A rate cannot be negative.", "Write the amount that is applied.")
    return value, parse_rate_unit(match["rest"])


def item_amount(value: float, unit: str) -> tuple[Amount, float]:
    """An amount of product as a volume in mL or a mass in g, whichever the unit says.

    Raises
    ------
    UnitError
        On an unknown unit.

    Examples
    --------
    >>> item_amount(2, "L")
    ('volume', 2000.0)
    """
    amount, factor, name = _amount(unit, tidied(unit))
    return amount, finite(value, name) * factor


_LEADING_NUMBER = re.compile(
    r"(?P<number>[+-]?(?:\d[\d.,]*|\.\d+)(?:[eE][+-]?\d+)?)\s*(?P<rest>.*)"
)


def _number(text: str, number: str) -> float:
    if re.search(r",\d{3}(?!\d)", number):
        raise UnitError(
            text,
            f"{number} may mean a thousand or a decimal.",
            "Write thousands without a comma and decimals with a point.",
        )
    try:
        value = float(number.replace(",", "."))
    except ValueError:
        raise UnitError(text, f"{number} is not a number.", "Write it like 1000 or 2.5.") from None
    if not math.isfinite(value):
        raise UnitError(text, f"{number} is too large.", "Check the number.")
    return value


def _count(text: str, bottom: str) -> tuple[float, str]:
    """The count in front of a basis (1 where there is none), and the basis."""
    match = _LEADING_NUMBER.match(bottom)
    if match is None:
        return 1.0, bottom
    count = _number(text, match["number"])
    if count <= 0:
        raise UnitError(text, "A rate per nothing has no meaning.", "Write a number above zero.")
    return count, match["rest"]


def _amount(text: str, top: str) -> tuple[Amount, float, str]:
    if top.lower() in _PACK:
        return "packs", 1.0, "pack"
    volume = VOLUME.find(top)
    if volume is not None:
        return "volume", VOLUME.factors[volume], volume
    mass = MASS.find(top)
    if mass in _AMOUNT_MASSES:
        return "mass", MASS.factors[mass] * 1000, mass  # exact: 1,000 g to the kg
    if mass is not None:
        raise UnitError(text, f"{mass} is not an amount to apply.", "Write kg, g, lb or oz.")
    raise unknown_unit(text, top, VOLUME, MASS) from None


def _basis(text: str, basis: str) -> tuple[Per, float, str]:
    """Kind, factor and name of what a rate is counted per; "of seed" and "of row" may follow."""
    words = basis.split()
    lower = [word.lower() for word in words]
    of_row, of_seed = "row" in lower, len(words) > 1 and "seed" in lower
    drop = {"of", "row", "seed"} if of_seed else {"of", "row"}
    core = " ".join(word for word in words if word.lower() not in drop)
    per, factor, name = _bare_basis(text, core)
    if (of_row and per != "row") or (of_seed and per not in SEED_BASES):
        raise UnitError(
            text,
            f"{name} does not go with '{'row' if of_row else 'seed'}'.",
            "Write a length for row, a mass, unit, bag or bu for seed.",
        )
    return per, factor, name


def _bare_basis(text: str, core: str) -> tuple[Per, float, str]:
    lower = core.lower()
    if lower in _UNIT:
        return "seed_unit", 1.0, "unit"
    if lower in _BAG:
        return "seed_bag", 1.0, "bag"
    if is_bushel(core):
        return "seed_bushel", 1.0, "bu"
    mass = MASS.find(core)
    if mass is not None:
        return "seed_mass", MASS.factors[mass], mass
    area = AREA.find(core)
    if area is not None:
        return "area", AREA.factors[area], area
    length = LENGTH.find(core)
    if length in _ROW_LENGTHS:
        return "row", LENGTH.factors[length], length
    if lower in MASS.hints:
        raise UnitError(text, *MASS.hints[lower])
    raise unknown_unit(text, core, _PER)
