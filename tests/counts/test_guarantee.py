"""One-sided limits of a lot: twins by definition, exact coverage of one composite, invariants."""

from __future__ import annotations

import math
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from rhizoledger.counts.guarantee import (
    Composite,
    LotLimits,
    chance_shown,
    chance_shown_known_sd,
    composite_of,
    composites_needed,
    decide,
    lot_limits,
    plate_levels,
)
from rhizoledger.counts.plates import count_plates
from rhizoledger.errors import InputError

SD = 0.25


def sharp(*log10: float, reach: float = 0.0) -> list[Composite]:
    return [Composite(y, y - reach, y + reach) for y in log10]


@cache
def plated(colonies: int, per_ml: float = 1e-8, confidence: float = 0.95) -> Composite:
    level, alpha = plate_levels(confidence)
    return composite_of(count_plates([colonies], 1.0, per_ml, level=level, bound_alpha=alpha))


@given(
    st.lists(st.floats(6, 11), min_size=2, max_size=8),
    st.sampled_from([0.8, 0.9, 0.95, 0.99]),
)
def test_two_or_more_are_students_interval(ys: list[float], confidence: float) -> None:
    found = lot_limits(sharp(*ys), confidence, evidence_sd=SD)
    se = float(np.std(ys, ddof=1)) / math.sqrt(len(ys))
    reach = stats.t.ppf(confidence, len(ys) - 1) * se
    assert found.low == pytest.approx(np.mean(ys) - reach, abs=1e-9)
    assert found.high == pytest.approx(np.mean(ys) + reach, abs=1e-9)


def test_composites_that_agree_by_luck_keep_their_plates_limits() -> None:
    found = lot_limits([plated(50)] * 4, 0.95, evidence_sd=SD)
    one = plated(50)
    assert one.log10 is not None and one.low is not None
    assert found.by_plates and found.sd == 0
    assert found.low == pytest.approx(one.log10 - (one.log10 - one.low) / 2)


def test_one_composite_takes_the_evidence_and_says_so() -> None:
    found = lot_limits(sharp(9.0, reach=0.1), 0.95, evidence_sd=0.2)
    assert (found.spread, found.between_sd, found.sd) == ("evidence", 0.2, None)
    assert found.low == pytest.approx(9 - math.hypot(0.1, stats.norm.ppf(0.95) * 0.2))


def test_a_given_spread_replaces_the_one_seen() -> None:
    found = lot_limits(sharp(8.5, 9.5), 0.95, between_sd=0.1, evidence_sd=SD)
    assert found.spread == "given"
    assert found.low == pytest.approx(9 - stats.norm.ppf(0.95) * 0.1 / math.sqrt(2))


@pytest.mark.parametrize("sd", [0.0, 0.05, 0.11, 0.2, 0.25])
@pytest.mark.parametrize("mean", [3.0, 12.0, 40.0, 150.0])
def test_one_composite_covers_by_exact_summation(mean: float, sd: float) -> None:
    """Sum over all counts, integral over the spread; never below 0.945 while sd <= evidence."""
    truth, z = math.log10(mean) + 8, np.linspace(-7, 7, 801)
    weight = np.exp(-z * z / 2) / np.exp(-z * z / 2).sum()
    means = mean * 10.0 ** (sd * z)
    below = above = 0.0
    for c in range(int(stats.poisson.ppf(1 - 1e-9, means.max())) + 1):
        p = float(weight @ stats.poisson.pmf(c, means))
        if p < 1e-12:
            continue
        found = lot_limits([plated(c)], 0.95, evidence_sd=SD)
        below += p * (found.low is None or found.low <= truth)
        above += p * (found.high is None or found.high >= truth)
    assert below >= 0.945 and above >= 0.945
    if sd == SD and mean > 10:
        assert below <= 0.97 and above <= 0.98  # sharp where the spread is as large as assumed


def test_bounds_give_the_widest_single_limits() -> None:
    none, some = plated(0), plated(40)
    found = lot_limits([none, some], 0.95, evidence_sd=0.1)
    alone = [lot_limits([c], 0.95, evidence_sd=0.1) for c in (none, some)]
    assert found.bounds_only and found.mean is None and found.low is None
    assert found.high == max(x.high for x in alone if x.high is not None)


def test_plates_without_a_colony_show_that_a_lot_misses() -> None:
    found = lot_limits([plated(0)], 0.95, evidence_sd=0.1)
    assert found.high == pytest.approx(
        math.log10(-math.log(0.05) / 1e-8) + stats.norm.ppf(0.95) * 0.1
    )
    assert decide(found, 1e10) == "does not meet" and decide(found, 1e8) == "not shown"


