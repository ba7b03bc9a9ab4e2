"""Evenness: closed forms, a slow twin, limits, and what each factor does."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.stats import norm, poisson

from rhizoledger.errors import InputError
from rhizoledger.treating.evenness import (
    Shape,
    effects,
    mean_needed,
    share_below,
    share_below_at_many_cells,
    simulated_share_below,
)

SHAPES: tuple[Shape, ...] = ("lognormal", "gamma")
shapes = st.sampled_from(SHAPES)


def test_gamma_against_r() -> None:
    """R 4.2.2: pnbinom(99999, size=4, mu=5e5) and pnbinom(7, size=1, mu=10)."""
    assert share_below(5e5, 1e5, 0.5, "gamma") == pytest.approx(0.00908019521692, rel=1e-11)
    assert share_below(10, 8, 1.0, "gamma") == pytest.approx(0.53349261979, rel=1e-10)


@pytest.mark.parametrize(
    ("mean", "needed", "cv"),
    [(3, 1, 0.5), (10, 8, 1.0), (100, 99.5, 0.1), (2e4, 1e4, 0.3), (5e5, 1e5, 0.5), (50, 400, 3.0)],
)
def test_lognormal_against_the_slow_integral(mean: float, needed: float, cv: float) -> None:
    s = math.sqrt(math.log(1 + cv**2))
    mu = math.log(mean) - s**2 / 2

    def f(z: float) -> float:
        return float(norm.pdf(z) * poisson.cdf(math.ceil(needed) - 1, math.exp(mu + s * z)))

    step = (math.log(needed) - mu) / s
    wanted = quad(f, -12, 12, points=[step], limit=2000, epsabs=1e-14, epsrel=1e-11)[0]
    assert share_below(mean, needed, cv) == pytest.approx(wanted, rel=1e-9, abs=1e-13)


@pytest.mark.parametrize("shape", SHAPES)
@pytest.mark.parametrize(
    ("mean", "needed", "cv"),
    [(3, 1, 0.5), (10, 8, 1.0), (2e4, 1e4, 0.3), (1e6, 1e5, 1.5), (4, 3, 0)],
)
def test_against_seeds_drawn_one_by_one(
    mean: float, needed: float, cv: float, shape: Shape
) -> None:
    """Four standard errors of 100,000 seeds are at most 0.0064."""
    drawn = simulated_share_below(mean, needed, cv, shape, np.random.default_rng(7))
    assert share_below(mean, needed, cv, shape) == pytest.approx(drawn, abs=0.0064)


@given(st.floats(1e7, 1e9), st.floats(0.05, 2), st.floats(0.3, 2), shapes)
def test_at_many_cells_only_the_amount_varies(
    needed: float, cv: float, ratio: float, shape: Shape
) -> None:
    at_many = share_below_at_many_cells(ratio * needed, needed, cv, shape)
    assert share_below(ratio * needed, needed, cv, shape) == pytest.approx(at_many, abs=1e-3)


@given(st.floats(0.5, 1e6), st.integers(1, 100_000))
def test_without_variation_cells_are_poisson(mean: float, needed: int) -> None:
    wanted = poisson.cdf(needed - 1, mean)
    for shape in SHAPES:
        assert share_below(mean, needed, 0.0, shape) == pytest.approx(wanted, rel=1e-7, abs=1e-300)
        near = share_below(mean, needed, 1e-5, shape)
        assert near == pytest.approx(wanted, abs=0.01)


def test_one_cell_needed_is_the_share_without_any() -> None:
    """P(N = 0) of a negative binomial is (1 + m/k)^-k."""
    assert share_below(2, 1, 1.0, "gamma") == pytest.approx(1 / 3)
    assert share_below(2, 1, 0.5, "gamma") == pytest.approx((1 + 2 / 4) ** -4)
    assert share_below(2, 0.2, 0.5, "gamma") == share_below(2, 1, 0.5, "gamma"), "cells are whole"


@given(st.floats(10, 1e8), st.floats(1.0, 1e6), st.floats(0.01, 2), shapes)
def test_more_on_average_never_leaves_more_below(
    mean: float, needed: float, cv: float, shape: Shape
) -> None:
    assert (
        share_below(1.5 * mean, needed, cv, shape) <= share_below(mean, needed, cv, shape) + 1e-12
    )
    assert share_below(mean, 2 * needed, cv, shape) >= share_below(mean, needed, cv, shape) - 1e-12


@given(st.floats(1, 1e7), st.floats(0.0, 1.5), st.floats(0.01, 0.9), shapes)
def test_the_mean_needed_leaves_that_share(
    needed: float, cv: float, share: float, shape: Shape
) -> None:
    mean = mean_needed(needed, cv, share, shape)
    assert share_below(mean, needed, cv, shape) == pytest.approx(share, abs=1e-7)


def test_the_mean_needed_at_many_cells_by_closed_form() -> None:
    """R·exp(s·z + s²/2) with z the quantile: 1.6449 for five in a hundred."""
    s = math.sqrt(math.log(1.25))
    wanted = 1e8 * math.exp(norm.isf(0.05) * s + s**2 / 2)
    assert mean_needed(1e8, 0.5, 0.05) == pytest.approx(wanted, rel=1e-6)


def test_effects_are_shares_of_their_own_numbers() -> None:
    rows = {f.what: f for f in effects(2e5, 1e5, 0.4)}
    assert rows["as it is"].share == share_below(2e5, 1e5, 0.4)
    assert rows["half the titre or rate"].share == share_below(1e5, 1e5, 0.4)
    assert rows["twice the variation"].share == share_below(2e5, 1e5, 0.8)
    assert rows["half the variation"].share < rows["as it is"].share


@pytest.mark.parametrize(
    "bad",
    [
        lambda: share_below(0, 1e5, 0.5),
        lambda: share_below(1e5, -1, 0.5),
        lambda: share_below(1e5, 1e5, -0.1),
        lambda: share_below(1e5, 1e5, math.nan),
        lambda: mean_needed(1e5, 0.5, 0.0),
        lambda: mean_needed(1e5, 0.5, 1.0),
        lambda: mean_needed(1e5, 60.0, 0.001, "gamma"),
    ],
)
def test_what_has_no_answer_is_refused(bad: Callable[[], object]) -> None:
    with pytest.raises(InputError):
        bad()
