"""Payoff: definition twins, invariants, limits and bad input."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.polynomial.hermite_e import hermegauss
from scipy.integrate import quad

from rhizoledger.errors import InputError, RuleError
from rhizoledger.estimate import Estimate
from rhizoledger.money.break_even import break_even, margin
from rhizoledger.money.payoff import Payoff, payoff_draws, payoff_normal, shortfall

means = st.floats(-5, 20)
sds = st.floats(0.01, 20)
prices = st.floats(0.5, 50)
costs = st.floats(0, 60)


def density(x: float, mean: float, sd: float) -> float:
    return math.exp(-0.5 * ((x - mean) / sd) ** 2) / (sd * math.sqrt(2 * math.pi))


def integral(f: Callable[[float], float], mean: float, sd: float, at: float) -> float:
    """∫ f(x) · normal density, split where the integrand has its kink."""
    lo, hi = mean - 12 * sd, mean + 12 * sd
    cut = min(max(at, lo), hi)

    def g(x: float) -> float:
        return f(x) * density(x, mean, sd)

    return quad(g, lo, cut, epsabs=1e-12)[0] + quad(g, cut, hi, epsabs=1e-12)[0]


@pytest.mark.parametrize("mean", [-1.0, 0.3, 0.9, 4.0])
@pytest.mark.parametrize("sd", [0.3, 1.0, 3.0])
@pytest.mark.parametrize(("price", "cost", "each"), [(10.0, 5.0, 0.0), (12.0, 7.0, 1.5)])
def test_closed_form_is_the_integral(
    mean: float, sd: float, price: float, cost: float, each: float
) -> None:
    got = payoff_normal(mean, sd, price, cost, cost_per_gain=each, ks=(2, 3))

    def net(g: float) -> float:
        return g * (price - each) - cost

    b = cost / (price - each)
    pays = integral(lambda g: float(net(g) >= 0), mean, sd, b)
    loss = integral(lambda g: max(-net(g), 0.0), mean, sd, b)
    best = integral(lambda g: max(net(g), 0.0), mean, sd, b)
    assert got.break_even == pytest.approx(b)
    assert got.p_pays == pytest.approx(pays, abs=1e-9)
    assert got.expected_net == pytest.approx(integral(net, mean, sd, b), abs=1e-8)
    assert got.expected_loss_if_treated == pytest.approx(loss, abs=1e-8)
    assert got.evpi == pytest.approx(best - max(net(mean), 0.0), abs=1e-8)
    for k in (2, 3):
        needed = k * cost / (price - each)
        p = integral(lambda g, n=needed: float(g >= n), mean, sd, needed)
        assert got.p_pays_k[str(k)] == pytest.approx(p, abs=1e-9)


def test_interval_ends_are_5_and_95_percent_of_the_net() -> None:
    got = payoff_normal(2.0, 1.0, 10.0, 5.0)
    below = payoff_normal(2.0, 1.0, 10.0, 5.0 + got.p5).p_pays
    above = payoff_normal(2.0, 1.0, 10.0, 5.0 + got.p95).p_pays
    assert (below, above) == (pytest.approx(0.95), pytest.approx(0.05))


@pytest.mark.parametrize(("mean", "sd"), [(0.9, 1.0), (0.2, 2.0), (3.0, 0.5)])
def test_draws_agree_with_the_closed_form(mean: float, sd: float) -> None:
    """Within 3 Monte Carlo standard errors (§4.5)."""
    n = 200_000
    gain = mean + sd * np.random.Generator(np.random.PCG64(7)).standard_normal(n)
    a, b = payoff_normal(mean, sd, 10.0, 5.0), payoff_draws(gain, 10.0, 5.0)
    net_se = 10.0 * sd / math.sqrt(n)
    assert abs(a.p_pays - b.p_pays) < 3 * b.p_pays_se
    assert 0 < b.p_pays_se < 0.002
    assert abs(a.expected_net - b.expected_net) < 3 * net_se
    assert abs(a.expected_loss_if_treated - b.expected_loss_if_treated) < 3 * net_se
    assert abs(a.evpi - b.evpi) < 3 * net_se
    for k, p in a.p_pays_k.items():
        assert abs(p - b.p_pays_k[k]) < 3 * math.sqrt(max(p * (1 - p), 1 / n) / n)
    # A quantile's standard error is sqrt(p(1 − p)/n)/density.
    quantile_se = math.sqrt(0.05 * 0.95 / n) / density(1.6449, 0, 1) * 10.0 * sd
    assert abs(a.p5 - b.p5) < 3 * quantile_se
    assert abs(a.p95 - b.p95) < 3 * quantile_se


@given(means, sds, prices, costs)
def test_invariants(mean: float, sd: float, price: float, cost: float) -> None:
    got = payoff_normal(mean, sd, price, cost, ks=(1, 2, 3, 5))
    chances = [got.p_pays_k[k] for k in ("1", "2", "3", "5")]
    assert chances == sorted(chances, reverse=True)
    assert chances[0] == got.p_pays
    assert 0 <= got.p_pays <= 1
    assert got.p5 <= got.expected_net <= got.p95
    assert 0 <= got.evpi <= got.expected_loss_if_treated + 1e-9 * price * (1 + sd)
    # E(net) = E(net's good side) − E(loss): what is lost by treating less what is lost by not.
    d = mean - got.break_even
    good = price * shortfall(-d, sd)
    assert got.expected_net == pytest.approx(
        good - got.expected_loss_if_treated, abs=1e-9 * price * (1 + sd + abs(d))
    )


@given(means, sds, prices, costs, st.floats(0.001, 1000))
def test_money_scales_and_chances_do_not(
    mean: float, sd: float, price: float, cost: float, unit: float
) -> None:
    a, b = payoff_normal(mean, sd, price, cost), payoff_normal(mean, sd, price * unit, cost * unit)
    assert b.p_pays == pytest.approx(a.p_pays, abs=1e-9)
    slack = 1e-9 * unit * price * (1 + sd + abs(mean))
    for name in ("expected_net", "p5", "p95", "evpi", "expected_loss_if_treated"):
        assert getattr(b, name) == pytest.approx(getattr(a, name) * unit, abs=slack)


@given(means, sds, prices, costs, st.floats(1.01, 100))
def test_unit_of_gain_does_not_matter(
    mean: float, sd: float, price: float, cost: float, factor: float
) -> None:
    """bu/ac at money/bu and kg/ha at money/kg are one question."""
    a = payoff_normal(mean, sd, price, cost)
    b = payoff_normal(mean * factor, sd * factor, price / factor, cost)
    assert b.p_pays == pytest.approx(a.p_pays, abs=1e-9)
    assert b.break_even == pytest.approx(a.break_even * factor)


@given(sds, prices, st.floats(0.1, 60))
def test_dearer_never_pays_more_often(sd: float, price: float, cost: float) -> None:
    assert payoff_normal(1, sd, price, cost).p_pays >= payoff_normal(1, sd, price, 2 * cost).p_pays
    assert payoff_normal(1, sd, price, cost).p_pays <= payoff_normal(1, sd, 2 * price, cost).p_pays


def test_no_spread() -> None:
    sure = payoff_normal(2.0, 0.0, 10.0, 5.0)
    assert (sure.p_pays, sure.expected_loss_if_treated, sure.evpi) == (1.0, 0.0, 0.0)
    assert sure.p5 == sure.p95 == sure.expected_net == 15.0
    assert dict(sure.p_pays_k) == {"2": 1.0, "3": 1.0, "5": 0.0}
    dead = payoff_normal(0.2, 0.0, 10.0, 5.0)
    assert (dead.p_pays, dead.expected_loss_if_treated, dead.evpi) == (0.0, 3.0, 0.0)
    assert payoff_normal(0.5, 0.0, 10.0, 5.0).p_pays == 1.0  # g·m ≥ c holds with equality
    nearly = payoff_normal(0.2, 1e-300, 10.0, 5.0)
    assert (nearly.p_pays, nearly.expected_loss_if_treated) == (0.0, pytest.approx(3.0))


def test_nothing_to_pay() -> None:
    free = payoff_normal(1.0, 1.0, 10.0, 0.0)
    assert free.break_even == 0.0
    assert set(free.p_pays_k.values()) == {free.p_pays}  # any multiple of nothing is nothing
    assert free.price_break_even == 0.0


def test_far_tails_are_never_negative() -> None:
    for z in (5.0, 20.0, 40.0, 1e200):
        assert shortfall(z, 1.0) >= 0.0
        assert shortfall(-z, 1.0) == pytest.approx(z)
    assert shortfall(5.0, 1.0) == pytest.approx(5.346e-8, rel=1e-3)  # φ(5)/26 to leading order


def test_price_break_even() -> None:
    got = payoff_normal(2.0, 1.0, 10.0, 5.0, cost_per_gain=1.0)
    assert got.price_break_even == 3.5
    again = payoff_normal(2.0, 1.0, 3.5, 5.0, cost_per_gain=1.0)
    assert again.expected_net == 0.0
    assert payoff_normal(0.0, 1.0, 10.0, 5.0).price_break_even is None
    assert payoff_normal(-1.0, 1.0, 10.0, 5.0).price_break_even is None


def test_uncertain_price() -> None:
    """Gain and price from two points each, by hand: nets −5, −5, 5 and 15."""
    gain, price = np.array([0.0, 0.0, 1.0, 1.0]), np.array([10.0, 20.0, 10.0, 20.0])
    got = payoff_draws(gain, price, 5.0, ks=(3,))
    assert got.expected_net == 2.5
    assert (got.p_pays, got.p_pays_k["3"]) == (0.5, 0.25)
    assert got.expected_loss_if_treated == 2.5
    assert got.evpi == 2.5  # (5 + 15)/4 less the 2.5 that treating yields anyway
    assert got.break_even == pytest.approx(5 / 15)


def test_draws_with_a_cost_per_unit_of_gain() -> None:
    """Gains 0 and 2 at a margin of 8: nets −4 and 12; 16 pays the cost of 4 fourfold."""
    got = payoff_draws(np.array([0.0, 2.0]), 10.0, 4.0, cost_per_gain=2.0, ks=(2, 4, 5))
    assert (got.break_even, got.expected_net, got.evpi) == (0.5, 4.0, 2.0)
    assert dict(got.p_pays_k) == {"2": 0.5, "4": 0.5, "5": 0.0}
    assert got.price_break_even == 6.0


def test_gauss_hermite_draws() -> None:
    """A deterministic set of 'draws' reproduces the mean exactly."""
    nodes, _ = hermegauss(8)
    got = payoff_draws(1.0 + nodes, 10.0, 5.0)
    assert got.expected_net == pytest.approx(5.0)


NAN, INF = float("nan"), float("inf")


@pytest.mark.parametrize(
    "bad",
    [
        {"gain_mean": NAN},
        {"gain_mean": INF},
        {"gain_sd": -1.0},
        {"gain_sd": NAN},
        {"price": -3.0},
        {"price": INF},
        {"cost": -0.01},
        {"cost": NAN},
        {"cost_per_gain": -1.0},
        {"ks": (0,)},
        {"ks": (-2,)},
        {"ks": (NAN,)},
        {"gain_mean": 1e308, "price": 1e10},
        {"gain_sd": 1e308, "price": 1e10},
    ],
)
def test_bad_numbers_are_refused(bad: dict[str, float]) -> None:
    good = {"gain_mean": 1.0, "gain_sd": 1.0, "price": 10.0, "cost": 5.0}
    with pytest.raises(InputError, match=r"Give|too large"):
        payoff_normal(**{**good, **bad})


@pytest.mark.parametrize(("price", "each"), [(0.0, 0.0), (3.0, 3.0), (3.0, 4.0)])
def test_no_margin_no_answer(price: float, each: float) -> None:
    with pytest.raises(RuleError, match="no gain can pay"):
        margin(price, each)
    with pytest.raises(RuleError):
        payoff_normal(1.0, 1.0, price, 5.0, cost_per_gain=each)
    with pytest.raises(RuleError):
        payoff_draws(np.ones(3), price, 5.0, cost_per_gain=each)


def test_break_even_that_overflows() -> None:
    with pytest.raises(InputError, match="too large"):
        break_even(1e-300, 1e300)


@pytest.mark.parametrize(
    "draws", [np.array([]), np.array([1.0, NAN]), np.array([INF]), np.ones((2, 2))]
)
def test_bad_draws_are_refused(draws: np.ndarray) -> None:
    with pytest.raises(InputError, match="gain draws"):
        payoff_draws(draws, 10.0, 5.0)


def test_price_draws_must_match() -> None:
    with pytest.raises(InputError, match="3 gain draws and 2 price draws"):
        payoff_draws(np.ones(3), np.ones(2), 5.0)


def test_one_draw_is_a_certainty() -> None:
    got = payoff_draws(np.array([1.0]), 10.0, 5.0)
    assert (got.p_pays, got.expected_net, got.p5, got.p95) == (1.0, 5.0, 5.0, 5.0)
    assert got.p_pays_se > 0.4  # one draw tells next to nothing


def test_payoff_as_json() -> None:
    gain = Estimate(2.0, 0.4, 3.6, "bu/ac", level=0.9, kind="prediction")
    answer = Payoff.from_summary(gain, payoff_normal(2.0, 1.0, 10.0, 5.0), 5.0, "USD/ac")
    out = answer.to_dict()
    assert out["net"]["value"] == 15.0 and out["net"]["kind"] == "prediction"
    assert out["net"]["low"] < 15.0 < out["net"]["high"] and out["net"]["level"] == 0.9
    assert set(out["p_pays_k"]) == {"2", "3", "5"}
    assert (out["break_even"], out["price_break_even"], out["cost_per_area"]) == (0.5, 2.5, 5.0)


def test_payoff_without_a_gain_says_so() -> None:
    gain = Estimate.not_known("bu/ac", "no gain evidence for lentil")
    out = Payoff.gain_not_known(gain, 12.0, 6.0, "CAD/ac").to_dict()
    assert (out["break_even"], out["p_pays"], out["p_pays_k"]) == (0.5, None, None)
    assert out["net"]["status"] == "not_known" and "lentil" in out["net"]["method"]
