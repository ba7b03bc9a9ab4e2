"""Catch tests: intervals, the equivalence verdict, and how many more catches settle it."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import ttest_1samp

from rhizoledger.errors import InputError
from rhizoledger.treating.calibration import calibrate, chance_of_verdict

FIVE = [258.0, 262.0, 259.0, 271.0, 280.0]
CATCHES = st.lists(st.floats(50, 500), min_size=2, max_size=12, unique=True)


def test_against_r() -> None:
    """R 4.2.2: t.test(x)$conf.int; t.test(x, mu=247, alternative="greater") and mu=273, "less"."""
    c = calibrate(FIVE, 260, tolerance=0.05)
    assert (c.mean.low, c.mean.high) == pytest.approx((254.385296823, 277.614703177), rel=1e-11)
    assert c.p_within == pytest.approx(0.08478950428722, rel=1e-11)
    assert c.verdict == "not_settled"


@given(CATCHES, st.floats(100, 400), st.floats(0.01, 0.5))
def test_the_verdict_is_that_of_two_one_sided_tests(
    x: list[float], target: float, tolerance: float
) -> None:
    c = calibrate(x, target, tolerance=tolerance)
    low, high = target * (1 - tolerance), target * (1 + tolerance)

    def p(edge: float, side: str) -> float:
        return float(ttest_1samp(x, edge, alternative=side).pvalue)

    within = max(p(low, "greater"), p(high, "less"))
    outside = min(p(low, "less"), p(high, "greater"))
    if min(abs(within - 0.05), abs(outside - 0.05)) > 1e-9:
        wanted = "pass" if within < 0.05 else "adjust" if outside < 0.05 else "not_settled"
        assert c.verdict == wanted
    assert c.p_within == pytest.approx(within, rel=1e-7, abs=1e-12)


@given(CATCHES, st.floats(100, 400), st.floats(0.1, 10))
def test_another_unit_changes_no_share(x: list[float], target: float, factor: float) -> None:
    a = calibrate(x, target, tolerance=0.05)
    b = calibrate([factor * v for v in x], factor * target, tolerance=0.05)
    assert a.bias and b.bias and a.cv and b.cv and a.factor and b.factor
    assert b.bias.value == pytest.approx(a.bias.value, rel=1e-9, abs=1e-12)
    assert b.cv.value == pytest.approx(a.cv.value, rel=1e-9)
    assert b.factor.value == pytest.approx(a.factor.value, rel=1e-9)
    assert b.mean.value == pytest.approx(factor * a.mean.value, rel=1e-12)


@given(CATCHES, st.floats(100, 400))
def test_the_correction_puts_the_mean_on_target(x: list[float], target: float) -> None:
    c = calibrate(x, target, tolerance=0.05)
    assert c.factor is not None and c.bias is not None
    assert c.factor.value * c.mean.value == pytest.approx(target, rel=1e-12)
    assert c.factor.low <= c.factor.value <= c.factor.high
    if c.mean.low > 0:
        assert 1 / c.factor.high - 1 == pytest.approx(c.bias.low, rel=1e-9, abs=1e-12)


def test_the_three_verdicts() -> None:
    assert calibrate([259, 261, 260, 262, 258], 260, tolerance=0.05).verdict == "pass"
    assert calibrate([300, 304, 303], 260, tolerance=0.05).verdict == "adjust"
    assert calibrate([200, 204, 203], 260, tolerance=0.05).verdict == "adjust"
    assert calibrate([250, 270], 260, tolerance=0.05).verdict == "not_settled"
    assert calibrate([250, 270], tolerance=0.05).verdict == "no_target"


def test_few_or_coarse_readings_never_pass() -> None:
    one = calibrate([260], 260, tolerance=0.05)
    assert (one.verdict, one.cv, one.more) == ("not_settled", None, None)
    assert math.isinf(one.mean.high)
    same = calibrate([260.1] * 3, 260.1, tolerance=0.05)
    assert (same.verdict, same.sd, same.cv) == ("not_settled", 0.0, None)


def test_more_catches_are_as_few_as_do() -> None:
    c = calibrate(FIVE, 260, tolerance=0.05)
    assert c.more and c.sd
    edges = (247.0, 273.0)
    n = 5 + c.more
    assert chance_of_verdict(c.mean.value, c.sd, n, edges, 0.05) >= 0.8
    assert chance_of_verdict(c.mean.value, c.sd, n - 1, edges, 0.05) < 0.8
    at_the_edge = calibrate([263, 283], 260, tolerance=0.05)  # mean 273, the edge itself
    assert at_the_edge.verdict == "not_settled" and at_the_edge.more is None
    assert calibrate([259, 261, 260], 260, tolerance=0.05).more == 0


@given(st.floats(95, 105), st.floats(0.5, 5), st.integers(2, 12))
def test_the_chance_grows_with_catches_and_is_one(mean: float, sd: float, n: int) -> None:
    edges = (95.0, 105.0)
    chance = chance_of_verdict(mean, sd, n, edges, 0.05)
    assert -1e-12 <= chance <= 1
    if edges[0] < mean < edges[1]:
        assert chance <= chance_of_verdict(mean, sd, n + 1, edges, 0.05) + 1e-9


@pytest.mark.parametrize(
    ("mean", "n", "sd"), [(100, 4, 2.0), (103, 6, 2.0), (98, 2, 1.0), (107, 5, 2.0), (100, 3, 4.0)]
)
def test_the_chance_against_the_slow_twin(mean: float, n: int, sd: float) -> None:
    """Days drawn one by one; four standard errors of 20,000 are at most 0.0142."""
    rng = np.random.default_rng(5)
    x = rng.normal(mean, sd, (20_000, n))
    middle, s = x.mean(axis=1), x.std(axis=1, ddof=1)
    t = {2: 6.313752, 3: 2.919986, 4: 2.353363, 5: 2.131847, 6: 2.015048}[n]  # tables, one-sided
    reach = t * s / math.sqrt(n)
    if 95 < mean < 105:
        found = ((middle - reach >= 95) & (middle + reach <= 105)).mean()
    else:
        found = (middle - reach >= 105).mean()
    assert chance_of_verdict(mean, sd, n, (95, 105), 0.05) == pytest.approx(found, abs=0.0142)


@pytest.mark.parametrize("bad", [[], [0.0, 1.0], [-1.0], [math.nan, 1.0], [math.inf]])
def test_what_is_no_catch_is_refused(bad: list[float]) -> None:
    with pytest.raises(InputError):
        calibrate(bad, 260, tolerance=0.05)
    with pytest.raises(InputError):
        calibrate([260.0], 0.0, tolerance=0.05)
    with pytest.raises(InputError):
        calibrate([260.0], 260.0, tolerance=1.0)
