"""The variation of single seeds, found again from their plates."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import chi2, nbinom

from rhizoledger.errors import InputError
from rhizoledger.treating.single_seeds import seed_spread


@pytest.mark.thorough
def test_against_a_grid_with_other_probabilities() -> None:
    """The adjusted profile of equal shares, by its definition, with another library's terms."""
    colonies = [20, 55, 31, 90, 44, 12]
    m = float(np.mean(colonies))

    def height(log_k: float) -> float:
        k = math.exp(log_k)
        information = len(colonies) * m / (1 + m / k)
        ll = nbinom.logpmf(colonies, k, k / (k + m)).sum()
        return float(ll - 0.5 * math.log(information))

    grid = np.linspace(math.log(0.1), math.log(100), 20_001)
    heights = [height(t) for t in grid]
    top = float(grid[int(np.argmax(heights))])
    drop = max(heights) - 0.5 * float(chi2.isf(0.05, 1))
    low, high = (
        brentq(lambda t: height(t) - drop, *ends) for ends in ((-3, top), (top, math.log(1e4)))
    )
    found = seed_spread(colonies, [1e-4] * 6)
    assert found.mean == pytest.approx(m / 1e-4, rel=1e-9)
    assert found.cv == pytest.approx(math.exp(-top / 2), rel=1e-3)
    assert found.cv_low == pytest.approx(math.exp(-high / 2), rel=1e-4)
    assert found.cv_high == pytest.approx(math.exp(-low / 2), rel=1e-4)
    assert found.p_even < 1e-6


def test_many_colonies_leave_the_scatter_of_the_seeds() -> None:
    """With chance out of play the cv is near the plain one with n - 1 (gamma, so not quite)."""
    seeds = np.array([0.8, 1.1, 1.3, 0.7, 1.0, 1.2, 0.9, 1.0])
    found = seed_spread((seeds * 1e5).astype(int).tolist(), [1e-2] * 8)
    assert found.cv == pytest.approx(seeds.std(ddof=1) / seeds.mean(), rel=0.02)


def test_shares_may_differ_from_seed_to_seed() -> None:
    """A share a hair off takes the general way and gives the same."""
    colonies = [20, 55, 31, 90, 44, 12]
    equal = seed_spread(colonies, [1e-4] * 6)
    near = seed_spread(colonies, [1e-4 * (1 + 1e-9 * i) for i in range(6)])
    assert near.cv == pytest.approx(equal.cv, rel=1e-5)
    assert near.cv_high == pytest.approx(equal.cv_high, rel=1e-5)
    halved = seed_spread([10, *colonies[1:]], [5e-5, *[1e-4] * 5])
    assert halved.cv == pytest.approx(equal.cv, rel=0.05)


def test_colonies_that_scatter_by_chance_alone_show_no_variation() -> None:
    s = seed_spread([30, 33, 29, 31, 32], [1e-3] * 5)
    assert (s.cv, s.cv_low, s.p_even) == (0.0, 0.0, 1.0)
    assert 0 < s.cv_high < 0.5


@pytest.mark.parametrize(
    ("colonies", "shares"),
    [([3, 4], [1, 1]), ([0, 0, 0], [1, 1, 1]), ([1, 2, 3], [1, 1, 0]), ([1, 2, -3], [1, 1, 1])],
)
def test_what_shows_no_spread_is_refused(colonies: list[int], shares: list[float]) -> None:
    with pytest.raises(InputError):
        seed_spread(colonies, shares)


@pytest.mark.slow
@pytest.mark.parametrize(("cv", "seeds"), [(0.5, 12), (0.5, 6), (1.0, 8)])
def test_limits_hold_about_as_often_as_they_say(cv: float, seeds: int) -> None:
    """Gamma seeds with 40 colonies on average, 500 sets each, seeded.

    Three standard errors are 0.029; profile limits are those of large samples, so a hundredth
    more is allowed.
    """
    rng = np.random.default_rng(99)
    held = 0
    for _ in range(500):
        amount = rng.gamma(1 / cv**2, 40 * cv**2, seeds)
        s = seed_spread(rng.poisson(amount).tolist(), [1e-4] * seeds)
        held += s.cv_low <= cv <= s.cv_high
    assert held / 500 == pytest.approx(0.95, abs=0.039)
