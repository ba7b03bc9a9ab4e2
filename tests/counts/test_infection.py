"""Counts by infected plants: slow twins, invariants, controls, coverage, and the command."""

from __future__ import annotations

import itertools
import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binom, norm

from rhizoledger.cli.app import run
from rhizoledger.cli.count import app
from rhizoledger.counts.infection import (
    InfectionCount,
    count_infection,
    serial_amounts,
    total_distribution,
    total_estimates,
    total_positives,
)
from rhizoledger.counts.mpn import count_mpn
from rhizoledger.errors import InputError

designs = st.lists(st.tuples(st.floats(1e-4, 10.0), st.integers(1, 4)), min_size=1, max_size=4).map(
    lambda rows: ([z for z, _ in rows], [n for _, n in rows])
)


# --- the total: twin and invariants -------------------------------------------------------------


@given(designs, st.floats(0.01, 1000.0))
def test_distribution_of_the_total_is_what_counting_every_code_gives(
    design: tuple[list[float], list[int]], m: float
) -> None:
    amounts, plants = design
    slow = np.zeros(sum(plants) + 1)
    for code in itertools.product(*(range(n + 1) for n in plants)):
        rows = zip(code, plants, amounts, strict=True)
        slow[sum(code)] += math.prod(float(binom.pmf(k, n, -np.expm1(-m * z))) for k, n, z in rows)
    fast = total_distribution(m, np.array(amounts), np.array(plants, dtype=float))
    assert fast == pytest.approx(slow, abs=1e-12)
    assert fast.sum() == pytest.approx(1.0, rel=1e-12)


@given(designs)
def test_estimates_give_back_their_total_and_rise_with_it(
    design: tuple[list[float], list[int]],
) -> None:
    amounts, plants = np.array(design[0]), np.array(design[1])
    totals = np.arange(int(plants.sum()))
    found = total_estimates(amounts, plants, totals)
    expected = (plants * -np.expm1(-found[:, np.newaxis] * amounts)).sum(axis=1)
    assert expected == pytest.approx(totals, rel=1e-9, abs=1e-12)
    assert (np.diff(found) > 0).all()


@given(designs, st.floats(1e-6, 1e6), st.data())
def test_amounts_in_another_unit_scale_everything(
    design: tuple[list[float], list[int]], unit: float, data: st.DataObject
) -> None:
    amounts, plants = design
    total = data.draw(st.integers(0, sum(plants)))
    one = total_positives(amounts, plants, total)
    other = total_positives([z * unit for z in amounts], plants, total)
    for a, b in ((one.value, other.value), (one.low, other.low), (one.high, other.high)):
        assert (a is None) is (b is None)
        if a is not None and b is not None:
            assert b * unit == pytest.approx(a, rel=1e-7)


@given(designs, st.sampled_from([0.01, 0.5, 0.9, 0.95, 0.999]), st.data())
def test_limits_hold_exactly_their_tails(
    design: tuple[list[float], list[int]], level: float, data: st.DataObject
) -> None:
    amounts, plants = np.array(design[0]), np.array(design[1], dtype=float)
    last = int(plants.sum())
    t = data.draw(st.integers(0, last))
    found = total_positives(amounts, plants, t, level=level)
    alpha = (1 - level) * (0.5 if 0 < t < last else 1)
    if t > 0:
        assert total_distribution(found.low, amounts, plants)[t:].sum() == pytest.approx(alpha)
    if t < last:
        above = total_distribution(found.high, amounts, plants)[: t + 1].sum()
        assert above == pytest.approx(alpha)
    if 0 < t < last:
        assert found.low <= found.value <= found.high


def test_one_dilution_is_clopper_and_pearson() -> None:
    """Beta quantiles 0.0676 and 0.9324 for 2 of 4; both estimators are one, and never disagree."""
    count = count_infection([1.0], [4], [2])
    assert 1 - math.exp(-count.by_total.low) == pytest.approx(0.067586, abs=5e-7)
    assert 1 - math.exp(-count.by_total.high) == pytest.approx(0.932414, abs=5e-7)
    assert count.by_total.value == pytest.approx(count.by_likelihood.value, rel=1e-12)
    assert not count.disagree and count.warnings == ()


