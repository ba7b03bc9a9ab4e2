"""Exact limits of a coefficient of variation: another program's, a property, and coverage."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2, nct

from rhizoledger.errors import InputError
from rhizoledger.stats.relative_spread import cv_limits

# R 4.2.2: sqrt(n)/uniroot(function(d) pt(sqrt(n)/cv, n-1, d, lower.tail=FALSE) - p,
# c(1e-9, 37), tol=1e-13)$root with p = 0.975 and 0.025; no root means no upper limit.
R = [
    (0.5, 5, 0.280309210195, 2.62332174041),
    (0.2, 6, 0.123441527719, 0.522974901886),
    (0.15, 10, 0.1025779614, 0.279313595941),
    (0.3, 12, 0.207992535954, 0.543839171301),
    (1.5, 3, 0.527665442257, math.inf),
]


@pytest.mark.parametrize(("cv", "n", "low", "high"), R)
def test_against_r(cv: float, n: int, low: float, high: float) -> None:
    assert cv_limits(cv, n) == pytest.approx((low, high), rel=1e-9)


@given(st.floats(0.005, 0.6), st.integers(2, 40), st.sampled_from([0.8, 0.9, 0.95]))
def test_each_limit_leaves_its_tail(cv: float, n: int, level: float) -> None:
    low, high = cv_limits(cv, n, level)
    assert 0 < low < cv < high
    tail = (1 - level) / 2
    t = math.sqrt(n) / cv
    if t < 60:  # beyond it the library's own noncentral t loses digits
        assert nct.sf(t, n - 1, math.sqrt(n) / low) == pytest.approx(1 - tail, abs=1e-6)
        if math.isfinite(high):
            assert nct.sf(t, n - 1, math.sqrt(n) / high) == pytest.approx(tail, abs=1e-6)


@given(st.integers(2, 30))
def test_a_small_one_has_the_limits_of_a_standard_deviation(n: int) -> None:
    """As cv falls the mean is as good as known, and chi squared alone is left."""
    cv = 1e-4
    low, high = cv_limits(cv, n)
    df = n - 1
    assert low == pytest.approx(cv * math.sqrt(df / chi2.isf(0.025, df)), rel=1e-4)
    assert high == pytest.approx(cv * math.sqrt(df / chi2.isf(0.975, df)), rel=1e-3)


@pytest.mark.parametrize(("cv", "n"), [(0.0, 5), (-0.1, 5), (math.nan, 5), (0.1, 1)])
def test_what_has_no_spread_is_refused(cv: float, n: int) -> None:
    with pytest.raises(InputError):
        cv_limits(cv, n)


@pytest.mark.slow
@pytest.mark.parametrize(("true", "n"), [(0.05, 4), (0.3, 8)])
def test_they_hold_the_truth_as_often_as_they_say(true: float, n: int) -> None:
    """Seeded; three standard errors of 2000 sets are 0.0146."""
    rng = np.random.default_rng(20270510)
    held = 0
    for _ in range(2000):
        x = rng.normal(1.0, true, n)
        low, high = cv_limits(float(x.std(ddof=1) / x.mean()), n)
        held += low <= true <= high
    assert held / 2000 == pytest.approx(0.95, abs=0.0147)
