"""Exact limits, tails and likelihood-ratio limits against slow definitions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import gammaln

from rhizoledger.errors import InputError
from rhizoledger.stats.negbin import profile_log_likelihood
from rhizoledger.stats.poisson import at_least_slope, homogeneity, log_at_least, poisson_limits
from rhizoledger.stats.profile import likelihood_limits


def cumulative(count: int, mean: float) -> float:
    """P(C <= count), term by term."""
    return math.fsum(
        math.exp(k * math.log(mean) - mean - math.lgamma(k + 1)) for k in range(count + 1)
    )


@given(st.integers(0, 300), st.sampled_from([0.5, 0.8, 0.9, 0.95, 0.99]))
def test_limits_by_definition(count: int, level: float) -> None:
    """At the upper limit so few, and at the lower so many, have probability α/2."""
    low, high = poisson_limits(count, level)
    alpha = (1 - level) / 2
    assert cumulative(count, high) == pytest.approx(alpha, rel=1e-9)
    if count:
        assert 1 - cumulative(count - 1, low) == pytest.approx(alpha, rel=1e-9)
    assert low <= count <= high


def test_exact_limits_cover() -> None:
    """Coverage at least the level for every mean on a grid, by summing probabilities."""
    limits = [poisson_limits(c, 0.9) for c in range(120)]
    for mean in np.linspace(0.05, 40, 200):
        covered = math.fsum(
            math.exp(c * math.log(mean) - mean - math.lgamma(c + 1))
            for c, (low, high) in enumerate(limits)
            if low <= mean <= high
        )
        assert covered >= 0.9


@given(st.integers(1, 400), st.floats(1e-3, 600))
def test_tails_by_definition(count: int, mean: float) -> None:
    log_tail = float(log_at_least(count, mean))
    series = math.fsum(
        math.exp(k * math.log(mean) - math.lgamma(count + k + 1) + math.lgamma(count + 1))
        for k in range(0, 2000)
        if k * math.log(mean) - math.lgamma(count + k + 1) + math.lgamma(count + 1) > -745
    )
    by_hand = count * math.log(mean) - mean - math.lgamma(count + 1) + math.log(series)
    assert log_tail == pytest.approx(min(by_hand, 0.0), rel=1e-9, abs=1e-11)


@pytest.mark.parametrize("count", [1, 2, 251, 5000])
def test_a_tail_too_small_for_a_float_has_a_logarithm(count: int) -> None:
    """The value does not jump where the series takes over, and its slope is k/m there."""
    lowest, highest = (1e-300, 1e-3) if count < 3 else (1e-3, count / 2)
    means = np.geomspace(lowest, highest, 400)
    log_tail = log_at_least(count, means)
    assert np.isfinite(log_tail).all() and (np.diff(log_tail) > 0).all()
    slope = at_least_slope(count, means)
    by_steps = np.diff(log_tail) / np.diff(np.log(means))
    assert by_steps == pytest.approx(
        0.5 * (slope * means)[1:] + 0.5 * (slope * means)[:-1], rel=1e-2
    )
    assert float(log_at_least(count, 0.0)) == -math.inf


def test_homogeneity_of_one_or_of_nothing() -> None:
    assert homogeneity([7], [1.0]).p == 1.0
    assert homogeneity([0, 0, 0], [1.0, 2.0, 3.0]).p == 1.0
    proportional = homogeneity([10, 100], [1.0, 10.0])
    assert proportional.g2 == pytest.approx(0, abs=1e-12) and proportional.p == pytest.approx(1)


@given(
    st.lists(st.integers(0, 300), min_size=2, max_size=6),
    st.floats(0.01, 100),
)
def test_homogeneity_does_not_depend_on_the_unit(counts: list[int], scale: float) -> None:
    one = homogeneity(counts, [1.0] * len(counts))
    other = homogeneity(counts, [scale] * len(counts))
    assert other.g2 == pytest.approx(one.g2, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("count", [-1, 2.5, math.nan, math.inf])
def test_impossible_counts(count: float) -> None:
    with pytest.raises(InputError, match="whole number"):
        poisson_limits(count)


@pytest.mark.parametrize("level", [0.0, 1.0, 95.0, -0.5, math.nan])
def test_impossible_levels(level: float) -> None:
    with pytest.raises(InputError, match="between 0 and 1"):
        poisson_limits(3, level)


def test_likelihood_limits_without_an_end() -> None:
    """A likelihood that never falls on one side has no limit there."""
    low, high = likelihood_limits(lambda t: min(t, 0.0), 0.0, 0.9)
    assert high == math.inf and 0 < low < 1


def test_negative_binomial_profile_by_brute_force() -> None:
    """Against the probability function written out, maximised over a finer grid of dispersions."""
    counts, portions = np.array([5.0, 22, 40, 8, 31]), np.array([0.01, 0.01, 0.02, 0.01, 0.01])
    densities = np.geomspace(500, 8000, 25)
    fine = np.geomspace(1e-5, 10, 20_001)

    def slow(density: float) -> float:
        mean = density * portions[:, None]
        r = 1 / fine
        c = counts[:, None]
        terms = (
            gammaln(c + r) - gammaln(r) + r * np.log(r / (r + mean)) + c * np.log(mean / (r + mean))
        )
        return float(terms.sum(axis=0).max())

    expected = np.array([slow(density) for density in densities])
    computed = profile_log_likelihood(densities, counts, portions)
    assert computed - computed.max() == pytest.approx(expected - expected.max(), abs=2e-3)