def test_rows_in_any_order_and_split_give_the_same() -> None:
    one = count_infection([1.0, 0.1, 0.01], [4, 4, 4], [4, 2, 1])
    other = count_infection([0.01, 1.0, 0.1, 0.1], [4, 4, 2, 2], [1, 4, 2, 0])
    for a, b in ((one.by_likelihood, other.by_likelihood), (one.by_total, other.by_total)):
        assert (a.value, a.low, a.high) == pytest.approx((b.value, b.low, b.high), rel=1e-10)


# --- the two ends -------------------------------------------------------------------------------


def test_bounds_are_the_same_by_either_estimator() -> None:
    """Total 0 is the one code all negative, total Σn the one code all positive: one bound each."""
    none = count_infection([1.0, 0.1], [3, 3], [0, 0])
    assert none.by_total.high == pytest.approx(-math.log(0.05) / 3.3, rel=1e-12)
    assert none.by_likelihood.high == pytest.approx(none.by_total.high, rel=1e-12)
    assert none.by_total.value == 0 and none.status == "all_negative"
    every = count_infection([1.0, 0.1], [3, 3], [3, 3])
    low = every.by_total.low
    assert (1 - math.exp(-low)) ** 3 * (1 - math.exp(-low / 10)) ** 3 == pytest.approx(0.05)
    assert every.by_likelihood.low == pytest.approx(low, rel=1e-10)
    assert every.by_total.value is None and every.by_total.high is None
    for count in (none, every):
        assert "alpha = 0.05" in count.by_total.method
        assert "alpha = 0.05" in count.by_likelihood.method
        assert not count.disagree


# --- disagreement -------------------------------------------------------------------------------


def enumerated(factor: float, plants: int, steps: int) -> tuple[np.ndarray, list[InfectionCount]]:
    codes = list(itertools.product(range(plants + 1), repeat=steps))
    amounts = serial_amounts(factor, steps)
    return np.array(codes), [count_infection(amounts, [plants] * steps, code) for code in codes]


def weights(codes: np.ndarray, m: float, factor: float, plants: int) -> np.ndarray:
    """Probability of each code at a density."""
    p = -np.expm1(-m * np.array(serial_amounts(factor, codes.shape[1])))
    return np.asarray(binom.pmf(codes, plants, p).prod(axis=1))


def test_disagreement_is_the_difference_over_its_own_error() -> None:
    """Redone step by step for the issue's code, with Var(ln m_total) by the delta method."""
    amounts, code = serial_amounts(5.0, 7), [3, 3, 3, 2, 2, 0, 1]
    count = count_infection(amounts, [3] * 7, code)
    m = count.by_likelihood.value
    p = [1 - math.exp(-m * z) for z in amounts]
    of_total = sum(3 * x * (1 - x) for x in p)
    slope = sum(3 * m * z * math.exp(-m * z) for z in amounts)
    information = sum(3 * (m * z) ** 2 * (1 - x) / x for z, x in zip(amounts, p, strict=True))
    error = math.sqrt(of_total / slope**2 - 1 / information)
    apart = abs(math.log(count.by_total.value / m)) / error
    assert apart > norm.ppf(0.975) and count.disagree
    assert "1.6 times" in count.warnings[0]
    wider = 2 * norm.cdf(apart + 0.01) - 1
    assert not count_infection(amounts, [3] * 7, code, level=float(wider)).disagree


def test_estimators_that_follow_one_density_seldom_disagree() -> None:
    """False alarms, every code counted: at most 1 in 20 where fivefold x 3 x 4 informs."""
    codes, counts = enumerated(5.0, 3, 4)
    alarm = np.array([c.disagree for c in counts])
    shares = [float(weights(codes, m, 5.0, 3) @ alarm) for m in np.geomspace(1.5, 60, 25)]
    assert max(shares) < 0.05
    assert min(shares) > 0.001  # and the alarm does ring


# --- coverage -----------------------------------------------------------------------------------


