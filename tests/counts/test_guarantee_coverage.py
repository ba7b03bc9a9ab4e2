"""Coverage of the one-sided limits by seeded simulation: the table of the documentation."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import pytest

from rhizoledger.counts.guarantee import Composite, composite_of, lot_limits, plate_levels
from rhizoledger.counts.plates import count_plates

LOTS = 20_000
TRUTH = 9.0
EVIDENCE_SD = 0.25
LEVEL, ALPHA = plate_levels(0.95)


@lru_cache(maxsize=100_000)
def composite(colonies: int, portion: float) -> Composite:
    return composite_of(count_plates([colonies], 1.0, portion, level=LEVEL, bound_alpha=ALPHA))


def coverage(k: int, mean: float, sd: float) -> tuple[float, float]:
    """Share of lots whose lower limit lies at or below the truth, and whose upper at or above."""
    rng = np.random.default_rng([k, round(mean), round(1000 * sd)])
    portion = mean / 10**TRUTH
    below = above = 0
    for counts in rng.poisson(mean * 10.0 ** (sd * rng.standard_normal((LOTS, k)))):
        found = lot_limits(
            [composite(int(c), portion) for c in counts], 0.95, evidence_sd=EVIDENCE_SD
        )
        below += found.low is None or found.low <= TRUTH
        above += found.high is None or found.high >= TRUTH
    return below / LOTS, above / LOTS


@pytest.mark.slow
@pytest.mark.parametrize("sd", [0.0, 0.11, 0.25])
@pytest.mark.parametrize("mean", [8, 60, 600])
@pytest.mark.parametrize("k", [1, 2, 3, 5])
def test_each_limit_holds_its_confidence(k: int, mean: float, sd: float) -> None:
    below, above = coverage(k, mean, sd)
    print(f"{k} {mean} {sd} {below:.3f} {above:.3f}")
    error = math.sqrt(0.95 * 0.05 / LOTS)
    # A handful of colonies in a sample lean the mean log down by 1/(2c ln 10); nothing else costs.
    assert below >= 0.95 - 4 * error
    assert above >= 0.95 - 4 * error - (0.005 if mean < 10 else 0)
