"""Windows: each crossing by search, each test by another road, and what may not change them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import brentq
from scipy.stats import f as fisher
from scipy.stats import linregress
from scipy.stats import t as student

from rhizoledger.errors import FitError, InputError
from rhizoledger.survival.batches import fit_batches
from rhizoledger.survival.window import (
    Error,
    Interval,
    Pool,
    Side,
    Window,
    facing_side,
    last_whole,
    mean_window,
    new_batch_window,
)
from rhizoledger.survival.window_lines import Line, Lines, Model, Series

DAYS = np.array([0.0, 5, 10, 15, 20, 30])
WAYS: list[Model] = ["common", "common_slope", "separate"]


def drawn(
    batches: int, *, start_sd: float = 0.0, rate_sd: float = 0.0, seed: int = 1
) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    rng = np.random.default_rng(seed)
    return {
        f"b{i}": (
            DAYS,
            7.2
            + rng.normal(0, start_sd)
            - (0.05 + rng.normal(0, rate_sd)) * DAYS
            + rng.normal(0, 0.1, len(DAYS)),
        )
        for i in range(batches)
    }


def crossing_of(found: Window) -> float:
    assert found.crossing is not None
    return found.crossing


lines = st.builds(
    Line,
    centre=st.floats(0, 30),
    level=st.floats(-2, 2),
    slope=st.sampled_from([-1.0, -0.1, -1e-3, 0.0, 1e-3, 0.1, 1.0]),
    per_n=st.floats(0.05, 0.5),
    per_spread=st.floats(1e-4, 0.1),
    mean_square=st.floats(1e-4, 1.0),
    df=st.integers(1, 20),
)


@given(lines, st.floats(0.5, 0.99), st.booleans())
def test_where_a_limit_is_held_is_one_stretch(line: Line, p: float, one_more: bool) -> None:
    """Beside a look at 4001 times from far before to far after."""
    times = line.centre + np.concatenate([-np.logspace(4, -3, 2000), [0], np.logspace(-3, 4, 2000)])
    above = np.array([line.limit(t, p, one_more=one_more) for t in times])
    held = line.held(0.0, p, one_more=one_more)
    sure = np.abs(above) > 1e-6
    if held is None:
        assert not (above[sure] > 0).any()
        return
    inside = (times >= held[0]) & (times <= held[1])
    assert ((above > 0) == inside)[sure].all()
    for end in held:
        if math.isfinite(end):
            scale = 1 + abs(line.slope) * abs(end - line.centre) + abs(line.level)
            assert line.limit(end, p, one_more=one_more) == pytest.approx(0, abs=1e-6 * scale)


def test_one_series_is_students_band() -> None:
    t, y = drawn(1)["b0"]
    line = linregress(t, y)
    rest = y - line.intercept - line.slope * t
    s = math.sqrt(rest @ rest / (len(t) - 2))
    spread = ((t - t.mean()) ** 2).sum()

    def band(x: float, more: float, p: float) -> float:
        half = student.ppf(p, len(t) - 2) * s * math.sqrt(
            more + 1 / len(t) + (x - t.mean()) ** 2 / spread
        )  # fmt: skip
        return float(line.intercept + line.slope * x - half - 5)

    intervals: dict[Interval, float] = {"confidence": 0.0, "prediction": 1.0}
    sides: dict[Side, float] = {"lower": 0.9, "two": 0.95}
    for interval, more in intervals.items():
        for side, p in sides.items():
            found = mean_window({"A": (t, y)}, 5.0, side=side, confidence=0.9, interval=interval)
            by_search = brentq(band, 0, 300, args=(more, p), xtol=1e-12)
            assert crossing_of(found) == pytest.approx(by_search, rel=1e-9)
            assert found.side == "lower"


@pytest.mark.parametrize("seed", range(4))
def test_two_series_are_compared_by_students_t(seed: int) -> None:
    """With two series each F is the square of a t: of their slopes, and of their distance."""
    series = drawn(2, start_sd=0.1, rate_sd=0.005, seed=seed)
    found = mean_window(series, 5.0)
    (t, a), (_, b) = series.values()
    fits = [linregress(t, y) for y in (a, b)]
    rest = sum(
        float(((y - f.intercept - f.slope * t) ** 2).sum())
        for y, f in zip((a, b), fits, strict=True)
    )
    df, spread = 2 * len(t) - 4, float(((t - t.mean()) ** 2).sum())
    square = rest / df
    slopes = (fits[0].slope - fits[1].slope) / math.sqrt(2 * square / spread)
    starts = (a.mean() - b.mean()) / math.sqrt(2 * square / len(t))
    assert found.slopes is not None and found.intercepts is not None
    assert (found.slopes.f, found.intercepts.f) == pytest.approx((slopes**2, starts**2), rel=1e-9)
    assert found.slopes.p == pytest.approx(2 * student.sf(abs(slopes), df), rel=1e-9)
    assert found.intercepts.p == pytest.approx(2 * student.sf(abs(starts), df), rel=1e-9)


def test_a_bend_is_tested_by_students_t() -> None:
    """One series: F of the square of time is the square of its t."""
    t, y = drawn(1, seed=3)["b0"]
    (c, _, _), cov = np.polyfit(t, y, 2, cov=True)
    test = Lines({"A": (t, y)}).curvature("common")
    assert test is not None
    assert test.f == pytest.approx(c**2 / cov[0, 0], rel=1e-9)
    assert test.p == pytest.approx(fisher.sf(c**2 / cov[0, 0], 1, len(t) - 3), rel=1e-9)


def test_a_bend_of_each_series_is_seen_only_by_lines_each() -> None:
    """Bends that cancel are none to one line and plain to lines each."""
    rng = np.random.default_rng(5)
    bend = 0.002 * (DAYS - 15) ** 2
    series = {
        name: (DAYS, 7 - 0.05 * DAYS + sign * bend + rng.normal(0, 0.02, len(DAYS)))
        for name, sign in (("up", 1), ("down", -1))
    }
    found = {model: Lines(series).curvature(model) for model in WAYS}
    one, each = found["common_slope"], found["separate"]
    assert one is not None and each is not None
    assert one.df == (1, 8) and each.df == (2, 6)
    assert one.p > 0.5 > 1e-3 > each.p


@pytest.mark.parametrize("pool", WAYS)
@pytest.mark.parametrize("error", ["individual", "pooled"])
def test_units_and_origins_change_nothing(pool: Model, error: Error) -> None:
    """Hours for days, another zero of the response, mirrored sides, another order of series."""
    series = drawn(4, start_sd=0.2, rate_sd=0.005)
    plain = mean_window(series, 5.5, pool=pool, error=error)

    def other(change: Series, limit: float, side: Side = "lower") -> Window:
        return mean_window(change, limit, side=side, pool=pool, error=error)

    hours = other({n: (24 * t, y) for n, (t, y) in series.items()}, 5.5)
    moved = other({n: (t, y + 3) for n, (t, y) in series.items()}, 8.5)
    turned = other({n: (t, -y) for n, (t, y) in series.items()}, -5.5, side="upper")
    back = other(dict(reversed(series.items())), 5.5)
    for found, by in ((hours, 24.0), (moved, 1.0), (turned, 1.0), (back, 1.0)):
        for name, (at, status) in plain.by_series.items():
            assert found.by_series[name][1] == status == "meets"
            assert found.by_series[name][0] == pytest.approx(at * by if at else at, rel=1e-9)
        for a, b in ((found.slopes, plain.slopes), (found.curvature, plain.curvature)):
            assert a is not None and b is not None
            assert a.p == pytest.approx(b.p, rel=1e-6)
    assert turned.lines["b0"].slope == pytest.approx(-plain.lines["b0"].slope, rel=1e-12)


def test_more_is_asked_sooner_it_ends() -> None:
    series = drawn(3, start_sd=0.1)
    for pool in WAYS:
        last = math.inf
        for confidence in (0.5, 0.8, 0.95, 0.99):
            found = crossing_of(mean_window(series, 5.5, confidence=confidence, pool=pool))
            assert found < last
            last = found
        one_more = mean_window(series, 5.5, confidence=0.99, pool=pool, interval="prediction")
        assert crossing_of(one_more) < last
    middle = mean_window({"b0": series["b0"]}, 5.5, confidence=0.5)
    line = linregress(*series["b0"])
    assert crossing_of(middle) == pytest.approx((5.5 - line.intercept) / line.slope, rel=1e-12)


def test_the_window_stops_at_the_last_sampled_day() -> None:
    series = drawn(1)
    held, wider = (mean_window(series, 5.0, extrapolate=e) for e in (False, True))
    assert held.crossing == wider.crossing and crossing_of(held) > 31
    assert (held.window, wider.window) == (30, math.floor(crossing_of(wider)))
    assert held.last_sampled == wider.last_sampled == 30
    inside = mean_window(series, 6.0)
    assert inside.window == math.floor(crossing_of(inside)) < 30


def test_lines_each_end_with_their_own_series() -> None:
    """A short series ends the window of lines each; one slope borrows the others' later times."""
    series = drawn(3) | {
        "short": (DAYS[:4], 7.4 - 0.05 * DAYS[:4] + 0.02 * np.array([1, -1, -1, 1]))
    }
    separate = mean_window(series, 5.0, pool="separate")
    slope = mean_window(series, 5.0, pool="common_slope")
    assert (separate.window, separate.last_sampled) == (15, 15.0)
    assert (slope.window, slope.last_sampled) == (30, 30.0)


