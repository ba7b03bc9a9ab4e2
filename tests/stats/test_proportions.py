"""Limits of proportions: the equations that define them, printed limits, huge counts, coverage.

Printed: Newcombe, Statistics in Medicine 17 (1998) 857-872, table I, methods 3 to 5, four decimals;
win rates of on-farm trials from R 4.2.2 (binom.test, prop.test without correction).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import betainc, betaincc
from scipy.stats import beta, binom, norm

from rhizoledger.errors import InputError
from rhizoledger.stats.poisson import poisson_limits
from rhizoledger.stats.proportions import clopper_pearson, jeffreys, wilson

close = pytest.approx
METHODS: list[Callable[..., tuple[float, float]]] = [
    clopper_pearson,
    wilson,
    lambda *a, **k: wilson(*a, **k, continuity=True),
    jeffreys,
]

# successes, trials; Clopper-Pearson; Wilson; Wilson with continuity correction.
NEWCOMBE = [
    (81, 263, (0.2527, 0.3676), (0.2553, 0.3662), (0.2535, 0.3682)),
    (15, 148, (0.0578, 0.1617), (0.0624, 0.1605), (0.0598, 0.1644)),
    (0, 20, (0.0, 0.1684), (0.0, 0.1611), (0.0, 0.2005)),
    (1, 29, (0.0009, 0.1776), (0.0061, 0.1718), (0.0018, 0.1963)),
]
# wins, trials that were no tie; Clopper-Pearson.  wins, all trials; Wilson.
R_EXACT = [
    (14, 14, 0.768364238349884, 1.0),
    (13, 15, 0.595397303396628, 0.983424086559916),
    (33, 35, 0.808428593654761, 0.993003236371691),
    (34, 34, 0.897182075740987, 1.0),
    (2, 2, 0.158113883008419, 1.0),
    (9, 9, 0.663732883120057, 1.0),
]
R_WILSON = [
    (14, 14, 0.784689197262364, 1.0),
    (13, 15, 0.621180171676776, 0.962638740896935),
    (33, 35, 0.813929425798351, 0.984186838142891),
    (34, 35, 0.854669127663863, 0.994938508144556),
    (2, 2, 0.342380227506653, 1.0),
    (9, 10, 0.595849973204762, 0.982123786904927),
]


@pytest.mark.parametrize(("x", "n", "exact", "score", "corrected"), NEWCOMBE)
def test_newcombe_as_printed(
    x: int,
    n: int,
    exact: tuple[float, float],
    score: tuple[float, float],
    corrected: tuple[float, float],
) -> None:
    assert clopper_pearson(x, n) == close(exact, rel=0, abs=5.001e-5)
    assert wilson(x, n) == close(score, rel=0, abs=5.001e-5)
    assert wilson(x, n, continuity=True) == close(corrected, rel=0, abs=5.001e-5)


@pytest.mark.parametrize(("x", "n", "low", "high"), R_EXACT)
def test_exact_limits_of_r(x: int, n: int, low: float, high: float) -> None:
    assert clopper_pearson(x, n) == close((low, high), rel=1e-13)


@pytest.mark.parametrize(("x", "n", "low", "high"), R_WILSON)
def test_score_limits_of_r(x: int, n: int, low: float, high: float) -> None:
    assert wilson(x, n) == close((low, high), rel=1e-13)


CASES = st.integers(0, 400).flatmap(lambda n: st.tuples(st.integers(0, n), st.just(n)))
LEVELS = st.floats(0.5, 0.999)


@given(case=CASES, level=LEVELS)
def test_clopper_pearson_solves_the_tails(case: tuple[int, int], level: float) -> None:
    x, n = case
    tail = (1 - level) / 2
    low, high = clopper_pearson(x, n, level)
    if x == 0:
        assert low == 0
        if n > 0:
            assert high == close(1 - tail ** (1 / n), rel=1e-10)
    else:
        assert binom.sf(x - 1, n, low) == close(tail, rel=1e-8)
    if x == n:
        assert high == 1
        if n > 0:
            assert low == close(tail ** (1 / n), rel=1e-10)
    else:
        assert binom.cdf(x, n, high) == close(tail, rel=1e-8)
    assert clopper_pearson(x, n, 1 - tail, "lower") == close((low, 1.0), rel=1e-9)
    assert clopper_pearson(x, n, 1 - tail, "upper") == close((0.0, high), rel=1e-9)


@pytest.mark.parametrize("continuity", [False, True])
@given(case=CASES, level=LEVELS)
def test_wilson_solves_the_score_equation(
    continuity: bool, case: tuple[int, int], level: float
) -> None:
    x, n = case
    z2 = norm.ppf((1 + level) / 2) ** 2
    low, high = wilson(x, n, level, continuity=continuity)
    for limit, outermost, count in ((low, 0.0, 0), (high, 1.0, n)):
        if x == count:
            assert limit == outermost
            if continuity or n == 0:
                continue  # set by convention, the equation has a root inside or outside
        off = abs(x / n - limit) - (0.5 / n if continuity else 0.0)
        assert off * off == close(z2 * limit * (1 - limit) / n, rel=1e-7, abs=1e-14)
    assert low <= (x / n if n else 0.5) <= high


@given(case=CASES, level=LEVELS)
def test_jeffreys_holds_its_share_of_the_posterior(case: tuple[int, int], level: float) -> None:
    x, n = case
    low, high = jeffreys(x, n, level)
    posterior = beta(x + 0.5, n - x + 0.5)
    assert low == 0 if x == 0 else posterior.cdf(low) == close((1 - level) / 2, rel=1e-8)
    assert high == 1 if x == n else posterior.sf(high) == close((1 - level) / 2, rel=1e-8)


@given(case=CASES, level=LEVELS)
def test_successes_and_failures_mirror(case: tuple[int, int], level: float) -> None:
    x, n = case
    for method in METHODS:
        low, high = method(x, n, level)
        assert 0 <= low <= high <= 1
        assert method(n - x, n, level) == close((1 - high, 1 - low), rel=1e-8, abs=1e-12)
    # Wider in this order.
    exact, corrected, score = (
        clopper_pearson(x, n, level),
        METHODS[2](x, n, level),
        wilson(x, n, level),
    )
    assert corrected[0] <= score[0] and corrected[1] >= score[1]
    assert exact[0] <= jeffreys(x, n, level)[0] and exact[1] >= jeffreys(x, n, level)[1]


def test_nothing_tried_says_nothing() -> None:
    assert [method(0, 0) for method in METHODS] == [(0.0, 1.0)] * 4


@pytest.mark.parametrize("n", [10**9, 10**12, 10**15])
def test_huge_trials(n: int) -> None:
    # A rare event among very many is a Poisson count.
    for x in (0, 1, 3, 40):
        low, high = poisson_limits(x)
        assert clopper_pearson(x, n) == close((low / n, high / n), rel=2e-7)
        z2 = norm.ppf(0.975) ** 2
        root = math.sqrt(z2 * (z2 / 4 + x))
        limits = ((x + z2 / 2 - root) / n if x else 0.0, (x + z2 / 2 + root) / n)
        assert wilson(x, n) == close(limits, rel=2e-7)
    # An even split is a normal.
    half = norm.ppf(0.975) * 0.5 / math.sqrt(n)
    for method in METHODS:
        low, high = method(n // 2, n)
        assert high - low == close(2 * half, rel=1e-3 if n < 1e12 else 1e-2)
        assert method(n, n)[1] == 1.0 and method(n, n)[0] > 1 - 1e-8


@pytest.mark.parametrize("n", [10**5, 10**7, 10**9, 10**12])
@pytest.mark.parametrize("x", [1, 30, 300, 1000, 3000, 50_000])
def test_exact_limits_where_the_library_inverse_fails(x: int, n: int) -> None:
    # betaincinv(1000, 1e9 - 999, 0.025) of scipy 1.17 is above 1000/1e9; the tails say so at once.
    for count in (x, n - x):
        low, high = clopper_pearson(count, n)
        assert low < count / n < high
        if count == x:
            assert betainc(x, n - x + 1, low) == close(0.025, rel=1e-9)
            assert betaincc(x + 1, n - x, high) == close(0.025, rel=1e-9)
            if n >= 10**9:
                want = poisson_limits(x)
                assert (low * n, high * n) == close(want, rel=2e-4)
        mirror = clopper_pearson(n - count, n)
        assert (1 - mirror[1], 1 - mirror[0]) == close((low, high), rel=1e-12, abs=1e-15)


@pytest.mark.parametrize(
    ("x", "n", "options", "said"),
    [
        (5, 4, {}, "5 successes in 4 trials: there cannot be more"),
        (-1, 4, {}, "successes -1: not a whole number"),
        (1.5, 4, {}, "successes 1.5: not a whole number, zero or more. Give a count, not a share."),
        (0, math.nan, {}, "trials nan: not a whole number"),
        (0, math.inf, {}, "trials inf: not a whole number"),
        ("two", 4, {}, "successes 'two': not a whole number"),
        (True, 4, {}, "successes True: not a whole number"),
        (None, 4, {}, "successes None: not a whole number"),
        (1, 4, {"level": 95}, "level 95: it must lie between 0 and 1"),
        (1, 4, {"level": 0}, "level 0: it must lie between 0 and 1"),
        (1, 4, {"side": "both"}, "side 'both': not known. Take two, lower or upper."),
    ],
)
@pytest.mark.parametrize("method", METHODS)
def test_bad_input_is_said(method: Any, x: Any, n: Any, options: Any, said: str) -> None:
    with pytest.raises(InputError) as caught:
        method(x, n, **options)
    assert said in str(caught.value)


@pytest.mark.slow
def test_coverage(capsys: pytest.CaptureFixture[str]) -> None:
    """Exact coverage over a grid of proportions, and by seeded simulation at some of them."""
    names = ("Clopper-Pearson", "Wilson", "Wilson corrected", "Jeffreys")
    grid = np.linspace(0.005, 0.995, 199)
    simulated_at = (0.02, 0.1, 0.3, 0.5)
    rng = np.random.default_rng(20)
    lines = ["method             n   least   mean  | simulated at p = 0.02   0.1    0.3    0.5"]
    for n in (10, 30, 100):
        x = np.arange(n + 1)
        mass = binom.pmf(x[:, np.newaxis], n, grid)
        for name, method in zip(names, METHODS, strict=True):
            limits = np.array([method(k, n) for k in range(n + 1)])
            holds = (limits[:, :1] <= grid) & (grid <= limits[:, 1:])
            coverage = (mass * holds).sum(axis=0)
            shares = []
            for p in simulated_at:
                drawn = limits[rng.binomial(n, p, 40_000)]
                share = float(((drawn[:, 0] <= p) & (p <= drawn[:, 1])).mean())
                inside = (limits[:, 0] <= p) & (p <= limits[:, 1])
                truth = float(binom.pmf(x[inside], n, p).sum())
                assert abs(share - truth) < 4 * math.sqrt(truth * (1 - truth) / 40_000) + 1e-9
                shares.append(share)
            lines.append(
                f"{name:16} {n:4}  {coverage.min():.4f} {coverage.mean():.4f} |"
                + " " * 18
                + " ".join(f"{s:.4f}" for s in shares)
            )
            if name == "Clopper-Pearson":
                assert coverage.min() >= 0.95 - 1e-12
            elif name == "Wilson corrected":
                assert coverage.min() >= 0.93 and coverage.mean() >= 0.95
            else:
                assert abs(coverage.mean() - 0.95) < 0.012 and coverage.min() > 0.83
    lines.append("exact Poisson: mean, coverage by simulation")
    for mean in (0.5, 2.0, 10.0, 60.0):
        counts = rng.poisson(mean, 40_000)
        table = np.array([poisson_limits(k) for k in range(int(counts.max()) + 1)])[counts]
        share = float(((table[:, 0] <= mean) & (mean <= table[:, 1])).mean())
        assert share >= 0.95 - 4 * math.sqrt(0.05 * 0.95 / 40_000)
        lines.append(f"{mean:8} {share:.4f}")
    with capsys.disabled():
        print("\n" + "\n".join(lines))
