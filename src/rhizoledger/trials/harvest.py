"""Harvest weights at standard moisture, and yields of plots (§6)."""

from __future__ import annotations

import math

from rhizoledger.errors import InputError
from rhizoledger.units import M2_PER_HA


def at_standard_moisture(mass: float, moisture_pct: float, standard_pct: float) -> float:
    """Mass that the same dry matter has at the standard moisture.

    Parameters
    ----------
    mass : float
        Mass as weighed, >= 0, any unit.
    moisture_pct : float
        Moisture as weighed, wet basis, in [0, 100) [%].
    standard_pct : float
        Moisture to state it at, wet basis, in [0, 100) [%].

    Returns
    -------
    float
        In the unit of ``mass``. What a buyer pays for wet or dry grain is another matter.

    Raises
    ------
    InputError
        If a moisture is outside [0, 100) or the mass is not a number >= 0.

    Notes
    -----
    mass × (100 - M) / (100 - M_standard).

    Examples
    --------
    >>> at_standard_moisture(87.0, 0.0, 13.0)
    100.0
    """
    if not (math.isfinite(mass) and mass >= 0):
        raise InputError(f"mass is {mass!r}; it must be a number, zero or more.")
    return mass * _dry_pct(moisture_pct, "moisture") / _dry_pct(standard_pct, "standard moisture")


def _dry_pct(moisture_pct: float, what: str) -> float:
    if not (math.isfinite(moisture_pct) and 0 <= moisture_pct < 100):
        raise InputError(
            f"{what} is {moisture_pct!r} %; it must be 0 or more and below 100. "
            "Write it in percent of the wet mass."
        )
    return 100 - moisture_pct


def yield_from_plot(
    mass_kg: float, length_m: float, width_m: float, moisture_pct: float, standard_pct: float
) -> float:
    """Yield of a harvested plot or strip at standard moisture [kg/ha].

    Parameters
    ----------
    mass_kg : float
        Grain mass as weighed, >= 0 [kg].
    length_m, width_m : float
        Harvested length and width, > 0 [m].
    moisture_pct, standard_pct : float
        As in :func:`at_standard_moisture` [%].

    Raises
    ------
    InputError
        If a number is not possible.

    Examples
    --------
    >>> yield_from_plot(50.0, 100.0, 1.0, 13.0, 13.0)
    5000.0
    """
    for name, value in (("length", length_m), ("width", width_m)):
        if not (math.isfinite(value) and value > 0):
            raise InputError(f"{name} of the plot is {value!r} m; it must be above zero.")
    standard_kg = at_standard_moisture(mass_kg, moisture_pct, standard_pct)
    return standard_kg / (length_m * width_m / M2_PER_HA)
