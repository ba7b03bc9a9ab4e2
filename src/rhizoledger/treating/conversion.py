"""One rate in every basis: what ties product to active and cells, and seed to land, in one tree.

An amount and a denominator each convert along links (a density, a seed size, a row spacing). A
link that is not known is named, never assumed (§3.1).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from rhizoledger.errors import InputError, UnitError
from rhizoledger.treating.bases import Basis
from rhizoledger.units import FL_OZ_ML, M2_PER_HA, OZ_G

Fact = Literal[
    "seeds_per_kg", "seeds_per_unit", "kg_per_bag", "kg_per_bu", "seeding_rate", "row_spacing",
    "density", "active", "titre", "pack",
]  # fmt: skip

WORDS: dict[Fact, str] = {
    "seeds_per_kg": "the seed size",
    "seeds_per_unit": "the number of seeds in a unit",
    "kg_per_bag": "the weight of a bag",
    "kg_per_bu": "the crop's bushel weight",
    "seeding_rate": "the seeding rate",
    "row_spacing": "the row spacing",
    "density": "the density of the product",
    "active": "how much active ingredient the product holds",
    "titre": "the titre",
    "pack": "what one pack holds",
}
"""Each fact as a sentence says it."""

SLIPS = (
    (FL_OZ_ML, "mL and US fl oz"),
    (OZ_G, "g and oz"),
    (100.0, "per kg and per 100 kg, or per lb and per cwt"),
    (1000.0, "mL and L, or g and kg"),  # exact: thousands
    (10.0, "a decimal point"),
)
"""Ratios that a slip of unit leaves behind."""
SLIP_WIDTH = 0.02  # numeric: rates are rounded; fl oz and oz lie twice as far apart


@dataclass(frozen=True, slots=True)
class PerAmount:
    """So much (g of active, or cells) in one mL or one g of product."""

    value: float
    per: Literal["mL", "g"]


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known for turning one basis into another; None where not known.

    Parameters
    ----------
    seeds_per_kg, seeds_per_unit, kg_per_bag, kg_per_bu : float or None
        Of the seed, > 0.
    seeding : (float, {"kg", "seeds"}) or None
        kg or seeds sown per hectare.
    row_spacing_m : float or None
        Between rows [m].
    density_g_per_ml : float or None
        Of the product.
    active : PerAmount or None
        g of active ingredient in one mL or g of product.
    titre : PerAmount or None
        Live cells in one mL or g.
    pack : PerAmount or None
        mL or g that one pack holds, with which of the two.

    Raises
    ------
    InputError
        If a number is not above zero.
    """

    seeds_per_kg: float | None = None
    seeds_per_unit: float | None = None
    kg_per_bag: float | None = None
    kg_per_bu: float | None = None
    seeding: tuple[float, Literal["kg", "seeds"]] | None = None
    row_spacing_m: float | None = None
    density_g_per_ml: float | None = None
    active: PerAmount | None = None
    titre: PerAmount | None = None
    pack: PerAmount | None = None

    def __post_init__(self) -> None:
        numbers: tuple[tuple[Fact, float | None], ...] = (
            ("seeds_per_kg", self.seeds_per_kg),
            ("seeds_per_unit", self.seeds_per_unit),
            ("kg_per_bag", self.kg_per_bag),
            ("kg_per_bu", self.kg_per_bu),
            ("seeding_rate", None if self.seeding is None else self.seeding[0]),
            ("row_spacing", self.row_spacing_m),
            ("density", self.density_g_per_ml),
            ("active", None if self.active is None else self.active.value),
            ("titre", None if self.titre is None else self.titre.value),
            ("pack", None if self.pack is None else self.pack.value),
        )
        for fact, number in numbers:
            if number is not None and not (math.isfinite(number) and number > 0):
                words = WORDS[fact]
                raise InputError(
                    f"{words[0].upper()}{words[1:]} is {number:g}; it must be above 0."
                )


@dataclass(frozen=True, slots=True)
class _Link:
    """One of ``a`` is ``ratio`` of ``b``, where the fact is known."""

    a: str
    b: str
    fact: Fact
    ratio: float | None


