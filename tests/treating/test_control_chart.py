"""The chart along a day: constants by integration, rules by their words, false alarms by chance."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm

from rhizoledger.errors import InputError
from rhizoledger.treating.control_chart import (
    RANGE_PER_SD,
    RANGE_SD_PER_SD,
    RULES,
    chance_alarms,
    control_chart,
    signals,
)

Z = st.lists(st.sampled_from([-3.5, -2.5, -1.5, -0.5, 0.0, 0.5, 1.5, 2.5, 3.5]), max_size=20)


def test_the_constants_by_integration() -> None:
    """Range of two normals: density √2·φ(r/√2) on r > 0; and the general way for any size."""

    def moment(power: int) -> float:
        def weighed(r: float) -> float:
            return float(r**power * math.sqrt(2) * norm.pdf(r / math.sqrt(2)))

        return float(quad(weighed, 0, math.inf, epsabs=1e-13)[0])

    assert moment(0) == pytest.approx(1, rel=1e-10)
    assert moment(1) == pytest.approx(RANGE_PER_SD, rel=1e-10)
    assert math.sqrt(moment(2) - moment(1) ** 2) == pytest.approx(RANGE_SD_PER_SD, rel=1e-10)
    general = quad(lambda x: 1 - norm.cdf(x) ** 2 - norm.sf(x) ** 2, -math.inf, math.inf)[0]
    assert general == pytest.approx(RANGE_PER_SD, rel=1e-9)
    # As printed in tables of control chart constants (from memory): 1.128, 0.853, 3.267.
    assert round(RANGE_PER_SD, 3) == 1.128 and round(RANGE_SD_PER_SD, 3) == 0.853
    assert round(1 + 3 * RANGE_SD_PER_SD / RANGE_PER_SD, 3) == 3.267


def by_words(z: list[float]) -> dict[str, list[bool]]:
    """The slow twin: each rule as it is said, value by value."""

    def last(i: int, k: int) -> list[float]:
        return z[max(0, i - k + 1) : i + 1]

    def sides(i: int, wanted: int, of: int, line: float) -> bool:
        return any(
            s * z[i] > line and sum(s * v > line for v in last(i, of)) >= wanted for s in (1, -1)
        )

    def trend(i: int) -> bool:
        six = last(i, 6)
        steps = [b - a for a, b in pairwise(six)]
        return len(six) == 6 and (all(d > 0 for d in steps) or all(d < 0 for d in steps))

    every = range(len(z))
    return {
        "beyond": [abs(z[i]) > 3 for i in every],
        "two_of_three": [sides(i, 2, 3, 2) for i in every],
        "four_of_five": [sides(i, 4, 5, 1) for i in every],
        "one_side": [sides(i, 8, 8, 0) for i in every],
        "trend": [trend(i) for i in every],
    }


@given(Z)
def test_rules_hold_where_their_words_say(z: list[float]) -> None:
    found = {name: holds.tolist() for name, holds in signals(np.array(z)).items()}
    assert found == by_words(z)


@given(Z)
def test_upside_down_is_the_same(z: list[float]) -> None:
    a, b = signals(np.array(z)), signals(-np.array(z))
    assert all((a[name] == b[name]).all() for name in a)


def test_each_rule_can_speak() -> None:
    plain = [0.0, 0.5, -0.5, 0.3, -0.2, 0.1]
    cases = {
        "beyond": [*plain, 3.1],
        "two_of_three": [*plain, 2.1, 0.0, 2.1],
        "four_of_five": [*plain, 1.1, 1.2, -1, 1.1, 1.2],
        "one_side": [*plain, -0.1, *[0.1, 0.2] * 4],
        "trend": [0.0, -1.0, -0.8, -0.5, -0.2, 0.1, 0.4],
    }
    for name, z in cases.items():
        assert [n for n, holds in signals(np.array(z)).items() if holds.any()] == [name]


def test_a_chart_by_hand() -> None:
    """Ranges 2, 4, 6 of 10, 12, 8, 14: mean range 4, sd 4·√π/2, mean 11."""
    chart = control_chart([10, 12, 8, 14])
    assert chart.ranges == (2, 4, 6) and chart.middle == 11
    assert chart.sd == pytest.approx(2 * math.sqrt(math.pi))
    assert (chart.low, chart.high) == pytest.approx((11 - 3 * chart.sd, 11 + 3 * chart.sd))
    assert chart.range_high == pytest.approx(4 * 3.2665, rel=1e-4)
    assert chart.provisional and chart.signals == ()


def test_a_run_is_said_once_and_a_lone_value_each_time() -> None:
    # A step half way: neighbours stay close, so the limits stay narrow.
    day = [100, 101, 100, 101, 100, 101, 100, 101, 120, 121, 120, 121, 120, 121, 120, 121]
    chart = control_chart(day)
    names = [name for _, name in chart.signals]
    assert names.count("jump") == 1 and (8, "jump") in chart.signals
    assert names.count("one_side") == 2, "once below and once above"
    assert names.count("beyond") == 16
    assert set(names) <= set(RULES)
    flat = control_chart([5.0, 5.0, 5.0])
    assert flat.sd == 0 and flat.signals == ()


@pytest.mark.parametrize("bad", [[], [1.0, 2.0], [1.0, 2.0, math.nan]])
def test_too_little_for_a_chart(bad: list[float]) -> None:
    with pytest.raises(InputError):
        control_chart(bad)


def test_false_alarms_are_those_of_the_chart_itself() -> None:
    """The quick count over many days against the charts of those days, one by one."""
    n, days = 12, 300
    x = np.random.Generator(np.random.PCG64(9)).standard_normal((days, n))
    slow = sum(bool(control_chart(day).signals) for day in x.tolist()) / days
    assert chance_alarms(n, np.random.Generator(np.random.PCG64(9)), days) == slow
    assert 0 < slow < 1


@pytest.mark.slow
def test_how_long_until_a_false_alarm() -> None:
    """With known limits: 1/0.0027 = 370.4 values for the limits alone, which is exact.

    With the four zone rules 91.75 on average (Champ and Woodall 1987, Technometrics 29, from
    memory).
    """
    rng = np.random.default_rng(11)
    zone = ("beyond", "two_of_three", "four_of_five", "one_side")
    runs, long = 20_000, 1500
    first: list[float] = []
    for _ in range(20):
        found = signals(rng.standard_normal((runs // 20, long)))
        any_of = np.any([found[name] for name in zone], axis=0)
        assert any_of.any(axis=1).all(), "no run is cut off"
        first += (any_of.argmax(axis=1) + 1).tolist()
    error = float(np.std(first)) / math.sqrt(runs)
    assert np.mean(first) == pytest.approx(91.75, abs=3 * error)
    alone = signals(rng.standard_normal((200, 20_000)))["beyond"].mean()
    exact = 2 * norm.sf(3)
    assert alone == pytest.approx(exact, abs=3 * math.sqrt(exact / 4e6))


@pytest.mark.slow
def test_false_alarms_in_a_day() -> None:
    """What the documents say of days of a steady pump on which some rule speaks. Seeded."""
    found = [chance_alarms(n, np.random.default_rng(3), 40_000) for n in (8, 12, 20, 30)]
    assert found == pytest.approx([0.04, 0.10, 0.21, 0.35], abs=0.011)
    assert found == sorted(found), "more catches, more chances"