def test_a_limit_that_is_never_met_or_never_held() -> None:
    rising = {"A": (DAYS, 6 + 0.05 * DAYS + 0.02 * np.array([1, -1, 1, -1, 1, -1]))}
    never = mean_window(rising, 5.0, extrapolate=True)
    assert (never.status, never.crossing, never.window) == ("never_meets", None, 30)
    low = mean_window(rising, 7.0)
    assert (low.status, low.crossing, low.window) == ("not_held", 0.0, None)
    both = drawn(1) | rising
    mixed = mean_window(both, 5.0, pool="separate")
    assert mixed.by_series["A"] == (None, "never_meets")
    assert (mixed.worst, mixed.crossing) == ("b0", mixed.by_series["b0"][0])


def test_a_limit_held_only_later_is_no_window() -> None:
    """Wide at the start, the limit must hold from 0 on, not from somewhere."""
    late = {"A": (np.array([20.0, 22, 24, 26]), np.array([6.1, 5.9, 6.1, 5.9]))}
    found = mean_window(late, 5.5)
    line = found.lines["A"]
    assert line.limit(23.0, 0.95) > 5.5 > line.limit(0.0, 0.95)
    assert (found.status, found.window) == ("not_held", None)


@pytest.mark.parametrize(
    ("start_sd", "rate_sd", "model"),
    [(0.0, 0.0, "common"), (0.5, 0.0, "common_slope"), (0.5, 0.05, "separate")],
)
def test_series_are_pooled_as_far_as_they_are_alike(
    start_sd: float, rate_sd: float, model: str
) -> None:
    found = mean_window(drawn(5, start_sd=start_sd, rate_sd=rate_sd, seed=2), 3.0)
    assert found.model == model
    assert found.slopes is not None and found.intercepts is not None
    assert (found.slopes.p < 0.25) == (model == "separate")


