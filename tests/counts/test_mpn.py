"""Most probable numbers: brute force, invariants, limits, and designs that cannot be."""

from __future__ import annotations

import math
from itertools import product
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rhizoledger.counts.mpn import count_mpn
from rhizoledger.errors import InputError

ROW = st.integers(1, 500).flatmap(
    lambda n: st.tuples(st.floats(1e-9, 1e3), st.just(n), st.integers(0, n))
)
ROWS = st.lists(ROW, min_size=1, max_size=6)
Rows = list[tuple[float, int, int]]


def columns(rows: Rows) -> tuple[list[float], list[int], list[int]]:
    z, n, x = zip(*rows, strict=True)
    return list(z), list(n), list(x)


def slow_log_likelihood(density: float, rows: Rows) -> float:
    """Binomial probabilities without their coefficients, tube by tube."""
    total = 0.0
    for z, n, x in rows:
        negative = math.exp(-density * z)
        total += sum(math.log(1 - negative) for _ in range(x)) - (n - x) * density * z
    return total


@pytest.mark.parametrize("code", [(3, 1, 1), (2, 2, 0), (0, 0, 1), (3, 3, 2), (1, 0, 0)])
def test_maximum_and_limits_by_brute_force(code: tuple[int, int, int]) -> None:
    rows = list(zip([1.0, 0.1, 0.01], [3, 3, 3], code, strict=True))
    result = count_mpn(*columns(rows), level=0.95)
    grid = np.geomspace(0.005, 1000, 4001)
    slow = np.array([slow_log_likelihood(d, rows) for d in grid])
    step = 1.5 * (grid[1] / grid[0] - 1)
    assert result.estimate.value == pytest.approx(grid[slow.argmax()], rel=step)
    inside = grid[2 * (slow.max() - slow) <= 3.841458820694124]
    assert result.estimate.low == pytest.approx(inside[0], rel=step)
    assert result.estimate.high == pytest.approx(inside[-1], rel=step)
    fast = result.log_likelihood(grid)
    assert fast - fast.max() == pytest.approx(slow - slow.max(), abs=1e-8)


def test_rarity_by_definition() -> None:
    """Probability of the outcome over the largest of all 64, at the same density."""
    z = [1.0, 0.1, 0.01]

    def probability(density: float, code: tuple[int, ...]) -> float:
        out = 1.0
        for amount, x in zip(z, code, strict=True):
            p = 1 - math.exp(-density * amount)
            out *= math.comb(3, x) * p**x * (1 - p) ** (3 - x)
        return out

    for code in product(range(4), repeat=3):
        result = count_mpn(z, [3, 3, 3], code)
        if result.status != "interior":
            assert result.rarity_index == 1.0
            continue
        lam = result.estimate.value
        largest = max(probability(lam, other) for other in product(range(4), repeat=3))
        assert result.rarity_index == pytest.approx(probability(lam, code) / largest, rel=1e-9)


def test_bias_is_the_bias() -> None:
    """20 tubes at one amount: the adjusted estimate is far less biased, by exact enumeration.

    Outcomes without an estimate (all positive) are left out of both means; they are rare here.
    """
    n, density = 20, 0.8
    p = 1 - math.exp(-density)
    raw = adjusted = weight = 0.0
    for x in range(n):
        chance = math.comb(n, x) * p**x * (1 - p) ** (n - x)
        result = count_mpn([1.0], [n], [x])
        raw += chance * result.estimate.value
        adjusted += chance * (result.bias_adjusted() or 0.0)
        weight += chance
    assert abs(adjusted / weight - density) < 0.15 * abs(raw / weight - density)


@given(ROWS, st.floats(1e-6, 1e6))
def test_larger_amounts_mean_lower_density(rows: Rows, factor: float) -> None:
    z, n, x = columns(rows)
    one, other = count_mpn(z, n, x), count_mpn([factor * amount for amount in z], n, x)
    assert other.status == one.status
    assert other.rarity_index == pytest.approx(one.rarity_index, rel=1e-5, abs=1e-300)
    for name in ("value", "low", "high"):
        a, b = getattr(one.estimate, name), getattr(other.estimate, name)
        if a is None or math.isinf(a):
            assert b == a
        else:
            assert b * factor == pytest.approx(a, rel=1e-8)


@given(ROWS, st.data())
def test_splitting_a_row_changes_nothing(rows: Rows, data: st.DataObject) -> None:
    i = data.draw(st.integers(0, len(rows) - 1))
    z, n, x = rows[i]
    n1 = data.draw(st.integers(1, n))
    x1 = data.draw(st.integers(max(0, x - (n - n1)), min(n1, x)))
    parts = [(z, n1, x1)] + ([(z, n - n1, x - x1)] if n > n1 else [])
    whole = count_mpn(*columns(rows))
    split = count_mpn(*columns(rows[:i] + parts + rows[i + 1 :]))
    assert split == whole


@given(ROWS)
def test_row_order_changes_nothing(rows: Rows) -> None:
    assert count_mpn(*columns(rows[::-1])) == count_mpn(*columns(rows))


