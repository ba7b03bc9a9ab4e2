"""The search against trying everything, and its bound against what was found."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations, product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rhizoledger.plan import order_bound
from rhizoledger.plan.order_bound import best_order, prices
from rhizoledger.plan.order_search import Line, exact, greedy, kicked, mended, timed

pytestmark = pytest.mark.thorough


def dearest_first(line: Line, order: tuple[int, ...]) -> float:
    """Slow twin: every start of every run in an order, by the definition."""
    best = np.inf
    for starts in product(range(line.steps), repeat=len(order)):
        free, before, cost = 0, line.first, 0.0
        for j, t in zip(order, starts, strict=True):
            kind, length = int(line.kind[j]), int(line.length[j])
            if t < free + line.gap[before, kind] or t + length > line.steps:
                break
            cost += float(line.cost[j, t] + line.price[before, kind])
            free, before = t + length, kind
        else:
            best = min(best, cost)
    return float(best)


def tried_all(line: Line) -> float:
    """Every order, each at its best starts."""
    return min(timed(line, order).cost for order in permutations(range(line.runs)))


def recost(line: Line, order: tuple[int, ...], starts: tuple[int, ...]) -> float:
    """Cost of an order at its starts; fails where one is not allowed."""
    free, before, cost = 0, line.first, 0.0
    for j, t in zip(order, starts, strict=True):
        kind = int(line.kind[j])
        assert t >= free + line.gap[before, kind]
        cost += float(line.cost[j, t] + line.price[before, kind])
        free, before = t + int(line.length[j]), kind
    assert free <= line.steps
    return cost


@st.composite
def lines(draw: st.DrawFn, runs: tuple[int, int] = (1, 6), steps: int = 24) -> Line:
    """Lines with idle time worth having, nights, dates that bind, and uneven clean-outs."""
    n = draw(st.integers(*runs))
    kinds = draw(st.integers(1, 3))
    r = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    length = r.integers(1, 4, n)
    here = np.arange(steps)
    due = r.integers(2, steps, n)
    cost = np.maximum(0, here + length[:, None] - due[:, None]) * r.uniform(0, 4, (n, 1))
    cost += np.maximum(0, due[:, None] - here - r.integers(3, 12, (n, 1))) * r.uniform(0, 4, (n, 1))
    day = draw(st.sampled_from([6, 8, steps]))
    cost[here[None, :] % day + length[:, None] > day] = np.inf
    if draw(st.booleans()):
        cost[0, int(due[0]) :] = np.inf
    gap = r.integers(0, 3, (kinds, kinds))
    np.fill_diagonal(gap, 0)
    return Line(
        cost, length, r.integers(0, kinds, n), 0, gap, gap * draw(st.sampled_from([0.0, 3.0]))
    )


@given(lines(runs=(1, 3), steps=7))
@settings(max_examples=40, deadline=None)
def test_starts_of_an_order_are_the_cheapest_there_are(line: Line) -> None:
    order = tuple(range(line.runs))
    found = timed(line, order)
    assert found.cost == pytest.approx(dearest_first(line, order), abs=1e-9)


@given(lines())
@settings(max_examples=60, deadline=None)
def test_the_exact_order_is_the_best_of_all(line: Line) -> None:
    found = exact(line)
    assert found.cost == pytest.approx(tried_all(line), abs=1e-9)
    if found.order:
        assert sorted(found.order) == list(range(line.runs))
        assert recost(line, found.order, found.starts) == pytest.approx(found.cost, abs=1e-9)


@given(lines())
@settings(max_examples=60, deadline=None)
def test_no_order_is_cheaper_than_the_bound(line: Line) -> None:
    best = tried_all(line)
    bound = prices(line, best).bound
    assert bound <= best + 1e-9 * max(1.0, abs(best)) or not np.isfinite(best)


@given(lines(runs=(2, 6)))
@settings(max_examples=60, deadline=None)
def test_the_bounded_search_says_truly_how_far_it_may_be(line: Line) -> None:
    best = tried_all(line)
    small = order_bound.TABLE
    order_bound.TABLE = 0
    try:
        o = best_order(line)
    finally:
        order_bound.TABLE = small
    if not np.isfinite(best):
        assert not o.found.order
        return
    if o.found.order:
        assert recost(line, o.found.order, o.found.starts) == pytest.approx(o.found.cost, abs=1e-9)
    assert o.least <= best + 1e-7 * max(1.0, best)
    assert best <= o.found.cost + 1e-9 * max(1.0, best)
    if o.proved:
        assert o.found.cost == pytest.approx(best, rel=1e-7, abs=1e-7)


@given(lines(runs=(3, 6)))
@settings(max_examples=40, deadline=None)
def test_mending_never_makes_dearer_and_knows_its_moves(line: Line) -> None:
    first = greedy(line)
    if not first.order:
        return
    better = mended(line, first)
    assert better.cost <= first.cost + 1e-9
    assert kicked(line, better).cost <= better.cost + 1e-9


def test_idle_time_is_kept_where_early_costs() -> None:
    cost = np.array([[5.0, 4.0, 3.0, 2.0, 9.0]])
    line = Line(cost, np.array([1]), np.array([0]), 0, np.zeros((1, 1), int), np.zeros((1, 1)))
    assert exact(line).starts == (3,)


def test_a_dear_change_keeps_a_recipe_together() -> None:
    """Dates say a b a b; clean-outs dearer than waiting say a a b b."""
    here = np.arange(12)
    cost = np.stack([2.0 * np.maximum(0, here - k) for k in range(4)])
    gap = np.array([[0, 1], [1, 0]])
    line = Line(cost, np.ones(4, int), np.array([0, 1, 0, 1]), 0, gap, 0.0 * gap)
    dear = replace(line, price=50.0 * gap)
    kinds = [[int(line.kind[j]) for j in exact(x).order] for x in (line, dear)]
    assert kinds[1] == [0, 0, 1, 1]
    assert exact(dear).cost == pytest.approx(tried_all(dear))


def test_a_search_too_large_for_the_table_is_bounded_and_the_same_twice() -> None:
    r = np.random.default_rng(5)
    n, steps = 13, 90
    here = np.arange(steps)
    due = r.uniform(5, 80, (n, 1))
    cost = np.maximum(0, here - due) * r.uniform(1, 3, (n, 1)) + np.maximum(0, due - 20 - here)
    gap = np.array([[0, 1, 2], [1, 0, 1], [2, 2, 0]])
    line = Line(cost, r.integers(2, 6, n), r.integers(0, 3, n), 0, gap, 4.0 * gap)
    best = exact(line).cost
    small = order_bound.TABLE
    order_bound.TABLE = 0
    try:
        once, twice = best_order(line), best_order(line)
    finally:
        order_bound.TABLE = small
    assert once == twice
    assert once.least <= best + 1e-9 <= once.found.cost + 1e-6
    assert once.found.cost <= 1.02 * best
    assert 0 <= once.gap < 0.2
