"""Equivalent age: against the definition, and the same bytes whatever is computed beside it."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from rhizoledger.errors import InputError, RuleError
from rhizoledger.survival.equivalent_age import (
    AccelerationTable,
    equivalent_days,
    equivalent_days_constant,
    iter_equivalent_days,
)
from rhizoledger.survival.exposure import Exposure, constant, exposure, merge

DAY = 86_400
BIN_C = 0.25


def bound(z_c: float) -> float:
    """(w·ln 10/z)²/8, and the next order of the exact bound of a chord."""
    x = BIN_C * np.log(10) / z_c
    return float(x**2 / 8 * (1 + x**2 / 10))


def twin(times: np.ndarray, temps: np.ndarray, z_c: float, t_ref_c: float, floor: float) -> float:
    """∫10^((max(T, floor) − T_ref)/z)dt along the broken line, by adaptive quadrature [d]."""
    total = 0.0
    for t0, t1, a, b in zip(times[:-1], times[1:], temps[:-1], temps[1:], strict=True):

        def rate(t: float, t0: float = t0, t1: float = t1, a: float = a, b: float = b) -> float:
            temp = max(a + (b - a) * (t - t0) / (t1 - t0), floor)
            return float(10 ** ((temp - t_ref_c) / z_c))

        crossing = [t0 + (floor - a) / (b - a) * (t1 - t0)] if a != b else []
        inside = [c for c in crossing if t0 < c < t1] or None
        total += quad(rate, t0, t1, points=inside, epsabs=0, epsrel=1e-11)[0]
    return total / DAY


def random_trace(seed: int, n: int = 40) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    times = np.cumsum(rng.integers(60, 7200, n))
    temps = np.round(np.clip(18 + np.cumsum(rng.normal(0, 2, n)), -20, 60) * 2) / 2
    return times, temps


def some_exposures(n: int, seed: int = 0) -> list[Exposure]:
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(n):
        times = np.arange(60) * 600
        temps = rng.uniform(-30, 60) + np.cumsum(rng.normal(0, 1.5, 60))
        out.append(exposure(times, np.clip(temps, -59, 119), 0, 30_000, gap_range_c=None))
    return out


@pytest.mark.parametrize("z_c", [8.0, 12.0, 46.0, 90.0])
@pytest.mark.parametrize("floor_c", [-60.0, 15.0])
def test_agrees_with_the_definition_within_the_bound(z_c: float, floor_c: float) -> None:
    for seed in range(5):
        times, temps = random_trace(seed)
        e = exposure(times, temps, times[0], times[-1], gap_range_c=None)
        fast = float(equivalent_days([e], np.array([z_c]), 22.5, floor_c=floor_c)[0, 0])
        slow = twin(times, temps, z_c, 22.5, floor_c)
        # One millisecond of rounding for each crossing is far below the bound.
        assert -1e-6 <= fast / slow - 1 <= bound(z_c)


@given(st.floats(-50, 110), st.floats(5, 100))
def test_error_of_a_constant_is_within_the_bound_and_never_on_the_side_of_less_loss(
    temp_c: float, z_c: float
) -> None:
    temp_c = round(temp_c, 6)
    exact = 10 ** ((temp_c - 20.0) / z_c)
    ours = float(equivalent_days([constant(temp_c, DAY)], np.array([z_c]), 20.0)[0, 0])
    assert -1e-12 <= ours / exact - 1 <= bound(z_c)


def test_the_bound_is_reached_in_the_middle_of_a_bin() -> None:
    ours = float(equivalent_days([constant(20.125, DAY)], np.array([12.0]), 20.125)[0, 0])
    assert ours - 1 == pytest.approx(bound(12.0), rel=1e-3)


@pytest.mark.parametrize("temp_c", [-10.0, 15.0, 20.25, 22.5, 40.75])
def test_exact_at_every_quarter_of_a_degree(temp_c: float) -> None:
    z = np.array([12.0, 46.0, 90.0])
    ours = equivalent_days([constant(temp_c, 3 * DAY)], z, 22.5)[0]
    assert ours == pytest.approx(3 * 10 ** ((temp_c - 22.5) / z), rel=1e-14)


@given(st.floats(-59, 118), st.floats(0, 1.9), st.sampled_from([5.0, 12.0, 46.0]))
def test_hotter_is_never_younger(temp_c: float, rise_c: float, z_c: float) -> None:
    rows = [constant(temp_c, DAY), constant(temp_c + rise_c, DAY)]
    cool, warm = equivalent_days(rows, np.array([z_c]), 20.0)[:, 0]
    assert warm >= cool * (1 - 1e-14)


def test_a_warmer_trace_is_older_for_every_draw() -> None:
    z = np.random.default_rng(1).uniform(5, 90, 50)
    for seed in range(5):
        times, temps = random_trace(seed)
        rows = [
            exposure(times, temps + rise, times[0], times[-1], gap_range_c=None)
            for rise in (0.0, 0.01, 0.3, 5.0)
        ]
        assert (np.diff(equivalent_days(rows, z, 20.0), axis=0) > 0).all()


def test_a_split_stay_has_the_same_bytes_once_merged_and_the_same_sum() -> None:
    z = np.random.default_rng(2).uniform(40, 90, 33)
    times, temps = random_trace(3)
    cuts = [int(times[0]), int(times[7]) + 13, int(times[20]), int(times[-1])]
    whole = exposure(times, temps, cuts[0], cuts[-1], gap_range_c=None)
    parts = [exposure(times, temps, a, b, gap_range_c=None) for a, b in pairwise(cuts)]
    age = equivalent_days([whole], z, 22.5)
    assert equivalent_days([merge(*parts)], z, 22.5).tobytes() == age.tobytes()
    assert equivalent_days(parts, z, 22.5).sum(axis=0) == pytest.approx(age[0], rel=1e-13)


@pytest.mark.parametrize("draws", [1, 7, 64, 1000, 4100])
def test_a_row_has_the_same_bytes_alone_among_seven_and_among_all(draws: int) -> None:
    z = np.random.default_rng(3).uniform(20, 90, draws)
    rows = some_exposures(130)
    every = equivalent_days(rows, z, 22.5, floor_c=15.0)
    for i in (0, 5, 63, 64, 129):
        alone = equivalent_days([rows[i]], z, 22.5, floor_c=15.0)
        seven = equivalent_days([*rows[:6], rows[i]], z, 22.5, floor_c=15.0)
        assert alone[0].tobytes() == seven[6].tobytes() == every[i].tobytes()
    order = np.random.default_rng(4).permutation(130)
    shuffled = equivalent_days([rows[i] for i in order], z, 22.5, floor_c=15.0)
    assert shuffled.tobytes() == every[order].tobytes()


def test_chunks_are_the_same_bytes() -> None:
    z = np.random.default_rng(5).uniform(20, 90, 100)
    rows = some_exposures(70)
    every = equivalent_days(rows, z, 22.5)
    for size in (1, 64, 1000):
        chunks = np.vstack(list(iter_equivalent_days(iter(rows), z, 22.5, rows=size)))
        assert chunks.tobytes() == every.tobytes()


PROGRAM = """
import hashlib, sys
import numpy as np
from rhizoledger.survival.equivalent_age import equivalent_days
from rhizoledger.survival.exposure import exposure
rng = np.random.default_rng(0)
rows = []
for _ in range(100):
    temps = np.clip(rng.uniform(-30, 60) + np.cumsum(rng.normal(0, 1.5, 60)), -59, 119)
    rows.append(exposure(np.arange(60) * 600, temps, 0, 30_000, gap_range_c=None))
