"""Plate counts: brute-force likelihood, invariants, limits, and readings that cannot be."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from rhizoledger.counts.plates import TntcContradiction, count_plates, report_plates
from rhizoledger.counts.plates.dispersion import dispersion
from rhizoledger.errors import InputError, RuleError

COLONIES = st.lists(st.integers(0, 250), min_size=1, max_size=6)
DILUTIONS = st.sampled_from([1.0, 1e-1, 1e-2, 1e-3, 1e-6])


def slow_log_likelihood(
    density: float,
    counts: list[int],
    portions: list[float],
    at_least: list[int],
    over: list[float],
) -> float:
    """Poisson probabilities written out, one by one."""
    total = 0.0
    for c, w in zip(counts, portions, strict=True):
        m = density * w
        total += c * math.log(m) - m - math.lgamma(c + 1)
    for k, w in zip(at_least, over, strict=True):
        m = density * w
        below = math.fsum(math.exp(i * math.log(m) - m - math.lgamma(i + 1)) for i in range(k))
        total += math.log(max(1 - below, 1e-300))
    return total


@pytest.mark.parametrize("at_least", [False, True])
def test_tntc_by_brute_force(at_least: bool) -> None:
    """The maximum and the limits of the likelihood, read off a fine grid."""
    counts, portions, over = [31, 44, 28], [1e-3, 1e-3, 1e-3], [1e-2, 1e-2]
    result = count_plates(
        [*counts, "TNTC", "TNTC"],
        1.0,
        [*portions, *over],
        tntc_at_least=at_least,
        level=0.95,
        poisson_only=True,
    )
    k = 250 if at_least else 251
    grid = np.geomspace(20_000, 60_000, 20_001)
    slow = np.array([slow_log_likelihood(d, counts, portions, [k, k], over) for d in grid[::20]])
    coarse = grid[::20]
    step = 1.5 * (coarse[1] / coarse[0] - 1)
    assert result.estimate.value == pytest.approx(coarse[slow.argmax()], rel=step)
    inside = coarse[2 * (slow.max() - slow) <= 3.841458820694124]
    assert result.estimate.low == pytest.approx(inside[0], rel=step)
    assert result.estimate.high == pytest.approx(inside[-1], rel=step)
    fast = result.log_likelihood(coarse)
    assert fast - fast.max() == pytest.approx(slow - slow.max(), abs=1e-8)


@given(COLONIES, DILUTIONS, st.floats(1e-3, 1e3))
def test_more_volume_means_less_density(
    colonies: list[int], dilution: float, factor: float
) -> None:
    one = count_plates(colonies, 1.0, dilution)
    other = count_plates(colonies, factor, dilution)
    for name in ("value", "low", "high", "se"):
        a, b = getattr(one.estimate, name), getattr(other.estimate, name)
        if a is None:
            assert b is None
        else:
            assert b * factor == pytest.approx(a, rel=1e-7, abs=1e-300)
    assert other.g2 == pytest.approx(one.g2, abs=1e-8)


@given(st.lists(st.tuples(st.integers(0, 250), DILUTIONS), min_size=1, max_size=6), st.randoms())
def test_order_of_plates_does_not_matter(plates: list[tuple[int, float]], random: Any) -> None:
    shuffled = list(plates)
    random.shuffle(shuffled)
    one = count_plates([c for c, _ in plates], 1.0, [d for _, d in plates])
    other = count_plates([c for c, _ in shuffled], 1.0, [d for _, d in shuffled])
    assert other.estimate.value == pytest.approx(one.estimate.value, rel=1e-12)
    assert other.estimate.high == pytest.approx(one.estimate.high, rel=1e-6)
    assert other.reported == one.reported


@given(st.integers(1, 100), st.integers(1, 6))
def test_a_plate_poured_in_parts_is_the_same_plate(per_part: int, parts: int) -> None:
    """Even counts on n parts of a volume are one count on the whole of it."""
    whole = count_plates([per_part * parts], 1.0, 1e-3)
    split = count_plates([per_part] * parts, 1.0 / parts, 1e-3)
    for name in ("value", "low", "high"):
        expected = getattr(whole.estimate, name)
        assert getattr(split.estimate, name) == pytest.approx(expected, rel=1e-12)


@given(COLONIES)
def test_the_interval_holds_the_value(colonies: list[int]) -> None:
    for poisson_only in (False, True):
        e = count_plates(colonies, 0.1, 1e-4, poisson_only=poisson_only).estimate
        assert e.low <= e.value <= e.high


@given(COLONIES)
def test_disagreement_only_widens(colonies: list[int]) -> None:
    wide = count_plates(colonies, 1.0, 1e-3)
    narrow = count_plates(colonies, 1.0, 1e-3, poisson_only=True)
    assert wide.estimate.low <= narrow.estimate.low
    assert wide.estimate.high >= narrow.estimate.high
    assert wide.estimate.value == narrow.estimate.value
    assert ("negative binomial" in wide.estimate.method) == (wide.p < 0.05)
    assert bool(wide.warnings) == (wide.p < 0.05)


def test_plates_that_disagree_by_chance_are_rarely_called_so() -> None:
    """The homogeneity warning at 5 % on Poisson plates, and coverage of the 90 % interval."""
    generator = np.random.default_rng(7)
    counts = generator.poisson(60, size=(600, 4))
    results = [count_plates([int(c) for c in row], 1.0, 1e-3) for row in counts]
    warned = np.mean([bool(r.warnings) for r in results])
    covered = np.mean([r.estimate.low <= 60_000 <= r.estimate.high for r in results])
    assert 0.02 < warned < 0.09
    assert covered > 0.88


@pytest.mark.thorough
def test_scattered_plates_are_covered_better_than_by_poisson() -> None:
    """Six plates of negative binomial counts: the widened interval repairs most of the loss."""
    generator = np.random.default_rng(11)
    counts = generator.negative_binomial(8, 8 / (8 + 80), size=(150, 6))

    def coverage(poisson_only: bool) -> float:
        hits = 0
        for row in counts:
            e = count_plates(
                [int(c) for c in row], 1.0, 1e-3, poisson_only=poisson_only, tntc_limit=500
            ).estimate
            hits += e.low <= 80_000 <= e.high
        return hits / len(counts)

    assert coverage(poisson_only=True) < 0.6
    assert coverage(poisson_only=False) > 0.8


def test_no_colonies_is_a_bound_and_names_its_alpha() -> None:
    result = count_plates([0, 0], 0.1, 1e-2)
    e = result.estimate
    assert (e.value, e.low, e.status) == (0.0, 0.0, "at_limit")
    assert e.high == pytest.approx(-math.log(0.1) / 0.002, rel=1e-12)
    assert e.level == pytest.approx(0.9) and "alpha = 0.1" in e.method
    assert result.log_likelihood([0.0, 100.0]).tolist() == [0.0, pytest.approx(-0.2)]


def test_nothing_countable_is_a_lower_bound() -> None:
    result = count_plates(["TNTC", "TNTC"], 1.0, [1e-2, 1e-3], bound_alpha=0.05)
    e = result.estimate
    assert e.value is None and e.high is None and e.status == "at_limit"
    assert e.to_dict()["high"] is None
    assert math.exp(slow_log_likelihood(e.low, [], [], [251, 251], [1e-2, 1e-3])) == pytest.approx(
        0.05, rel=1e-6
    )
    assert "alpha = 0.05" in e.method and "> 250" in e.method
    assert result.n_plates == 0 and result.p == 1.0


def test_few_colonies_beside_tntc_do_not_contradict() -> None:
    """One or no colony at 1e-8 is what TNTC at 1e-6 leads one to expect."""
    for colonies in (0, 1, 4):
        result = count_plates([colonies, "TNTC"], 1.0, [1e-8, 1e-6])
        assert 2.0e8 < result.estimate.value < 4e8
        assert "> 250" in result.estimate.method


def test_tntc_that_adds_nothing_changes_nothing() -> None:
    """TNTC on a plate that was sure to be full leaves the estimate where it was."""
    without = count_plates([100, 110], 1.0, 1e-4, poisson_only=True)
    beside = count_plates([100, 110, "TNTC"], 1.0, [1e-4, 1e-4, 1e-1], poisson_only=True)
    assert beside.estimate.value == pytest.approx(without.estimate.value, rel=1e-12)


@pytest.mark.parametrize(
    ("colonies", "dilutions"),
    [([100, "TNTC"], [1e-5, 1e-5]), ([2, "TNTC"], [1e-6, 1e-5]), ([0, "TNTC"], [1e-3, 1e-3])],
)
def test_contradictions(colonies: list[int | str], dilutions: list[float]) -> None:
    with pytest.raises(RuleError, match=r"contradicts.*§1\.1"):
        count_plates(colonies, 1.0, dilutions)


@given(st.integers(25, 200), st.floats(0.05, 40.0), st.booleans())
def test_tntc_is_an_error_below_one_in_a_million(
    colonies: int, ratio: float, at_least: bool
) -> None:
    """The rule as it is written, at the counted plate's estimate, whatever the dilutions."""
    chance = float(stats.poisson.sf(249 if at_least else 250, colonies * ratio))
    plates = ([colonies, "TNTC"], [1.0, ratio], 1e-3)
    if chance < 1e-6 * (1 - 1e-9):
        with pytest.raises(TntcContradiction) as error:
            count_plates(*plates, tntc_at_least=at_least)
        assert error.value.place == 0
        assert error.value.probability == pytest.approx(chance, rel=1e-6, abs=1e-290)
    elif chance > 1e-6 * (1 + 1e-9):
        result = count_plates(*plates, tntc_at_least=at_least)
        assert (result.estimate.value or 0) >= colonies * 1e3 * (1 - 1e-9)
        assert any("hardly" in w for w in result.warnings) == (chance < 1e-3)


