"""Acceleration by temperature: two rules, one factor ln 10 between them (§2.1)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from rhizoledger.errors import InputError
from rhizoledger.survival.exposure import constant, exposure, merge
from rhizoledger.survival.temperature import (
    acceleration,
    arrhenius_acceleration,
    ea_from_z,
    ramp_age,
    z_from_ea,
)


@given(st.floats(-20, 60), st.floats(3, 100))
def test_one_z_above_is_ten_times_faster(t_ref_c: float, z_c: float) -> None:
    assert float(acceleration(t_ref_c, t_ref_c, z_c)) == 1.0
    assert float(acceleration(t_ref_c + z_c, t_ref_c, z_c)) == pytest.approx(10.0)


def test_broadcasts_temperatures_against_draws() -> None:
    assert acceleration(np.zeros((4, 1)), 20.0, np.ones(3)).shape == (4, 3)


@given(st.floats(1, 40), st.floats(1, 30), st.floats(3, 100))
def test_the_two_rules_meet_at_the_two_temperatures(low: float, width: float, z_c: float) -> None:
    high = low + width
    ea = ea_from_z(z_c, low, high)
    assert z_from_ea(ea, low, high) == pytest.approx(z_c)
    bigelow, arrhenius = acceleration(high, low, z_c), arrhenius_acceleration(high, low, ea)
    assert float(arrhenius) == pytest.approx(float(bigelow))


def test_a_natural_rate_is_divided_by_ln_10_not_multiplied() -> None:
    """The trap: a published package returns −ln(10)·k·t where log10 S is −k·t/ln 10 (§8)."""
    k_ref, days = 0.1, 7.0
    k = k_ref * float(arrhenius_acceleration(35.0, 20.0, 80.0))
    lost = quad(lambda t: k, 0, days)[0] / np.log(10)  # dN/dt = −kN
    right, trap = k * days / np.log(10), k * days * np.log(10)
    assert right == pytest.approx(lost)
    assert trap / right == pytest.approx(np.log(10) ** 2)
    assert trap / right == pytest.approx(5.30, abs=0.005)


@given(st.floats(-20, 60), st.floats(-20, 60), st.floats(5, 100))
def test_a_ramp_agrees_with_its_definition(a: float, b: float, z_c: float) -> None:
    slow = quad(lambda t: 10 ** ((a + (b - a) * t / 24 - 20) / z_c), 0, 24, epsabs=0)[0]
    assert ramp_age(a, b, 24.0, 20.0, z_c) == pytest.approx(slow, rel=1e-7)


def test_a_level_ramp_is_a_constant() -> None:
    assert ramp_age(30.0, 30.0, 5.0, 20.0, 10.0) == pytest.approx(50.0)
    assert ramp_age(20.0, 20.0, 5.0, 20.0, 10.0) == 5.0


def test_the_mean_temperature_is_refuted_by_the_histogram() -> None:
    """§2.3: the same ramp through readings, bins and weights, and the wrong answer beside it."""
    from rhizoledger.survival.equivalent_age import equivalent_days

    day = 86_400
    ramp = exposure([0, day], [5.0, 35.0], 0, day, gap_range_c=None, max_gap_s=day)
    assert ramp.mean_c == pytest.approx(20.0)
    rows = [ramp, constant(20.0, day), merge(constant(10.0, day / 2), constant(30.0, day / 2))]
    logs = equivalent_days(rows, np.array([12.0]), 20.0)[:, 0] * 24 / 48
    assert logs == pytest.approx([1.539709, 0.5, 1.739925], rel=3e-4)


@pytest.mark.parametrize("z_c", [0.0, -3.0, float("nan"), float("inf")])
def test_unusable_z_is_refused(z_c: float) -> None:
    with pytest.raises(InputError):
        acceleration(20.0, 20.0, z_c)
    with pytest.raises(InputError):
        ea_from_z(z_c, 20.0, 30.0)


def test_below_absolute_zero_is_refused() -> None:
    with pytest.raises(InputError, match="absolute zero"):
        arrhenius_acceleration(-300.0, 20.0, 80.0)
