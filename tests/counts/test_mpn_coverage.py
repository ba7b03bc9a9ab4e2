"""Coverage of the intervals for tubes, exact: every code of a design with its probability."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import binom

from rhizoledger.counts.mpn import Interval
from rhizoledger.counts.mpn_table import mpn_table

FloatArray = NDArray[np.float64]
DESIGNS = {
    "3 tubes of 0.1, 0.01, 0.001": ([0.1, 0.01, 0.001], [3, 3, 3]),
    "5 tubes of 0.1, 0.01, 0.001": ([0.1, 0.01, 0.001], [5, 5, 5]),
    "10 tubes of 10": ([10.0], [10]),
}
POINTS = 121
"""Densities, even on the log scale, at which a code is neither all negative nor all positive with
probability 0.95 or more."""


def coverage(design: str, interval: Interval, level: float = 0.95) -> FloatArray:
    amounts, tubes = DESIGNS[design]
    z, n = np.array(amounts), np.array(tubes)
    rows = mpn_table(amounts, tubes, min_rarity=0, interval=interval, level=level)
    codes = np.array([row.positive for row in rows])
    low = np.array([row.low or 0.0 for row in rows])
    high = np.array([np.inf if row.high is None else row.high for row in rows])
    wide = np.geomspace(1e-3 / z.max(), 1e3 / z.min(), 4001)
    p = -np.expm1(-wide[:, np.newaxis] * z)
    usual = wide[1 - ((1 - p) ** n).prod(axis=1) - (p**n).prod(axis=1) >= 0.95]
    grid = np.geomspace(usual[0], usual[-1], POINTS)
    p = -np.expm1(-grid[:, np.newaxis] * z)
    chance = binom.pmf(codes[np.newaxis], n, p[:, np.newaxis, :]).prod(axis=2)
    assert chance.sum(axis=1) == pytest.approx(1)
    held = (low <= grid[:, np.newaxis]) & (grid[:, np.newaxis] <= high)
    return np.asarray((chance * held).sum(axis=1))


# As the table of docs/counting.md has them: mean, least.
KNOWN: dict[tuple[str, Interval], tuple[float, float]] = {
    ("3 tubes of 0.1, 0.01, 0.001", "jarvis"): (0.953, 0.895),
    ("3 tubes of 0.1, 0.01, 0.001", "likelihood"): (0.951, 0.896),
    ("5 tubes of 0.1, 0.01, 0.001", "jarvis"): (0.951, 0.900),
    ("5 tubes of 0.1, 0.01, 0.001", "likelihood"): (0.949, 0.909),
    ("10 tubes of 10", "jarvis"): (0.949, 0.911),
    ("10 tubes of 10", "likelihood"): (0.942, 0.897),
    ("10 tubes of 10", "exact"): (0.979, 0.961),
}


@pytest.mark.parametrize(("design", "interval"), KNOWN)
def test_coverage_is_as_the_documents_say(design: str, interval: Interval) -> None:
    found = coverage(design, interval)
    mean, least = KNOWN[design, interval]
    assert found.mean() == pytest.approx(mean, abs=5e-4)
    assert found.min() == pytest.approx(least, abs=5e-4)


@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
def test_the_exact_interval_never_covers_less_than_it_says(level: float) -> None:
    assert coverage("10 tubes of 10", "exact", level).min() >= level
