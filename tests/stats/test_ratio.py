"""Fieller's set: the t test inverted on a grid, every kind of set, invariants, coverage."""

from __future__ import annotations

import json
import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm
from scipy.stats import t as student

from rhizoledger.errors import InputError
from rhizoledger.stats.ratio import _set, fieller

close = pytest.approx


def not_rejected(
    theta: float, a: float, b: float, va: float, vb: float, vab: float, t: float
) -> float:
    """Above zero where the test of a - θb = 0 does not reject: the definition."""
    return t * t * (va - 2 * theta * vab + theta * theta * vb) - (a - theta * b) ** 2


NUMBER = st.floats(-20, 20)
SD = st.floats(0.01, 5)


@given(a=NUMBER, b=NUMBER, sa=SD, sb=SD, rho=st.floats(-1, 1), df=st.none() | st.integers(2, 60))
def test_the_set_is_the_inverted_test(
    a: float, b: float, sa: float, sb: float, rho: float, df: int | None
) -> None:
    va, vb, vab = sa * sa, sb * sb, rho * sa * sb
    got = fieller(a, b, va, vb, vab, df=df)
    t = norm.ppf(0.975) if df is None else student.ppf(0.975, df)
    # The whole line by its angle, so that far values are looked at too.
    for theta in np.tan(np.linspace(-math.pi / 2, math.pi / 2, 203)[1:-1]) * sa / sb:
        margin = not_rejected(theta, a, b, va, vb, vab, t)
        size = (abs(a) + abs(theta * b)) ** 2 + t * t * (sa + abs(theta) * sb) ** 2
        if abs(margin) > 1e-7 * size:
            assert got.contains(float(theta)) == (margin > 0)
    if got.ratio is not None and not math.isinf(got.ratio):
        assert got.contains(got.ratio) or abs(got.ratio) > 1e8
    assert (got.kind == "interval") == (got.g < 1) or abs(got.g - 1) < 1e-9


@pytest.mark.parametrize(
    ("case", "kind", "word"),
    [
        ((10, 5, 1, 0.25), "interval", "between"),
        ((6, 1, 1, 1), "outside", "or at least"),
        ((1, 1, 1, 1), "whole_line", "No value"),
        ((5, 0, 1, 1), "outside", "or at least"),
        ((0, 0, 1, 1), "whole_line", "No value"),
    ],
)
def test_every_kind_by_name(case: Any, kind: str, word: str) -> None:
    got = fieller(*case)
    assert got.kind == kind
    assert word in got.sentence()
    assert json.loads(json.dumps(got.to_dict(), allow_nan=False))["kind"] == kind
    assert (got.ratio is None) == (case[1] == 0)


def test_the_edge_between_interval_and_outside_is_a_half_line() -> None:
    t = -float(norm.ppf((1 - 0.95) / 2))
    kinds = set()
    for b in (math.nextafter(t, 0), t, math.nextafter(t, 9)):
        up, down = fieller(5, b, 1, 1), fieller(-5, b, 1, 1)
        kinds.add(up.kind)
        # Whatever rounding makes of the edge, the near end is that of θ >= C/2B.
        end = (25 - t * t) / (2 * 5 * t)
        near = up.high if up.kind == "outside" else up.low
        assert near == close(end, rel=1e-9)
        assert up.contains(1e6) and not up.contains(0.0)
        assert down.contains(-1e6) and not down.contains(0.0)
    assert "outside" in kinds or "half_line" in kinds
    half = fieller(5, 1, 1, 1 / t**2)
    if half.kind == "half_line":
        assert half.high is None and "at least" in half.sentence()


def test_half_lines_are_named() -> None:
    for a, sign in ((5.0, 1), (-5.0, -1)):
        kind, ends = _set(a, 2.0, 1.0, 1.0, 0.0, 2.0)
        assert kind == "half_line"
        assert ends[0 if sign > 0 else 1] == close(sign * 21 / 20)
        assert ends[1 if sign > 0 else 0] is None
    assert _set(0.0, 2.0, 1.0, 1.0, 0.0, 2.0) == ("whole_line", (None, None))


def test_a_known_denominator_is_a_plain_t_interval() -> None:
    got = fieller(12, 4, 9, 0, df=7)
    half = student.ppf(0.975, 7) * 3 / 4
    assert (got.low, got.high) == close((3 - half, 3 + half), rel=1e-12)
    assert (got.delta_low, got.delta_high) == close((3 - half, 3 + half), rel=1e-12)
    # A known numerator: the reciprocal of the denominator's interval, which delta does not know.
    turned = fieller(4, 12, 0, 9, df=7)
    assert (turned.low, turned.high) == close((4 / (12 + 4 * half), 4 / (12 - 4 * half)), rel=1e-12)


