"""A recipe's rate against the label's range, and against a slip of unit or decimal (§3.3)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rhizoledger.errors import UnitError
from rhizoledger.records import Inoculant, Product, RecipeStep
from rhizoledger.treating.cautions import Caution
from rhizoledger.treating.rates import (
    ROUNDING,
    Pack,
    SeedFacts,
    item_unit,
    pack_of,
    pack_or_count,
    plain,
    rate_per_kg,
)
from rhizoledger.units import parse_rate_unit

PESTICIDE_KINDS = frozenset(("fungicide", "insecticide", "nematicide"))
MAGNITUDE = 10.0
"""A rate this many times off the label's is taken for a slip of unit or decimal."""

Item = Inoculant | Product


@dataclass(frozen=True, slots=True)
class Stop:
    """A rule that forbids the run: a code and a sentence that can be read out."""

    code: str
    sentence: str


def is_pesticide(item: Item) -> bool:
    """Whether an item is a fungicide, insecticide or nematicide."""
    return isinstance(item, Product) and item.kind in PESTICIDE_KINDS


def pack_held(item: Item) -> Pack | None:
    """What a pack holds; a pack sold by count of seed, or not said, holds nothing known."""
    try:
        return pack_of(item.pack_size, item.pack_unit)
    except UnitError:
        return None


def density_of(item: Item) -> float | None:
    """Density of a product [g/mL]; None for an inoculant and where it is not given."""
    return item.density_g_per_ml if isinstance(item, Product) else None


def name_of(item: Item) -> str:
    """What the season calls an item."""
    return item.inoculant if isinstance(item, Inoculant) else item.product


def check_rate(
    item: Item,
    steps: Sequence[RecipeStep],
    seed: SeedFacts,
    stops: list[Stop],
    cautions: list[Caution],
    max_per_kg: dict[str, float],
) -> None:
    """Recipe rate against the label's range and against a slip of unit or decimal."""
    name = name_of(item)
    rates = " + ".join(f"{plain(step.rate)} {step.rate_unit}" for step in steps)
    least = item.label_rate_min if isinstance(item, Inoculant) else None
    usual = item.rate if isinstance(item, Inoculant) else None
    most = item.label_rate_max
    unit = item.rate_unit if isinstance(item, Inoculant) else steps[0].rate_unit

    def times(limit: float | None) -> float | None:
        """The recipe's rate as a multiple of a label rate; None where it cannot be compared."""
        if limit is None or unit is None:
            return None
        parts = [
            _ratio(step, limit, unit if isinstance(item, Inoculant) else step.rate_unit, item, seed)
            for step in steps
        ]
        known = [part for part in parts if part is not None]
        return math.fsum(known) if len(known) == len(parts) else None

    over, under, off = times(most), times(least), times(usual)
    slip = any(t is not None and t >= MAGNITUDE for t in (over, off)) or any(
        t is not None and t <= 1 / MAGNITUDE for t in (under, off)
    )
    if over is not None and over > 1 + ROUNDING:
        stops.append(
            Stop(
                "over_label_rate",
                f"{name} at {rates} is over the label's {plain(most or 0.0)} {unit}. "
                "Correct the rate or its unit.",
            )
        )
    elif under is not None and under < 1 - ROUNDING:
        cautions.append(
            Caution(
                "below_label_rate",
                f"{name} at {rates} is below the label's {plain(least or 0.0)} {unit}.",
            )
        )
    if slip:
        cautions.append(
            Caution(
                "rate_magnitude",
                f"{name} at {rates} is ten times or more off its label. Look for a slip of unit "
                "or decimal point.",
            )
        )
    if most is not None and over is None:
        cautions.append(
            Caution(
                "rate_not_checked",
                f"{name} at {rates} could not be compared with the label's maximum: a fact that "
                "the two units need is missing.",
            )
        )
    if most is None and is_pesticide(item):
        cautions.append(
            Caution(
                "no_label_maximum",
                f"The label maximum of {name} is not given, so its rate was not checked.",
            )
        )
    if most is not None and unit is not None:
        limit = _comparable(most, unit, item, seed)
        rate = _comparable(steps[0].rate, steps[0].rate_unit, item, seed)
        if limit is not None and rate is not None and limit[1] == rate[1]:
            max_per_kg[name] = limit[0]


def _ratio(
    step: RecipeStep, limit: float, limit_unit: str, item: Item, seed: SeedFacts
) -> float | None:
    """Rate of a step over a label rate; volume is never compared with mass."""
    if limit == 0:
        return 0.0 if step.rate == 0 else math.inf
    here, there = parse_rate_unit(step.rate_unit), parse_rate_unit(limit_unit)
    if here == there:
        return step.rate / limit
    rate = _comparable(step.rate, step.rate_unit, item, seed)
    most = _comparable(limit, limit_unit, item, seed)
    if rate is None or most is None or rate[1] != most[1]:
        return None
    return rate[0] / most[0]


def _comparable(
    rate: float, rate_unit: str, item: Item, seed: SeedFacts
) -> tuple[float, str] | None:
    """Rate per kg of seed with mL or g, or None where a fact is missing."""
    unit = parse_rate_unit(rate_unit)
    pack = pack_or_count(unit, pack_held(item))
    try:
        return rate_per_kg(rate, unit, seed, pack), item_unit(unit, pack)
    except UnitError:
        return None