def test_the_plate_that_contradicts_is_named() -> None:
    with pytest.raises(TntcContradiction) as error:
        count_plates(["TNTC", 30, 28, "TNTC"], 1.0, [1e-3, 1e-4, 1e-4, 1e-4])
    assert error.value.place == 1


@pytest.mark.parametrize("ratio", [1, 7, 8, 10, 30, 60, 100, 1000])
def test_fewer_colonies_never_contradict_where_more_do_not(ratio: float) -> None:
    """Below 25 colonies the estimate is judged at its upper bound, never above 25 colonies."""

    def stands(colonies: int) -> bool:
        try:
            count_plates([colonies, "TNTC"], 1.0, [1e-6, 1e-6 * ratio])
        except TntcContradiction:
            return False
        return True

    few = [stands(c) for c in (*range(40), 60, 100, 180, 240)]
    assert few == sorted(few)
    assert few[0] == (stats.poisson.sf(250, -math.log(0.05) * ratio) >= 1e-6)
    assert few[25] == (stats.poisson.sf(250, 25 * ratio) >= 1e-6)


def test_sound_tenfold_series_are_hardly_ever_refused() -> None:
    """One plate at 25 expected colonies, one tenfold stronger that is TNTC every other time."""
    refused = 0.0
    for c in range(60):
        try:
            count_plates([c, "TNTC"], 1.0, [1e-6, 1e-5])
        except TntcContradiction:
            refused += stats.poisson.pmf(c, 25)
    assert 0 < refused < 0.002


