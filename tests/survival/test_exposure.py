"""Exposure histograms: exact, conserved, additive, and honest about gaps (§2.2, §2.4)."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rhizoledger.errors import InputError, RuleError
from rhizoledger.survival import occupancy
from rhizoledger.survival.exposure import Exposure, Gap, constant, exposure, held, merge

BIN = Fraction(1, 4)
HOUR = 3600


def content(e: Exposure) -> tuple[object, ...]:
    """Everything but the digest, which says which readings were used and how time was divided."""
    return (e.first_bin, e.ticks.tobytes(), e.degree_ticks.tobytes(), e.gaps, e.min_c, e.max_c)


def twin(times: list[int], temps: list[float], start: int, end: int) -> dict[int, list[Fraction]]:
    """The definition, in exact fractions: bin -> [seconds, degree-seconds above the bin's middle].

    No gap rule: every pair of neighbours is joined.
    """
    found: dict[int, list[Fraction]] = {}
    for (t0, a), (t1, b) in pairwise(zip(times, map(Fraction, temps), strict=True)):
        lo, hi = max(t0, start), min(t1, end)
        if lo >= hi:
            continue
        slope = Fraction(b - a) / (t1 - t0)
        cuts = {Fraction(lo), Fraction(hi)}
        if slope:
            first, last = sorted((a, b))
            k = -(-first // BIN)
            while k * BIN <= last:
                cuts.add(min(max(t0 + (k * BIN - a) / slope, Fraction(lo)), Fraction(hi)))
                k += 1
        for u, v in pairwise(sorted(cuts)):
            middle_temp = a + slope * ((u + v) / 2 - t0)
            number = int((middle_temp + 60) // BIN)
            entry = found.setdefault(number, [Fraction(0), Fraction(0)])
            entry[0] += v - u
            entry[1] += (v - u) * (middle_temp - (number * BIN - 60 + BIN / 2))
    return found


@st.composite
def traces(draw: st.DrawFn) -> tuple[list[int], list[float]]:
    n = draw(st.integers(2, 12))
    steps = draw(st.lists(st.integers(1, 7000), min_size=n - 1, max_size=n - 1))
    times = np.cumsum([1_700_000_000, *steps]).tolist()
    # Tenths, halves (which sit on edges) and level stretches all occur.
    level = st.one_of(st.integers(-500, 900).map(lambda x: x / 10), st.just(20.0), st.just(20.5))
    temps = draw(st.lists(level, min_size=n, max_size=n))
    return times, temps


@given(traces(), st.floats(0, 1), st.floats(0, 1))
@settings(max_examples=60)
def test_agrees_with_the_definition_in_fractions(
    trace: tuple[list[int], list[float]], a: float, b: float
) -> None:
    times, temps = trace
    start, end = sorted(round(times[0] + x * (times[-1] - times[0])) for x in (a, b))
    e = exposure(times, temps, start, end, gap_range_c=None, max_gap_s=10**6)
    expected = twin(times, [Fraction(round(t * 10), 10) for t in temps], start, end)
    crossings = len(times)  # each line crosses an edge once at most: 1 ms of rounding each
    pairs = zip(e.ticks.tolist(), e.degree_ticks.tolist(), strict=True)
    mine = {e.first_bin + i: pair for i, pair in enumerate(pairs)}
    for number in mine.keys() | expected.keys():
        ticks, degrees = mine.get(number, (0, 0))
        seconds, degree_seconds = expected.get(number, (Fraction(0), Fraction(0)))
        assert abs(ticks - float(seconds * 1000)) <= crossings
        assert abs(degrees - float(degree_seconds * 10**9)) <= 125_000 * 3 * crossings
    assert e.total_ticks == (end - start) * 1000
    assert not e.gaps


@given(traces(), st.lists(st.floats(-0.2, 1.2), min_size=3, max_size=5))
def test_parts_of_a_split_stay_add_up_to_the_same_bytes(
    trace: tuple[list[int], list[float]], shares: list[float]
) -> None:
    times, temps = trace
    span = times[-1] - times[0]
    cuts = sorted(round(times[0] + x * span) for x in shares)
    kw = {"gap_range_c": (5.0, 25.0)}
    whole = exposure(times, temps, cuts[0], cuts[-1], **kw)
    parts = [exposure(times, temps, a, b, **kw) for a, b in pairwise(cuts)]
    assert content(merge(*parts)) == content(whole)
    assert content(merge(*reversed(parts))) == content(whole)
    assert whole.total_ticks == (cuts[-1] - cuts[0]) * 1000


@given(traces())
def test_merging_is_addition_in_any_order_and_grouping(
    trace: tuple[list[int], list[float]],
) -> None:
    times, temps = trace
    a = exposure(times, temps, times[0], times[-1], gap_range_c=(0.0, 30.0))
    b = exposure(times, temps, times[0] - 500, times[0] + 500, gap_range_c=None)
    c = constant(33.3, 1234)
    one, two = merge(merge(a, b), c), merge(c, merge(b, a))
    assert (*content(one), one.digest) == (*content(two), two.digest)
    assert one.total_ticks == a.total_ticks + b.total_ticks + c.total_ticks


@given(st.lists(st.integers(-300, 1800), min_size=2, max_size=30))
def test_fahrenheit_and_celsius_give_the_same_bytes(tenths_c: list[int]) -> None:
    times = [600 * i for i in range(len(tenths_c))]
    celsius = [t / 10 for t in tenths_c if t <= 1100] or [20.0]
    fahrenheit = [t * 9 / 5 + 32 for t in celsius]
    back = [(t - 32) * 5 / 9 for t in fahrenheit]
    times = times[: len(celsius)]
    ours = exposure(times, celsius, 0, 600 * len(celsius), gap_range_c=(0.0, 30.0))
    theirs = exposure(times, back, 0, 600 * len(celsius), gap_range_c=(0.0, 30.0))
    assert (*content(ours), ours.digest) == (*content(theirs), theirs.digest)


def test_working_in_small_parts_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(5)
    times, temps = np.arange(2000) * 60, rng.uniform(-10, 45, 2000)
    whole = exposure(times, temps, 30, 110_000, gap_range_c=None)
    monkeypatch.setattr(occupancy, "PIECES_AT_ONCE", 100)
    assert content(exposure(times, temps, 30, 110_000, gap_range_c=None)) == content(whole)


def test_level_reading_on_an_edge_is_kept_exactly() -> None:
    e = exposure([0, HOUR], [20.0, 20.0], 0, HOUR, gap_range_c=None)
    assert (e.mean_c, e.min_c, e.max_c) == (20.0, 20.0, 20.0)
    assert e.edges_c.tolist() == [20.0, 20.25]
    assert e.degree_ticks.tolist() == [-125_000 * 3_600_000]


def test_warmest_and_coldest_of_the_grid_are_inside_it() -> None:
    e = exposure([0, HOUR], [-60.0, 120.0], 0, HOUR, gap_range_c=None, max_gap_s=HOUR)
    assert (e.first_bin, e.ticks.size, e.total_ticks) == (0, 720, 3_600_000)
    assert (e.min_c, e.max_c) == (-60.0, 120.0)
    assert constant(120.0, 1).first_bin == 719


def test_time_before_the_first_and_after_the_last_reading_is_gap() -> None:
    e = exposure([1000, 2000], [10.0, 10.0], 0, 2500, gap_range_c=(4.0, 30.0))
    assert e.gaps == (Gap(4.0, 30.0, 1_500_000),)
    assert e.total_ticks == 2_500_000


@pytest.mark.parametrize(
    ("times", "temps"),
    [([], []), ([100], [20.0]), ([9000], [20.0])],
    ids=["none", "one inside", "one outside"],
)
def test_without_two_readings_everything_is_gap(times: list[int], temps: list[float]) -> None:
    e = exposure(np.array(times, np.int64), temps, 0, HOUR, gap_range_c=None)
    assert e.gap_ticks == e.total_ticks == 3_600_000
    assert e.has_unbounded_gap
    assert e.gap_range_c is None
    assert e.mean_c is None


def test_a_lone_reading_inside_a_gap_still_counts_as_seen() -> None:
    e = exposure([100], [48.5], 0, HOUR, gap_range_c=(5.0, 25.0))
    assert e.max_c == 48.5
    assert exposure([9000], [48.5], 0, HOUR, gap_range_c=(5.0, 25.0)).max_c is None


def test_a_stay_between_two_close_readings_is_interpolated() -> None:
    e = exposure([0, 6000], [10.0, 16.0], 2000, 4000, gap_range_c=None)
    assert not e.gaps
    assert (e.min_c, e.max_c, e.mean_c) == (12.0, 14.0, 13.0)


def test_a_stay_between_two_far_readings_is_gap() -> None:
    e = exposure([0, 8 * HOUR], [10.0, 16.0], 2000, 4000, gap_range_c=(1.0, 2.0), max_gap_s=7200)
    assert e.gap_ticks == 2_000_000


@pytest.mark.parametrize(
    ("spacing_s", "missing_s", "is_gap"),
    [
        (600, 7200, False),
        (600, 7201, True),
        (HOUR, 3 * HOUR, False),
        (HOUR, 3 * HOUR + 1, True),
    ],
)
def test_longest_line_is_two_hours_or_three_spacings(
    spacing_s: int, missing_s: int, is_gap: bool
) -> None:
    before = spacing_s * np.arange(10)
    times = np.concatenate((before, before[-1] + missing_s + before))
    e = exposure(times, np.full(20, 15.0), times[0], times[-1], gap_range_c=(0.0, 1.0))
    assert (e.gap_ticks > 0) is is_gap
    assert e.gap_ticks in (0, missing_s * 1000)


def test_gaps_with_different_bounds_are_held_each_at_its_own() -> None:
    shed = exposure([], [], 0, 3 * HOUR, gap_range_c=(10.0, 20.0))
    truck = exposure([], [], 0, HOUR, gap_range_c=(10.0, 58.0))
    both = merge(shed, truck, constant(15.0, HOUR))
    assert both.gap_range_c == (10.0, 58.0)
    assert held(both, "low").mean_c == pytest.approx((4 * 10 + 15) / 5)
    assert held(both, "high").mean_c == pytest.approx((3 * 20 + 58 + 15) / 5)
    assert held(both, "high").max_c == 58.0
    assert both.with_gaps_at(12.0).mean_c == pytest.approx((4 * 12 + 15) / 5)
    for filled in (held(both, "low"), both.with_gaps_at(12.0)):
        assert filled.total_ticks == both.total_ticks
        assert not filled.gaps


def test_an_unbounded_gap_gives_no_number() -> None:
    e = merge(constant(15.0, HOUR), exposure([], [], 0, HOUR, gap_range_c=None))
    with pytest.raises(RuleError, match=r"1\.0 h have no temperature"):
        held(e, "high")


def test_hours_and_shares_of_a_ramp() -> None:
    e = exposure([0, 2 * HOUR], [10.0, 30.0], 0, 3 * HOUR, gap_range_c=(5.0, 6.0))
    assert (e.hours, e.gap_hours, e.mean_c) == (3.0, 1.0, 20.0)
    assert e.hours_above(25.0) == 0.5
    assert e.hours_above(25.2) == 0.5  # taken down to the edge: never too short
    assert e.hours_above(-60.0) == 2.0
    assert e.hours_above(31.0) == 0.0
    temps, hours = e.occupied()
    assert hours.sum() == pytest.approx(2.0)
    assert temps == pytest.approx(np.arange(10.125, 30.0, 0.25))


def test_an_empty_stay_is_nothing() -> None:
    e = exposure([0, HOUR], [10.0, 20.0], 600, 600, gap_range_c=None)
    assert (e.total_ticks, e.ticks.size, e.edges_c.size) == (0, 0, 1)
    assert content(merge(e, constant(20.0, 5)))[:3] == content(constant(20.0, 5))[:3]
    assert constant(20.0, 0).hours == 0.0


def test_arrays_cannot_be_written() -> None:
    with pytest.raises(ValueError, match="read-only"):
        constant(20.0, 5).ticks[0] = 1


@pytest.mark.parametrize(
    ("times", "temps", "start", "end", "match"),
    [
        ([0, 10], [1.0, 2.0], 10, 0, "before it starts"),
        ([0, 10], [1.0, 2.0], float("nan"), 0, "not a moment"),
        ([0, 0], [1.0, 2.0], 0, 10, "Reading 2 is not later"),
        ([10, 0], [1.0, 2.0], 0, 10, "Reading 2 is not later"),
        ([0, 10], [1.0, float("nan")], 0, 10, "nan °C is outside"),
        ([0, 10], [1.0, float("inf")], 0, 10, "inf °C is outside"),
        ([0, 10], [1.0, 451.0], 0, 10, "451 °C is outside -60 to 120"),
        ([0, 10], [1.0], 0, 10, "2 times and 1 temperatures"),
        ([0.5, 10.5], [1.0, 2.0], 0, 10, "not whole seconds"),
    ],
)
def test_unusable_readings_are_refused(
    times: list[int], temps: list[float], start: float, end: float, match: str
) -> None:
    with pytest.raises(InputError, match=match):
        exposure(times, temps, start, end, gap_range_c=None)


def test_a_wild_reading_far_from_the_stay_does_no_harm() -> None:
    e = exposure([0, 600, 1200, 1800], [9.0, 10.0, 10.0, 999.0], 600, 1200, gap_range_c=None)
    assert e.mean_c == 10.0


@pytest.mark.parametrize("bounds", [(20.0, 10.0), (0.0, 200.0), (float("nan"), 1.0)])
def test_unusable_bounds_are_refused(bounds: tuple[float, float]) -> None:
    with pytest.raises(InputError):
        exposure([], [], 0, 10, gap_range_c=bounds)


@pytest.mark.parametrize("max_gap_s", [0.0, -1.0, float("nan"), float("inf")])
def test_unusable_longest_gap_is_refused(max_gap_s: float) -> None:
    with pytest.raises(InputError, match="longest gap"):
        exposure([0, 10], [1.0, 1.0], 0, 10, gap_range_c=None, max_gap_s=max_gap_s)


@pytest.mark.parametrize(("temp_c", "seconds"), [(121.0, 1.0), (20.0, -1.0), (20.0, float("nan"))])
def test_unusable_constants_are_refused(temp_c: float, seconds: float) -> None:
    with pytest.raises(InputError):
        constant(temp_c, seconds)


def test_years_of_minutes_stay_exact() -> None:
    minutes = np.arange(1_000_000)
    temps = 15 + 10 * np.sin(minutes / 229.2)
    e = exposure(minutes * 60, temps, 0, int(minutes[-1]) * 60, gap_range_c=None)
    assert e.total_ticks == int(minutes[-1]) * 60_000
    trapezoid = (temps[1:] + temps[:-1]).mean() / 2
    assert e.mean_c == pytest.approx(trapezoid, abs=1e-6)
