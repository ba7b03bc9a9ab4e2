"""Partial budgets: only what changes, and nothing counted twice (§4.4)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from rhizoledger.errors import InputError
from rhizoledger.money.break_even import amount, checked

_NOTHING: Mapping[str, float] = MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Budget:
    """The four sides of a partial budget and their balance [money per area].

    ``gross`` is what comes in or is saved; ``net`` is what is left after what goes out or is lost.
    Gross is never profit.
    """

    added_returns: Mapping[str, float]
    reduced_costs: Mapping[str, float]
    added_costs: Mapping[str, float]
    reduced_returns: Mapping[str, float]
    gross: float
    net: float

    def lines(self) -> tuple[tuple[str, str, float], ...]:
        """Every line as (side, label, signed money), in the order they are read out."""
        sides = (
            ("added returns", self.added_returns, 1),
            ("reduced costs", self.reduced_costs, 1),
            ("added costs", self.added_costs, -1),
            ("reduced returns", self.reduced_returns, -1),
        )
        return tuple(
            (side, label, sign * money)
            for side, lines, sign in sides
            for label, money in lines.items()
        )

    def to_dict(self) -> dict[str, Any]:
        """The budget as plain JSON values."""
        return {
            "added_returns": dict(self.added_returns),
            "reduced_costs": dict(self.reduced_costs),
            "added_costs": dict(self.added_costs),
            "reduced_returns": dict(self.reduced_returns),
            "gross": self.gross,
            "net": self.net,
        }


def budget(
    *,
    added_returns: Mapping[str, float] = _NOTHING,
    reduced_costs: Mapping[str, float] = _NOTHING,
    added_costs: Mapping[str, float] = _NOTHING,
    reduced_returns: Mapping[str, float] = _NOTHING,
) -> Budget:
    """A partial budget: (added returns + reduced costs) − (added costs + reduced returns).

    Parameters
    ----------
    added_returns, reduced_costs, added_costs, reduced_returns : mapping of str to float
        Money per area by label, each >= 0: the side says the sign.

    Raises
    ------
    InputError
        If a line is negative or not a finite number.

    Examples
    --------
    1.5 bu/ac at 9 is 13.5 gross; after a cost of 4 it is 9.5 net.

    >>> b = budget(added_returns={"1.5 bu at 9": 13.5}, added_costs={"inoculant": 4.0})
    >>> b.gross, b.net
    (13.5, 9.5)
    """
    added, saved = _side(added_returns), _side(reduced_costs)
    spent, lost = _side(added_costs), _side(reduced_returns)
    gross = checked("gross", math.fsum((*added.values(), *saved.values())))
    out = checked("cost", math.fsum((*spent.values(), *lost.values())))
    return Budget(added, saved, spent, lost, gross, gross - out)


def cost_per_area_from_pack(
    pack_price: float,
    pack_amount: float,
    per_kg: float,
    kg_per_ha: float,
    *,
    ha_per_area: float = 1.0,
    other_per_area: float = 0.0,
) -> float:
    """What an item on the seed costs per area, from the price of a pack.

    Parameters
    ----------
    pack_price : float
        Price of one pack, >= 0 [money].
    pack_amount : float
        What is in it, > 0 [mL or g].
    per_kg : float
        Rate, >= 0 [the same mL or g per kg of seed].
    kg_per_ha : float
        Seeding rate, >= 0 [kg of seed per ha].
    ha_per_area : float
        Hectares in one of the shop's areas, > 0; 1 for money per hectare.
    other_per_area : float
        Fee, freight and the like, >= 0 [money per area].

    Returns
    -------
    float
        Money per area for what goes on the seed; what is left in an opened pack is not charged.

    Raises
    ------
    InputError
        If a number is missing, negative or not finite, or the pack or the area is empty.

    Examples
    --------
    A 1000 mL pack for 50 at 2 mL per kg on 100 kg/ha is 10 per ha.

    >>> cost_per_area_from_pack(50.0, 1000.0, 2.0, 100.0)
    10.0
    """
    if amount("amount in a pack", pack_amount) == 0:
        raise InputError("The pack holds 0. Give what one pack holds, in mL or g.")
    if amount("hectares per area", ha_per_area) == 0:
        raise InputError("The area holds 0 hectares. Give the hectares in one area.")
    per_ha = amount("rate", per_kg) * amount("seeding rate", kg_per_ha)
    price_each = amount("pack price", pack_price) / pack_amount
    other = amount("other cost", other_per_area)
    return checked("cost per area", price_each * per_ha * ha_per_area + other)


def _side(lines: Mapping[str, float]) -> Mapping[str, float]:
    return MappingProxyType({label: amount(label, money) for label, money in lines.items()})