def test_scattered_plates_judge_tntc_by_their_own_scatter() -> None:
    """Plates that scatter fivefold cannot call a plate impossible as Poisson plates can."""
    scattered = count_plates([20, 110, 60, 35, 150, "TNTC"], 1.0, 1e-4)
    k = scattered.scatter.nb_k
    assert k is not None and stats.nbinom.sf(250, k, k / (k + 75)) > 1e-6
    assert scattered.interval_method == "negative_binomial"
    with pytest.raises(TntcContradiction):
        count_plates([75, 74, 76, 75, 75, "TNTC"], 1.0, 1e-4)


def test_agreeing_plates_have_no_k() -> None:
    even, uneven = dispersion([30, 32], [1, 1]), dispersion([5, 22, 40, 8, 31], [1] * 5)
    assert even.nb_k is None and uneven.nb_k is not None
    assert even.index == pytest.approx(even.chi2) and dispersion([3], [1]).index is None


def test_drops_in_one_row_or_in_rows_are_the_same_count() -> None:
    rows = count_plates([15, 12, 18], 0.02, 1e-5, plate=["a", "a", "a"])
    one = count_plates([45], 0.02, 1e-5, drops=3)
    assert rows.estimate.value == pytest.approx(one.estimate.value, rel=1e-12)
    assert rows.estimate.high == pytest.approx(one.estimate.high, rel=1e-12)
    assert rows.reported == one.reported == "75,000,000 CFU/mL"
    assert rows.n_plates == one.n_plates == 1 and rows.df == 2 and one.df == 0
    assert count_plates([15, 12, 18], 0.02, 1e-5).reported.startswith("<")


