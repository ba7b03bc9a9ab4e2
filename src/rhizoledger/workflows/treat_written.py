"""Amounts as they are written on a command line: a number with its unit, read into facts."""

from __future__ import annotations

import re
from typing import Literal

from rhizoledger.errors import InputError, UnitError
from rhizoledger.season.numerals import CellError, Style, read_number
from rhizoledger.treating.bases import Basis, parse_basis
from rhizoledger.treating.conversion import PerAmount
from rhizoledger.units import item_amount, kg_per_ha_seeding, mass_kg, seeds_per_ha
from rhizoledger.units.names import split_ratio

NUMBER = re.compile(r"\s*(?P<number>[+-]?[\d.,']*\d[\d.,']*(?:[eE][+-]?\d+)?)\s*(?P<unit>.*)")
LARGEST_CV = 3.0
"""A plain number above it is taken for a percentage that forgot its sign, and asked about."""
CELLS = ("cfu", "cell", "cells")


def number_and_unit(text: str, example: str) -> tuple[float, str]:
    """A number above zero and the unit behind it.

    Raises
    ------
    UnitError
        If there is no such number; a separator that may mean thousands is refused, not guessed.

    Examples
    --------
    >>> number_and_unit("1e10 CFU/mL", "")
    (10000000000.0, 'CFU/mL')
    """
    match = NUMBER.fullmatch(text)
    if match is None:
        raise UnitError(text, "There is no number in front.", f"Write it like '{example}'.")
    try:
        value = read_number(match["number"], Style())
    except CellError as error:
        raise UnitError(text, error.what, error.remedy) from error
    if value <= 0:
        raise UnitError(text, "It must be above zero.", f"Write it like '{example}'.")
    return value, match["unit"].strip()


def read_rate(text: str) -> tuple[float, Basis]:
    """A rate as one text.

    Examples
    --------
    >>> value, basis = read_rate("4 fl oz/cwt")
    >>> value, basis.text
    (4.0, 'fl oz/cwt')
    """
    value, unit = number_and_unit(text, "4 fl oz/cwt")
    return value, parse_basis(unit)


def read_titre(text: str) -> PerAmount:
    """Live cells in one mL or g.

    Examples
    --------
    >>> read_titre("1e10 CFU/mL"), read_titre("2e12 CFU/kg").value
    (PerAmount(value=10000000000.0, per='mL'), 2000000000.0)
    """
    value, unit = number_and_unit(text, "1e10 CFU/mL")
    top, bottom = _so_much_in(text, unit, "1e10 CFU/mL")
    if top.lower() not in CELLS:
        raise UnitError(text, f"{top} is not a count of cells.", "Write it like '1e10 CFU/mL'.")
    return _per(value, text, bottom)


def read_active(text: str) -> PerAmount:
    """Grams of active ingredient in one mL or g of product.

    Examples
    --------
    >>> read_active("600 g/L"), read_active("400 g/kg").value
    (PerAmount(value=0.6, per='mL'), 0.4)
    """
    value, unit = number_and_unit(text, "600 g/L")
    if unit.startswith("%"):
        raise UnitError(
            text,
            "A percentage may be by weight or by volume.",
            f"By weight write '{10 * value:g} g/kg'; by volume write '{10 * value:g} g/L'.",
        )
    top, bottom = _so_much_in(text, unit, "600 g/L")
    words = [w for w in top.split() if w.lower() not in ("ai", "active")]
    kind, grams = item_amount(value, " ".join(words))
    if kind != "mass":
        raise UnitError(text, "Active ingredient is a mass.", "Write it like '600 g/L'.")
    found = _per(grams, text, bottom)
    if found.per == "g" and found.value > 1:
        raise UnitError(text, "This is more active than there is product.", "Check the unit.")
    return found


def read_pack(text: str) -> PerAmount:
    """What one pack holds, in mL or g.

    Examples
    --------
    >>> read_pack("3.2 L")
    PerAmount(value=3200.0, per='mL')
    """
    value, unit = number_and_unit(text, "3.2 L")
    kind, amount = item_amount(value, unit)
    if kind == "packs":
        raise UnitError(text, "A pack holds a volume or a mass.", "Write it like '3.2 L'.")
    return PerAmount(amount, "mL" if kind == "volume" else "g")


def read_bag_kg(text: str) -> float:
    """What a bag of seed weighs [kg].

    Examples
    --------
    >>> read_bag_kg("25 kg")
    25.0
    """
    return mass_kg(*number_and_unit(text, "25 kg"))


def read_seeding(text: str) -> tuple[float, Literal["kg", "seeds"]]:
    """Seed sown per hectare, in kg or seeds, whichever the text counts.

    Examples
    --------
    >>> read_seeding("50 kg/ha")
    (50.0, 'kg')
    """
    value, unit = number_and_unit(text, "140000 seeds/ac")
    _so_much_in(text, unit, "140000 seeds/ac' or '60 lb/ac")
    if unit.lower().lstrip().startswith("seed"):
        return seeds_per_ha(value, unit), "seeds"
    return kg_per_ha_seeding(value, unit), "kg"


def read_share(text: str, example: str = "5%") -> float:
    """A share written as a percentage, or as a fraction below one.

    Raises
    ------
    InputError
        If it may be meant either way, or lies outside 0 to 1.

    Examples
    --------
    >>> read_share("5%"), read_share("0.05")
    (0.05, 0.05)
    """
    try:
        value, unit = number_and_unit(text, example)
    except UnitError as error:
        raise InputError(f"{text!r}: {error.what} Write it like {example} or 0.05.") from error
    if unit not in ("", "%"):
        raise InputError(f"{text!r}: {unit} is not a percentage. Write it like {example} or 0.05.")
    if unit == "" and value >= 1:
        raise InputError(f"{text!r} may be {value:g} % or {value:g} times. Write {value:g}%.")
    share = value / 100 if unit == "%" else value
    if share >= 1:
        raise InputError(f"{text!r} is the whole or more. Write a share such as {example}.")
    return share


def read_cv(text: str) -> float:
    """A coefficient of variation, as 0.5 or 50%; above one it is still a number, such as 1.2.

    Examples
    --------
    >>> read_cv("50%"), read_cv("0.5"), read_cv("120 %")
    (0.5, 0.5, 1.2)
    """
    if text.strip() in ("0", "0%"):
        return 0.0
    try:
        value, unit = number_and_unit(text, "0.5")
    except UnitError as error:
        raise InputError(f"{text!r}: {error.what} Write it like 0.5 or 50%.") from error
    if unit not in ("", "%"):
        raise InputError(f"{text!r}: {unit} is not a percentage. Write it like 0.5 or 50%.")
    if unit == "" and value > LARGEST_CV:
        raise InputError(f"{text!r} may be {value:g} % or {value:g} times. Write {value:g}%.")
    return value / 100 if unit == "%" else value


def _so_much_in(text: str, unit: str, example: str) -> tuple[str, str]:
    """Both sides of a unit; what has one side only is told what kind of thing was asked for."""
    try:
        return split_ratio(unit)
    except UnitError as error:
        what = "It has to say how much of what, and per what."
        raise UnitError(text, what, f"Write it like '{example}'.") from error


def _per(value: float, text: str, bottom: str) -> PerAmount:
    kind, amount = item_amount(1, bottom)
    if kind == "packs":
        raise UnitError(text, "Per pack is not per mL or g.", "Write it per mL, L, g or kg.")
    return PerAmount(value / amount, "mL" if kind == "volume" else "g")