def covered(
    factor: float, plants: int, steps: int, densities: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Exact coverage of both intervals at each density."""
    codes, counts = enumerated(factor, plants, steps)

    def ends(by: str) -> np.ndarray:
        both = [getattr(c, by) for c in counts]
        return np.array([(e.low or 0.0, math.inf if e.high is None else e.high) for e in both])

    ml, total = ends("by_likelihood"), ends("by_total")
    out = []
    for m in densities:
        w = weights(codes, float(m), factor, plants)
        assert w.sum() == pytest.approx(1.0, rel=1e-9)
        out.append([float(w @ ((e[:, 0] <= m) & (m <= e[:, 1]))) for e in (ml, total)])
    found = np.array(out)
    return found[:, 0], found[:, 1]


def test_coverage_of_a_small_design() -> None:
    """Tenfold, 3 plants, 4 steps: 256 codes. The table of the docs has the larger designs."""
    ml, total = covered(10.0, 3, 4, np.geomspace(1.0, 400.0, 60))
    assert 0.94 < ml.mean() < 0.97 and ml.min() > 0.87
    assert total.mean() > 0.97
    # Inside it is at least the level; next to an end the one-sided bound adds up to half of alpha.
    assert total.min() >= 1 - 1.5 * 0.05


@pytest.mark.slow
@pytest.mark.parametrize(
    ("design", "span", "ml", "total"),
    [
        ((10.0, 4, 6), (-0.16, 4.775), (0.952, 0.914), (0.981, 0.951)),
        ((10.0, 4, 5), (-0.16, 3.77), (0.952, 0.883), (0.981, 0.951)),
        ((10.0, 3, 6), (0.0, 4.6175), (0.954, 0.898), (0.984, 0.949)),
        ((5.0, 3, 6), (-0.08, 3.195), (0.953, 0.921), (0.980, 0.931)),
        ((5.0, 4, 5), (-0.214, 2.618), (0.952, 0.910), (0.977, 0.941)),
        ((2.0, 4, 5), (-0.394, 1.149), (0.952, 0.920), (0.972, 0.939)),
    ],
)
def test_coverage_table(
    design: tuple[float, int, int],
    span: tuple[float, float],
    ml: tuple[float, float],
    total: tuple[float, float],
) -> None:
    """The rows of docs/counting.md, mean and least, where P(interior code) >= 0.95."""
    for found, (mean, least) in zip(
        covered(*design, np.logspace(*span, 121)), (ml, total), strict=True
    ):
        assert found.mean() == pytest.approx(mean, abs=6e-4)
        assert found.min() == pytest.approx(least, abs=6e-4)


# --- controls -----------------------------------------------------------------------------------


def test_a_nodulated_control_voids_the_count() -> None:
    count = count_infection([1.0, 0.1], [4, 4], [4, 1], uninoculated=(1, 4))
    assert count.status == "void" and count.rarity_index is None
    assert count.by_likelihood.status == count.by_total.status == "not_known"
    assert count.by_likelihood.value is None and count.by_likelihood.low is None
    assert "1 of 4 uninoculated plants nodulated" in count.warnings[0]


def test_a_positive_control_without_nodules_voids_the_count() -> None:
    assert count_infection([1.0], [4], [2], inoculated=(0, 4)).status == "void"
    partly = count_infection([1.0], [4], [2], inoculated=(3, 4))
    assert partly.status == "interior" and "may read low" in partly.warnings[0]
    assert count_infection([1.0], [4], [2], uninoculated=(0, 4), inoculated=(4, 4)).warnings == ()


@pytest.mark.parametrize("control", [(-1, 4), (5, 4), (0, 0), (0.5, 4), (math.nan, 4)])
def test_impossible_controls_are_refused(control: tuple[float, float]) -> None:
    with pytest.raises(InputError, match="uninoculated control"):
        count_infection([1.0], [4], [2], uninoculated=control)


def test_the_likelihood_is_that_of_count_mpn() -> None:
    amounts, code = serial_amounts(10.0, 5), [4, 4, 3, 1, 0]
    ml = count_mpn(amounts, [4] * 5, code, level=0.95, interval="jarvis")
    count = count_infection(amounts, [4] * 5, code)
    found = count.by_likelihood
    assert (found.value, found.low, found.high) == (
        ml.estimate.value, ml.estimate.low, ml.estimate.high,
    )  # fmt: skip


# --- the command --------------------------------------------------------------------------------

KEYS = ["m_ml", "m_total", "low_ml", "high_ml", "low_total", "high_total", "total", "rarity_index"]
CODE = "infection --dilution-factor 5 --plants 3 --codes 3,3,3,2,2,0,1"


def said(capsys: pytest.CaptureFixture[str], line: str, code: int = 0) -> str:
    assert run(app, line.split()) == code
    out, err = capsys.readouterr()
    text = err if code else out
    assert all(len(row) <= 80 for row in text.splitlines())
    return " ".join(text.split())


def as_json(capsys: pytest.CaptureFixture[str], line: str) -> dict[str, object]:
    assert run(app, [*line.split(), "--json"]) == 0
    return dict(json.loads(capsys.readouterr().out))


def test_the_command_s_keys(capsys: pytest.CaptureFixture[str]) -> None:
    found = as_json(capsys, CODE)
    assert [k for k in found if k in KEYS] == KEYS and list(found)[-1] == "warnings"
    count = count_infection(serial_amounts(5.0, 7), [3] * 7, [3, 3, 3, 2, 2, 0, 1])
    assert found["m_ml"] == count.by_likelihood.value
    assert found["high_total"] == count.by_total.high
    assert found["total"] == 14 and found["status"] == "interior"
    assert "per_g_ml" not in found
    per_g = as_json(capsys, CODE + " --volume 0.5 --first-dilution 0.2")
    assert per_g["m_ml"] == found["m_ml"]
    assert per_g["per_g_ml"] == pytest.approx(10 * count.by_likelihood.value, rel=1e-12)
    assert per_g["per_g_high_total"] == pytest.approx(10 * count.by_total.high, rel=1e-12)
    per_seed = as_json(capsys, CODE + " --first-dilution 2 --basis seed")
    assert per_seed["per_seed_ml"] == pytest.approx(count.by_likelihood.value / 2, rel=1e-12)


def test_sentences_answer_first(capsys: pytest.CaptureFixture[str]) -> None:
    text = said(capsys, CODE + " --first-dilution 0.1")
    assert text.startswith("2 900 rhizobia per g (95 %: 1 100 to 7 400), by maximum likelihood")
    assert "4 600 rhizobia per g" in text and "as printed tables give it" in text
    assert text.index("disagree") > text.index("14 of 21 plants nodulated")
    assert "No uninoculated control was given" in text
    assert "control was given" not in said(capsys, CODE + " --control-nodulated 0/3")


def test_a_void_count_has_no_number(capsys: pytest.CaptureFixture[str]) -> None:
    found = as_json(capsys, CODE + " --first-dilution 0.1 --control-nodulated 1/3")
    assert found["status"] == "void" and found["warnings"]
    numbers = [*KEYS[:6], "rarity_index", "per_g_ml", "per_g_high_total"]
    assert all(found[key] is None for key in numbers)
    text = said(capsys, CODE + " --positive-control 0/3")
    assert text.startswith("No number is given. Void: none of 3 plants of the positive control")


def test_bounds_in_json_and_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    line = "infection --dilution-factor 10 --plants 4 --codes "
    none, every = as_json(capsys, line + "0,0"), as_json(capsys, line + "4,4")
    assert none["m_ml"] == 0 and none["low_ml"] == 0 and none["alpha"] == 0.05
    assert none["high_ml"] == pytest.approx(none["high_total"]) == pytest.approx(0.68085, abs=5e-6)
    assert every["m_ml"] is None and every["high_total"] is None and every["low_ml"] > 0
    assert said(capsys, line + "0,0").startswith("Below 0.68 rhizobia per aliquot (1 mL)")
    assert said(capsys, line + "4,4 --first-dilution 0.1").startswith("Above")


@pytest.mark.parametrize("codes", ["4-4-2-0", "4,4,2,0", "4, 4, 2, 0", "4 4 2 0"])
def test_codes_in_any_hand(codes: str, capsys: pytest.CaptureFixture[str]) -> None:
    tokens = ["infection", "--codes", codes, "--plants", "4", "--dilution-factor", "10", "--json"]
    assert run(app, tokens) == 0
    assert json.loads(capsys.readouterr().out)["total"] == 10


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ("--codes 3,4 --plants 3 --dilution-factor 5", "number 2, value '4': 4 of 3 plants"),
        ("--codes 3,,1 --plants 3 --dilution-factor 5", "number 2, value '': The number is miss"),
        ("--codes 3,1.5 --plants 3 --dilution-factor 5", "number 2, value '1.5'"),
        ("--codes 3,x --plants 3 --dilution-factor 5", "number 2, value 'x'"),
        ("--codes nan --plants 3 --dilution-factor 5", "value 'nan'"),
        ("--codes=-1,2 --plants 3 --dilution-factor 5", "number 1, value '-1'"),
        ("--codes 1,000 --plants 3 --dilution-factor 5", "number 2, value '000'"),
        ("--codes 3,1 --plants 3,0 --dilution-factor 5", "--plants, number 2, value '0'"),
        ("--codes 3,1,0 --plants 3,3 --dilution-factor 5", "--plants has 2 numbers"),
        ("--codes 3,1 --plants 3000 --dilution-factor 5", "at most 2000"),
        ("--codes 3,1 --plants 3 --dilution-factor 1", "Write 10 for tenfold"),
        ("--codes 3,1 --plants 3 --dilution-factor 0.1", "Write 10 for tenfold"),
        ("--codes 3,1 --plants 3 --dilution-factor nan", "Write 10 for tenfold"),
        ("--codes 3,1,0 --plants 3 --dilution-factor 1e200", "Check the factor"),
        ("--codes 3,1 --plants 3 --dilution-factor 5 --volume 0", "--volume is 0.0"),
        ("--codes 3,1 --plants 3 --dilution-factor 5 --first-dilution 10", "at most 1"),
        ("--codes 3,1 --plants 3 --dilution-factor 5 --first-dilution nan", "above zero"),
        ("--codes 3,1 --plants 3 --dilution-factor 5 --control-nodulated 4", "Write it as 0/4"),
        ("--codes 3,1 --plants 3 --dilution-factor 5 --control-nodulated 5/4", "as 0/4"),
        ("--codes 3,1 --plants 3 --dilution-factor 5 --positive-control 0/0", "as 0/4"),
        ("--codes 3,1 --plants 3 --dilution-factor 5 --level 1", "Must be < 1"),
        ("--codes 3,1 --dilution-factor 5", "Give a file, or --codes"),
    ],
)
def test_options_that_cannot_be_used(
    options: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert words in said(capsys, "infection " + options, 2)


# --- files --------------------------------------------------------------------------------------


def written(folder: Path, text: str) -> Path:
    path = folder / "plants.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_file_of_steps_holds_controls_and_several_items(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = ["A,1,4,4", "A,2,4,2", "A,3,3,0", "A,Control,4,0", "B,4,4,1", "B,2,4,4"]
    rows += ["B,positive control,4,4", "C,1,4,1", "C,blank,4,1"]
    path = written(tmp_path, "\n".join(["item,step,plants,nodulated", *rows]))
    found = as_json(capsys, f"infection {path} --dilution-factor 10 --first-dilution 0.1")
    a, b, c = found["results"]
    assert [r["item"] for r in (a, b, c)] == ["A", "B", "C"]
    by_hand = count_infection([1.0, 0.1, 0.01], [4, 4, 3], [4, 2, 0])
    assert a["m_ml"] == pytest.approx(by_hand.by_likelihood.value, rel=1e-12)
    assert a["control"] == "0/4" and a["warnings"] == []
    # Step 1 was not planted for B; a count is per aliquot of step 1 all the same.
    by_hand = count_infection([0.1, 0.001], [4, 4], [4, 1])
    assert b["m_total"] == pytest.approx(by_hand.by_total.value, rel=1e-12)
    assert b["per_g_ml"] == pytest.approx(10 * by_hand.by_likelihood.value, rel=1e-12)
    assert "step 3" in b["warnings"][0] and b["positive_control"] == "4/4"
    assert c["status"] == "void"
    text = said(capsys, f"infection {path} --dilution-factor 10")
    assert text.startswith("A: ") and "B: " in text and "Void" in text


def test_a_file_of_dilutions_gives_a_count_per_gram(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, "dilution;plants;nodulated\n0,01;4;1\n0,1;4;4\n1e-3;4;0\n")
    (found,) = as_json(capsys, f"infection {path} --volume 0.5")["results"]
    by_hand = count_infection([1.0, 0.1, 0.01], [4, 4, 4], [4, 1, 0])
    assert found["m_ml"] == pytest.approx(by_hand.by_likelihood.value, rel=1e-12)
    assert found["per_g_ml"] == pytest.approx(found["m_ml"] / 0.05, rel=1e-12)


@pytest.mark.parametrize(
    ("text", "options", "words"),
    [
        ("", "", "The file is empty"),
        ("step,plants,nodulated\n", "--dilution-factor 10", "no rows"),
        ("plants,nodulated\n4,1\n", "", "There is no column 'dilution'"),
        ("step,plants\n1,4\n", "--dilution-factor 10", "There is no column 'nodulated'"),
        ("step,plants,nodulated\n1,4,1\n", "", "Say it with --dilution-factor"),
        ("dilution,plants,nodulated\n0.1,4,1\n", "--dilution-factor 10", "out"),
        ("dilution,plants,nodulated\n10,4,1\n", "", "row 2, column dilution, value '10'"),
        ("dilution,plants,nodulated\n0,4,1\n", "", "A dilution is above zero"),
        ("dilution,plants,nodulated\n-0.1,4,1\n", "", "A dilution is above zero"),
        ("dilution,plants,nodulated\nblan,4,1\n", "", "value 'blan': This is not a number"),
        ("dilution,plants,nodulated\n,4,1\n", "", "row 2, column dilution, value ''"),
        ("dilution,plants,nodulated\n0.1,4,5\n", "", "column nodulated, value '5': 5 of 4"),
        ("dilution,plants,nodulated\n0.1,,1\n", "", "row 2, column plants, value ''"),
        ("dilution,plants,nodulated\n0.1,4,1.5\n", "", "Plants are counted whole"),
        ("dilution,plants,nodulated\n0.1,0,0\n", "", "from 1 on"),
        ("dilution,plants,nodulated\n0.1,nan,0\n", "", "This is not a number"),
        ('dilution,plants,nodulated\n0.1,"1,000",0\n', "", "without separators"),
        ("dilution,plants,nodulated\n0.1,4,1\n0.1,4,2\n", "", "Row 2 has it too"),
        ("step,plants,nodulated\n1.5,4,1\n", "--dilution-factor 10", "Steps are whole"),
        ("step,plants,nodulated\n0,4,1\n", "--dilution-factor 10", "Steps are whole"),
        ("step,plants,nodulated\n99999999,4,1\n", "--dilution-factor 10", "plants.csv: 99999999"),
        ("step,plants,nodulated\ncontrol,4,0\n", "--dilution-factor 10", "no dilutions"),
        ("item,dilution,plants,nodulated\n,0.1,4,1\n", "", "The item is empty"),
        ("dilution,plants,nodulated\n0.1,4,1\n", "--codes 3", "leave the file out"),
    ],
)
def test_files_that_cannot_be_used(
    text: str, options: str, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, text)
    assert words in said(capsys, f"infection {path} {options}", 2)


def test_every_wrong_cell_of_a_file_is_named_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, "dilution,plants,nodulated\n10,4,4\n0.1,4,5\n0.01,4,1.5\nx,4,0\n")
    text = said(capsys, f"infection {path}", 2)
    assert all(f"row {row}" in text for row in (2, 3, 4, 5)) and "4 problems" in text
