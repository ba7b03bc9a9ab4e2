"""Exposure on real readings: a year of hourly Seattle temperatures, dated 2010, in °F.

The file is the one that the PyPI package vega_datasets carries; it is found without importing the
package and read as plain CSV. One hour of the year is missing in it.
"""

from __future__ import annotations

import csv
from datetime import UTC, datetime
from functools import cache
from importlib.util import find_spec
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from rhizoledger.survival.equivalent_age import equivalent_days
from rhizoledger.survival.exposure import exposure, merge
from rhizoledger.survival.freezing import freezing_runs
from rhizoledger.survival.kinetics import front_loaded_loss

HOUR, DAY = 3600, 86_400

pytestmark = pytest.mark.skipif(
    find_spec("vega_datasets") is None, reason="vega_datasets, which carries the file, is missing"
)


@cache
def seattle() -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Moments [s, its local clock taken as UTC] and temperatures [°C]."""
    spec = find_spec("vega_datasets")
    assert spec is not None and spec.submodule_search_locations
    path = Path(next(iter(spec.submodule_search_locations))) / "_data" / "seattle-temps.csv"
    with path.open(encoding="utf-8", newline="") as f:
        rows = list(csv.DictReader(f))
    moments = [datetime.strptime(r["date"], "%Y/%m/%d %H:%M").replace(tzinfo=UTC) for r in rows]
    times = np.array([m.timestamp() for m in moments]).astype(np.int64)
    return times, (np.array([float(r["temp"]) for r in rows]) - 32) * 5 / 9


def by_second_grid(
    start: int, end: int, step: int = 30
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Midpoints of short steps along the broken line: the slow twin."""
    times, temps = seattle()
    middle = np.arange(start, end, step) + step / 2
    return middle, np.interp(middle, times, temps)


def test_the_file_is_a_year_of_hours() -> None:
    times, temps = seattle()
    assert times.size == 8759
    assert sorted(set(np.diff(times).tolist())) == [HOUR, 2 * HOUR]
    assert -10 < temps.min() < temps.max() < 40


def test_every_hour_of_the_year_is_somewhere() -> None:
    times, temps = seattle()
    e = exposure(times, temps, times[0], times[-1], gap_range_c=None)
    assert not e.gaps
    assert e.total_ticks == int(times[-1] - times[0]) * 1000
    assert e.occupied()[1].sum() == pytest.approx(e.hours)
    assert (e.min_c, e.max_c) == pytest.approx((temps.min(), temps.max()), abs=1e-6)
    widths = np.diff(times)
    mean = float(((temps[1:] + temps[:-1]) / 2 * widths).sum() / widths.sum())
    assert e.mean_c == pytest.approx(mean, abs=1e-6)


def test_hours_above_a_temperature_agree_with_a_fine_grid() -> None:
    times, temps = seattle()
    start, end = int(times[3000]) + 1000, int(times[3700]) + 17
    e = exposure(times, temps, start, end, gap_range_c=None)
    _, line = by_second_grid(start, end)
    for temp_c in (10.0, 12.5, 15.0, 20.0):
        assert e.hours_above(temp_c) == pytest.approx((line >= temp_c).sum() * 30 / HOUR, abs=0.5)


@pytest.mark.parametrize("z_c", [12.0, 46.0, 90.0])
@pytest.mark.parametrize("floor_c", [None, 15.0])
def test_equivalent_days_of_three_weeks_agree_with_a_fine_grid(
    z_c: float, floor_c: float | None
) -> None:
    times, temps = seattle()
    start, end = int(times[4800]), int(times[4800]) + 21 * DAY
    e = exposure(times, temps, start, end, gap_range_c=None)
    fast = float(equivalent_days([e], np.array([z_c]), 22.5, floor_c=floor_c)[0, 0])
    _, line = by_second_grid(start, end)
    line = line if floor_c is None else np.maximum(line, floor_c)
    slow = float((10 ** ((line - 22.5) / z_c)).sum()) * 30 / DAY
    assert 0 <= fast / slow - 1 <= (0.25 * np.log(10) / z_c) ** 2 / 8


def test_daily_rows_add_up_to_the_season() -> None:
    times, temps = seattle()
    cuts = [int(times[2000]) + 777 * i for i in range(0, 3000, 100)]
    whole = exposure(times, temps, cuts[0], cuts[-1], gap_range_c=None)
    parts = [exposure(times, temps, a, b, gap_range_c=None) for a, b in pairwise(cuts)]
    assert merge(*parts).ticks.tobytes() == whole.ticks.tobytes()
    assert merge(*parts).degree_ticks.tobytes() == whole.degree_ticks.tobytes()


def test_a_lost_week_becomes_a_gap_of_exactly_its_length() -> None:
    times, temps = seattle()
    keep = (times < times[1000]) | (times > times[1000] + 7 * DAY)
    e = exposure(times[keep], temps[keep], times[900], times[1300], gap_range_c=(-5.0, 20.0))
    missing = np.diff(times[keep]).max()
    assert missing > 7 * DAY
    assert e.gap_ticks == missing * 1000
    assert e.total_ticks == (times[1300] - times[900]) * 1000


def test_the_same_days_of_storage_lose_more_in_summer_than_in_winter() -> None:
    """A bracket of loss on seed (invented parameters) for two stays of ten days."""
    times, temps = seattle()
    stays = [
        exposure(times, temps, t, t + 10 * DAY, gap_range_c=None)
        for t in (int(times[200]), int(times[4900]))
    ]
    z = np.linspace(46.0, 90.0, 9)
    age = equivalent_days(stays, z, 22.5)
    lost = front_loaded_loss(1.7, np.linspace(0, 1, 9), age / 21, age / 10)
    assert (lost[1] > lost[0]).all()
    assert (lost > 0).all()


def test_frost_is_seen_where_the_year_has_it() -> None:
    times, temps = seattle()
    runs = freezing_runs(times, temps, times[0], times[-1])
    _, line = by_second_grid(int(times[0]), int(times[-1]))
    assert runs.total_below_s == pytest.approx((line < 0).sum() * 30, abs=HOUR)
    assert (runs.zero_crossings > 0) is bool((temps < 0).any())
