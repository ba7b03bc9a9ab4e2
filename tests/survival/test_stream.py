"""Records as streams: any chunking gives the same bytes, and those are what the definition says."""

from __future__ import annotations

import tracemalloc
from collections.abc import Iterator
from fractions import Fraction
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from rhizoledger.survival import stream as stream_module
from rhizoledger.survival.equivalent_age import equivalent_days
from rhizoledger.survival.exposure import exposure
from rhizoledger.survival.freezing import freezing_runs
from rhizoledger.survival.occupancy import BIN_UC, BINS, FIRST_EDGE_UC
from rhizoledger.survival.stream import BackwardsError, ExposureStream, bin_error
from rhizoledger.survival.stream_lines import add_lines, add_one_by_one
from rhizoledger.survival.temperature import acceleration, ramp_age

IntArray = NDArray[np.int64]
MILLION = 1_000_000
HOUR, DAY = 3600, 86_400


def streamed(times: Any, temps_uc: Any, cuts: Any = (), **kw: Any) -> ExposureStream:
    stream = ExposureStream(**kw)
    times, temps_uc = np.asarray(times, np.int64), np.asarray(temps_uc, np.int64)
    for t, u in zip(np.split(times, cuts), np.split(temps_uc, cuts), strict=True):
        stream.add(t, u)
    stream.watch.end(stream.last_s)
    return stream


def content(stream: ExposureStream) -> tuple[Any, ...]:
    """Everything a stream can be asked for."""
    e = stream.exposure((4.0, 30.0))
    watch = stream.watch
    return (
        *(e.first_bin, e.ticks.tobytes(), e.degree_ticks.tobytes(), e.gaps, e.min_c, e.max_c),
        *(e.digest, stream.longest_gaps(), stream.gap_count, stream.gap_s, stream.readings),
        *(stream.first_s, stream.last_s, stream.hours_below_zero(), stream.usual_spacing_s()),
        *(stream.frost.zero_crossings, stream.frost.longest_below_ms, watch.longest_stuck_s),
        *(watch.longest_stuck_uc, watch.repeated, watch.jumps, watch.skipped, watch.stuck),
    )


@st.composite
def records(draw: st.DrawFn, least_step: int = 0) -> tuple[list[int], list[int]]:
    """Readings with repeats, gaps, long silences, level stretches, edges and frost among them."""
    n = draw(st.integers(1, 25))
    usual = st.sampled_from([least_step, 1, 60, 600, 3600, 4200, 7200])
    step = st.one_of(usual, st.integers(max(1, least_step), 40_000))
    steps = draw(st.lists(step, min_size=n - 1, max_size=n - 1))
    times = np.cumsum([1_700_000_000, *steps]).tolist()
    halves = st.integers(-20, 100).map(lambda x: x * 500_000)
    temp = st.one_of(halves, st.integers(-60 * MILLION, 120 * MILLION), st.just(0))
    return times, draw(st.lists(temp, min_size=n, max_size=n))


@given(records(), st.lists(st.integers(0, 25), max_size=5), st.sampled_from([900, 7200, 30_000]))
@settings(max_examples=60)
def test_how_a_record_is_cut_up_cannot_show(
    record: tuple[list[int], list[int]], cuts: list[int], longest_s: int
) -> None:
    whole = streamed(*record, longest_s=longest_s)
    assert content(streamed(*record, sorted(cuts), longest_s=longest_s)) == content(whole)


@given(records())
def test_working_on_few_readings_at_once_changes_nothing(
    record: tuple[list[int], list[int]],
) -> None:
    whole = content(streamed(*record))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(stream_module, "AT_ONCE", 3)
        assert content(streamed(*record)) == whole


@pytest.mark.thorough
@given(records(least_step=1))
@settings(max_examples=60)
def test_gives_the_bytes_of_the_exposure_of_the_whole_stay(
    record: tuple[list[int], list[int]],
) -> None:
    times, temps_uc = record
    celsius = [u / MILLION for u in temps_uc]
    first = streamed(times, temps_uc)
    mine = streamed(times, temps_uc, longest_s=first.longest_line_s())
    e, ours = (
        exposure(times, celsius, times[0], times[-1], gap_range_c=(4.0, 30.0)),
        mine.exposure((4.0, 30.0)),
    )
    assert ours.ticks.tobytes() == e.ticks.tobytes()
    assert ours.degree_ticks.tobytes() == e.degree_ticks.tobytes()
    assert (ours.first_bin, ours.gaps, ours.hours) == (e.first_bin, e.gaps, e.hours)
    assert (ours.min_c, ours.max_c) == (min(celsius), max(celsius))
    runs = freezing_runs(times, celsius, times[0], times[-1])
    assert mine.frost.zero_crossings == runs.zero_crossings
    assert mine.frost.longest_below_ms == round(1000 * runs.longest_below_s)
    assert mine.hours_below_zero() == pytest.approx(runs.total_below_s / HOUR, abs=1e-4)


