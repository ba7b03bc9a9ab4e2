"""Survival models against numbers in print and against exact closed forms.

Sources, named at each test: the vignette of the R package bioinactivation 1.3.0 (numbers read
there, no code used); the general method in FAO, Planning and engineering data 2, Fish canning,
1985, §1.5 (read in a copy); a teaching page on lethal rates; and closed forms worked here, whose
parameters are invented and are no biology. Tolerance is half the last printed digit.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from rhizoledger.survival.equivalent_age import equivalent_days
from rhizoledger.survival.exposure import exposure
from rhizoledger.survival.kinetics import biphasic, loglinear, shoulder_tail, weibull
from rhizoledger.survival.temperature import acceleration, ea_from_z, ramp_age, z_from_ea

LN10 = np.log(10)


def half_last(printed: str) -> float:
    """Half a unit of the last digit of a number as printed."""
    return 0.5 * 10.0 ** -len(printed.partition(".")[2])


def test_ramp_and_step() -> None:
    """Closed forms: D = 48 h at 20 °C, z = 12 °C; 5 to 35 °C in 24 h; 12 h at 10, 12 h at 30 °C."""
    ramp = ramp_age(5.0, 35.0, 24.0, 20.0, 12.0)
    step = 12.0 * float(acceleration([10.0, 30.0], 20.0, 12.0).sum())
    assert -float(loglinear(ramp, 48.0)) == pytest.approx(1.539709, abs=5e-7)
    assert -float(loglinear(step, 48.0)) == pytest.approx(1.739925, abs=5e-7)
    mean_first = 24.0 * float(acceleration(20.0, 20.0, 12.0))
    assert -float(loglinear(mean_first, 48.0)) == 0.5  # the wrong way: three times too little


@pytest.mark.parametrize(
    ("t", "printed"),
    [
        (1.0, "0.00155245"),
        (2.0, "0.02160312"),
        (3.0, "0.28056744"),
        (4.0, "3.62522029"),
        (4.5, "13.02870417"),
    ],
)
def test_log_linear_along_a_steep_ramp(t: float, printed: str) -> None:
    """Closed form: D = 3 at 100 °C, z = 10 °C, 70 to 120 °C over 4.5."""
    age = ramp_age(70.0, 70.0 + 50.0 / 4.5 * t, t, 100.0, 10.0)
    assert -float(loglinear(age, 3.0)) == pytest.approx(float(printed), abs=half_last(printed))


STEEP = dict(n0=1e5, n_min=100.0, c0=10.0)


def survivors(t: float) -> float:
    """Shoulder and tail along the steep ramp: D = 3 at 100 °C, z = 10 °C, 70 to 120 °C over 4.5."""
    e = LN10 / 3.0 * ramp_age(70.0, 70.0 + 50.0 / 4.5 * t, t, 100.0, 10.0)
    tail = np.log10(STEEP["n_min"] / STEEP["n0"])
    return STEEP["n0"] * 10.0 ** float(shoulder_tail(e, STEEP["c0"], tail))


@pytest.mark.parametrize(
    ("t", "printed"),
    [
        (0.0454545, "99999.66"),
        (0.0909091, "99999.29"),
        (0.1363636, "99998.86"),
        (0.2272727, "99997.85"),
    ],
)
def test_shoulder_and_tail_printed_in_the_vignette(t: float, printed: str) -> None:
    """Vignette of bioinactivation 1.3.0, dynamic shoulder and tail; N only: its solver is rough."""
    assert survivors(t) == pytest.approx(float(printed), abs=half_last(printed))


@pytest.mark.parametrize(
    ("t", "printed"),
    [
        (1.0, "99967.4882"),
        (2.0, "99538.9561"),
        (3.0, "92382.8713"),
        (3.5, "54498.1517"),
        (4.0, "359.842236"),
        (4.25, "100.147361"),
    ],
)
def test_shoulder_and_tail_closed_form(t: float, printed: str) -> None:
    """Our closed form, which agreed with the differential equations to 1e-9 when it was derived."""
    assert survivors(t) == pytest.approx(float(printed), abs=half_last(printed))


@pytest.mark.parametrize(
    ("days", "printed"),
    [
        (0, "0.000000"),
        (1, "-0.759924"),
        (2, "-1.234060"),
        (5, "-1.517560"),
        (10, "-1.735324"),
        (21, "-2.213048"),
    ],
)
def test_two_groups(days: int, printed: str) -> None:
    """Closed form: 95 % die at 2 per day, the rest at 0.1 per day."""
    got = float(biphasic(float(days), 0.95, 2.0, 0.1))
    assert got == pytest.approx(float(printed), abs=half_last(printed))


def test_activation_energy_of_a_z() -> None:
    """z = 10 °C over 20 to 30 °C is 170.14 kJ/mol, and back."""
    assert ea_from_z(10.0, 20.0, 30.0) == pytest.approx(170.14, abs=0.005)
    assert z_from_ea(170.14, 20.0, 30.0) == pytest.approx(10.0, abs=0.0005)


def test_lethal_rate() -> None:
    """Teaching page on lethality: L(110 °C; 121.11 °C, z 10) = 0.077; 0.07745 to more digits."""
    rate = float(acceleration(110.0, 121.11, 10.0))
    assert rate == pytest.approx(0.077, abs=0.0005)
    assert rate == pytest.approx(0.07745, abs=0.000005)


def test_end_point_of_the_canned_fish_example() -> None:
    """FAO 1985, §1.5: an end-point rate of 0.776 at a reference of 121.1 °C is 120.0 °C."""
    assert float(acceleration(120.0, 121.1, 10.0)) == pytest.approx(0.776, abs=0.0005)


def test_trapezoid_of_the_canned_fish_example() -> None:
    """FAO 1985, §1.5: rates at 5-minute readings sum to 2.925, so F0 = 14.625 min (printed 14.6).

    Its temperatures were not reached. Readings are made here whose rates have the printed sums: 0
    and 0.776 at the ends of heating, 1.730 with the ends halved (8.65 min), 2.925 in all. The
    sum over readings takes the *rate* as straight between them; the histogram takes the
    *temperature* as straight, which lies below it but not far.
    """
    rates = np.array([1e-6, 0.05, 0.2, 0.42, 0.672, 0.776, 0.6, 0.207, 1e-6])
    temps = 121.1 + 10.0 * np.log10(rates)
    again = acceleration(temps, 121.1, 10.0)
    assert float(again.sum()) == pytest.approx(2.925, abs=0.0005)
    trapezoid = float(np.trapezoid(again, dx=5.0))
    assert trapezoid == pytest.approx(14.625, abs=0.0005)
    assert trapezoid == pytest.approx(14.6, abs=0.05)
    assert float(np.trapezoid(again[:6], dx=5.0)) == pytest.approx(8.65, abs=0.005)

    e = exposure(np.arange(9) * 300, temps, 0, 2400, gap_range_c=None)
    straight = sum(ramp_age(a, b, 5.0, 121.1, 10.0) for a, b in pairwise(temps))
    binned = float(equivalent_days([e], np.array([10.0]), 121.1)[0, 0]) * 24 * 60
    assert binned == pytest.approx(straight, rel=(0.25 * LN10 / 10.0) ** 2 / 8)
    assert 0.9 * trapezoid < binned < trapezoid


def test_first_hour_of_a_fungicide_shape() -> None:
    """Two printed maxima as one curve (derived): 62 % dead at 2 h and 95 % at 24 h.

    Campo, Araujo and Hungria 2009, Symbiosis 48:154; p ≈ 0.45, δ ≈ 13.5 h.
    """
    assert 1 - 10.0 ** float(weibull(2.0, 13.5, 0.45)) == pytest.approx(0.62, abs=0.005)
    assert 1 - 10.0 ** float(weibull(24.0, 13.5, 0.45)) == pytest.approx(0.95, abs=0.005)


def test_dry_cells_after_nine_weeks() -> None:
    """D = 22 d (read): k = 0.1047 per day and 2.86 log10 in 63 d (derived)."""
    k_per_day = -LN10 * float(loglinear(1.0, 22.0))
    assert k_per_day == pytest.approx(0.1047, abs=0.00005)
    assert -float(loglinear(63.0, 22.0)) == pytest.approx(2.86, abs=0.005)


def test_the_ramp_through_readings_and_bins() -> None:
    """The whole way, readings to equivalent days, stays within (w ln 10/z)²/8 of 1.539709."""
    times = np.arange(25) * 3600
    e = exposure(times, 5.0 + 30.0 / 24.0 * np.arange(25), 0, 86_400, gap_range_c=None)
    age_h = float(equivalent_days([e], np.array([12.0]), 20.0)[0, 0]) * 24.0
    error = age_h / 48.0 / 1.539709 - 1
    assert 0 < error <= (0.25 * LN10 / 12.0) ** 2 / 8