def convert(value: float, source: Basis, target: Basis, facts: Facts) -> float:
    """A rate in another basis.

    Parameters
    ----------
    value : float
        In ``source``.
    source, target : Basis
        As :func:`rhizoledger.treating.bases.parse_basis` reads them.
    facts : Facts
        Those on the way must be known.

    Raises
    ------
    UnitError
        If one of them is not; the text names all that are missing.

    Notes
    -----
    §3.1. Exact factors all the way. Active and cells are what is *put on*, not what stays or lives.

    Examples
    --------
    >>> from rhizoledger.treating.bases import parse_basis
    >>> mg, ml = parse_basis("mg active/seed"), parse_basis("mL/kg")
    >>> round(convert(1, ml, mg, Facts(seeds_per_kg=6000, active=PerAmount(0.6, "mL"))), 9)
    0.1
    """
    absent = missing(source, target, facts)
    if absent:
        words = " and ".join(WORDS[fact] for fact in absent)
        raise UnitError(
            source.text, f"In {target.text} it takes {words}, which is not known.", "Give it too."
        )
    top = _ratio(_along(_amount_links(facts), source.amount, target.amount))
    amount = source.amount_factor * top / target.amount_factor
    if source.per == target.per:
        return value * (amount / (source.per_factor / target.per_factor))
    below = _ratio(_along(_seed_links(facts), source.per, target.per))
    return value * (amount / (source.per_factor * below / target.per_factor))


def missing(source: Basis, target: Basis, facts: Facts) -> tuple[Fact, ...]:
    """The facts that a conversion takes and that are not known, in the order of the way.

    Examples
    --------
    >>> from rhizoledger.treating.bases import parse_basis
    >>> missing(parse_basis("mL/kg"), parse_basis("mL/unit"), Facts())
    ('seeds_per_kg', 'seeds_per_unit')
    """
    way = [
        *_along(_amount_links(facts), source.amount, target.amount),
        *_along(_seed_links(facts), source.per, target.per),
    ]
    return tuple(dict.fromkeys(link.fact for link in way if link.ratio is None))


def slip_of(ratio: float) -> str | None:
    """What two units a ratio of rates looks like having been mixed up, or None.

    Examples
    --------
    >>> slip_of(29.57), slip_of(1 / 100), slip_of(17.0)
    ('mL and US fl oz', 'per kg and per 100 kg, or per lb and per cwt', None)
    """
    if not ratio > 0:
        return None
    off = abs(math.log(ratio))
    return next((words for r, words in SLIPS if abs(off - math.log(r)) <= SLIP_WIDTH), None)


def _amount_links(f: Facts) -> tuple[_Link, ...]:
    return (
        _Link("mL", "g", "density", f.density_g_per_ml),
        _per_amount(f.active, "active g", "active"),
        _per_amount(f.titre, "cells", "titre"),
        _per_pack(f.pack),
    )


def _per_amount(found: PerAmount | None, node: str, fact: Fact) -> _Link:
    return _Link("mL", node, fact, None) if found is None else _Link(
        found.per, node, fact, found.value
    )  # fmt: skip


def _per_pack(found: PerAmount | None) -> _Link:
    if found is None:
        return _Link("packs", "mL", "pack", None)
    return _Link("packs", found.per, "pack", found.value)


def _seed_links(f: Facts) -> tuple[_Link, ...]:
    metres = None if f.row_spacing_m is None else M2_PER_HA / f.row_spacing_m
    sown, of = (None, "kg") if f.seeding is None else f.seeding
    return (
        _Link("kg", "seeds", "seeds_per_kg", f.seeds_per_kg),
        _Link("unit", "seeds", "seeds_per_unit", f.seeds_per_unit),
        _Link("bag", "kg", "kg_per_bag", f.kg_per_bag),
        _Link("bu", "kg", "kg_per_bu", f.kg_per_bu),
        _Link("ha", of, "seeding_rate", sown),
        _Link("ha", "m", "row_spacing", metres),
    )


def _along(links: Sequence[_Link], start: str, end: str) -> list[_Link]:
    """The links from one node to another, each turned the way it is gone; a tree has one way."""
    way = _way(links, start, end, None)
    assert way is not None, f"no way from {start} to {end}"
    return way


def _way(links: Sequence[_Link], at: str, end: str, came: _Link | None) -> list[_Link] | None:
    if at == end:
        return []
    for link in links:
        if link is came or at not in (link.a, link.b):
            continue
        turned = link if link.a == at else _Link(
            link.b, link.a, link.fact, None if link.ratio is None else 1 / link.ratio
        )  # fmt: skip
        rest = _way(links, turned.b, end, link)
        if rest is not None:
            return [turned, *rest]
    return None


def _ratio(way: Sequence[_Link]) -> float:
    return math.prod(link.ratio for link in way if link.ratio is not None)