ages = equivalent_days(rows, rng.uniform(20, 90, 4000), 22.5, floor_c=15.0)
print(hashlib.sha256(ages.tobytes()).hexdigest())
"""


def test_one_thread_or_two_give_the_same_bytes() -> None:
    answers = set()
    for threads in ("1", "2"):
        names = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
        env = {**os.environ, "PYTHONPATH": os.pathsep.join(p for p in sys.path if p)}
        env.update(dict.fromkeys(names, threads))
        done = subprocess.run(
            [sys.executable, "-c", PROGRAM], env=env, capture_output=True, text=True, check=True
        )
        answers.add(done.stdout.strip())
    assert len(answers) == 1
    assert len(answers.pop()) == len(hashlib.sha256().hexdigest())


def test_below_the_floor_the_rate_at_the_floor_is_charged() -> None:
    z = np.array([46.0, 90.0])
    cold, edge = equivalent_days([constant(3.0, DAY), constant(15.0, DAY)], z, 22.5, floor_c=15.0)
    assert cold == pytest.approx(edge, rel=1e-14)
    free = equivalent_days([constant(3.0, DAY)], z, 22.5)
    assert (free[0] < cold).all()


def test_a_constant_that_is_a_draw_agrees_with_the_histogram() -> None:
    z, temps = np.array([12.0, 46.0, 90.0]), np.array([-5.0, 21.3, 30.0])
    drawn = equivalent_days_constant(2 * DAY, temps, z, 22.5, floor_c=0.0)
    binned = [
        equivalent_days([constant(t, 2 * DAY)], z[i : i + 1], 22.5, floor_c=0.0)[0, 0]
        for i, t in enumerate(temps.tolist())
    ]
    assert binned == pytest.approx(drawn, rel=bound(12.0))
    assert equivalent_days_constant(0, temps, z, 22.5).tolist() == [0.0, 0.0, 0.0]


def test_no_rows_and_empty_rows() -> None:
    assert equivalent_days([], np.ones(3), 20.0).shape == (0, 3)
    assert equivalent_days([constant(20.0, 0)], np.ones(3), 20.0).tolist() == [[0.0, 0.0, 0.0]]


def test_a_table_can_write_into_an_array_and_be_used_again() -> None:
    z = np.array([12.0, 46.0])
    table = AccelerationTable(z, 20.0)
    out = np.full((3, 2), np.nan)
    table.days([constant(t, DAY) for t in (10.0, 50.0, 90.0)], out=out)
    assert out == pytest.approx(10 ** ((np.array([[10.0], [50.0], [90.0]]) - 20.0) / z))
    assert table.days([constant(10.0, DAY)]).tobytes() == out[:1].tobytes()


def test_extreme_z_gives_finite_numbers_and_leaves_other_rows_alone() -> None:
    ages = equivalent_days([constant(119.0, DAY), constant(20.0, DAY)], np.array([0.01]), 20.0)
    assert np.isfinite(ages).all()
    assert ages[1, 0] == 1.0


def test_a_gap_must_be_held_first() -> None:
    e = exposure([], [], 0, DAY, gap_range_c=(5.0, 25.0))
    with pytest.raises(RuleError, match=r"24\.0 h have no temperature"):
        equivalent_days([e], np.ones(2), 20.0)


@pytest.mark.parametrize("z", [[], [0.0], [-5.0], [np.nan], [np.inf], [[1.0]]])
def test_unusable_z_is_refused(z: list[float]) -> None:
    with pytest.raises(InputError, match="z"):
        equivalent_days([constant(20.0, DAY)], np.array(z), 20.0)


@pytest.mark.parametrize(("seconds", "temp"), [(-1.0, 20.0), (np.nan, 20.0), (1.0, np.nan)])
def test_unusable_constant_is_refused(seconds: float, temp: float) -> None:
    with pytest.raises(InputError):
        equivalent_days_constant(seconds, [temp], [10.0], 20.0)


def test_a_chunk_of_no_rows_is_refused() -> None:
    with pytest.raises(InputError, match="0 rows"):
        next(iter_equivalent_days([], np.ones(1), 20.0, rows=0))