def test_two_sides_face_the_limit_from_where_counts_begin() -> None:
    series = drawn(2)
    assert facing_side(series, 5.0) == "lower"
    assert facing_side(series, 9.0) == "upper"
    assert mean_window(series, 9.0, side="two").status == "never_meets"


@pytest.mark.parametrize(
    ("series", "pool", "said"),
    [
        ({"A": ([0, 1], [7, 6])}, "auto", "A: The 2 counts are used up"),
        ({"A": ([0, 1, 2], [7, 7, 7])}, "auto", "All counts are the same"),
        ({"A": ([0, 1, 2], [7, 6, 5])}, "auto", "A: The counts lie on their line"),
        ({"A": ([3, 3, 3], [7, 6, 5])}, "auto", "A: All counts are of one time"),
        ({"A": ([0, 1], [7, 6]), "B": ([0, 1], [7, 5])}, "auto", "--pool common"),
        ({"A": ([0, 1, 2], [7, 6, 6]), "B": ([0, 1], [7, 5])}, "separate", "B: The 2 counts"),
        ({"A": ([0, 1, 2], [7, 6, 6]), "B": ([0, 1, 2], [5, 5, 5])}, "separate", "B: All counts"),
    ],
)
def test_no_line_no_window(
    series: dict[str, tuple[list[float], list[float]]], pool: Pool, said: str
) -> None:
    arrays = {n: (np.array(t, float), np.array(y, float)) for n, (t, y) in series.items()}
    with pytest.raises(FitError) as error:
        mean_window(arrays, 5.5, pool=pool)
    # A single series has no name to be told by where lines are common.
    assert said.removeprefix("A: ") in str(error.value)


