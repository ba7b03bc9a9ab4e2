"""Limits of a line are Student's, however few its counts and however high the level."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.stats import linregress, t

from rhizoledger.survival.fit import fit_model
from rhizoledger.survival.fit_data import log10_counts


@pytest.mark.parametrize("level", [0.5, 0.9, 0.95, 0.99])
@pytest.mark.parametrize("n", [3, 4, 5, 12])
@pytest.mark.parametrize("seed", range(3))
def test_a_line_has_student_s_interval(n: int, level: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    time = np.linspace(0, 10, n)
    y = 8 - time / 4 + rng.normal(0, 0.05, n)
    fit = fit_model(log10_counts(time, y), "loglinear", level=level)
    line = linregress(time, y)
    reach = float(t.ppf(0.5 * (1 + level), n - 2))
    start, d = fit.parameters
    assert start.low == pytest.approx(line.intercept - reach * line.intercept_stderr, rel=2e-4)
    assert start.high == pytest.approx(line.intercept + reach * line.intercept_stderr, rel=2e-4)
    ends = [line.slope - reach * line.stderr, line.slope + reach * line.stderr]
    assert d.low == pytest.approx(-1 / ends[0], rel=1e-4)
    assert d.high == (pytest.approx(-1 / ends[1], rel=1e-4) if ends[1] < 0 else None)
    assert all(x is None or math.isfinite(x) for x in (d.low, d.high))