@given(a=NUMBER, b=st.floats(0.5, 20), sa=SD, sb=SD, rho=st.floats(-0.99, 0.99))
def test_units_signs_and_reciprocals(a: float, b: float, sa: float, sb: float, rho: float) -> None:
    va, vb, vab = sa * sa, sb * sb, rho * sa * sb
    got = fieller(a, b, va, vb, vab)
    if abs(got.g - 1) < 1e-6:
        return
    scaled = fieller(1e6 * a, 1e-3 * b, 1e12 * va, 1e-6 * vb, 1e3 * vab)
    mirrored = fieller(-a, b, va, vb, -vab)
    assert scaled.kind == got.kind == mirrored.kind
    if got.low is None or got.high is None:
        return
    size = abs(got.low) + abs(got.high)
    assert (scaled.low, scaled.high) == close((1e9 * got.low, 1e9 * got.high), abs=1e3 * size)
    assert (mirrored.low, mirrored.high) == close((-got.high, -got.low), abs=1e-6 * size)
    swapped = fieller(b, a, vb, va, vab)
    for theta in (-3.1, -0.7, 0.4, 1.3, 9.0):
        if min(abs(theta - got.low), abs(theta - got.high)) > 1e-6 * size:
            assert got.contains(theta) == swapped.contains(1 / theta)


def test_delta_is_near_where_the_denominator_is_sure() -> None:
    sure, unsure = fieller(100, 50, 1, 0.25), fieller(100, 50, 1, 300)
    assert sure.low == close(sure.delta_low, abs=1e-3)
    assert sure.high == close(sure.delta_high, abs=2e-3)
    assert unsure.high is not None and unsure.delta_high is not None
    assert unsure.high > unsure.delta_high + 1


def test_extremes_stay_finite() -> None:
    small = fieller(1e-150, 2e-150, 1e-302, 1e-302)
    assert small.kind == "interval" and small.ratio == close(0.5)
    large = fieller(1e150, 2e150, 1e298, 1e298)
    assert (large.low, large.high) == close((small.low, small.high), rel=1e-9)


@pytest.mark.parametrize(
    ("case", "options", "said"),
    [
        ((math.nan, 1, 1, 1), {}, "numerator nan: not a finite number"),
        ((1, "x", 1, 1), {}, "denominator 'x': not a finite number"),
        ((1, 1, -1, 1), {}, "variance of the numerator -1: it is below zero"),
        ((1, 1, 1, -2), {}, "variance of the denominator -2: it is below zero"),
        ((1, 1, 0, 0), {}, "Both variances are zero"),
        ((1, 1, 1, 4, 3), {}, "covariance 3: larger than the standard errors allow (2)"),
        ((1, 1, 1, 1), {"df": 0}, "df 0: it must be above zero"),
        ((1, 1, 1, 1), {"df": math.inf}, "df inf: not a finite number"),
        ((1, 1, 1, 1), {"level": 1}, "level 1: it must lie between 0 and 1"),
        ((1, True, 1, 1), {}, "denominator True: not a finite number"),
    ],
)
def test_bad_input_is_said(case: Any, options: Any, said: str) -> None:
    with pytest.raises(InputError) as caught:
        fieller(*case, **options)
    assert said in str(caught.value)


@pytest.mark.slow
def test_coverage(capsys: pytest.CaptureFixture[str]) -> None:
    rng = np.random.default_rng(30)
    n, df = 10_000, 9
    lines = ["true b/se  rho   Fieller  delta   interval outside whole line"]
    for b in (0.0, 1.0, 2.0, 4.0, 10.0):
        for rho in (0.0, 0.7):
            a = 3.0
            truth = a / b if b else None
            errors = rng.multivariate_normal([0, 0], [[1, rho], [rho, 1]], n)
            s2 = rng.chisquare(df, n) / df
            hits, delta_hits, kinds = 0, 0, {"interval": 0, "outside": 0, "whole_line": 0}
            for (ea, eb), v in zip(errors.tolist(), s2.tolist(), strict=True):
                got = fieller(a + ea, b + eb, v, v, rho * v, df=df)
                kinds[got.kind] += 1
                if truth is None:
                    # An infinite ratio is held where the denominator is not told from zero.
                    hits += got.kind != "interval"
                else:
                    assert got.delta_low is not None and got.delta_high is not None
                    hits += got.contains(truth)
                    delta_hits += got.delta_low <= truth <= got.delta_high
            assert abs(hits / n - 0.95) < 4 * math.sqrt(0.95 * 0.05 / n)
            lines.append(
                f"{b:9}  {rho:3}   {hits / n:.4f}  "
                + (f"{delta_hits / n:.4f}" if truth is not None else "  -   ")
                + "  "
                + " ".join(f"{k / n:8.3f}" for k in kinds.values())
            )
    with capsys.disabled():
        print("\n" + "\n".join(lines))
