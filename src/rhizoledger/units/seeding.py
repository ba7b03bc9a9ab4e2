"""Seeding rates by number and by mass."""

from __future__ import annotations

from rhizoledger.errors import UnitError
from rhizoledger.units.factors import AREA, MASS
from rhizoledger.units.names import finite, split_ratio
from rhizoledger.units.rates import fact

_SEEDS = frozenset(("seed", "seeds"))


def _parts(unit: str) -> tuple[bool, float]:
    """Whether the rate counts seeds (else it weighs them), and one unit in seeds/ha or kg/ha."""
    top, bottom = split_ratio(unit)
    ha = AREA.factor(bottom)
    if top.lower() in _SEEDS:
        return True, 1 / ha
    mass = MASS.find(top)
    if mass is None:
        raise UnitError(
            unit,
            "This is not known as a seeding rate.",
            "Write seeds/ac, seeds/ha, lb/ac or kg/ha.",
        )
    return False, MASS.factors[mass] / ha


def seeds_per_ha(value: float, unit: str, seeds_per_kg: float | None = None) -> float:
    """Seeds sown per hectare [seeds/ha].

    Parameters
    ----------
    value : float
        The seeding rate.
    unit : str
        seeds/ac, seeds/ha, lb/ac or kg/ha.
    seeds_per_kg : float, optional
        Seed size [seeds/kg], needed for a rate by mass.

    Raises
    ------
    UnitError
        On an unknown unit, or if the seed size is needed and missing.

    Examples
    --------
    >>> seeds_per_ha(50, "kg/ha", seeds_per_kg=6000)
    300000.0
    """
    counted, one = _parts(unit)
    amount = finite(value, unit) * one
    return amount if counted else amount * fact(unit, "seeds_per_kg", seeds_per_kg)


def kg_per_ha_seeding(value: float, unit: str, seeds_per_kg: float | None = None) -> float:
    """Seed mass sown per hectare [kg/ha]; the seed size is needed for a rate by number.

    Examples
    --------
    >>> kg_per_ha_seeding(300_000, "seeds/ha", seeds_per_kg=6000)
    50.0
    """
    counted, one = _parts(unit)
    amount = finite(value, unit) * one
    return amount / fact(unit, "seeds_per_kg", seeds_per_kg) if counted else amount
