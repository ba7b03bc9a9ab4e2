"""Worth of information: nested simulation, invariants, limits and bad input."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rhizoledger.errors import InputError, RuleError
from rhizoledger.money.information import evsi_normal, trial_pairs_worth

NAN, INF = float("nan"), float("inf")


def simulated(
    mean: float, sd: float, n: int, sigma: float, year: float, price: float, cost: float
) -> tuple[float, float]:
    """EVSI from its definition: draw truths, run trials, update, decide, score. With its error."""
    size = 400_000
    rng = np.random.Generator(np.random.PCG64(3))
    truth = mean + sd * rng.standard_normal(size)
    that_year = truth + year * rng.standard_normal(size)
    seen = that_year + sigma / math.sqrt(n) * rng.standard_normal(size)
    noise = year**2 + sigma**2 / n
    updated = (mean * noise + seen * sd**2) / (noise + sd**2)
    net = price * truth - cost
    treat_anyway = price * mean - cost >= 0
    gained = np.where(price * updated - cost >= 0, net, 0.0) - (net if treat_anyway else 0.0)
    return float(gained.mean()), float(gained.std() / math.sqrt(size))


@pytest.mark.parametrize("year", [0.0, 1.5])
@pytest.mark.parametrize(("mean", "sd", "n"), [(0.9, 1.0, 6), (0.3, 2.0, 4), (0.5, 1.0, 1)])
def test_closed_form_is_the_nested_simulation(mean: float, sd: float, n: int, year: float) -> None:
    """Within 3 Monte Carlo standard errors (§4.5)."""
    value, error = simulated(mean, sd, n, 3.0, year, 10.0, 5.0)
    got = evsi_normal(mean, sd, n, 3.0, 10.0, 5.0, sigma_year=year)
    assert abs(got.evsi - value) < 3 * error
    assert 0 < error < 0.05


@given(
    st.floats(-5, 10),
    st.floats(0, 10),
    st.integers(0, 200),
    st.floats(0, 20),
    st.floats(0, 5),
    st.floats(0, 50),
)
def test_a_trial_is_never_worth_more_than_knowing(
    mean: float, sd: float, n: int, sigma: float, year: float, cost: float
) -> None:
    got = evsi_normal(mean, sd, n, sigma, 10.0, cost, sigma_year=year)
    more = evsi_normal(mean, sd, n + 1, sigma, 10.0, cost, sigma_year=year)
    slack = 1e-12 * (1 + abs(mean) + sd + cost)
    assert 0 <= got.evsi <= got.evpi + slack
    assert got.evsi <= more.evsi + slack
    assert got.preposterior_sd <= sd


@given(st.floats(-2, 4), st.floats(0.1, 5), st.floats(0.01, 100))
def test_worth_scales_with_money(mean: float, sd: float, unit: float) -> None:
    a, b = (evsi_normal(mean, sd, 6, 3.0, 10.0 * u, 5.0 * u) for u in (1.0, unit))
    assert b.evsi == pytest.approx(a.evsi * unit, rel=1e-9, abs=1e-12 * unit)


def test_limits() -> None:
    exact = evsi_normal(0.9, 1.0, 6, 0.0, 10.0, 5.0)
    assert exact.evsi == exact.evpi and exact.preposterior_sd == 1.0
    many = evsi_normal(0.9, 1.0, 1e12, 3.0, 10.0, 5.0)
    assert many.evsi == pytest.approx(many.evpi)
    # More pairs in one year never average the year out.
    one_year = evsi_normal(0.9, 1.0, 1e12, 3.0, 10.0, 5.0, sigma_year=1.0)
    assert one_year.preposterior_sd == pytest.approx(math.sqrt(0.5))
    assert evsi_normal(0.5, 0.0, 6, 3.0, 10.0, 5.0).evpi == 0.0
    assert evsi_normal(0.5, 0.0, 6, 0.0, 10.0, 5.0).evsi == 0.0
    huge = evsi_normal(1e150, 1e160, 6, 1e155, 1.0, 1.0)
    assert huge.preposterior_sd == pytest.approx(1e160)


@pytest.mark.parametrize("place", range(6))
@pytest.mark.parametrize("value", [NAN, INF, -1.0])
def test_bad_numbers_are_refused(place: int, value: float) -> None:
    numbers = [0.9, 1.0, 6.0, 3.0, 10.0, 5.0]
    numbers[place] = value
    if place == 0 and value == -1.0:
        assert evsi_normal(*numbers).evsi >= 0  # a negative mean gain is a possible belief
        return
    with pytest.raises(InputError, match="Give"):
        evsi_normal(*numbers)


def test_bad_year_and_margin() -> None:
    with pytest.raises(InputError, match="between years"):
        evsi_normal(0.9, 1.0, 6, 3.0, 10.0, 5.0, sigma_year=-1.0)
    with pytest.raises(RuleError):
        evsi_normal(0.9, 1.0, 6, 3.0, 10.0, 5.0, cost_per_gain=10.0)


def test_best_number_of_pairs_is_the_best_of_all() -> None:
    facts = (0.9, 1.0, 3.0, 10.0, 5.0)
    got = trial_pairs_worth(*facts, area=400.0, cost_per_pair=20.0, candidates=range(31))
    worths = {n: evsi_normal(0.9, 1.0, n, 3.0, 10.0, 5.0).evsi * 400 - 20 * n for n in range(31)}
    best = max(worths, key=lambda n: worths[n])
    assert 0 < got.pairs == best < 30
    assert got.net_worth == pytest.approx(worths[best])
    assert got.evsi_per_area == pytest.approx(evsi_normal(0.9, 1.0, best, 3.0, 10.0, 5.0).evsi)


def test_flat_start_does_not_hide_a_good_trial() -> None:
    """Far from break-even one pair is worth next to nothing, and many pairs can be worth much."""
    facts = (-1.5, 1.0, 6.0, 10.0, 5.0)
    area = 100_000.0
    one = evsi_normal(*facts[:2], 1, *facts[2:]).evsi * area
    got = trial_pairs_worth(
        *facts, area=area, cost_per_pair=2 * one + 1e-9, candidates=range(1, 400)
    )
    assert got.pairs > 1 and got.net_worth > 0


def test_trial_that_does_not_pay() -> None:
    facts = (0.9, 1.0, 3.0, 10.0, 5.0)
    for area, each in ((0.0, 20.0), (1.0, 20.0)):
        got = trial_pairs_worth(*facts, area=area, cost_per_pair=each, candidates=range(31))
        assert (got.pairs, got.net_worth, got.evsi_per_area) == (0, 0.0, 0.0)
    nothing = trial_pairs_worth(*facts, area=100.0, cost_per_pair=1.0, candidates=())
    assert nothing.pairs == 0


@pytest.mark.parametrize("candidates", [[-1], [1.5], [NAN], [INF]])
def test_bad_candidates(candidates: list[float]) -> None:
    with pytest.raises(InputError, match="number of pairs"):
        trial_pairs_worth(
            0.9, 1.0, 3.0, 10.0, 5.0, area=1.0, cost_per_pair=1.0, candidates=candidates
        )


@pytest.mark.parametrize("bad", [{"area": -1.0}, {"cost_per_pair": NAN}])
def test_bad_area_and_cost(bad: dict[str, float]) -> None:
    with pytest.raises(InputError):
        trial_pairs_worth(
            0.9,
            1.0,
            3.0,
            10.0,
            5.0,
            **{"area": 1.0, "cost_per_pair": 1.0, **bad},
            candidates=range(3),
        )
