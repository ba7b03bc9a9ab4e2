"""Random starts and rates of batches: exact where exact is known, and refused where nothing is."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import t as student

from rhizoledger.errors import FitError, InputError
from rhizoledger.survival.batches import BatchFit, fit_batches

DAYS = np.array([0.0, 10, 20, 30])


def drawn(batches: int, start_sd: float, rate_sd: float, seed: int = 1) -> tuple[list[str], ...]:
    rng = np.random.default_rng(seed)
    starts = 7.5 + rng.normal(0, start_sd, (batches, 1))
    rates = 0.08 + rng.normal(0, rate_sd, (batches, 1))
    y = starts - rates * DAYS + rng.normal(0, 0.05, (batches, len(DAYS)))
    return np.repeat([f"b{i}" for i in range(batches)], len(DAYS)), np.tile(DAYS, batches), y


def fitted(batches: int, start_sd: float, rate_sd: float, seed: int = 1) -> BatchFit:
    name, t, y = drawn(batches, start_sd, rate_sd, seed)
    return fit_batches(list(name), t, np.asarray(y).ravel())


def test_balanced_batches_are_a_sample_of_lines() -> None:
    """With every batch counted alike, the mean line and its errors are those of the batch lines."""
    name, t, y = drawn(6, 0.3, 0.02)
    fit = fit_batches(list(name), t, np.asarray(y).ravel())
    slopes, starts = np.polyfit(DAYS, np.asarray(y).T, 1)
    assert (fit.start, fit.rate) == pytest.approx((starts.mean(), -slopes.mean()), rel=1e-9)
    for i, sample in enumerate((starts, slopes)):
        assert fit.covariance[i, i] == pytest.approx(sample.var(ddof=1) / 6, rel=1e-4)
    assert (fit.start_df, fit.rate_df) == pytest.approx((5.0, 5.0), abs=0.01)
    for day in (0.0, 15.0, 40.0):
        at = starts + slopes * day
        mean = fit.mean(day)
        assert mean.se == pytest.approx(np.sqrt(at.var(ddof=1) / 6), rel=1e-4)
        half = student.ppf(0.95, 5) * mean.se
        assert mean.limit(0.95) == pytest.approx(mean.estimate - half, rel=1e-3)


def test_a_new_batch_is_less_certain_than_the_mean() -> None:
    fit = fitted(8, 0.3, 0.02)
    for day in (0.0, 15.0, 40.0):
        new, mean = fit.new_batch(day), fit.mean(day)
        x = np.array([1.0, day])
        assert new.estimate == mean.estimate
        assert new.se**2 == pytest.approx(mean.se**2 + x @ fit.between @ x, rel=1e-9)
        assert new.probability_at_least(new.limit(0.9)) == pytest.approx(0.9, abs=1e-9)


def test_unit_and_origin_change_nothing() -> None:
    name, t, y = drawn(5, 0.3, 0.02)
    flat = np.asarray(y).ravel()
    days, hours = fit_batches(list(name), t, flat), fit_batches(list(name), t * 24, flat)
    moved = fit_batches(list(name), t + 100, flat + 3)
    for fit, at, up in ((hours, 480.0, 0.0), (moved, 120.0, 3.0)):
        a, b = days.new_batch(20.0), fit.new_batch(at)
        assert b.estimate == pytest.approx(a.estimate + up, rel=1e-9)
        assert (b.se, b.df) == pytest.approx((a.se, a.df), rel=1e-3)


def test_batches_that_do_not_differ_say_so() -> None:
    name, t, _ = drawn(6, 0, 0)
    wobble = np.tile([0.05, -0.05, -0.05, 0.05], 3)
    y = 7 - 0.05 * t + np.concatenate([wobble, -wobble])
    fit = fit_batches(list(name), t, y)
    assert fit.between == pytest.approx(np.zeros((2, 2)), abs=1e-9)
    assert "No spread between batches" in " ".join(fit.warnings)
    assert fit.new_batch(20.0).se == pytest.approx(fit.mean(20.0).se, rel=1e-9)
    # The line of ordinary least squares, on n - 2 degrees of freedom.
    _, cov = np.polyfit(t, y, 1, cov=True)
    assert fit.covariance[1, 1] == pytest.approx(cov[0, 0], rel=1e-6)
    assert fit.rate_df == pytest.approx(len(t) - 2, rel=1e-3)


@pytest.mark.parametrize(("batches", "warned"), [(3, True), (5, True), (6, False)])
def test_few_batches_are_warned_of(batches: int, warned: bool) -> None:
    said = " ".join(fitted(batches, 0.3, 0.02).warnings)
    assert ("hardly known" in said) == warned


def test_below_three_batches_nothing_is_said_of_a_new_one() -> None:
    with pytest.raises(FitError, match="2 of the 3 batches"):
        fitted(2, 0.3, 0.02)


def test_too_few_counts_and_bad_numbers_are_refused() -> None:
    with pytest.raises(FitError, match="too few times"):
        fit_batches(["a", "b", "c"], [0, 1, 2], [7, 6, 5])
    with pytest.raises(InputError, match="differ in number"):
        fit_batches(["a", "b"], [0, 1, 2], [7, 6, 5])
    with pytest.raises(InputError, match="not a number"):
        fit_batches(["a", "b", "c"], [0, 1, 2], [7, 6, float("nan")])
