"""Treating amounts against published unit constants and seed-unit arithmetic, source by row."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from rhizoledger.treating.rates import SeedFacts, dose, echo, packs_needed
from rhizoledger.units import LB_KG, from_per_kg_seed, kg_per_ha_seeding, parse_rate_unit

with (Path(__file__).parent / "data" / "units_treating.csv").open(encoding="utf-8") as file:
    ROWS = list(csv.DictReader(file))


def optional(text: str) -> float | None:
    return float(text) if text else None


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['rate']} {row['rate_unit']}")
def test_rates(row: dict[str, str]) -> None:
    lb_per_bu = optional(row["lb_per_bu"])
    seed = SeedFacts(
        mass_kg=1.0,
        seeds_per_kg=optional(row["seeds_per_kg"]),
        seeds_per_unit=optional(row["seeds_per_unit"]),
        kg_per_bu=lb_per_bu * LB_KG if lb_per_bu else None,
    )
    per_kg = dose("I1", float(row["rate"]), row["rate_unit"], seed).per_kg
    assert per_kg is not None
    got = from_per_kg_seed(per_kg, parse_rate_unit(row["expected_unit"]))
    digits = len(row["expected"].partition(".")[2])
    assert abs(got - float(row["expected"])) <= 0.5 * 10.0**-digits


def test_one_fluid_ounce_per_hundredweight_is_echoed_as_printed() -> None:
    """1 US fl oz/cwt = 65.1985 mL/100 kg, from the exact definitions; four figures on a sheet."""
    assert echo(1, parse_rate_unit("fl oz/cwt"), SeedFacts()) == "1 fl oz/cwt = 65.2 mL/100 kg"
    per_kg = dose("I1", 1, "fl oz/cwt", SeedFacts()).per_kg
    assert per_kg is not None and abs(100 * per_kg - 65.1985) <= 0.00005


def test_bags_for_fifty_acres() -> None:
    """Iowa State University, Agronomy 212 calculation page: 150,000 seeds/ac at 2,750 seeds/lb.

    Printed: 54.5 lb/ac; over 50 ac in 50 lb bags 54.5, so 55 bags.
    """
    lb_per_ac = 150_000 / 2_750
    assert abs(lb_per_ac - 54.5) <= 0.05
    kg_ha = kg_per_ha_seeding(150_000, "seeds/ac", seeds_per_kg=2_750 / LB_KG)
    assert kg_ha == pytest.approx(kg_per_ha_seeding(lb_per_ac, "lb/ac"))
    bags, left = packs_needed(lb_per_ac * 50, 50)
    assert bags == 55
    assert left == pytest.approx(55 * 50 - 2727.2727, abs=5e-5)


def test_dose_of_a_unit() -> None:
    """Constructed check: 33.6 mL per 140,000-seed unit whatever the size of its seed."""
    for seeds_per_lb in (2_200, 2_800, 3_200):
        seed = SeedFacts(
            mass_kg=140_000 / seeds_per_lb * LB_KG,
            seeds_per_kg=seeds_per_lb / LB_KG,
            seeds_per_unit=140_000,
        )
        assert dose("I1", 33.6, "mL/unit", seed).amount == pytest.approx(33.6)
