"""The rate grammar: every trade basis both ways, and texts that must be refused."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rhizoledger import units as u
from rhizoledger.errors import InputError, UnitError

AMOUNTS = ["mL", "fl oz", "imp fl oz", "g", "oz"]
SEED = ["cwt", "100 lb", "100 kg", "kg", "lb", "unit", "bag", "bu"]
PACKS = ["pack/unit", "pack/50 units", "pack/50 bu", "pack/bag"]
ON_SEED = [f"{amount}/{per}" for amount in AMOUNTS for per in SEED] + PACKS
ON_LAND = ["fl oz/ac", "L/ha", "lb/ac", "kg/ha", "gal/ac", "pack/10 ac"]
ON_ROW = ["fl oz/1000 ft", "oz/1000 ft", "mL/100 m", "g/100 m"]

FACTS = {
    "seeds_per_kg": 6000.0,
    "seeds_per_unit": 140_000.0,
    "kg_per_bag": 22.5,
    "kg_per_bu": 27.2155422,
    "pack_amount": 3200.0,
}
VALUES = st.floats(1e-3, 1e6)


def test_every_seed_rate_by_its_definition() -> None:
    """A second way: mL or g in one of the amount, over kg of seed in one of the basis."""
    amount = {
        "mL": 1.0,
        "fl oz": 29.5735295625,
        "imp fl oz": 28.4130625,
        "g": 1.0,
        "oz": 28.349523125,
        "pack": 3200.0,
    }
    unit_kg = 140_000 / 6000
    seed_kg = {
        "cwt": 45.359237,
        "100 lb": 45.359237,
        "100 kg": 100.0,
        "kg": 1.0,
        "lb": 0.45359237,
        "unit": unit_kg,
        "50 units": 50 * unit_kg,
        "bag": 22.5,
        "bu": 27.2155422,
        "50 bu": 50 * 27.2155422,
    }
    for text in ON_SEED:
        top, bottom = text.split("/")
        computed = u.per_kg_seed(3.0, u.parse_rate_unit(text), **FACTS)
        assert computed == pytest.approx(3.0 * amount[top] / seed_kg[bottom], rel=1e-14), text


@given(VALUES, st.sampled_from(ON_SEED))
def test_seed_rates_there_and_back(value: float, text: str) -> None:
    unit = u.parse_rate_unit(text)
    per_kg = u.per_kg_seed(value, unit, **FACTS)
    assert u.from_per_kg_seed(per_kg, unit, **FACTS) == pytest.approx(value, rel=1e-12)


@given(VALUES, st.sampled_from(ON_LAND + ON_ROW), st.floats(0.05, 2))
def test_land_rates_there_and_back(value: float, text: str, row_spacing_m: float) -> None:
    unit = u.parse_rate_unit(text)
    facts = {"row_spacing_m": row_spacing_m, "pack_amount": 400.0}
    per_ha = u.per_ha(value, unit, **facts)
    per_m = u.per_row_m(value, unit, **facts)
    assert u.from_per_ha(per_ha, unit, **facts) == pytest.approx(value, rel=1e-12)
    assert u.from_per_row_m(per_m, unit, **facts) == pytest.approx(value, rel=1e-12)
    # A hectare holds 10,000 m² / spacing of row.
    assert per_ha == pytest.approx(per_m * 10_000 / row_spacing_m, rel=1e-12)


def test_row_of_a_thousand_feet_by_hand() -> None:
    """1 fl oz per 1000 ft in 30-inch rows: 17.424 such rows to the acre."""
    unit = u.parse_rate_unit("fl oz/1000 ft")
    per_ha = u.per_ha(1.0, unit, row_spacing_m=u.length_m(30, "in"))
    per_ac = u.from_per_ha(per_ha, u.parse_rate_unit("fl oz/ac"))
    assert per_ac == pytest.approx(17.424, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("fl oz per cwt", "fl oz/cwt"),
        ("FL OZ / CWT", "fl oz/cwt"),
        ("floz/100lb", "fl oz/100 lb"),
        ("fl. oz. per 100 lbs of seed", "fl oz/100 lb"),
        ("ml/kg seed", "mL/kg"),
        ("g per 100 m of row", "g/100 m"),
        ("oz/1000 row ft", "oz/1000 ft"),
        ("packs per 50 Units", "pack/50 units"),
        ("pack/2.5 bushels", "pack/2.5 bu"),
        ("imperial fl oz/cwt", "imp fl oz/cwt"),
        ("US fl oz/acre", "fl oz/ac"),
        ("litres/hectare", "L/ha"),
        ("mL/140000 units", "mL/140000 units"),
        ("mL/1e2 kg", "mL/100 kg"),
    ],
)
def test_spellings(text: str, same: str) -> None:
    unit = u.parse_rate_unit(text)
    assert unit == u.parse_rate_unit(same)
    assert unit.text == same


@pytest.mark.parametrize("text", ON_SEED + ON_LAND + ON_ROW)
def test_the_text_of_a_unit_is_the_unit(text: str) -> None:
    unit = u.parse_rate_unit(text)
    assert u.parse_rate_unit(unit.text) == unit
    assert unit.text == text


def test_ounces_against_seed_stay_a_mass() -> None:
    assert u.parse_rate_unit("oz/cwt").amount == "mass"
    assert u.parse_rate_unit("fl oz/cwt").amount == "volume"
    assert u.parse_rate_unit("pack/unit").amount == "packs"


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("fl/cwt", ("fl oz", "imp fl oz")),
        ("fl oz/long cwt", ("112 lb", "cwt")),
        ("fl oz/hundredweight", ("112 lb",)),
        ("fl oz/ton", ("short ton", "long ton")),
        ("fl oz/wt", ("cwt",)),
        ("ML/kg", ("million litres",)),
        ("mL", ("per",)),
        ("mL/", ("per",)),
        ("", ("per",)),
        ("mL/kg/d", ("one thing",)),
        ("mL/1,000 kg", ("thousand or a decimal",)),
        ("mL/0 kg", ("nothing",)),
        ("mL/-5 kg", ("above zero",)),
        ("mL/1.2.3 kg", ("not a number",)),
        ("mL/1e999 kg", ("too large",)),
        ("mL/seed", ("single seed",)),
        ("mL/100", ("per what",)),
        ("mL/hectre", ("ha",)),
        ("mL/ac of row", ("row",)),
        ("mL/ha of seed", ("seed",)),
        ("cwt/ac", ("not an amount", "lb")),
        ("handful/kg", ("not known", "fl oz")),
        ("mL/yd", ("not known",)),
    ],
)
def test_refused_with_what_was_meant(text: str, meant: tuple[str, ...]) -> None:
    with pytest.raises(UnitError) as caught:
        u.parse_rate_unit(text)
    assert caught.value.text == text
    assert all(word in str(caught.value) for word in meant), caught.value


@pytest.mark.parametrize(
    ("text", "value"), [("4 fl oz/cwt", 4.0), (".5mL/kg", 0.5), ("2,5 g/kg", 2.5), ("0 mL/kg", 0.0)]
)
def test_whole_rates(text: str, value: float) -> None:
    assert u.parse_rate(text)[0] == value


@pytest.mark.parametrize(
    "text", ["fl oz/cwt", "-4 mL/kg", "nan mL/kg", "1,000 mL/kg", "4", "inf g/kg"]
)
def test_broken_rates(text: str) -> None:
    with pytest.raises(UnitError):
        u.parse_rate(text)


@pytest.mark.parametrize(
    ("text", "missing"),
    [
        ("mL/unit", "seeds_per_unit"),
        ("mL/bag", "kg_per_bag"),
        ("mL/bu", "kg_per_bu"),
        ("pack/50 units", "pack_amount"),
    ],
)
def test_a_missing_fact_is_named(text: str, missing: str) -> None:
    unit = u.parse_rate_unit(text)
    facts = {name: value for name, value in FACTS.items() if name != missing}
    with pytest.raises(UnitError, match=missing):
        u.per_kg_seed(1.0, unit, **facts)
    with pytest.raises(UnitError, match=missing):
        u.from_per_kg_seed(1.0, unit, **facts)
    for wrong in (0.0, -1.0, math.nan):
        with pytest.raises(InputError, match="above zero"):
            u.per_kg_seed(1.0, unit, **{**FACTS, missing: wrong})


def test_seed_size_is_needed_per_unit() -> None:
    with pytest.raises(UnitError, match="seeds_per_kg"):
        u.per_kg_seed(1.0, u.parse_rate_unit("mL/unit"), seeds_per_unit=140_000)


def test_rates_on_seed_and_on_land_do_not_mix() -> None:
    seed, land = u.parse_rate_unit("mL/kg"), u.parse_rate_unit("L/ha")
    with pytest.raises(UnitError, match="not on seed"):
        u.per_kg_seed(1.0, land)
    with pytest.raises(UnitError, match="not on land"):
        u.per_ha(1.0, seed)
    with pytest.raises(UnitError, match="not on land"):
        u.per_row_m(1.0, seed, row_spacing_m=0.5)
    with pytest.raises(UnitError, match="row_spacing_m"):
        u.per_ha(1.0, u.parse_rate_unit("mL/100 m"))
    with pytest.raises(UnitError, match="row_spacing_m"):
        u.per_row_m(1.0, land)


def test_not_a_number_is_refused() -> None:
    with pytest.raises(InputError, match="finite"):
        u.per_kg_seed(math.nan, u.parse_rate_unit("mL/kg"))


def test_pack_sizes() -> None:
    assert u.item_amount(2.0, "L") == ("volume", 2000.0)
    assert u.item_amount(2.0, "kg") == ("mass", 2000.0)
    with pytest.raises(UnitError):
        u.item_amount(2.0, "ton")


@given(st.text(max_size=16))
def test_any_text_is_known_or_refused(text: str) -> None:
    for candidate in (text, f"mL/{text}", f"{text}/kg"):
        try:
            unit = u.parse_rate_unit(candidate)
        except UnitError as error:
            assert error.text == candidate
        else:
            assert unit.amount_factor > 0 and unit.per_factor > 0
            assert u.parse_rate_unit(unit.text) == unit
