"""Every basis into every other and back; what is missing is named; what is ambiguous is refused."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rhizoledger.errors import InputError, UnitError
from rhizoledger.treating.bases import parse_basis
from rhizoledger.treating.conversion import Facts, PerAmount, convert, missing, slip_of
from rhizoledger.units import FL_OZ_ML, LB_KG, OZ_G

AMOUNTS = ("mL", "µL", "L", "fl oz", "imp fl oz", "g", "kg", "oz", "lb", "pack", "g active",
           "mg active", "cells")  # fmt: skip
PERS = ("kg", "lb", "cwt", "100 lb", "100 kg", "unit", "50 units", "bag", "bu", "ha", "ac",
        "1000 ft", "100 m", "seed", "1000 seeds")  # fmt: skip
BASES = [
    f"{a} product/{p}" if a in ("g", "kg", "oz", "lb") and "seed" in p else f"{a}/{p}"
    for a in AMOUNTS
    for p in PERS
]
KNOWN = Facts(
    seeds_per_kg=6000.0,
    seeds_per_unit=140_000.0,
    kg_per_bag=22.5,
    kg_per_bu=60 * LB_KG,
    seeding=(345_000.0, "seeds"),
    row_spacing_m=0.76,
    density_g_per_ml=1.1,
    active=PerAmount(0.6, "mL"),
    titre=PerAmount(5e9, "mL"),
    pack=PerAmount(3200.0, "g"),
)


@given(st.floats(1e-6, 1e9), st.sampled_from(BASES), st.sampled_from(BASES))
def test_there_and_back(value: float, one: str, other: str) -> None:
    a, b = parse_basis(one), parse_basis(other)
    assert convert(convert(value, a, b, KNOWN), b, a, KNOWN) == pytest.approx(value, rel=1e-12)


@given(st.sampled_from(BASES), st.sampled_from(BASES), st.sampled_from(BASES))
def test_by_way_of_a_third_is_the_same(one: str, two: str, three: str) -> None:
    a, b, c = map(parse_basis, (one, two, three))
    through = convert(convert(7.0, a, b, KNOWN), b, c, KNOWN)
    assert through == pytest.approx(convert(7.0, a, c, KNOWN), rel=1e-12)


@pytest.mark.parametrize("text", BASES)
def test_the_text_of_a_basis_is_the_basis(text: str) -> None:
    basis = parse_basis(text)
    assert basis.text == text
    assert parse_basis(basis.text) == basis


def test_every_basis_by_definition() -> None:
    """A second way: grams of product a hectare, from each amount and each denominator by hand."""
    product_g = {
        "mL": 1.1, "µL": 1.1e-3, "L": 1100.0, "fl oz": 1.1 * FL_OZ_ML,
        "imp fl oz": 1.1 * 28.4130625,
        "g": 1.0, "kg": 1000.0, "oz": OZ_G, "lb": 1000 * LB_KG, "pack": 3200.0,
        "g active": 1.1 / 0.6, "mg active": 1.1 / 600, "cells": 1.1 / 5e9,
    }  # fmt: skip
    kg_ha = 345_000 / 6000
    in_a_hectare = {
        "kg": kg_ha, "lb": kg_ha / LB_KG, "cwt": kg_ha / (100 * LB_KG), "100 lb": kg_ha / 45.359237,
        "100 kg": kg_ha / 100, "unit": 345 / 140, "50 units": 345 / 7000, "bag": kg_ha / 22.5,
        "bu": kg_ha / (60 * LB_KG), "ha": 1.0, "ac": 2.4710538146716534,
        "1000 ft": 10_000 / 0.76 / 304.8, "100 m": 100 / 0.76, "seed": 345_000.0,
        "1000 seeds": 345.0,
    }  # fmt: skip
    g_ha = parse_basis("g/ha")
    for text in BASES:
        top, bottom = text.replace(" product", "").split("/")
        wanted = 3 * product_g[top] * in_a_hectare[bottom]
        assert convert(3, parse_basis(text), g_ha, KNOWN) == pytest.approx(wanted, rel=1e-12), text


@pytest.mark.parametrize(
    ("one", "other", "absent"),
    [
        ("fl oz/cwt", "mL/100 kg", ()),
        ("mL/unit", "fl oz/unit", ()),
        ("mL/unit", "µL/seed", ("seeds_per_unit",)),
        ("mL/kg", "mL/unit", ("seeds_per_kg", "seeds_per_unit")),
        ("mL/kg", "mL/ha", ("seeding_rate",)),
        ("mL/ha", "mL/100 m", ("row_spacing",)),
        ("oz/cwt", "mL/kg", ("density",)),
        ("mL/kg", "mg active/seed", ("active", "seeds_per_kg")),
        ("pack/50 units", "cells/seed", ("pack", "titre", "seeds_per_unit")),
        ("mL/bu", "mL/bag", ("kg_per_bu", "kg_per_bag")),
    ],
)
def test_what_is_missing_is_named_and_no_more(
    one: str, other: str, absent: tuple[str, ...]
) -> None:
    a, b = parse_basis(one), parse_basis(other)
    assert missing(a, b, Facts()) == absent
    if absent:
        with pytest.raises(UnitError, match="not known"):
            convert(1, a, b, Facts())


def test_what_hangs_on_mass_or_volume_follows_its_own_measure() -> None:
    """Active in g per kg needs no density from a mass, and one from a volume."""
    per_g = Facts(active=PerAmount(0.4, "g"), seeding=(60.0, "kg"))
    active = parse_basis("g active/kg")
    assert convert(2, parse_basis("g/kg"), active, per_g) == pytest.approx(0.8)
    assert missing(parse_basis("mL/kg"), active, per_g) == ("density",)
    # A seeding rate by mass needs no seed size for seed sold by mass.
    assert convert(2, parse_basis("mL/kg"), parse_basis("mL/ha"), per_g) == pytest.approx(120)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("mg/seed", "mg active/seed"),
        ("oz/1000 seeds", "oz product/1000 seeds"),
        ("mL active/kg", "only a mass"),
        ("fl oz/ton", "short ton"),
        ("fl oz/long cwt", "112 lb"),
        ("fl oz/hundredweight", "112 lb"),
        ("fl/cwt", "imp fl oz"),
        ("ML/kg", "million litres"),
        ("ft oz/cwt", "fl oz"),
        ("mL/140,000 seeds", "thousand or a decimal"),
        ("mL/0 seeds", "above zero"),
        ("mL", "one thing it is counted per"),
        ("cc/kg", "mL"),
        ("mL/some seeds", "counted per"),
    ],
)
def test_ambiguous_or_unknown_is_refused_with_what_was_meant(text: str, says: str) -> None:
    with pytest.raises(UnitError, match=says) as caught:
        parse_basis(text)
    assert caught.value.text == text, "the message is about what was written"


@pytest.mark.parametrize(
    ("text", "same"),
    [
        ("mg a.i. per seed", "mg active/seed"),
        ("g active ingredient/100kg", "g active/100 kg"),
        ("active g/ha", "g active/ha"),
        ("uL / seed", "µL/seed"),
        ("CFU/seed", "cells/seed"),
        ("ml per 100 kg of seed", "mL/100 kg"),
        ("g product per 1000 seeds", "g product/1000 seeds"),
    ],
)
def test_spellings(text: str, same: str) -> None:
    assert parse_basis(text) == parse_basis(same)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.inf, math.nan])
def test_a_fact_that_is_no_number_above_zero_is_refused(bad: float) -> None:
    for facts in ({"seeds_per_kg": bad}, {"titre": PerAmount(bad, "mL")}, {"seeding": (bad, "kg")}):
        with pytest.raises(InputError, match="above 0"):
            Facts(**facts)


def test_a_slip_is_recognised_by_its_ratio_alone() -> None:
    assert slip_of(FL_OZ_ML) == slip_of(1 / FL_OZ_ML) == "mL and US fl oz"
    assert slip_of(OZ_G) == "g and oz"
    assert slip_of(1000) == "mL and L, or g and kg"
    assert slip_of(46.0) is None and slip_of(0.0) is None
