"""Amounts, packs, tanks and the furrow."""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rhizoledger.errors import InputError, UnitError
from rhizoledger.treating.furrow import furrow_cells
from rhizoledger.treating.rates import (
    Pack,
    SeedFacts,
    batch_amount,
    dose,
    echo,
    liquid_ml_per_100kg,
    measured,
    pack_of,
    packs_needed,
    plain,
    rate_per_kg,
)
from rhizoledger.treating.tanks import pump_ml_per_min, tank_loads
from rhizoledger.units import FL_OZ_ML, LB_KG, parse_rate_unit

NAN, INF = float("nan"), float("inf")
TONNE = SeedFacts(mass_kg=1000.0, seeds_per_kg=6000.0, seeds_per_unit=150_000.0, kg_per_bag=25.0)


@pytest.mark.parametrize(
    ("rate", "unit", "amount", "kind"),
    [
        (2, "mL/kg", 2000.0, "mL"),
        (250, "mL/100 kg", 2500.0, "mL"),
        (4, "g/kg", 4000.0, "g"),
        (100, "mL/unit", 4000.0, "mL"),  # 1000 kg × 6000 / 150 000 = 40 units
        (50, "mL/bag", 2000.0, "mL"),  # 40 bags of 25 kg
        (1, "fl oz/cwt", FL_OZ_ML * 1000 / (100 * LB_KG), "mL"),
    ],
)
def test_amount_for_a_tonne(rate: float, unit: str, amount: float, kind: str) -> None:
    got = dose("I1", rate, unit, TONNE, tank="A")
    assert got.amount == pytest.approx(amount) and got.unit == kind and got.tank == "A"
    assert got.per_kg == pytest.approx(amount / 1000)
    assert got.liquid_ml_per_kg == (got.per_kg if kind == "mL" else 0.0)


def test_rate_in_packs() -> None:
    got = dose("I1", 1, "pack/50 units", TONNE, pack=Pack(2000.0, "g"))
    assert (got.amount, got.unit) == (pytest.approx(1600.0), "g")  # 40 of 50 units
    # A pack of unknown content is counted, and never taken for mL or g.
    unknown = dose("I1", 1, "pack/50 units", TONNE)
    assert (unknown.amount, unknown.unit) == (pytest.approx(0.8), "packs")
    assert unknown.liquid_ml_per_kg is None and unknown.text == "1 pack/50 units"
    with pytest.raises(UnitError, match="pack"):
        rate_per_kg(1, parse_rate_unit("pack/50 units"), TONNE)


@pytest.mark.parametrize(
    ("unit", "quantity_unit"), [("mL/unit", "unit"), ("mL/bag", "bag"), ("mL/bu", "bu")]
)
def test_counted_seed_needs_no_seed_size(unit: str, quantity_unit: str) -> None:
    got = dose("I1", 100, unit, SeedFacts(quantity=40, quantity_unit=quantity_unit))
    assert got.amount == 4000.0 and got.per_kg is None and got.liquid_ml_per_kg is None
    packed = SeedFacts(quantity=40, quantity_unit=quantity_unit)
    by_pack = dose("I1", 1, f"pack/10 {quantity_unit}", packed, pack=Pack(500.0, "g"))
    assert (by_pack.amount, by_pack.unit) == (2000.0, "g")
    other = dose("I1", 100, unit, SeedFacts(quantity=40, quantity_unit="lb"))
    assert other.amount is None


def test_missing_fact_is_named_and_nothing_guessed() -> None:
    got = dose("I1", 100, "mL/unit", SeedFacts(mass_kg=1000.0))
    assert (got.amount, got.per_kg) == (None, None)
    assert "seeds_per_unit" in got.text and got.text.startswith("100 mL/unit")
    assert liquid_ml_per_100kg([got]) is None


def test_density_counts_a_mass_as_liquid() -> None:
    got = dose("F1", 120, "g/100 kg", TONNE, density_g_per_ml=1.2)
    assert got.amount == pytest.approx(1200.0) and got.unit == "g"
    assert liquid_ml_per_100kg([got]) == pytest.approx(100.0)
    assert liquid_ml_per_100kg([dose("F1", 120, "g/100 kg", TONNE)]) == 0.0
    for density in (0.0, -1.0, NAN):
        with pytest.raises(InputError, match="density"):
            dose("F1", 120, "g/100 kg", TONNE, density_g_per_ml=density)


@pytest.mark.parametrize("rate", [-1.0, NAN, INF])
def test_bad_rate(rate: float) -> None:
    with pytest.raises(InputError, match="I1"):
        dose("I1", rate, "mL/kg", TONNE)


