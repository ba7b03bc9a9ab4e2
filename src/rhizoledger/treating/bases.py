"""What a rate may be an amount of and counted per: the rate grammar, and single seeds beside it.

On a tag a mass per seed is mostly of active ingredient and in a recipe of product, so it is taken
only where it says which (§3.1).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal

from rhizoledger.errors import UnitError
from rhizoledger.units import RateUnit, parse_rate_unit
from rhizoledger.units.names import split_ratio, tidied

Amount = Literal["mL", "g", "active g", "packs", "cells"]
Per = Literal["kg", "unit", "bag", "bu", "seeds", "ha", "m"]

_AMOUNTS: dict[str, Amount] = {"volume": "mL", "mass": "g", "packs": "packs"}
_PERS: dict[str, Per] = {
    "seed_mass": "kg", "seed_unit": "unit", "seed_bag": "bag", "seed_bushel": "bu",
    "area": "ha", "row": "m",
}  # fmt: skip
_CELLS = frozenset(("cell", "cells", "cfu", "live cells"))
_MICRO = frozenset(("ul", "µl", "μl", "microlitre", "microlitres", "microliter", "microliters"))
_SEEDS = re.compile(r"(?P<count>.*?)\s*\bseeds?", re.IGNORECASE)
_OF = re.compile(
    r"(?P<mass>.+?) (?P<of>active ingredient|active|ai|as|product)|"
    r"(?P<of2>active|ai|product) (?P<mass2>.+)",
    re.IGNORECASE,
)
_UL_ML = 1 / 1000  # exact: a thousandth of a mL


@dataclass(frozen=True, slots=True)
class Basis:
    """What a rate is an amount of, and what it is counted per.

    Parameters
    ----------
    amount : {"mL", "g", "active g", "packs", "cells"}
        What is counted above the line.
    amount_factor : float
        One unit of it in that.
    per : {"kg", "unit", "bag", "bu", "seeds", "ha", "m"}
        What is counted below the line; m is of row.
    per_factor : float
        The denominator in that.
    text : str
        As it is written everywhere.
    """

    amount: Amount
    amount_factor: float
    per: Per
    per_factor: float
    text: str


def parse_basis(text: str) -> Basis:
    """The basis that a text names.

    Parameters
    ----------
    text : str
        Any rate unit; also per seed or so many seeds, an amount of cells, and a mass that says
        whether it is of active ingredient ("g active/100 kg", "mg ai/seed") or product.

    Raises
    ------
    UnitError
        If it is unknown or could mean two things; the text says what was probably meant.

    Examples
    --------
    >>> parse_basis("mg a.i. per seed").text, parse_basis("ul/seed").text
    ('mg active/seed', 'µL/seed')
    >>> parse_basis("fl oz/cwt").per_factor
    45.359237
    """
    top, bottom = split_ratio(text)
    count = _seed_count(text, bottom)
    amount, factor, name, said = _amount(text, top)
    if count is None:
        unit = _unit(text, f"mL/{bottom}")
        per, per_factor = _PERS[unit.per], unit.per_factor
        per_name = unit.text.removeprefix("mL/")
    else:
        per, per_factor = "seeds", count
        per_name = "seed" if count == 1 else f"{count:.15g} seeds"
        if amount == "g" and not said:
            raise UnitError(
                text,
                "A mass per seed may be of active ingredient or of product.",
                f"Write '{name} active/{per_name}' or '{name} product/{per_name}'.",
            )
        if said:
            name = f"{name} product"
    return Basis(amount, factor, per, per_factor, f"{name}/{per_name}")


def _seed_count(text: str, bottom: str) -> float | None:
    """How many seeds a denominator counts; None where it counts something else."""
    match = _SEEDS.fullmatch(bottom)
    if match is None:
        return None
    if not match["count"]:
        return 1.0
    # The grammar reads the number; "seed" after a mass is "of seed" and not a count.
    try:
        unit = parse_rate_unit(f"mL/{match['count']} unit")
    except UnitError:
        return None
    return unit.per_factor


def _amount(text: str, top: str) -> tuple[Amount, float, str, bool]:
    """What is applied, its factor and name, and whether it says that it is of product."""
    lower = top.lower()
    if lower in _CELLS:
        return "cells", 1.0, "cells", False
    if lower in _MICRO:
        return "mL", _UL_ML, "µL", False
    match = _OF.fullmatch(tidied(top))
    core = top if match is None else (match["mass"] or match["mass2"])
    unit = _unit(text, f"{core}/kg")
    kind, factor = _AMOUNTS[unit.amount], unit.amount_factor
    name = unit.text.removesuffix("/kg")
    if match is None:
        return kind, factor, name, False
    of = (match["of"] or match["of2"]).lower()
    if kind != "g":
        raise UnitError(
            text,
            f"{name} {of}: only a mass says whether it is of active or product.",
            "Write mL or fl oz alone for a volume, and mg active or g active for active.",
        )
    if of == "product":
        return "g", factor, name, True
    return "active g", factor, f"{name} active", False


def _unit(text: str, part: str) -> RateUnit:
    """A part read by the rate grammar; what is wrong with it is said of the whole text."""
    try:
        return parse_rate_unit(part)
    except UnitError as error:
        raise UnitError(text, error.what, error.remedy) from error
