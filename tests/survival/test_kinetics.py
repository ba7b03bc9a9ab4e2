"""Primary models against their differential equations, limits and splits (§2.5)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp

from rhizoledger.errors import InputError
from rhizoledger.survival.kinetics import (
    biphasic,
    front_loaded_loss,
    loglinear,
    pool_from_shoulder,
    shoulder_tail,
    weibull,
)
from rhizoledger.survival.temperature import acceleration

LN10 = np.log(10)
share = st.floats(0, 1)
age = st.floats(0, 3)
loss = st.floats(0, 4)


def warming(t: float) -> float:
    """A temperature that goes up, down and up again [°C]."""
    return float(20 + 6 * t + 4 * np.sin(3 * t))


def age_at(t: float, z_c: float) -> float:
    return float(quad(lambda u: float(acceleration(warming(u), 20.0, z_c)), 0, t, epsabs=0)[0])


@pytest.mark.parametrize("p", [0.45, 1.0, 2.2])
def test_weibull_in_state_time_is_the_momentary_state_equation(p: float) -> None:
    """dY/dt = (p/δ(T))·Y^(1−1/p), Y = −log10 S: the rate depends on the state, not the clock."""
    delta_ref, z_c, t_end = 1.5, 12.0, 3.0

    def rate(t: float, y: np.ndarray) -> np.ndarray:
        delta = delta_ref / float(acceleration(warming(t), 20.0, z_c))
        return np.asarray(p / delta * y ** (1 - 1 / p))

    t0 = 0.02  # the equation is singular at zero; begin on the closed form of a short start
    start = -float(weibull(age_at(t0, z_c), delta_ref, p))
    slow = solve_ivp(rate, (t0, t_end), [start], rtol=1e-10, atol=1e-12).y[0, -1]
    assert -float(weibull(age_at(t_end, z_c), delta_ref, p)) == pytest.approx(slow, rel=1e-6)


def test_weibull_must_not_be_split_and_added() -> None:
    """§2.5: p = 0.45, δ = 13.5 h over 24 h is 1.296 log, not 1.897 for two halves of 12 h."""
    whole = -float(weibull(24.0, 13.5, 0.45))
    halves = -2 * float(weibull(12.0, 13.5, 0.45))
    hours = -24 * float(weibull(1.0, 13.5, 0.45))
    assert whole == pytest.approx(1.296, abs=5e-4)
    assert halves == pytest.approx(1.897, abs=5e-4)
    assert hours == pytest.approx(7.44, abs=5e-3)


@pytest.mark.parametrize(("c0", "log10_tail"), [(10.0, -3.0), (0.0, -3.0), (10.0, -np.inf)])
def test_shoulder_and_tail_agree_with_their_differential_equations(
    c0: float, log10_tail: float
) -> None:
    k_ref, z_c = LN10 / 0.8, 14.0
    tail = 10.0**log10_tail

    def rate(t: float, y: np.ndarray) -> list[float]:
        pool, ln_s = y
        k = k_ref * float(acceleration(warming(t), 20.0, z_c))
        return [-k * pool, -k / (1 + pool) * (1 - tail * np.exp(-ln_s))]

    for t in (0.4, 1.0, 1.7):
        slow = solve_ivp(rate, (0, t), [c0, 0.0], rtol=1e-9, atol=1e-11, method="LSODA").y[1, -1]
        closed = float(shoulder_tail(k_ref * age_at(t, z_c), c0, log10_tail))
        assert closed == pytest.approx(slow / LN10, rel=1e-5)


def test_biphasic_is_two_groups_and_takes_two_ages() -> None:
    f, k1, k2, tau1, tau2 = 0.9, 1.5, 0.2, 2.0, 3.0
    slow = np.log10(f * np.exp(-k1 * tau1) + (1 - f) * np.exp(-k2 * tau2))
    assert float(biphasic(tau1, f, k1, k2, slow_age=tau2)) == pytest.approx(slow)


@given(age, st.floats(0.1, 5), st.floats(0.3, 3))
def test_limits_meet_the_log_linear_line(t: float, d: float, shape: float) -> None:
    line = float(loglinear(t, d))
    assert float(weibull(t, d, 1.0)) == pytest.approx(line)
    assert float(biphasic(t, 1.0, LN10 / d, shape)) == pytest.approx(line)
    assert float(biphasic(t, 0.0, shape, LN10 / d)) == pytest.approx(line)
    assert float(shoulder_tail(LN10 / d * t)) == pytest.approx(line)
    for model in (loglinear(0.0, d), weibull(0.0, d, shape), biphasic(0.0, 0.5, 1.0, shape)):
        assert float(model) == pytest.approx(0.0, abs=1e-12)
    assert float(shoulder_tail(0.0, shape, -2.0)) == pytest.approx(0.0, abs=1e-12)


def test_a_tail_holds_and_nothing_overflows() -> None:
    assert float(shoulder_tail(1e6, 5.0, -2.5)) == pytest.approx(-2.5)
    assert float(shoulder_tail(1e6, pool_from_shoulder(2.0, 100.0))) == pytest.approx(
        -(1e6 - 200.0) / LN10, rel=1e-6
    )
    assert float(shoulder_tail(3.0, 0.0, 0.0)) == pytest.approx(0.0, abs=1e-12)


@given(loss, share, st.floats(0.01, 3), st.floats(0.01, 10))
def test_front_loading_gives_the_printed_loss_back_at_the_end_of_the_period(
    total: float, s: float, a: float, period: float
) -> None:
    """At one temperature and the age of the period the share cannot matter."""
    lost = float(front_loaded_loss(total, s, a * period / period, a))
    assert lost == pytest.approx(total * a)


@given(loss, share, share, st.floats(1e-6, 1))
def test_front_loading_lies_between_in_proportion_and_all_at_once(
    total: float, s: float, fraction: float, k: float
) -> None:
    lost = float(front_loaded_loss(total, s, fraction, 1.0))
    at_once = total if fraction > 0 else 0.0
    assert total * fraction * (1 - 1e-12) <= lost <= at_once * (1 + 1e-12)


@given(share, st.floats(0.01, 0.99))
def test_every_two_phase_decline_lies_inside_the_bracket(f: float, fraction: float) -> None:
    """A biphasic decline scaled to lose L over the period: its loss before then is bracketed."""
    end = -float(biphasic(1.0, f, 30.0, 2.0))
    now = -float(biphasic(fraction, f, 30.0, 2.0))
    low = float(front_loaded_loss(end, 0.0, fraction, 1.0))
    high = float(front_loaded_loss(end, 1.0, fraction, 1.0))
    # Convexity of log10 S in time: the definition of front-loaded.
    assert low - 1e-9 <= now <= high + 1e-9


@given(loss, share, age, age, st.floats(0, 5), st.floats(0, 5))
def test_older_or_hotter_never_loses_less(
    total: float, s: float, t: float, more: float, a: float, hotter: float
) -> None:
    now = float(front_loaded_loss(total, s, t, a))
    assert float(front_loaded_loss(total, s, t + more, a)) >= now - 1e-12
    assert float(front_loaded_loss(total, s, t, a + hotter)) >= now - 1e-12


def test_nothing_is_lost_before_wetting() -> None:
    lost = front_loaded_loss(2.0, np.array([0.0, 1.0]), np.array([[0.0], [0.5]]), 1.0)
    assert lost.tolist() == [[0.0, 0.0], [1.0, 2.0]]


@pytest.mark.parametrize(
    "arguments",
    [
        (-1.0, 0.5, 0.5, 1.0),
        (1.0, 1.5, 0.5, 1.0),
        (1.0, -0.5, 0.5, 1.0),
        (1.0, 0.5, -0.5, 1.0),
        (1.0, 0.5, 0.5, -1.0),
        (np.nan, 0.5, 0.5, 1.0),
        (1.0, np.nan, 0.5, 1.0),
        (1.0, 0.5, np.nan, 1.0),
        (1.0, 0.5, 0.5, np.nan),
        ([1.0, np.nan], 0.5, 0.5, 1.0),
    ],
)
def test_front_loading_refuses_what_it_cannot_use(arguments: tuple[float, ...]) -> None:
    with pytest.raises(InputError):
        front_loaded_loss(*arguments)


@pytest.mark.parametrize("bad", [-1.0, float("nan")])
def test_models_refuse_what_they_cannot_use(bad: float) -> None:
    for call in (
        lambda: loglinear(bad, 1.0),
        lambda: loglinear(1.0, bad),
        lambda: loglinear(1.0, 0.0),
        lambda: weibull(1.0, 1.0, bad),
        lambda: biphasic(1.0, bad, 1.0, 1.0),
        lambda: biphasic(1.0, 0.5, bad, 1.0),
        lambda: shoulder_tail(bad),
        lambda: shoulder_tail(1.0, bad),
        lambda: shoulder_tail(1.0, 0.0, -bad),
        lambda: pool_from_shoulder(bad, 1.0),
    ):
        with pytest.raises(InputError):
            call()
