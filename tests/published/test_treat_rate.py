"""The rate command's arithmetic against the unit and seed tables; each row names its source."""

from __future__ import annotations

from typing import Any

import pytest

from rhizoledger.workflows.treat_rate import seed_facts, treat_rate
from tests.published.printed import agrees, rows

CONVERSIONS = {row["conversion"]: row["recomputed"] for row in rows("unit_conversions.csv")}
SEED_UNITS = {row["id"]: row for row in rows("seed_units.csv")}


def told(rate: str | None, to: str, **given: Any) -> float:
    asked = {k: given.pop(k) for k in ("cells_per_seed", "label_max") if k in given}
    found = treat_rate(rate, seed_facts(**given), to=to, **asked)
    answer: float = found["answer"]["value"]
    return answer


@pytest.mark.parametrize(
    ("name", "rate", "to", "given"),
    [
        ("oz per cwt to g per kg", "1 oz/cwt", "g/kg", {}),
        ("oz/cwt to g per 100 kg", "1 oz/cwt", "g/100kg", {}),
        ("US fl oz per cwt to mL per kg", "1 fl oz/cwt", "mL/kg", {}),
        ("US fl oz per cwt to mL per 100 kg", "1 fl oz/cwt", "mL/100kg", {}),
        ("US fl oz per bu(60 lb) to mL per kg", "1 fl oz/bu", "mL/kg", {"crop": "soybean"}),
        ("fl oz/ac to mL/ha", "1 fl oz/ac", "mL/ha", {}),
        ("gal/ac to L/ha", "1 gal/ac", "L/ha", {}),
        ("lb/ac to kg/ha", "1 lb/ac", "kg/ha", {}),
        ("kg/ha to lb/ac", "1 kg/ha", "lb/ac", {}),
        # A thousandth of an acre in feet of row: a pack an acre against a pack a foot.
        ("1/1000 acre row length at 30 in (ft)", "1 mL/ft", "mL/ac", {"row_in": 30}),
        ("1/1000 acre row length at 15 in (ft)", "1 mL/ft", "mL/ac", {"row_in": 15}),
        ("1/1000 acre row length at 7.5 in (ft)", "1 mL/ft", "mL/ac", {"row_in": 7.5}),
    ],
)
def test_conversion_table(name: str, rate: str, to: str, given: dict[str, Any]) -> None:
    computed = told(rate, to, **given)
    if "row length" in name:
        computed /= 1000
    assert computed == pytest.approx(float(CONVERSIONS[name]), rel=2e-11)


def test_the_rate_of_the_issue() -> None:
    assert agrees(told("4 fl oz/cwt", "mL/100kg"), "260.79")
    assert agrees(told("260.79 mL/100 kg", "fl oz/cwt"), "4.000")


def test_the_dose_of_a_unit() -> None:
    """1.2e6 cells a seed from 5e9 CFU/mL on 140,000 seeds: 33.6 mL, whatever the seed weighs."""
    printed = SEED_UNITS["dose for 1.2e6 cells/seed"]["recomputed"].split()[0]
    given = {"titre": "5e9 CFU/mL", "seeds_per_unit": 140_000}
    assert agrees(told(None, "mL/unit", cells_per_seed=1.2e6, **given), printed)
    assert told("33.6 mL/unit", "cells/seed", **given) == pytest.approx(1.2e6, rel=1e-12)
    for seeds_per_lb in (2200, 2800, 3200):
        sized = {**given, "seeds_per_lb": seeds_per_lb}
        assert agrees(told(None, "mL/unit", cells_per_seed=1.2e6, **sized), printed)


def test_cells_per_seed() -> None:
    rows_of = [row for row in rows("seed_units.csv") if row["id"] == "cells per seed"]
    printed = {row["input"]: row["recomputed"] for row in rows_of}
    liquid = printed["1 mL at 1e10 CFU/mL on 1 kg of 6,000 seeds/kg"]
    peat = printed["peat 1e9/g at 4 g/kg, 6,000 seeds/kg"]
    unit = printed["140,000-seed unit, 100 mL of 5e9 CFU/mL"]
    size = {"seeds_per_kg": 6000}
    assert agrees(told("1 mL/kg", "cells/seed", titre="1e10 CFU/mL", **size), liquid)
    assert agrees(told("4 g/kg", "cells/seed", titre="1e9 CFU/g", **size), peat)
    counted = {"seeds_per_unit": 140_000}
    assert agrees(told("100 mL/unit", "cells/seed", titre="5e9 CFU/mL", **counted), unit)


@pytest.mark.parametrize(("seeds_per_lb", "lb"), [(2800, 50.0), (2200, 63.6364), (3200, 43.75)])
def test_what_a_unit_weighs(seeds_per_lb: float, lb: float) -> None:
    """Public agronomy explainer: 140,000 seeds of 2,800 a pound are 50 lb."""
    facts = seed_facts(seeds_per_lb=seeds_per_lb, seeds_per_unit=140_000)
    found = treat_rate("4 fl oz/cwt", facts)["unit_of_seed"]
    assert found["kg"] / 0.45359237 == pytest.approx(lb, abs=5e-5)
    # 4 fl oz on 100 lb is lb/25 on this unit.
    assert found["value"] / 29.5735295625 == pytest.approx(4 * lb / 100, abs=5e-6)


def test_seed_sizes_said_three_ways() -> None:
    """2,800 seeds a pound are 161.9973 g a thousand."""
    g = float(SEED_UNITS["seeds/lb to g per 1000"]["recomputed"].split()[0])
    by_lb = seed_facts(seeds_per_lb=2800).seeds_per_kg
    assert seed_facts(thousand_seeds_g=g).seeds_per_kg == pytest.approx(by_lb, rel=1e-6)
    assert seed_facts(seeds_per_kg=6172.9433).seeds_per_kg == pytest.approx(by_lb, rel=1e-7)


def test_seeding_and_bags() -> None:
    """Iowa State, Agronomy 212: 150,000 seeds/ac at 2,750 a pound are 54.5455 lb/ac.

    So 4 fl oz/cwt puts 2.1818 fl oz on an acre, and 2 fl oz on a bag of 50 lb.
    """
    lb_ac = float(SEED_UNITS["lb per acre"]["recomputed"])
    by_number = {"seeding_rate": "150000 seeds/ac", "seeds_per_lb": 2750}
    by_mass = {"seeding_rate": f"{lb_ac} lb/ac"}
    for given in (by_number, by_mass):
        assert told("4 fl oz/cwt", "fl oz/ac", **given) == pytest.approx(lb_ac / 25, rel=1e-6)
    assert told("4 fl oz/cwt", "fl oz/bag", bag="50 lb") == pytest.approx(2, rel=1e-12)
    # Rows 30 in apart: 17.424 thousand feet to the acre.
    row = told("4 fl oz/cwt", "fl oz/1000 ft", row_in=30, **by_number)
    assert row == pytest.approx(lb_ac / 25 / 17.424, rel=1e-6)