@pytest.mark.parametrize(
    ("y", "limit", "confidence"),
    [(math.nan, 5.0, 0.95), (6.0, math.nan, 0.95), (6.0, 5.0, 0.3), (6.0, 5.0, 1.0)],
)
def test_what_is_no_number_is_refused(y: float, limit: float, confidence: float) -> None:
    series = {"A": (np.array([0.0, 1, 2, 3]), np.array([7.0, 6.6, y, 5.5]))}
    with pytest.raises(InputError):
        mean_window(series, limit, confidence=confidence)


@given(st.integers(0, 500), st.integers(1, 500))
def test_the_last_whole_time_is_that_of_a_plain_search(last: int, end: int) -> None:
    assume(last <= end)
    assert last_whole(lambda day: day <= last, end) == last
    assert last_whole(lambda day: day > 0, end) is None


@pytest.mark.parametrize("seed", range(3))
def test_a_new_batch_day_by_day(seed: int) -> None:
    series = drawn(6, start_sd=0.2, rate_sd=0.004, seed=seed)
    found = new_batch_window(series, 6.0, probability=0.9)
    names = [name for name, (t, _) in series.items() for _ in t]
    fit = fit_batches(names, np.tile(DAYS, 6), np.concatenate([y for _, y in series.values()]))
    chances = [fit.new_batch(day).probability_at_least(6.0) for day in range(31)]
    assert found.window == next(day for day, p in enumerate(chances) if p < 0.9) - 1
    assert found.probability == pytest.approx(chances[found.window], rel=1e-9)
    assert (found.status, found.is_cut) == ("ok", False)
    turned = {name: (t, -y) for name, (t, y) in series.items()}
    assert new_batch_window(turned, -6.0, side="upper").window == found.window


def test_a_new_batch_waits_no_longer_than_is_asked_of_it() -> None:
    series = drawn(6, start_sd=0.2, rate_sd=0.004)
    found = [new_batch_window(series, 6.0, probability=q).window for q in (0.5, 0.8, 0.9, 0.99)]
    windows = [w for w in found if w is not None]
    assert len(windows) == len(found)
    assert sorted(windows, reverse=True) == windows and windows[0] != windows[-1]


@pytest.mark.thorough
def test_a_new_batch_may_be_refused_warned_of_or_cut() -> None:
    series = drawn(6, start_sd=0.1, rate_sd=0.002)

    def of(n: int, limit: float, extrapolate: bool = False) -> tuple[int | None, str, bool, int]:
        found = new_batch_window(dict(list(series.items())[:n]), limit, extrapolate=extrapolate)
        return found.window, found.status, found.is_cut, len(found.said)

    assert of(2, 6.0) == (None, "too_few_batches", False, 0)
    assert of(5, 6.0)[1] == "few_batches" and of(5, 6.0)[3] > 0
    assert of(6, 9.0)[:2] == (None, "not_held")
    assert of(6, 5.0)[:3] == (30, "ok", True)
    window, status, is_cut, _ = of(6, 5.0, extrapolate=True)
    assert status == "ok" and not is_cut and window is not None and 30 < window < 50
    flat = {n: (t, y + 0.05 * t) for n, (t, y) in series.items()}
    never = new_batch_window(flat, -100.0, extrapolate=True)
    assert (never.window, never.is_cut) == (30, True)
    thin = {n: (DAYS[[0, 5]][:k], y[[0, 5]][:k]) for (n, (_, y)), k in
            zip(list(series.items())[:3], (1, 1, 2), strict=True)}  # fmt: skip
    assert new_batch_window(thin, 5.0).status == "not_fitted"