def test_a_plate_with_a_crowded_drop_is_crowded_for_the_rule() -> None:
    result = count_plates(
        [20, 22, "TNTC"], 0.02, [1e-4] * 3, plate=["a"] * 3, tntc_limit=[30.0] * 3
    )
    assert result.reported.startswith("> 5,000,000 CFU/mL") and result.n_tntc == 1


def test_spreaders_up_to_a_quarter_leave_the_rest_of_the_plate() -> None:
    part = count_plates([75], 1.0, 1e-2, spreader_share=0.25, rule="iso7218")
    assert part.estimate.value == pytest.approx(10_000)
    assert part.reported == "10,000 CFU/mL" and any("spreader" in w for w in part.warnings)
    assert count_plates([75], 1.0, 1e-2, spreader_share=0.25).reported == "7,500 CFU/mL"
    gone = count_plates([75, 80], 1.0, 1e-2, spreader_share=[0.26, 0.0])
    assert gone.estimate.value == pytest.approx(8_000) and gone.n_plates == 1
    assert any("quarter" in w for w in gone.warnings)
    with pytest.raises(InputError, match="None of the plates"):
        count_plates([75], 1.0, 1e-2, spreader_share=0.5)


def test_more_than_a_hundred_per_cm2_needs_the_area() -> None:
    blind = count_plates(["TNTC", 7150], 1.0, [1e-2, 1e-3])
    assert blind.reported == "7,200,000 CFU/mL (estimated)"
    assert any("area" in w for w in blind.report.warnings)
    thin = count_plates(["TNTC", 640], 1.0, [1e-2, 1e-3], plate_cm2=65)
    assert thin.reported == "640,000 CFU/mL (estimated)" and not thin.report.warnings


def test_a_bound_by_a_rule_is_not_above_what_tntc_stands_for() -> None:
    assert count_plates(["TNTC"], 1.0, 1e-3, rule="iso7218").reported.startswith("> 250,000")
    low = count_plates(["TNTC"], 1.0, 1e-3, tntc_limit=100)
    assert low.reported.startswith("> 100,000")


@pytest.mark.parametrize(
    ("option", "says"),
    [
        ({"drops": 0}, "drops"),
        ({"drops": 1.5}, "drops"),
        ({"drops": [1, 2]}, "drops has 2"),
        ({"spreader_share": 1.5}, "spreaders"),
        ({"spreader_share": math.nan}, "spreaders"),
        ({"plate_cm2": 0.0}, "area"),
        ({"tntc_limit": math.inf}, "TNTC limit"),
        ({"tntc_limit": 2e6}, "no plate holds"),
        ({"plate": []}, "plate has 0"),
    ],
)
def test_columns_that_cannot_be(option: dict[str, Any], says: str) -> None:
    with pytest.raises(InputError, match=says):
        count_plates([30], 1.0, 0.1, **option)