@given(st.lists(st.floats(6, 11), min_size=1, max_size=6), st.floats(-2, 2))
def test_another_unit_moves_the_limits_and_nothing_else(ys: list[float], shift: float) -> None:
    here = lot_limits(sharp(*ys, reach=0.1), 0.95, evidence_sd=SD)
    there = lot_limits(sharp(*(y + shift for y in ys), reach=0.1), 0.95, evidence_sd=SD)
    assert here.low is not None and there.low is not None
    assert there.low == pytest.approx(here.low + shift, abs=1e-6)


@given(st.lists(st.floats(6, 11), min_size=1, max_size=6))
def test_more_confidence_is_never_a_higher_limit(ys: list[float]) -> None:
    lows = [lot_limits(sharp(*ys), c, evidence_sd=SD).low for c in (0.6, 0.8, 0.9, 0.95, 0.999)]
    assert all(a is not None and b is not None and a >= b for a, b in pairwise(lows))


def test_decisions() -> None:
    found = lot_limits(sharp(9.0, 9.1, 9.2), 0.95, evidence_sd=SD)
    assert found.low is not None and found.high is not None
    assert decide(found, 10**found.low * 0.999) == "meets"
    assert decide(found, 10**found.low * 1.001) == "not shown"
    assert decide(found, 10**found.high * 1.001) == "does not meet"
    assert decide(found, 10**found.low * 0.999, only_lowers=True) == "not shown"
    assert decide(found, 10**found.high * 1.001, only_lowers=True) == "does not meet"


@given(st.floats(0.01, 1.0), st.floats(0.05, 0.4))
def test_composites_needed_is_the_first_number_that_is_enough(above: float, sd: float) -> None:
    limits = LotLimits(9 + above, None, None, sd, None, 2, "estimated", False, 0.95)
    needed = composites_needed(limits, 1e9)

    def enough(k: int) -> bool:
        return bool(stats.t.ppf(0.95, k - 1) * sd / math.sqrt(k) <= above)

    if needed is None:
        assert not enough(200)
    else:
        assert enough(needed) and (needed == 3 or not enough(needed - 1))


def test_no_number_of_composites_lifts_a_mean_that_is_too_low() -> None:
    assert composites_needed(lot_limits(sharp(8.9, 9.0), 0.95, evidence_sd=SD), 1e9) is None


@pytest.mark.parametrize(("k", "titre"), [(2, 4e9), (3, 3e9), (5, 2.5e9), (5, 1.5e9)])
def test_chance_to_be_shown_against_simulation(k: int, titre: float) -> None:
    rng = np.random.default_rng(k)
    y = math.log10(titre) + 0.2 * rng.standard_normal((200_000, k))
    low = y.mean(axis=1) - stats.t.ppf(0.95, k - 1) * y.std(axis=1, ddof=1) / math.sqrt(k)
    seen = float((low >= math.log10(2e9)).mean())
    p = chance_shown(titre, 2e9, k, total_sd=0.2, confidence=0.95)
    assert p == pytest.approx(seen, abs=4 * math.sqrt(max(seen, 1e-3) / 200_000))


def test_known_spread_is_the_limit_of_many_composites() -> None:
    at = {"total_sd": 0.2, "confidence": 0.95}
    estimated = chance_shown(2.1e9, 2e9, 150, **at)
    known = chance_shown_known_sd(2.1e9, 2e9, 150, taken_sd=0.2, **at)
    assert estimated == pytest.approx(known, abs=0.01)


@pytest.mark.parametrize("confidence", [0.5, 1.0, 95.0, math.nan, 0.0])
def test_confidence_is_above_one_half(confidence: float) -> None:
    with pytest.raises(InputError, match=r"0\.95 for 95 %"):
        lot_limits(sharp(9.0), confidence, evidence_sd=SD)


@pytest.mark.parametrize("sd", [-0.1, math.nan, math.inf])
def test_a_spread_is_a_number(sd: float) -> None:
    with pytest.raises(InputError, match="from 0 to 2"):
        lot_limits(sharp(9.0), 0.95, between_sd=sd, evidence_sd=SD)


def test_no_composite_and_no_guarantee() -> None:
    with pytest.raises(InputError, match="no composite"):
        lot_limits([], 0.95, evidence_sd=SD)
    with pytest.raises(InputError, match="above zero"):
        decide(lot_limits(sharp(9.0), 0.95, evidence_sd=SD), 0.0)
