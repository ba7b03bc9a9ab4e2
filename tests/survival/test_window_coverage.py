"""How often a window is not too long, by seeded simulation. The tables are in the docs."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.stats import norm

from rhizoledger.survival.window import Interval, Pool, Side, mean_window, new_batch_window

pytestmark = [pytest.mark.slow]

RUNS = 2000
NEW_RUNS = 200
DAYS = np.array([0.0, 5, 10, 15, 20, 30])
START, RATE, SCATTER, LIMIT = 7.2, 0.06, 0.15, 5.5
Truth = tuple[list[float], list[float]]
"""Start and rate of each batch."""

ALIKE: Truth = ([START] * 3, [RATE] * 3)
STARTS: Truth = ([7.0, 7.2, 7.5], [RATE] * 3)
RATES: Truth = ([START] * 3, [0.05, 0.06, 0.075])
HARDLY: Truth = ([7.15, 7.2, 7.25], [0.063, 0.06, 0.057])
NEAR: Truth = ([7.1, 7.2, 7.3], [0.066, 0.06, 0.054])
"""Batches that differ by little: the tests often pool them, and then the window is too long for the
worst more often than is stated. The bounds below hold that fast, and the docs say it."""


def drawn(truth: Truth, rng: np.random.Generator) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    return {
        f"b{i}": (DAYS, start - rate * DAYS + rng.normal(0, SCATTER, len(DAYS)))
        for i, (start, rate) in enumerate(zip(*truth, strict=True))
    }


def not_too_long(truth: Truth, pool: Pool = "auto", side: Side = "lower", seed: int = 1) -> float:
    """Share of runs in which the crossing comes no later than that of the worst true mean."""
    rng = np.random.default_rng(seed)
    end = min((start - LIMIT) / rate for start, rate in zip(*truth, strict=True))
    held = 0
    for _ in range(RUNS):
        found = mean_window(drawn(truth, rng), LIMIT, pool=pool, side=side)
        held += found.crossing is not None and found.crossing <= end
    return held / RUNS


def test_limits_of_a_line_are_exact() -> None:
    """One batch, alike batches under one line, and two sides: Student's t, so as stated."""
    cases: list[tuple[float, Callable[[], float]]] = [
        (0.95, lambda: not_too_long(([START], [RATE]))),
        (0.95, lambda: not_too_long(ALIKE, "common")),
        (0.975, lambda: not_too_long(ALIKE, "common", "two")),
    ]
    for stated, share in cases:
        held = share()
        print(f"stated {stated}: {held:.3f}")
        assert held == pytest.approx(stated, abs=3.5 * math.sqrt(stated * (1 - stated) / RUNS))


@pytest.mark.parametrize(
    ("truth", "pool", "low", "high"),
    [
        (ALIKE, "auto", 0.95, 1.0),
        (ALIKE, "separate", 0.97, 1.0),
        (STARTS, "common_slope", 0.935, 0.97),
        (STARTS, "auto", 0.94, 1.0),
        (RATES, "separate", 0.935, 0.98),
        (RATES, "auto", 0.90, 0.95),
        (HARDLY, "auto", 0.80, 0.87),
        (NEAR, "auto", 0.85, 0.92),
        (NEAR, "separate", 0.95, 1.0),
        (NEAR, "common", 0.0, 0.7),
    ],
)
def test_the_worst_batch_outlasts_the_window(
    truth: Truth, pool: Pool, low: float, high: float
) -> None:
    """The least of several limits is more careful; pooling what differs unseen is less careful."""
    held = not_too_long(truth, pool)
    print(f"{pool}: {held:.3f}")
    assert low <= held <= high


@pytest.mark.parametrize("interval", ["confidence", "prediction"])
def test_one_more_count_lies_above_its_limit(interval: Interval) -> None:
    """At a fixed time; a limit of the mean holds fewer single counts than it says."""
    rng, day, held = np.random.default_rng(2), 25.0, 0
    for _ in range(RUNS):
        line = mean_window(drawn(ALIKE, rng), LIMIT, pool="common").lines["b0"]
        count = START - RATE * day + rng.normal(0, SCATTER)
        held += count >= line.limit(day, 0.95, one_more=interval == "prediction")
    print(f"{interval}: {held / RUNS:.3f}")
    if interval == "prediction":
        assert held / RUNS == pytest.approx(0.95, abs=0.017)
    else:
        assert held / RUNS < 0.85


@pytest.mark.parametrize(
    ("batches", "start_sd", "rate_sd"),
    [(3, 0.2, 0.005), (6, 0.2, 0.005), (12, 0.2, 0.005), (6, 0.1, 0.0), (6, 0.0, 0.0)],
)
def test_a_new_batch_keeps_the_limit_to_its_window(
    batches: int, start_sd: float, rate_sd: float
) -> None:
    """Mean over runs of the true probability on the last day stated; whole days add a little."""
    rng = np.random.default_rng(batches)
    chances, none = [], 0
    for _ in range(NEW_RUNS):
        starts = START + rng.normal(0, start_sd, batches)
        rates = RATE + rng.normal(0, rate_sd, batches)
        truth = starts.tolist(), rates.tolist()
        day = new_batch_window(drawn(truth, rng), LIMIT, extrapolate=True).window
        if day is None:
            none += 1
            continue
        above, sd = START - RATE * day - LIMIT, math.hypot(start_sd, rate_sd * day)
        chances.append(float(norm.cdf(above / sd)) if sd > 0 else float(above >= 0))
    held = float(np.mean(chances))
    print(f"{batches} batches, sd {start_sd:g} {rate_sd:g}: {held:.3f}, no window {none}")
    assert none < NEW_RUNS / 10
    assert held > 0.88  # 0.9 is stated