def test_spreaders_and_accidents_are_left_out_and_named() -> None:
    result = count_plates([40, "SPR", 44, "LA"], 1.0, 1e-2)
    assert result.n_plates == 2 and result.estimate.value == pytest.approx(4200)
    assert any("SPR, LA" in warning for warning in result.warnings)


def test_words_in_any_case() -> None:
    lower = count_plates([30, " tntc "], 1.0, [1e-4, 1e-2])
    assert lower.estimate == count_plates([30, "TNTC"], 1.0, [1e-4, 1e-2]).estimate


def test_a_count_above_the_limit_is_used_and_said() -> None:
    result = count_plates([320], 1.0, 1e-3)
    assert result.estimate.value == pytest.approx(320_000)
    assert "250" in result.warnings[0]


@pytest.mark.parametrize(
    ("colonies", "volume_ml", "dilution", "says"),
    [
        ([], 1.0, 0.1, "no plates"),
        (["SPR"], 1.0, 0.1, "None of the plates"),
        (["SPR", "LA"], 1.0, 0.1, "None of the plates"),
        ([30], 1.0, 1e6, "1e-6"),
        ([30], 1.0, 0.0, "fraction"),
        ([30], 1.0, -0.1, "fraction"),
        ([30], 1.0, math.nan, "fraction"),
        ([30], 0.0, 0.1, "volume"),
        ([30], -1.0, 0.1, "volume"),
        ([30], math.inf, 0.1, "volume"),
        ([30], 1e-20, 1e-20, "no sample"),
        ([-1], 1.0, 0.1, "not a count"),
        ([2.5], 1.0, 0.1, "not a count"),
        ([math.nan], 1.0, 0.1, "not a count"),
        ([math.inf], 1.0, 0.1, "not a count"),
        ([10**9], 1.0, 0.1, "not a count"),
        ([True], 1.0, 0.1, "not a count"),
        (["many"], 1.0, 0.1, "not a count"),
        (["35"], 1.0, 0.1, "not a count"),
        ([30, 31], [1.0], 0.1, "volume_ml has 1"),
        ([30], 1.0, [0.1, 0.01], "dilution has 2"),
    ],
)
def test_readings_that_cannot_be(
    colonies: list[Any], volume_ml: Any, dilution: Any, says: str
) -> None:
    with pytest.raises(InputError, match=says):
        count_plates(colonies, volume_ml, dilution)


@pytest.mark.parametrize("option", [{"level": 1.0}, {"bound_alpha": 0.0}, {"tntc_limit": -5}])
def test_options_that_cannot_be(option: dict[str, float]) -> None:
    with pytest.raises(InputError):
        count_plates([0], 1.0, 0.1, **option)


def test_log_likelihood_of_impossible_densities() -> None:
    for result in (count_plates([30], 1.0, 0.1), count_plates([20, 60], 1.0, 0.1)):
        assert result.log_likelihood([-1.0, 0.0]).tolist() == [-math.inf, -math.inf]
        assert np.isfinite(result.log_likelihood(np.geomspace(1e-12, 1e12, 50))).all()


@given(st.lists(st.tuples(st.integers(0, 800), DILUTIONS), min_size=1, max_size=5))
def test_every_set_of_plates_has_a_report(plates: list[tuple[int, float]]) -> None:
    colonies, dilutions = [c for c, _ in plates], [d for _, d in plates]
    for rule in ("bam", "iso7218"):
        report = report_plates(colonies, 1.0, dilutions, rule=rule)
        assert report.text and (report.value is None or report.value > 0)


def test_iso_report_of_crowded_and_of_empty_plates() -> None:
    assert report_plates(["TNTC"], 1.0, 1e-3, rule="iso7218").text == "> 300,000 CFU/mL (estimated)"
    assert report_plates(["TNTC", 3], 1.0, [1e-2, 1e-3], rule="iso7218").value is None
    assert report_plates([2], 0.1, 1.0, rule="iso7218").text == "present, < 40 CFU/mL"
    assert report_plates([25], 100.0, 1.0).text == "0.25 CFU/mL"