def test_bad_units_are_refused() -> None:
    for unit in ("oz", "fl/cwt", "mL/long cwt", "drops/kg"):
        with pytest.raises(UnitError):
            dose("I1", 1, unit, TONNE)


@given(st.floats(0, 100), st.floats(0.1, 1e5), st.floats(0.1, 10))
def test_amount_is_linear_in_rate_and_mass(rate: float, mass: float, factor: float) -> None:
    one = dose("I1", rate, "mL/kg", SeedFacts(mass_kg=mass)).amount
    more = dose("I1", rate, "mL/kg", SeedFacts(mass_kg=mass * factor)).amount
    assert one is not None and more == pytest.approx(one * factor)


@given(st.floats(0.01, 50), st.floats(1, 1e5))
def test_pounds_and_kilograms_agree(rate: float, mass_kg: float) -> None:
    metric = dose("I1", rate * FL_OZ_ML / LB_KG, "mL/100 kg", SeedFacts(mass_kg=mass_kg)).amount
    shop = dose("I1", rate, "fl oz/cwt", SeedFacts(mass_kg=mass_kg)).amount
    assert metric == pytest.approx(shop, rel=1e-12)


@pytest.mark.parametrize(
    ("rate", "unit", "text"),
    [
        (4, "fl oz/cwt", "4 fl oz/cwt = 260.8 mL/100 kg"),
        (260.8, "mL/100 kg", "260.8 mL/100 kg = 4 fl oz/cwt"),
        (2.5, "mL/kg", "2.5 mL/kg = 3.834 fl oz/cwt"),
        (1, "oz/cwt", "1 oz/cwt = 62.5 g/100 kg"),
        (4, "g/kg", "4 g/kg = 6.4 oz/cwt"),
        (100, "mL/unit", "100 mL/unit = 400 mL/100 kg"),
    ],
)
def test_echo_in_two_bases(rate: float, unit: str, text: str) -> None:
    assert echo(rate, parse_rate_unit(unit), TONNE) == text


@pytest.mark.parametrize(
    ("amount", "pack", "packs", "left"),
    [(0, 5, 0, 0), (5, 5, 1, 0), (5.001, 5, 2, 4.999), (12, 5, 3, 3), (0.3, 0.1, 3, 0)],
)
def test_packs(amount: float, pack: float, packs: int, left: float) -> None:
    got = packs_needed(amount, pack)
    assert got[0] == packs and got[1] == pytest.approx(left, abs=1e-9)


@given(st.floats(0, 1e6, allow_subnormal=False), st.floats(0.01, 1e4))
def test_packs_hold_the_amount_and_no_whole_pack_is_left(amount: float, pack: float) -> None:
    packs, left = packs_needed(amount, pack)
    assert packs * pack >= amount * (1 - 1e-8)
    assert 0 <= left < pack * (1 + 1e-8) or packs == 0


@pytest.mark.parametrize("numbers", [(-1, 5), (NAN, 5), (5, 0), (5, -1), (5, NAN), (1e300, 1e-300)])
def test_bad_packs(numbers: tuple[float, float]) -> None:
    with pytest.raises(InputError):
        packs_needed(*numbers)


def test_what_a_pack_holds() -> None:
    assert pack_of(1, "fl oz") == Pack(FL_OZ_ML, "mL")
    assert pack_of(1, "lb") == Pack(pytest.approx(LB_KG * 1000), "g")
    assert pack_of(None, "L") is None and pack_of(5, None) is None
    with pytest.raises(InputError, match="holds nothing"):
        pack_of(0, "L")
    with pytest.raises(UnitError):
        pack_of(5, "unit")
    with pytest.raises(UnitError):
        measured(1, "fl")


def test_bad_batch_amount() -> None:
    for numbers in ((-1, 5), (5, -1), (NAN, 5), (5, INF)):
        with pytest.raises(InputError):
            batch_amount(*numbers)


def test_tanks_by_letter() -> None:
    """10 mL/kg of tank A for a tonne is 10 L: four fills of 3 L, the last of 1 L."""
    doses = [
        dose("W1", 8, "mL/kg", TONNE, tank="A"),
        dose("I1", 2, "mL/kg", TONNE, tank="A"),
        dose("P1", 1, "mL/kg", TONNE, tank="B"),
        dose("G1", 1, "g/kg", TONNE, tank="C"),
    ]
    a, b = tank_loads(doses, 3000.0)
    assert (a.tank, a.liquid_ml, a.fills) == ("A", 10_000.0, 4)
    assert a.per_full_fill == (
        ("W1", pytest.approx(2400.0), "mL"),
        ("I1", pytest.approx(600.0), "mL"),
    )
    assert a.last_fill == (("W1", pytest.approx(800.0), "mL"), ("I1", pytest.approx(200.0), "mL"))
    assert (b.tank, b.fills, b.per_full_fill) == ("B", 1, (("P1", 1000.0, "mL"),))
    assert b.last_fill == b.per_full_fill
    with pytest.raises(InputError):
        tank_loads(doses, 0.0)


