"""Filling tanks and setting the pump for a batch (§3.1)."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from rhizoledger.treating.rates import Dose, ItemUnit, not_negative, packs_needed


@dataclass(frozen=True, slots=True)
class TankLoad:
    """How one tank is filled for a batch.

    ``per_full_fill`` and ``last_fill`` give (item, amount, unit) for each item.
    """

    tank: str
    liquid_ml: float
    fills: int
    per_full_fill: tuple[tuple[str, float, ItemUnit], ...]
    last_fill: tuple[tuple[str, float, ItemUnit], ...]


def tank_loads(doses: Iterable[Dose], tank_ml: float) -> tuple[TankLoad, ...]:
    """Fills of each tank, and what goes into a full and into the last fill.

    Parameters
    ----------
    doses : iterable of Dose
        Amounts for the batch; an amount that is not known leaves its tank out.
    tank_ml : float
        What the tank holds, > 0 [mL].

    Examples
    --------
    5 L through a 2 L tank: two full fills and one of 1 L.

    >>> from rhizoledger.treating.rates import SeedFacts, dose
    >>> load, = tank_loads([dose("I1", 5, "mL/kg", SeedFacts(mass_kg=1000), tank="A")], 2000.0)
    >>> load.fills, load.per_full_fill, load.last_fill
    (3, (('I1', 2000.0, 'mL'),), (('I1', 1000.0, 'mL'),))
    """
    by_tank: dict[str, list[Dose]] = {}
    for one in doses:
        by_tank.setdefault(one.tank, []).append(one)
    loads = []
    for tank, items in by_tank.items():
        liquid = _liquid_ml(items)
        if not liquid:
            continue
        fills, _ = packs_needed(liquid, tank_ml)
        full = min(tank_ml / liquid, 1.0)
        amounts = [(one.item, one.amount or 0.0, one.unit) for one in items]
        each = tuple((item, amount * full, unit) for item, amount, unit in amounts)
        last = tuple(
            (item, max(amount - amount * full * (fills - 1), 0.0), unit)
            for item, amount, unit in amounts
        )
        loads.append(TankLoad(tank, liquid, fills, each, last))
    return tuple(loads)


def pump_ml_per_min(ml_per_kg: float, seed_kg_per_min: float) -> float:
    """What a pump must deliver for a flow of seed [mL/min].

    Examples
    --------
    >>> pump_ml_per_min(2.5, 200.0)
    500.0
    """
    return not_negative("rate", ml_per_kg) * not_negative("seed flow", seed_kg_per_min)


def _liquid_ml(doses: Iterable[Dose]) -> float | None:
    """Liquid in a tank for the batch [mL]; None if any of it is not known."""
    total = 0.0
    for one in doses:
        if one.amount is None or one.liquid_ml_per_kg is None:
            return None
        if one.unit == "mL":
            total += one.amount
        elif one.per_kg:
            total += one.amount * (one.liquid_ml_per_kg / one.per_kg)
    return total
