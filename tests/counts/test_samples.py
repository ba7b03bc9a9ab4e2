"""Samples above plates, and recovery: closed forms, order, and what cannot be."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from rhizoledger.counts.plates import count_plates
from rhizoledger.counts.recovery import corrected, given_recovery, recovery_from_control
from rhizoledger.counts.samples import over_samples
from rhizoledger.errors import InputError
from rhizoledger.estimate import Estimate

LOGS = st.lists(st.floats(3, 10), min_size=2, max_size=6)


def sharp(log10: float, width: float = 1e-6) -> Estimate:
    """A sample counted so well that its plates add nothing."""
    y = 10.0**log10
    return Estimate(y, y * (1 - width), y * (1 + width), "CFU/mL", level=0.95)


@given(LOGS)
def test_interval_is_the_t_interval_of_the_logs(logs: list[float]) -> None:
    if np.std(logs) < 1e-3:
        return
    item = over_samples([sharp(y) for y in logs], 0.95, evidence_sd=0.25)
    low, high = stats.t.interval(0.95, len(logs) - 1, np.mean(logs), stats.sem(logs))
    assert math.log10(item.estimate.value or 0) == pytest.approx(np.mean(logs))
    assert math.log10(item.estimate.low or 0) == pytest.approx(low)
    assert math.log10(item.estimate.high or 0) == pytest.approx(high)
    assert item.spread == "estimated" and item.estimate.n == len(logs)


def test_samples_that_agree_are_not_surer_than_their_plates() -> None:
    wide = [sharp(6.0, 0.2)] * 3
    item = over_samples(wide, 0.95, evidence_sd=0.25)
    assert item.by_plates and item.sd_log10 == 0
    # Distances of independent samples: each divided by three, squared and added.
    assert math.log10(item.estimate.low or 0) == pytest.approx(
        6 + math.log10(0.8) / math.sqrt(3), rel=1e-9
    )


def test_one_sample_takes_the_spread_it_is_given() -> None:
    by_evidence = over_samples([sharp(6.0)], 0.95, evidence_sd=0.25)
    given_sd = over_samples([sharp(6.0)], 0.95, evidence_sd=0.25, between_sd=0.1)
    for item, sd, spread in ((by_evidence, 0.25, "evidence"), (given_sd, 0.1, "given")):
        assert item.spread == spread and item.taken_sd_log10 == sd and item.sd_log10 is None
        assert math.log10(item.estimate.high or 0) - 6 == pytest.approx(1.959964 * sd, rel=1e-5)


def test_a_sample_without_colonies_leaves_bounds() -> None:
    none = count_plates([0], 1.0, 0.1, level=0.95, bound_alpha=0.025).estimate
    item = over_samples([none, sharp(2.0)], 0.95, evidence_sd=0.0)
    assert item.estimate.value is None and item.estimate.status == "at_limit"
    assert item.estimate.low is None
    assert item.estimate.high == pytest.approx(max(none.high or 0, 100.0), rel=1e-5)
    with pytest.raises(InputError, match="no sample"):
        over_samples([], 0.95, evidence_sd=0.2)


@given(st.floats(0.05, 1.0), st.floats(1e2, 1e8))
def test_an_exact_recovery_only_scales(share: float, cells: float) -> None:
    wash = Estimate(cells, 0.8 * cells, 1.3 * cells, "CFU/seed", level=0.95)
    whole = corrected(wash, given_recovery(share))
    for name in ("value", "low", "high"):
        assert getattr(whole, name) * share == pytest.approx(getattr(wash, name))


def test_a_measured_recovery_widens() -> None:
    wash = Estimate(2e4, 1.6e4, 2.5e4, "CFU/seed", level=0.95)
    control = Estimate(4e5, 3.2e5, 5e5, "CFU/seed", level=0.95)
    recovery = recovery_from_control(control, 1e6)
    whole = corrected(wash, recovery)
    # Both have the same distances on the log scale, so that the root of two comes in.
    assert whole.value == pytest.approx(5e4)
    assert math.log(5e4 / (whole.low or 1)) == pytest.approx(math.sqrt(2) * math.log(1.25))
    assert math.log((whole.high or 1) / 5e4) == pytest.approx(math.sqrt(2) * math.log(1.25))


def test_bounds_are_divided_by_the_far_limit() -> None:
    recovery = recovery_from_control(Estimate(5e5, 4e5, 8e5, "CFU/seed", level=0.95), 1e6)
    none = corrected(Estimate(0.0, 0.0, 30.0, "CFU/seed", level=0.95), recovery)
    full = corrected(Estimate(None, 400.0, None, "CFU/seed", level=0.95), recovery)
    assert (none.low, none.high) == (0.0, pytest.approx(75.0))
    assert (full.low, full.high) == (pytest.approx(500.0), None)


def test_more_than_everything_is_held_at_one_or_refused() -> None:
    held = recovery_from_control(Estimate(1.1e6, 9e5, 1.3e6, "CFU/seed", level=0.95), 1e6)
    assert held.held and held.share == 1 and held.high == 1 and held.measured == pytest.approx(1.1)
    with pytest.raises(InputError, match="more than was applied"):
        recovery_from_control(Estimate(2e6, 1.5e6, 3e6, "CFU/seed", level=0.95), 1e6)


@pytest.mark.parametrize("share", [0.0, -0.1, 1.01, 40, math.nan])
def test_shares_that_cannot_be(share: float) -> None:
    with pytest.raises(InputError, match="share"):
        given_recovery(share)


@pytest.mark.parametrize(
    "control",
    [Estimate(0.0, 0.0, 3.0, "CFU/seed"), Estimate(None, 3.0, None, "CFU/seed")],
)
def test_controls_that_show_nothing(control: Estimate) -> None:
    with pytest.raises(InputError, match="no recovery"):
        recovery_from_control(control, 1e6)
    with pytest.raises(InputError, match="above zero"):
        recovery_from_control(control, 0.0)
