"""Acceptance plans: the definition by enumeration and simulation, invariants, sizes by search."""

from __future__ import annotations

import math
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from rhizoledger.counts.acceptance import (
    Plan,
    chance_accepted,
    chance_below,
    judge,
    smallest_plan,
)
from rhizoledger.errors import InputError


@pytest.mark.parametrize(("n", "c"), [(5, 0), (5, 2), (4, 1), (1, 0), (6, 5)])
@pytest.mark.parametrize("p", [0.0, 0.03, 0.4, 1.0])
def test_chance_to_accept_by_counting_every_outcome(n: int, c: int, p: float) -> None:
    outcomes = product((0, 1), repeat=n)
    slow = sum(math.prod(p if x else 1 - p for x in o) for o in outcomes if sum(o) <= c)
    assert float(chance_accepted(Plan(n, c, 1.0), p)) == pytest.approx(slow, abs=1e-12)


@pytest.mark.parametrize("sd", [0.02, 0.11, 0.25, 0.6])
@pytest.mark.parametrize("plated", [2e-9, 3e-8, 4.4e-7])
def test_chance_below_is_the_integral_of_its_definition(sd: float, plated: float) -> None:
    m, titre = 1e9, 1.5e9
    most = math.ceil(plated * m) - 1  # most colonies that are still below m

    def inside(z: float) -> float:
        return float(stats.norm.pdf(z) * stats.poisson.cdf(most, plated * titre * 10 ** (sd * z)))

    slow, _ = integrate.quad(inside, -9, 9, limit=500, points=[-math.log10(1.5) / sd], epsabs=1e-12)
    fast = chance_below([titre], m, between_sd=sd, plated=plated)[0]
    assert fast == pytest.approx(slow, abs=1e-9)


def test_the_operating_curve_against_simulated_lots() -> None:
    rng = np.random.default_rng(11)
    plan, plated, sd, lots = Plan(5, 1, 1e9), 4e-8, 0.2, 100_000
    for titre in (8e8, 1.3e9, 2.5e9):
        colonies = rng.poisson(titre * plated * 10 ** (sd * rng.standard_normal((lots, plan.n))))
        seen = float(((colonies / plated < plan.m * (1 - 1e-12)).sum(axis=1) <= plan.c).mean())
        p = chance_below([titre], plan.m, between_sd=sd, plated=plated)
        assert float(chance_accepted(plan, p)[0]) == pytest.approx(seen, abs=0.006)


def test_without_spread_it_is_a_poisson_tail() -> None:
    p = chance_below([1e9, 2e9], 1e9, between_sd=0.0, plated=3e-8)
    assert p == pytest.approx(stats.poisson.cdf(29, [30, 60]))


def test_very_many_colonies_join_on_without_a_step() -> None:
    near, far = (
        chance_below([1.1e9], 1e9, between_sd=0.1, plated=x)[0] for x in (9.99e-6, 1.001e-5)
    )
    assert far == pytest.approx(near, abs=2e-4)


@given(st.floats(1e7, 1e11), st.floats(0, 0.5), st.floats(1e-9, 1e-6))
@settings(max_examples=40)
def test_a_better_lot_is_never_more_often_below(titre: float, sd: float, plated: float) -> None:
    low, high = chance_below([titre, 1.2 * titre], 1e9, between_sd=sd, plated=plated)
    assert 0 <= high <= low + 1e-12 <= 1 + 1e-9


@pytest.mark.parametrize("n", [1, 2, 3, 4])
def test_a_verdict_stands_only_when_no_sample_to_come_can_change_it(n: int) -> None:
    for c in range(n):
        plan = Plan(n, c, 1.0)
        for size in range(n + 1):
            for below in product((True, False, None), repeat=size):
                ways = [
                    [(True, False) if b is None else (b,) for b in (*below, *[None] * (n - size))]
                ]
                ends = {sum(full) <= c for way in ways for full in product(*way)}
                slow = "not decided" if len(ends) == 2 else "accept" if ends == {True} else "reject"
                assert judge(plan, below) == slow


def test_more_samples_than_the_plan_are_not_judged() -> None:
    assert judge(Plan(2, 0, 1.0), [True, True, True]) == "not decided"


@given(st.floats(0.0, 0.15), st.floats(0.2, 0.9), st.floats(0.01, 0.2), st.floats(0.01, 0.2))
@settings(max_examples=15)
def test_sizes_by_trying_every_plan(good: float, bad: float, a: float, b: float) -> None:
    found = smallest_plan(good, bad, a, b)
    assert found is not None
    n, c = (axis.ravel() for axis in np.mgrid[1 : found.n + 1, 0 : found.n])
    keeps = (stats.binom.sf(c, n, good) <= a) & (stats.binom.cdf(c, n, bad) <= b) & (c < n)
    kept = c[keeps & (n == found.n)]
    assert not np.any(keeps & (n < found.n))
    assert found.c in kept
    assert found.producer_risk == pytest.approx(1 - stats.binom.cdf(found.c, found.n, good))
    assert found.user_risk == pytest.approx(stats.binom.cdf(found.c, found.n, bad))


def test_lots_that_hardly_differ_need_more_than_can_be_asked() -> None:
    assert smallest_plan(0.30, 0.31, 0.05, 0.05) is None


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        ((0, 0, 1e9), "1 to 1000 samples"),
        ((5.5, 0, 1e9), "1 to 1000 samples"),
        ((2000, 0, 1e9), "1 to 1000 samples"),
        ((5, 5, 1e9), "n - 1 = 4"),
        ((5, -1, 1e9), "n - 1 = 4"),
        ((5, 0, 0.0), "above zero"),
        ((5, 0, math.nan), "above zero"),
    ],
)
def test_what_is_no_plan_is_said(plan: tuple[int, int, float], words: str) -> None:
    with pytest.raises(InputError, match=words):
        Plan(*plan)


@pytest.mark.parametrize("risk", [0.0, 1.0, -0.1, math.nan])
def test_what_is_no_risk_is_said(risk: float) -> None:
    with pytest.raises(InputError, match="producer's risk"):
        smallest_plan(0.01, 0.2, risk, 0.1)
    with pytest.raises(InputError, match="user's risk"):
        smallest_plan(0.01, 0.2, 0.1, risk)
