"""Plain quantities: round trips, spellings, and texts that must be refused."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rhizoledger import units as u
from rhizoledger.errors import InputError, UnitError

VALUES = st.floats(-1e9, 1e9).filter(lambda x: x == 0 or abs(x) > 1e-9)
POSITIVE = st.floats(1e-6, 1e9)
MASSES = ["kg", "g", "mg", "t", "lb", "oz", "cwt", "short ton", "long ton"]
VOLUMES = ["mL", "L", "fl oz", "pt", "qt", "gal", "imp fl oz", "imp pt", "imp qt", "imp gal"]
LENGTHS = ["m", "cm", "mm", "ft", "in", "yd"]


@given(VALUES, st.sampled_from(MASSES), st.sampled_from(VOLUMES), st.sampled_from(LENGTHS))
def test_there_and_back(value: float, mass: str, volume: str, length: str) -> None:
    for there, back, unit in (
        (u.mass_kg, u.from_kg, mass),
        (u.volume_ml, u.from_ml, volume),
        (u.length_m, u.from_m, length),
        (u.area_ha, u.from_ha, "ac"),
        (u.area_ha, u.from_ha, "ha"),
    ):
        assert back(there(value, unit), unit) == pytest.approx(value, rel=1e-12)


@given(st.floats(-200, 1000))
def test_temperatures_there_and_back(value: float) -> None:
    for unit in ("C", "F"):
        assert u.from_celsius(u.temperature_c(value, unit), unit) == pytest.approx(value, abs=1e-9)


@given(VALUES, POSITIVE, st.sampled_from(["bu/ac", "kg/ha", "t/ha", "lb/ac", "cwt/ac", "bu/ha"]))
def test_yields_there_and_back(value: float, lb_per_bu: float, unit: str) -> None:
    back = u.from_kg_ha(u.yield_kg_ha(value, unit, lb_per_bu), unit, lb_per_bu)
    assert back == pytest.approx(value, rel=1e-12)


@given(POSITIVE, POSITIVE, st.sampled_from(["bu", "kg", "t", "lb", "cwt", "per bu", "/t"]))
def test_prices_there_and_back(price: float, lb_per_bu: float, unit: str) -> None:
    back = u.from_price_per_kg(u.price_per_kg(price, unit, lb_per_bu), unit, lb_per_bu)
    assert back == pytest.approx(price, rel=1e-12)


@given(POSITIVE, POSITIVE)
def test_income_does_not_depend_on_the_units(yield_bu: float, price_bu: float) -> None:
    """Yield times price per acre is the same through bushels and through kilograms."""
    kg_ha = u.yield_kg_ha(yield_bu, "bu/ac", lb_per_bu=60)
    per_ha = kg_ha * u.price_per_kg(price_bu, "bu", lb_per_bu=60)
    assert per_ha * u.area_ha(1, "ac") == pytest.approx(yield_bu * price_bu, rel=1e-12)


@given(POSITIVE, st.floats(100, 1e6), st.sampled_from(["seeds/ac", "seeds/ha", "lb/ac", "kg/ha"]))
def test_seeding_by_number_and_by_mass_agree(value: float, seeds_kg: float, unit: str) -> None:
    number = u.seeds_per_ha(value, unit, seeds_kg)
    mass = u.kg_per_ha_seeding(value, unit, seeds_kg)
    assert number == pytest.approx(mass * seeds_kg, rel=1e-12)
    if unit.startswith("seeds"):
        assert u.seeds_per_ha(value, unit) == number
    else:
        assert u.kg_per_ha_seeding(value, unit) == mass


@pytest.mark.parametrize(
    ("convert", "text", "same"),
    [
        (u.mass_kg, "LBS", "lb"),
        (u.mass_kg, " pounds ", "lb"),
        (u.mass_kg, "Metric Tons", "t"),
        (u.volume_ml, "ml", "mL"),
        (u.volume_ml, "litres", "L"),
        (u.volume_ml, "Fl. Oz.", "fl oz"),
        (u.volume_ml, "floz", "fl oz"),
        (u.volume_ml, "US gal", "gal"),
        (u.volume_ml, "U.S. gallons", "gal"),
        (u.volume_ml, "Imperial gallons", "imp gal"),
        (u.volume_ml, "imp  fl oz", "imp fl oz"),
        (u.area_ha, "Acres", "ac"),
        (u.length_m, "inches", "in"),
        (u.temperature_c, "°F", "F"),
    ],
)
def test_spellings(convert: Callable[[float, str], float], text: str, same: str) -> None:
    assert convert(7.0, text) == convert(7.0, same)


@pytest.mark.parametrize(
    ("convert", "text", "meant"),
    [
        (u.mass_kg, "ton", ("t", "short ton", "long ton")),
        (u.mass_kg, "tons", ("t", "short ton", "long ton")),
        (u.mass_kg, "T", ("t", "short ton", "long ton")),
        (u.mass_kg, "long cwt", ("112 lb", "100 lb")),
        (u.mass_kg, "hundredweight", ("112 lb", "cwt")),
        (u.mass_kg, "fl oz", ("volume", "oz")),
        (u.mass_kg, "Mg", ("mg", "t")),
        (u.mass_kg, "pouns", ("lb",)),
        (u.mass_kg, "bu", ("bushel weight",)),
        (u.mass_kg, "unit", ("not known", "kg")),
        (u.mass_kg, "", ("missing", "kg")),
        (u.volume_ml, "oz", ("mass", "fl oz", "imp fl oz")),
        (u.volume_ml, "fl", ("fl oz", "imp fl oz")),
        (u.volume_ml, "ML", ("million litres", "mL")),
        (u.volume_ml, "cc", ("mL",)),
        (u.volume_ml, "femtolitre", ("not known",)),
        (u.area_ha, "acer", ("ac",)),
        (u.area_ha, "a", ("ac", "ha")),
        (u.temperature_c, "K", ("C", "F")),
        (u.length_m, '"', ("in",)),
        (u.length_m, "M", ("m for metres",)),
        (u.yield_kg_ha, "bu/ac", ("bushel weight",)),
        (u.yield_kg_ha, "kg", ("kg/ha",)),
        (u.yield_kg_ha, "kg/ha/yr", ("kg/ha",)),
        (u.price_per_kg, "$/bu", ("kg",)),
        (u.seeds_per_ha, "lb/ac", ("seed size",)),
        (u.kg_per_ha_seeding, "seeds/ac", ("seed size",)),
        (u.seeds_per_ha, "bags/ac", ("seeds/ac",)),
    ],
)
def test_refused_with_what_was_meant(
    convert: Callable[[float, str], float], text: str, meant: tuple[str, ...]
) -> None:
    with pytest.raises(UnitError) as caught:
        convert(1.0, text)
    assert all(word in str(caught.value) for word in meant), caught.value
    assert caught.value.remedy


@pytest.mark.parametrize("value", [math.nan, math.inf, -math.inf])
def test_not_a_number_is_refused(value: float) -> None:
    for convert, unit in (
        (u.mass_kg, "kg"),
        (u.mass_g, "lb"),
        (u.volume_ml, "mL"),
        (u.area_ha, "ac"),
        (u.length_m, "ft"),
        (u.temperature_c, "F"),
        (u.yield_kg_ha, "kg/ha"),
        (u.price_per_kg, "kg"),
        (u.seeds_per_ha, "seeds/ac"),
    ):
        with pytest.raises(InputError, match="finite"):
            convert(value, unit)


@pytest.mark.parametrize("lb_per_bu", [0.0, -60.0, math.nan, math.inf])
def test_impossible_bushels(lb_per_bu: float) -> None:
    with pytest.raises(InputError, match="above zero"):
        u.yield_kg_ha(50, "bu/ac", lb_per_bu)


def test_below_absolute_zero() -> None:
    assert u.temperature_c(-273.15, "C") == -273.15
    with pytest.raises(InputError, match="absolute zero"):
        u.temperature_c(-460, "F")


@given(st.text(max_size=12))
def test_any_text_is_known_or_refused(text: str) -> None:
    """Nothing but an answer or a UnitError, whatever is written in a unit cell."""
    for convert in (u.mass_kg, u.volume_ml, u.area_ha, u.length_m, u.temperature_c, u.yield_kg_ha):
        try:
            assert math.isfinite(convert(1.0, text))
        except UnitError as error:
            assert error.what and error.remedy