@given(records())
@settings(max_examples=60)
def test_line_by_line_and_by_columns_add_the_same_bytes(
    record: tuple[list[int], list[int]],
) -> None:
    times, temps_uc = np.array(record[0], np.int64), np.array(record[1], np.int64)
    found = []
    for kernel in (add_lines, add_one_by_one):
        ticks, degree_ticks = np.zeros(BINS, np.int64), np.zeros(BINS, np.int64)
        cuts = kernel(times, temps_uc, 7200, ticks, degree_ticks)
        found.append((cuts.tolist(), ticks.tobytes(), degree_ticks.tobytes()))
    assert found[0] == found[1]


@pytest.mark.thorough
@given(records())
@settings(max_examples=50)
def test_agrees_with_the_definition_in_fractions(record: tuple[list[int], list[int]]) -> None:
    e = streamed(*record, longest_s=10**9).exposure()
    seconds = [Fraction(0)] * BINS
    degrees = [Fraction(0)] * BINS  # the mean of a straight stretch is its middle
    for (t0, a), (t1, b) in pairwise(zip(*record, strict=True)):
        low, high = min(a, b), max(a, b)
        for k in range((low - FIRST_EDGE_UC) // BIN_UC, (high - FIRST_EDGE_UC) // BIN_UC + 1):
            bottom = FIRST_EDGE_UC + k * BIN_UC
            x, y = max(low, bottom), min(high, bottom + BIN_UC)
            share = Fraction(y - x, high - low) if high > low else Fraction(1)
            k = min(k, BINS - 1)
            seconds[k] += share * (t1 - t0)
            degrees[k] += share * (t1 - t0) * (Fraction(x + y, 2) - bottom - BIN_UC // 2)
    crossings = len(record[0])
    mine = np.zeros((2, BINS), np.int64)
    there = slice(e.first_bin, e.first_bin + e.ticks.size)
    mine[0, there], mine[1, there] = e.ticks, e.degree_ticks
    for k in range(BINS):
        assert abs(int(mine[0, k]) - 1000 * seconds[k]) <= crossings  # 1 ms for each line
        assert abs(int(mine[1, k]) - 1000 * degrees[k]) <= BIN_UC * crossings
    assert int(mine[0].sum()) == 1000 * (record[0][-1] - record[0][0])


@given(records())
def test_the_usual_spacing_is_the_median_where_it_matters(
    record: tuple[list[int], list[int]],
) -> None:
    steps = [b - a for a, b in pairwise(record[0]) if b > a]
    median = float(np.median(steps)) if steps else 0.0
    stream = streamed(*record)
    assert stream.longest_line_s() == int(max(7200, 3 * median))
    assert stream.usual_spacing_s() == (median if median > 2400 else pytest.approx(0, abs=2400))


@pytest.mark.parametrize("z", [5.0, 12.0, 46.0])
def test_half_degree_loggers_are_within_the_bound_and_bin_middles_are_not(z: float) -> None:
    times = np.arange(0, 30 * DAY, 600)
    true_c = 18 + 9 * np.sin(2 * np.pi * times / DAY) + 3 * np.sin(times / 50_000)
    read_c = np.round(2 * true_c) / 2
    e = streamed(times, np.rint(read_c * MILLION)).exposure()
    days = float(equivalent_days([e], np.array([z]), 20.0)[0, 0])
    exact = sum(ramp_age(a, b, 600 / DAY, 20.0, z) for a, b in pairwise(read_c.tolist()))
    assert -1e-9 <= days / exact - 1 <= bin_error(z)
    middles = (e.edges_c[:-1] + e.edges_c[1:]) / 2
    by_middles = float(e.ticks @ acceleration(middles, 20.0, z)) / (1000 * DAY)
    assert abs(by_middles / exact - 1) > 5 * bin_error(z)


@pytest.mark.parametrize(("low", "high", "z"), [(5.0, 35.0, 12.0), (-3.0, 41.0, 6.0)])
def test_a_ramp_is_its_closed_form(low: float, high: float, z: float) -> None:
    times = np.linspace(0, DAY, 97).astype(np.int64)
    e = streamed(times, np.rint((low + (high - low) * times / DAY) * MILLION)).exposure()
    days = float(equivalent_days([e], np.array([z]), 20.0)[0, 0])
    exact = ramp_age(low, high, 1.0, 20.0, z)
    assert -1e-7 <= days / exact - 1 <= bin_error(z)


def test_the_ramp_of_the_models_is_1_539709_and_its_mean_is_not() -> None:
    times = np.arange(0, DAY + 1, 60)
    e = streamed(times, np.rint((5 + 30 * times / DAY) * MILLION)).exposure()
    lost = float(equivalent_days([e], np.array([12.0]), 20.0)[0, 0]) / 2
    # §2.3; the bins lie above the truth by the share of the bound, 0.00029.
    assert 1.539709 <= lost <= 1.539709 * (1 + bin_error(12.0))
    assert e.mean_c == 20.0


def test_a_step_is_its_two_parts() -> None:
    e = streamed([0, DAY, DAY, 3 * DAY], np.array([10, 10, 25, 25]) * MILLION, longest_s=3 * DAY)
    days = float(equivalent_days([e.exposure()], np.array([10.0]), 20.0)[0, 0])
    assert days == pytest.approx(0.1 + 2 * 10**0.5, rel=1e-12)
    assert (e.watch.repeated.times, e.watch.jumps.times) == (1, 1)


def test_three_centuries_at_one_edge_do_not_overflow() -> None:
    times = np.arange(0, 299 * 365 * DAY, 6900)
    for uc in (119_999_999, -59_999_999, 20_249_999):
        stream = streamed(times, np.full(times.size, uc))
        e = stream.exposure()
        span = int(times[-1]) * 1000
        middle = FIRST_EDGE_UC + (uc - FIRST_EDGE_UC) // BIN_UC * BIN_UC + BIN_UC // 2
        assert (e.ticks.tolist(), e.degree_ticks.tolist()) == ([span], [span * (uc - middle)])
        assert e.mean_c == pytest.approx(uc / MILLION, abs=1e-12)
        assert stream.watch.longest_stuck_s == times[-1]


def test_a_reading_that_goes_back_is_named_by_its_place() -> None:
    stream = ExposureStream()
    stream.add(np.array([0, 60]), np.array([1, 1]) * MILLION)
    with pytest.raises(BackwardsError) as caught:
        stream.add(np.array([120, 180, 90]), np.array([1, 1, 1]) * MILLION)
    assert (caught.value.at, caught.value.before_s, caught.value.here_s) == (2, 180, 90)
    with pytest.raises(BackwardsError) as caught:
        streamed([100, 200], [0, 0]).add(np.array([150]), np.array([0]))
    assert caught.value.at == 0


def test_a_stuck_sensor_is_told_over_chunks_once_and_a_steady_store_is_not() -> None:
    times = np.arange(0, 5 * DAY, 600)
    wobbling = np.where(np.arange(times.size) % 2, 4_000_000, 4_100_000)
    stuck = wobbling.copy()
    stuck[100:400] = 4_050_000
    assert streamed(times, wobbling, range(0, times.size, 37)).watch.stuck.times == 0
    watch = streamed(times, stuck, range(0, times.size, 37)).watch
    assert (watch.stuck.times, watch.stuck.first_s) == (1, 100 * 600)
    assert (watch.longest_stuck_s, watch.longest_stuck_uc) == (299 * 600, 4_050_000)


def test_a_skipped_hour_is_told_at_night_and_not_at_noon() -> None:
    for hour, told in ((1, 1), (12, 0)):
        before = np.arange(0, hour * HOUR + 1, 600)
        times = np.append(before, np.arange(before[-1] + 4200, DAY, 600))
        skipped = streamed(times, np.full(times.size, MILLION), [before.size]).watch.skipped
        assert skipped.times == told


def test_only_the_longest_of_many_gaps_are_kept_and_all_are_added_up(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(stream_module, "MOST_GAPS", 3)
    times = np.cumsum([0, *range(7300, 7320)])
    stream = streamed(times, np.zeros(times.size), [7])
    assert [gap.seconds for gap in stream.longest_gaps()] == [7317, 7318, 7319]
    assert (stream.gap_count, stream.gap_s) == (20, int(times[-1]))


def chunks(readings: int, seed: int) -> Iterator[tuple[IntArray, IntArray]]:
    rng = np.random.default_rng(seed)
    for start in range(0, readings, 100_000):
        times = np.arange(start, min(start + 100_000, readings)) * 60
        yield times, rng.integers(-5 * MILLION, 40 * MILLION, times.size)


@pytest.mark.thorough
def test_memory_does_not_grow_with_the_record() -> None:
    peaks = []
    for readings in (300_000, 3_000_000):
        stream = ExposureStream()
        tracemalloc.start()
        for times, temps_uc in chunks(readings, 1):
            stream.add(times, temps_uc)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
        assert stream.exposure().total_ticks == (readings - 1) * 60_000
    assert peaks[1] < 1.1 * peaks[0] and peaks[1] < 40e6
