"""The plan of a count by infected plants: which dilutions to plant, and how many plants."""

from __future__ import annotations

import math
from typing import Any

from rhizoledger.counts.infection import MOST_PLANTS
from rhizoledger.counts.infection_plan import (
    InfectionSeries,
    Planting,
    plan_for_plants,
    plan_for_precision,
)
from rhizoledger.workflows.count_infection import Basis, Suspension


def infection_plan(
    expected: float,
    *,
    spread: float = 10.0,
    dilution_factor: float = 10.0,
    plants: float = 4,
    precision: float = 2.0,
    volume_ml: float = 1.0,
    first_dilution: float | None = None,
    basis: Basis = "g",
    probability: float = 0.95,
    level: float = 0.95,
) -> dict[str, Any]:
    """Dilutions to plant for an expected count, and plants for a wanted precision.

    Parameters
    ----------
    expected, spread
        Expected count per g, mL or seed, and the factor it may be off either way.
    dilution_factor, plants
        The series, and the plants on each dilution that there is room for.
    precision
        Wanted factor between the estimate and either limit.
    volume_ml
        Suspension for each plant [mL].
    first_dilution
        Sample in each mL of the strongest suspension; one step of the series if None.
    basis
        What the sample is measured in.
    probability
        Least probability of an interior code anywhere in the range.
    level
        Level of the limits.

    Returns
    -------
    dict
        ``for_plants`` and ``for_precision``, each with dilutions, plants and what they promise;
        step 1 is the strongest suspension that may be planted. ``for_precision`` is None, with a
        warning, where it would take more plants than one count may have.

    Raises
    ------
    InputError
        If a number is not possible, or no number of plants reaches the precision.
    """
    strongest = first_dilution
    if strongest is None:
        strongest = 1 / dilution_factor if dilution_factor > 1 else 1.0
    held = Suspension(volume_ml, strongest, basis)
    series = InfectionSeries(expected, spread, dilution_factor, strongest, held.volume_ml)
    warnings = []
    few = plan_for_plants(series, plants, probability=probability, level=level)
    if few.p_interior < probability:
        warnings.append(
            f"With {plants:g} plants on each dilution a code with both nodulated and clean plants "
            f"is not sure enough over the range ({few.p_interior:.2f}, wanted {probability:g}). "
            "Plant more, give each plant more, or start from a stronger suspension."
        )
    exact = plan_for_precision(series, precision, probability=probability, level=level)
    possible = exact.plants * len(exact.dilutions) <= MOST_PLANTS
    if not possible:
        warnings.append(
            f"Limits within a factor of {precision:g} over this range take more than "
            f"{MOST_PLANTS} plants. Ask for less, narrow the range, or start from a stronger "
            "suspension."
        )
    return {
        "expected": expected,
        "low": expected / spread,
        "high": expected * spread,
        "basis": basis,
        "dilution_factor": dilution_factor,
        "first_dilution": strongest,
        "volume_ml": volume_ml,
        "probability": probability,
        "level": level,
        "precision": precision,
        "for_plants": _planting(few, series),
        "for_precision": _planting(exact, series) if possible else None,
        "warnings": warnings,
    }


def _planting(planting: Planting, series: InfectionSeries) -> dict[str, Any]:
    def finite(x: float) -> float | None:
        return x if math.isfinite(x) else None

    return {
        "dilutions": [
            {
                "step": 1 + round(math.log(series.first_dilution / d) / math.log(series.factor)),
                "dilution": d,
                "expected_cells": series.expected * d * series.volume_ml,
            }
            for d in planting.dilutions
        ],
        "plants_per_dilution": planting.plants,
        "plants": planting.plants * len(planting.dilutions),
        "p_interior": planting.p_interior,
        "limits_factor": finite(planting.limits_factor),
        "limits_factor_expected": finite(planting.limits_factor_expected),
    }
