"""Unit factors against published conversions, and rates worked in print."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal

import pytest

from rhizoledger import units as u
from rhizoledger.counts.per_seed import amount_for, paper_count
from tests.published.printed import agrees, rows


def per_kg(text: str, **facts: float) -> float:
    return u.per_kg_seed(1.0, u.parse_rate_unit(text), **facts)


def thousandth_acre_row_ft(spacing_in: float) -> float:
    """Row that covers a thousandth of an acre, from the area it covers per foot."""
    row_m = 10_000 * u.area_ha(0.001, "ac") / u.length_m(spacing_in, "in")
    return u.from_m(row_m, "ft")


COMPUTED: dict[str, Callable[[], float]] = {
    "lb to kg (exact)": lambda: u.mass_kg(1, "lb"),
    "oz to g (exact)": lambda: u.mass_g(1, "oz"),
    "cwt (US short, 100 lb) to kg": lambda: u.mass_kg(1, "cwt"),
    "cwt per bushel soybean": lambda: u.from_kg(u.mass_kg(1, "bu", lb_per_bu=60), "cwt"),
    "acre to m2 (international ft)": lambda: 10_000 * u.area_ha(1, "ac"),
    "acre to ha": lambda: u.area_ha(1, "ac"),
    "ha to acre": lambda: u.from_ha(1, "ac"),
    "US fl oz to mL (exact)": lambda: u.volume_ml(1, "fl oz"),
    "US gal to L (exact)": lambda: u.from_ml(u.volume_ml(1, "gal"), "L"),
    "imperial fl oz to mL": lambda: u.volume_ml(1, "imp fl oz"),
    "soybean bushel to kg": lambda: u.mass_kg(1, "bu", lb_per_bu=60),
    "bu soybean per tonne": lambda: u.from_kg(1000, "bu", lb_per_bu=60),
    "bu/ac to kg/ha (60 lb)": lambda: u.yield_kg_ha(1, "bu/ac", lb_per_bu=60),
    "bu/ac to t/ha (60 lb)": lambda: u.from_kg_ha(u.yield_kg_ha(1, "bu/ac", 60), "t/ha"),
    "t/ha to bu/ac (60 lb)": lambda: u.from_kg_ha(1000, "bu/ac", lb_per_bu=60),
    "bu/ac to kg/ha (56 lb)": lambda: u.yield_kg_ha(1, "bu/ac", lb_per_bu=56),
    "lb/ac to kg/ha": lambda: u.yield_kg_ha(1, "lb/ac"),
    "kg/ha to lb/ac": lambda: u.from_kg_ha(1, "lb/ac"),
    "oz per cwt to g per kg": lambda: per_kg("oz/cwt"),
    "oz/cwt to g per 100 kg": lambda: 100 * per_kg("oz per 100 lb"),
    "US fl oz per cwt to mL per kg": lambda: per_kg("fl oz/cwt"),
    "US fl oz per cwt to mL per 100 kg": lambda: u.from_per_kg_seed(
        per_kg("fl oz/cwt"), u.parse_rate_unit("mL/100 kg")
    ),
    "US fl oz per bu(60 lb) to mL per kg": lambda: per_kg(
        "fl oz/bu", kg_per_bu=u.mass_kg(60, "lb")
    ),
    "fl oz/ac to mL/ha": lambda: u.per_ha(1, u.parse_rate_unit("fl oz/ac")),
    "gal/ac to L/ha": lambda: u.from_per_ha(
        u.per_ha(1, u.parse_rate_unit("gal/ac")), u.parse_rate_unit("L/ha")
    ),
    "seeds/ac to seeds/m2": lambda: u.seeds_per_ha(1, "seeds/ac") / 10_000,
    "1/1000 acre row length at 30 in (ft)": lambda: thousandth_acre_row_ft(30),
    "1/1000 acre row length at 15 in (ft)": lambda: thousandth_acre_row_ft(15),
    "1/1000 acre row length at 7.5 in (ft)": lambda: thousandth_acre_row_ft(7.5),
    "1/1000 acre row length at 20 in (ft)": lambda: thousandth_acre_row_ft(20),
}
# Printed from a rounded acre, or low in the fifth digit: the data file says so.
MISPRINTED = {"bu/ac to kg/ha (60 lb)", "bu/ac to kg/ha (56 lb)", "ha to acre"}


CONVERSIONS = {row["conversion"]: row for row in rows("unit_conversions.csv")}


def test_conversions_left_out_are_of_volumes_by_the_bushel() -> None:
    left_out = set(CONVERSIONS) - set(COMPUTED)
    assert set(COMPUTED) <= set(CONVERSIONS)
    assert left_out == {
        "US bushel to L (exact, 2150.42 in3)",
        "US bushel to ft3",
        "lb/bu test weight to kg/hL",
        "60 lb/bu to kg/hL",
        "1/10000 acre at 30 in (in of row)",
    }


@pytest.mark.parametrize("name", COMPUTED)
def test_conversion_table(name: str) -> None:
    row = CONVERSIONS[name]
    computed = COMPUTED[name]()
    assert computed == pytest.approx(float(row["recomputed"]), rel=2e-11)
    try:
        Decimal(row["published"])
    except ArithmeticError:  # "17 ft 5 in (17.42)": a printed number beside words
        printed = row["published"].rpartition("(")[2].rstrip(")")
    else:
        printed = row["published"]
    if name not in MISPRINTED:
        assert agrees(computed, printed)


def test_factors_follow_from_their_definitions() -> None:
    """International yard and pound agreement of 1959; US gallon 231 in³; imperial gallon 4.54609 L.

    Definitions, from memory; the products are checked in exact decimal arithmetic.
    """
    lb, ft, inch = Decimal("0.45359237"), Decimal("0.3048"), Decimal("2.54")
    assert Decimal(repr(u.OZ_G)) == lb * 1000 / 16
    assert Decimal(repr(u.CWT_KG)) == lb * 100
    assert Decimal(repr(u.SHORT_TON_KG)) == lb * 2000
    assert Decimal(repr(u.LONG_TON_KG)) == lb * 2240
    assert Decimal(repr(u.ACRE_HA)) == 43560 * ft * ft / 10000
    assert Decimal(repr(u.GAL_L)) == 231 * inch**3 / 1000
    assert Decimal(repr(u.FL_OZ_ML)) == 231 * inch**3 / 128
    assert Decimal(repr(u.IMP_FL_OZ_ML)) == Decimal("4546.09") / 160
    assert Decimal(repr(u.IN_M)) == ft / 12
    assert Decimal(repr(u.YD_M)) == ft * 3


def test_fluid_ounces_per_hundredweight() -> None:
    """1 US fl oz/cwt = 65.1985 mL/100 kg; 4 = 260.79 (from the exact factors; checked by hand:
    29.5735295625 / 45.359237 × 100)."""
    value, unit = u.parse_rate("1 fl oz/cwt")
    assert agrees(100 * u.per_kg_seed(value, unit), "65.1985")
    value, unit = u.parse_rate("4 fl oz/cwt")
    assert agrees(100 * u.per_kg_seed(value, unit), "260.79")
    imperial = u.parse_rate_unit("imp fl oz/cwt")
    assert agrees(100 * u.per_kg_seed(1, imperial), "62.640")  # 28.4130625 / 45.359237 × 100


SEED_UNITS = {(row["id"], row["input"]): row for row in rows("seed_units.csv") if row["recomputed"]}


@pytest.mark.parametrize(
    ("key", "computed"),
    [
        (
            ("lb per acre", "150,000 seeds/ac / 2,750 seeds/lb"),
            u.from_kg_ha(
                u.kg_per_ha_seeding(150_000, "seeds/ac", 2750 / u.LB_KG),
                "lb/ac",
            ),
        ),
        (
            ("unit weight", "140,000 seeds / 2,800 seeds per lb"),
            u.from_kg(140_000 / (2800 / u.LB_KG), "lb"),
        ),
        (
            ("seeds/lb to g per 1000", "2,800 seeds/lb"),
            1000 * u.mass_g(1 / 2800, "lb"),
        ),
        (
            ("cells per seed", "peat 1e9/g at 4 g/kg, 6,000 seeds/kg"),
            paper_count(1e9, per_kg("g/kg") * 4, 6000),
        ),
        (
            ("cells per seed", "1 mL at 1e10 CFU/mL on 1 kg of 6,000 seeds/kg"),
            paper_count(1e10, per_kg("mL/kg"), 6000),
        ),
        (
            ("cells per seed", "140,000-seed unit, 100 mL of 5e9 CFU/mL"),
            # The seed size cancels: any one gives the same answer.
            paper_count(
                5e9,
                100 * per_kg("mL/unit", seeds_per_unit=140_000, seeds_per_kg=5500),
                5500,
            ),
        ),
        (
            ("dose for 1.2e6 cells/seed", "140,000-seed unit, 5e9 CFU/mL"),
            amount_for(1.2e6, 140_000, 5e9),
        ),
    ],
)
def test_seed_units_and_doses(key: tuple[str, str], computed: float) -> None:
    """Extension pages and constructed rows; each row of seed_units.csv names its own source."""
    printed = SEED_UNITS[key]["recomputed"].split()[0]
    assert agrees(computed, printed)


def test_one_bushel_per_acre_at_two_seed_sizes() -> None:
    """60 lb/ac × 2,200 or 3,000 seeds/lb = 132,000 and 180,000 seeds/ac (Iowa State, Agron 212)."""
    printed = SEED_UNITS[("1 bu/ac at two seed sizes", "60 lb/ac x 2200 or 3000 seeds/lb")]
    for seeds_per_lb, expected in zip((2200, 3000), printed["recomputed"].split(";"), strict=True):
        per_ha = u.seeds_per_ha(60, "lb/ac", seeds_per_lb / u.LB_KG)
        assert per_ha * u.area_ha(1, "ac") == pytest.approx(float(expected), rel=1e-12)
