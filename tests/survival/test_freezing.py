"""Frost is kept beside the ledger: crossings, longest run, total (§2.1)."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from rhizoledger.survival.freezing import FreezingRuns, freezing_runs

HOUR = 3600


def twin(times: np.ndarray, temps: np.ndarray, start: int, end: int) -> tuple[int, float, float]:
    """The definition on a one-second grid."""
    t = np.arange(start, end + 1)
    below = np.interp(t, times, temps) < 0
    longest = run = total = 0
    for now in below[:-1]:
        run = run + 1 if now else 0
        total += bool(now)
        longest = max(longest, run)
    return sum(bool(a) != bool(b) for a, b in pairwise(below)), longest, total


def test_agrees_with_the_definition() -> None:
    rng = np.random.default_rng(7)
    for _ in range(10):
        times = np.cumsum(rng.integers(200, 2000, 30))
        temps = rng.normal(0, 4, 30)
        start, end = int(times[0]) + 77, int(times[-1]) - 55
        got = freezing_runs(times, temps, start, end)
        crossings, longest, total = twin(times, temps, start, end)
        assert got.zero_crossings == crossings
        assert got.longest_below_s == pytest.approx(longest, abs=2)
        assert got.total_below_s == pytest.approx(total, abs=len(times))


@pytest.mark.parametrize(
    ("temps", "expected"),
    [
        ([5.0, 5.0, 5.0], FreezingRuns(0, 0.0, 0.0)),
        ([-5.0, -1.0, -5.0], FreezingRuns(0, 2.0 * HOUR, 2.0 * HOUR)),
        ([2.0, 0.0, 2.0], FreezingRuns(0, 0.0, 0.0)),
        ([3.0, -1.0, -1.0], FreezingRuns(1, 1.25 * HOUR, 1.25 * HOUR)),
    ],
    ids=["never", "always", "touches zero from above", "falls"],
)
def test_known_cases(temps: list[float], expected: FreezingRuns) -> None:
    assert freezing_runs([0, HOUR, 2 * HOUR], temps, 0, 2 * HOUR) == expected


def test_touching_zero_from_below_breaks_no_run_of_time() -> None:
    got = freezing_runs([0, HOUR, 2 * HOUR], [-2.0, 0.0, -2.0], 0, 2 * HOUR)
    assert got == FreezingRuns(2, 2.0 * HOUR, 2.0 * HOUR)


def test_a_gap_ends_a_run() -> None:
    times = [0, HOUR, 30 * HOUR, 31 * HOUR]
    got = freezing_runs(times, [-1.0] * 4, 0, 31 * HOUR, max_gap_s=2 * HOUR)
    assert got == FreezingRuns(0, 1.0 * HOUR, 2.0 * HOUR)


def test_no_readings() -> None:
    assert freezing_runs([], [], 0, HOUR) == FreezingRuns(0, 0.0, 0.0)
