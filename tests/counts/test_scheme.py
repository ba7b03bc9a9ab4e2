"""Dilutions to plate: chances by plain sums and by simulation, and nothing shorter will do."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from rhizoledger.counts.scheme import COUNTABLE, choose_scheme
from rhizoledger.errors import InputError


def chance(
    steps: range | tuple[int, ...], low: float, high: float, *, r: int = 3, v: float = 0.1,
    rule: Any = "bam", f: float = 10.0, n: int = 301,
) -> float:  # fmt: skip
    """The definition: a sum of Poisson terms at each titre, averaged by the midpoint rule."""
    lo, hi = COUNTABLE[rule]
    ends = np.linspace(math.log10(low), math.log10(high), n + 1)
    titres = 10.0 ** ((ends[1:] + ends[:-1]) / 2)
    counts = np.arange(lo, hi + 1)
    none = np.ones(n)
    for s in steps:
        q = stats.poisson.pmf(counts[:, None], titres[None, :] * v * f ** float(-s)).sum(axis=0)
        none *= (1 - q) ** r
    return float(1 - none.mean())


@pytest.mark.parametrize(
    ("low", "high", "given"),
    [
        (1e8, 1e10, {}),
        (1e8, 1e10, {"rule": "iso7218", "f": 5.0, "r": 2}),
        (3e3, 3e6, {"v": 0.05}),
        (2e9, 3e9, {"r": 2}),
    ],
)
def test_probability_by_plain_sums_and_no_fewer_dilutions_reach_it(
    low: float, high: float, given: dict[str, Any]
) -> None:
    names = {"r": "replicates", "v": "volume_ml", "rule": "rule", "f": "dilution_factor"}
    scheme = choose_scheme(low, high, **{names[k]: x for k, x in given.items()})
    assert scheme.reached
    assert scheme.p_countable == pytest.approx(chance(scheme.steps, low, high, **given), abs=3e-4)
    k = len(scheme.steps)
    fewer = [chance(range(s, s + k - 1), low, high, **given) for s in range(15 - k)]
    same = [chance(range(s, s + k), low, high, **given) for s in range(15 - k)]
    assert k == 1 or max(fewer) < 0.95
    assert scheme.p_countable >= max(same) - 3e-4


def test_probability_against_simulated_plates() -> None:
    rng = np.random.default_rng(4)
    scheme = choose_scheme(1e8, 1e10, replicates=1)
    titres = 10.0 ** rng.uniform(8, 10, 200_000)
    seen = np.zeros(titres.size, dtype=bool)
    colonies = np.zeros(titres.size)
    for d in scheme.dilutions:
        c = rng.poisson(titres * 0.1 * d)
        inside = (c >= 25) & (c <= 250)
        seen |= inside
        colonies += c * inside
    assert scheme.p_countable == pytest.approx(float(seen.mean()), abs=0.002)
    middle = np.abs(np.log10(titres) - 9) < 0.01
    assert scheme.readings[1].colonies == pytest.approx(float(colonies[middle].mean()), rel=0.02)


def test_precision_is_that_of_the_colonies_expected() -> None:
    scheme = choose_scheme(1e9, 1e9, replicates=3)
    reading = scheme.readings[0]
    assert reading.colonies == pytest.approx(300, rel=1e-4)
    low, high = stats.chi2.ppf(0.025, 600) / 2, stats.chi2.ppf(0.975, 602) / 2
    assert reading.limits_factor == pytest.approx(math.sqrt(high / low))


@given(st.floats(3, 10), st.floats(0, 3), st.integers(1, 5))
@settings(max_examples=30, deadline=None)
def test_ten_times_the_titre_is_one_step_further(low: float, wide: float, r: int) -> None:
    here = choose_scheme(10**low, 10 ** (low + wide), replicates=r)
    there = choose_scheme(10 ** (low + 1), 10 ** (low + wide + 1), replicates=r)
    if here.reached and here.steps[0] > 0:
        assert there.steps == tuple(s + 1 for s in here.steps)
        assert there.p_countable == pytest.approx(here.p_countable, abs=1e-9)


def test_a_dilution_that_hardly_helps_is_not_plated() -> None:
    """At the seam of two windows one plate of each misses often, and a third would add nothing."""
    scheme = choose_scheme(2e9, 3e9, replicates=1)
    assert not scheme.reached and scheme.steps == (6, 7)


def test_a_solid_sample_is_never_plated_undiluted() -> None:
    assert choose_scheme(1e3, 1e4, first_step=1).steps[0] == 1
    assert choose_scheme(1e3, 1e4).steps[0] == 0


def test_what_cannot_be_reached_is_said_and_the_best_given() -> None:
    scheme = choose_scheme(10, 1e4)
    assert not scheme.reached and scheme.p_countable < 0.95
    assert scheme.worst.p_countable == pytest.approx(0, abs=1e-9)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"low": 0.0}, "above zero"),
        ({"low": math.nan}, "above zero"),
        ({"low": 1e11}, "smaller titre as low"),
        ({"low": 1e-3}, "hundred million"),
        ({"low": 1e299, "high": 1e300}, "14 steps"),
        ({"replicates": 0}, "1 to 10 plates"),
        ({"replicates": 2.5}, "1 to 10 plates"),
        ({"replicates": 11}, "1 to 10 plates"),
        ({"dilution_factor": 1.0}, "10 for tenfold"),
        ({"dilution_factor": math.inf}, "10 for tenfold"),
        ({"volume_ml": -1.0}, "above zero"),
        ({"per_ml": 0.0}, "above zero"),
        ({"probability": 1.0}, "between 0 and 1"),
    ],
)
def test_what_cannot_be_planned_is_said(given: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError, match=words):
        choose_scheme(**({"low": 1e8, "high": 1e10} | given))