@given(st.floats(0.1, 50), st.floats(10, 1e4), st.floats(100, 1e5))
def test_fills_add_up_to_the_batch(rate: float, mass: float, tank: float) -> None:
    one = dose("I1", rate, "mL/kg", SeedFacts(mass_kg=mass), tank="A")
    (load,) = tank_loads([one], tank)
    poured = load.per_full_fill[0][1] * (load.fills - 1) + load.last_fill[0][1]
    assert poured == pytest.approx(one.amount)
    assert load.per_full_fill[0][1] <= tank * (1 + 1e-9)
    assert load.last_fill[0][1] <= tank * (1 + 1e-6)


def test_unknown_amounts_leave_a_tank_out() -> None:
    assert tank_loads([dose("I1", 100, "mL/unit", SeedFacts(), tank="A")], 1000.0) == ()


def test_pump() -> None:
    assert pump_ml_per_min(3.0, 150.0) == 450.0
    with pytest.raises(InputError):
        pump_ml_per_min(3.0, NAN)


@pytest.mark.parametrize(
    ("value", "text"),
    [(0, "0"), (1234567, "1234567"), (0.00012345, "0.0001234"), (-2.5, "-2.5"), (1e5, "100000")],
)
def test_plain_numbers(value: float, text: str) -> None:
    assert plain(value) == text


def test_furrow_by_area_and_by_row_agree() -> None:
    """1 m rows: 10 km of row in a hectare, so 100 mL per 100 m of row is 10 L/ha."""
    by_row = furrow_cells(1e9, 100, parse_rate_unit("mL/100 m of row"), 1.0)
    by_area = furrow_cells(1e9, 10, parse_rate_unit("L/ha"), 1.0)
    assert by_row == pytest.approx(by_area)
    assert by_row == pytest.approx((1e9, 1e13))


def test_furrow_granules_and_packs() -> None:
    per_m, per_ha = furrow_cells(1e8, 5, parse_rate_unit("kg/ha"), 0.5, titre_unit="CFU/g")
    assert (per_m, per_ha) == (pytest.approx(2.5e7), pytest.approx(5e11))
    packed = furrow_cells(1e8, 1, parse_rate_unit("pack/ha"), None, pack_amount=5000.0)
    assert packed == (None, pytest.approx(5e11))


def test_furrow_without_row_spacing_gives_one_basis() -> None:
    assert furrow_cells(1e9, 1, parse_rate_unit("mL/100 m of row"), None) == (
        pytest.approx(1e7),
        None,
    )
    assert furrow_cells(0.0, 1, parse_rate_unit("L/ha"), None) == (None, 0.0)


@pytest.mark.parametrize(
    ("unit", "more", "error"),
    [
        ("mL/kg", {}, "on seed"),
        ("kg/ha", {"titre_unit": "CFU/mL"}, "does not go with"),
        ("L/ha", {"titre_unit": "CFU/g"}, "does not go with"),
        ("L/ha", {"titre_unit": "cells"}, "not a titre"),
        ("pack/ha", {}, "pack"),
    ],
)
def test_furrow_refuses(unit: str, more: dict[str, Any], error: str) -> None:
    with pytest.raises(UnitError, match=error):
        furrow_cells(1e9, 1, parse_rate_unit(unit), 0.5, **more)


@pytest.mark.parametrize("numbers", [(NAN, 1), (-1, 1), (1e9, -1), (1e9, INF)])
def test_furrow_bad_numbers(numbers: tuple[float, float]) -> None:
    with pytest.raises(InputError):
        furrow_cells(*numbers, parse_rate_unit("L/ha"), 0.5)
    with pytest.raises(InputError):
        furrow_cells(1e9, 1, parse_rate_unit("L/ha"), 0.0)


@given(st.floats(0.1, 2.0), st.floats(1e6, 1e11), st.floats(0.01, 100))
def test_metres_of_row_times_cells_per_metre_is_cells_per_hectare(
    spacing: float, titre: float, rate: float
) -> None:
    per_m, per_ha = furrow_cells(titre, rate, parse_rate_unit("L/ha"), spacing)
    assert per_m is not None and per_m * 10_000 / spacing == pytest.approx(per_ha)
    assert math.isfinite(per_m)