@given(ROWS)
def test_the_score_is_zero_and_the_interval_holds_the_value(rows: Rows) -> None:
    z, n, x = columns(rows)
    for interval in ("likelihood", "jarvis"):
        result = count_mpn(z, n, x, interval=interval)
        if result.status != "interior":
            continue
        e = result.estimate
        assert 0 <= e.low < e.value < e.high
        assert interval == "jarvis" or (e.low > 0 and e.high < math.inf)
        assert 0 <= result.rarity_index <= 1  # 0 where it is too small for a float
        terms = [xi * zi / math.expm1(min(e.value * zi, 700)) for zi, xi in zip(z, x, strict=True)]
        negative = math.fsum((ni - xi) * zi for zi, ni, xi in zip(z, n, x, strict=True))
        assert math.fsum(terms) == pytest.approx(negative, rel=1e-9)


@given(ROWS, st.integers(0, 5))
def test_one_more_positive_never_lowers_it(rows: Rows, which: int) -> None:
    i = which % len(rows)
    z, n, x = rows[i]
    if x == n:
        return
    fewer = count_mpn(*columns(rows)).estimate.value
    more = count_mpn(*columns([*rows[:i], (z, n, x + 1), *rows[i + 1 :]])).estimate.value
    assert fewer is not None
    assert more is None or more > fewer * (1 - 1e-9)


@pytest.mark.parametrize("tubes", [1, 2, 500])
def test_bounds_by_definition(tubes: int) -> None:
    """At the bound the outcome has probability α."""
    z = [10.0, 1e-3]
    none = count_mpn(z, [tubes] * 2, [0, 0], bound_alpha=0.05)
    assert math.exp(-none.estimate.high * tubes * sum(z)) == pytest.approx(0.05, rel=1e-12)
    every = count_mpn(z, [tubes] * 2, [tubes] * 2, bound_alpha=0.05)
    chance = math.prod((1 - math.exp(-every.estimate.low * amount)) ** tubes for amount in z)
    assert chance == pytest.approx(0.05, rel=1e-9)
    assert none.log10_se is None and every.log10_se is None
    assert none.bias_adjusted() is None and every.bias_adjusted() is None
    assert every.estimate.to_dict()["high"] is None
    assert float(none.log_likelihood(0.0)) == 0.0
    assert float(every.log_likelihood(0.0)) == -math.inf


@pytest.mark.parametrize("interval", ["likelihood", "jarvis"])
def test_intervals_cover(interval: str) -> None:
    """90 % intervals by the summed probability of all outcomes of 5 tubes at three dilutions.

    On average over densities they cover what they say; at single densities less, as the docstring
    admits.
    """
    z, n = [1.0, 0.1, 0.01], [5, 5, 5]
    results = {
        code: count_mpn(z, n, code, interval=interval).estimate
        for code in product(range(6), repeat=3)
    }
    coverage = []
    for density in np.geomspace(0.3, 60, 40):
        p = [1 - math.exp(-density * amount) for amount in z]
        coverage.append(
            math.fsum(
                math.prod(
                    math.comb(5, x) * q**x * (1 - q) ** (5 - x)
                    for x, q in zip(code, p, strict=True)
                )
                for code, e in results.items()
                if e.low <= density <= e.high
            )
        )
    assert 0.88 < np.mean(coverage) < 0.93
    assert min(coverage) > 0.79


@pytest.mark.parametrize(("code", "words"), [((0, 0, 3), "suspect"), ((1, 0, 1), "unlikely")])
def test_rare_patterns_are_said(code: tuple[int, ...], words: str) -> None:
    assert words in count_mpn([1.0, 0.1, 0.01], [5] * 3, code).warnings[0]
    assert count_mpn([1.0, 0.1, 0.01], [3] * 3, [3, 1, 0]).warnings == ()


def test_categories() -> None:
    """Edges 0.05 and 0.01 of ISO 7218/Amd.1:2013, from memory."""
    design = [1.0, 0.1, 0.01], [5, 5, 5]
    assert count_mpn(*design, [5, 3, 0]).category == 1
    assert count_mpn(*design, [1, 0, 1]).category == 2  # rarity 0.02
    assert count_mpn(*design, [0, 1, 1]).category == 3


def test_extreme_amounts() -> None:
    """No overflow between very small and very large portions."""
    result = count_mpn([1e25, 1.0, 1e-25], [3, 3, 3], [3, 2, 0])
    assert result.estimate.value == pytest.approx(math.log(3), rel=1e-9)
    assert count_mpn([1e-20], [500], [499]).estimate.value == pytest.approx(math.log(500) * 1e20)


@pytest.mark.parametrize(
    ("amount", "tubes", "positive", "says"),
    [
        ([], [], [], "no tubes"),
        ([1.0], [3, 3], [1], "as many"),
        ([0.0], [3], [1], "amount"),
        ([-1.0], [3], [1], "amount"),
        ([math.nan], [3], [1], "amount"),
        ([math.inf], [3], [1], "amount"),
        ([1.0], [0], [0], "no tubes"),
        ([1.0], [3], [4], "4 positive of 3"),
        ([1.0], [3], [-1], "whole number"),
        ([1.0], [3], [1.5], "whole number"),
        ([1.0], [3], [math.nan], "whole number"),
        ([1.0], [math.inf], [1], "whole number"),
        ([1.0], [3], [True], "whole number"),
        ([1.0, 0.1], [3, 3], [1, 9], "row 2"),
    ],
)
def test_designs_that_cannot_be(
    amount: list[Any], tubes: list[Any], positive: list[Any], says: str
) -> None:
    with pytest.raises(InputError, match=says):
        count_mpn(amount, tubes, positive)
