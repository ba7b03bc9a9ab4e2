"""The ledger follows a season's own die-off curve: on paper, split, outside what was counted."""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from rhizoledger.cli.app import main
from rhizoledger.draws import Draws, quantile_function
from rhizoledger.errors import EvidenceError
from rhizoledger.evidence import load_evidence
from rhizoledger.plan.batch_answer import At, batch_at
from rhizoledger.plan.batch_facts import batch_facts
from rhizoledger.plan.own_loss import OwnLoss
from rhizoledger.plan.path import path_of
from rhizoledger.plan.seed_book import seed_runs
from rhizoledger.workflows.own_curve import adopt_curve
from rhizoledger.workflows.plan import season_context
from rhizoledger.workflows.survival_fit import fit_file

BY_HAND = Path(__file__).parent / "by_hand"
APPLIED = math.log10(5e9 * 2 / 6000)
TREATED = datetime(2027, 5, 1, 8, tzinfo=UTC)
ROW = """
[[parameter]]
id = "{id}"
value = {value}
unit = "{unit}"
draw = "fixed"
grade = "own"
sources = ["invented"]
conditions = "Invented."
how_known = "invented"
"""
UNITS = {"delta_d": "d", "d_d": "d", "p": "1", "z_c": "°C", "log10_recovered": "log10"}


def curve(id: str, named: str, numbers: Mapping[str, float], **more: object) -> str:
    """A curve with fixed numbers, as own evidence."""
    names = [f"{id}.curve.{name}" for name in numbers]
    rows = "".join(
        ROW.format(id=full, value=value, unit=UNITS[name])
        for full, (name, value) in zip(names, numbers.items(), strict=True)
    )
    cells: dict[str, object] = {
        "id": id,
        "model": named,
        "parameters": names,
        "correlation": np.eye(len(names)).tolist(),
        "t_ref_c": 22.5,
        "temp_c": [15.0, 30.0],
        "last_d": 30.0,
        "stages": ["drying", "on_seed", "planter"],
        "moisture": ["drying", "dry"],
        "sources": ["invented"],
    }
    cells |= more
    return rows + "\n[[curve]]\n" + "".join(f"{k} = {json.dumps(v)}\n" for k, v in cells.items())


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    target = tmp_path / "season"
    shutil.copytree(BY_HAND, target)
    return target


def with_curves(folder: Path, *curves: str) -> Path:
    path = folder / "evidence.toml"
    text = path.read_text(encoding="utf-8")
    source = '\n[[source]]\nkey = "invented"\ncitation = "Invented."\nlocator = "here"\n'
    text += source + 'how_known = "invented"\n' + "".join(curves)
    path.write_text(text, encoding="utf-8")
    return folder


def at(folder: Path, hours: float) -> At:
    context = season_context(folder)
    facts = batch_facts(context.batches["B1"], context)
    return batch_at(facts, TREATED + timedelta(hours=hours), context)


def weibull(days: float, delta: float = 8.0, p: float = 0.5) -> float:
    return -((days / delta) ** p)


WEIBULL = {"delta_d": 8.0, "p": 0.5, "log10_recovered": -0.2}
SEED = "survival.on_seed.soybean"


def test_one_series_has_one_clock_through_drying_and_waiting(folder: Path) -> None:
    with_curves(folder, curve(SEED, "weibull", WEIBULL))
    found = at(folder, 48)
    assert found.cells.value == pytest.approx(APPLIED - 0.2 + weibull(2.0), abs=1e-9)
    steps = [(e.step, e.change.value) for e in found.book.entries if e.step != "package"]
    told = {step: value for step, value in steps if value is not None}
    assert told["recovery"] == pytest.approx(-0.2)
    assert told["drying"] == pytest.approx(weibull(0.25))
    assert told["on_seed"] == pytest.approx(weibull(2.0) - weibull(0.25))


def test_two_series_begin_anew_and_say_what_carrying_over_would_mean(folder: Path) -> None:
    drying = curve(
        "survival.drying.soybean", "weibull", WEIBULL, stages=["drying"], moisture=["drying"]
    )
    kept = curve(SEED, "weibull", {"delta_d": 8.0, "p": 0.5}, stages=["on_seed"], moisture=["dry"])
    with_curves(folder, drying, kept)
    found = at(folder, 48)
    anew = weibull(0.25) + weibull(1.75)
    assert found.cells.value == pytest.approx(APPLIED - 0.2 + anew, abs=1e-9)
    (text,) = [e.why for e in found.book.entries if e.step == "on_seed"]
    assert "with the clock carried over it would lose" in text
    said = float(text.split("would lose ")[1].split()[0])
    assert said == pytest.approx(abs(weibull(2.0) - weibull(0.25) - weibull(1.75)), rel=0.05)
    assert text.endswith("log10 less")


def test_temperature_moves_it_by_its_own_z_else_the_shipped_one(folder: Path) -> None:
    stays = folder / "stays.csv"
    stays.write_text(stays.read_text().replace("22.5,22.5", "28.5,28.5"))
    own = {**WEIBULL, "z_c": 12.0}
    with_curves(folder, curve(SEED, "weibull", own))
    age = 2.0 * 10 ** (6 / 12)
    assert at(folder, 48).cells.value == pytest.approx(APPLIED - 0.2 + weibull(age), abs=1e-9)


def test_without_any_z_the_rate_is_charged_as_counted(folder: Path) -> None:
    """A crop without published numbers: colder seed is not quantified, warmer neither."""
    for table in ("batches.csv", "plantings.csv", "requirements.csv"):
        path = folder / table
        path.write_text(path.read_text().replace("soybean", "chickpea"))
    path = folder / "inoculants.csv"
    path.write_text(path.read_text().replace("INO,soybean", "INO,chickpea"))
    spoken_for = curve("survival.on_seed.chickpea", "weibull", WEIBULL, temp_c=[20.0, 25.0])
    with_curves(folder, spoken_for)
    assert at(folder, 48).cells.value == pytest.approx(APPLIED - 0.2 + weibull(2.0), abs=1e-9)
    stays = folder / "stays.csv"
    kept = stays.read_text()
    for temps, words in (("26,26", "outside the own counts"), ("19,19", "colder than any count")):
        stays.write_text(kept.replace("22.5,22.5", temps))
        found = at(folder, 48)
        assert found.p is None
        assert words in found.why_no_p


def test_splitting_a_row_changes_nothing(folder: Path) -> None:
    with_curves(folder, curve(SEED, "weibull", {**WEIBULL, "z_c": 20.0}))
    whole = at(folder, 100)
    stays = folder / "stays.csv"
    row = "B1,on_seed,2027-05-01T14:00,2027-07-31T00:00,store,22.5,22.5"
    parts = [
        "B1,on_seed,2027-05-01T14:00,2027-05-02T09:00,store,22.5,22.5",
        "B1,on_seed,2027-05-02T09:00,2027-07-31T00:00,store,22.5,22.5",
    ]
    stays.write_text(stays.read_text().replace(row, "\n".join(parts)))
    assert at(folder, 100).cells == whole.cells


def test_past_the_last_count_nothing_is_known(folder: Path) -> None:
    with_curves(folder, curve(SEED, "weibull", WEIBULL, last_d=3.0))
    assert at(folder, 71.9).p is not None
    late = at(folder, 72.1)
    assert late.p is None
    assert "past the 3 days" in late.why_no_p


def test_a_stage_no_curve_speaks_for_is_not_quantified(folder: Path) -> None:
    with_curves(folder, curve(SEED, "weibull", WEIBULL, stages=["on_seed"], moisture=["dry"]))
    assert "no own curve covers it" in at(folder, 48).why_no_p


def test_what_a_wash_misses_is_not_left_out_in_silence(folder: Path) -> None:
    with_curves(folder, curve(SEED, "weibull", {"delta_d": 8.0, "p": 0.5}))
    found = at(folder, 48)
    assert found.p is None
    assert "count a sample of this seed" in found.why_no_p


def test_a_count_before_the_curve_needs_no_recovery(folder: Path) -> None:
    plates = "item,sampled_at,basis,dilution,volume_ml,colonies,wash_ml,seeds_washed,colonies_are\n"
    row = "B1,2027-05-01T08:00,seed,0.001,0.1,{},100,100,target\n"
    (folder / "plates.csv").write_text(plates + row.format(120) + row.format(131))
    with_curves(folder, curve(SEED, "weibull", {"delta_d": 8.0, "p": 0.5}))
    found = at(folder, 48)
    assert found.cells.value is not None
    counted = next(e.balance for e in found.book.entries if e.step == "count")
    assert counted.value is not None
    assert found.cells.value == pytest.approx(counted.value + weibull(2.0), abs=1e-6)
    assert "recovery" not in [e.step for e in found.book.entries]


def test_a_product_in_its_package_by_own_counts(folder: Path) -> None:
    """After a count the jug loses as counted; a guarantee that holds takes no loss (§2.7)."""
    own = curve(
        "survival.package.ino", "loglinear", {"d_d": 50.0}, stages=["package"],
        moisture=["wet"], temp_c=[5.0, 12.0], t_ref_c=10.0,
    )  # fmt: skip
    with_curves(folder, own)
    assert at(folder, 1).applied.quantile(0.5) == pytest.approx(APPLIED)  # type: ignore[union-attr]
    plates = "item,sampled_at,basis,dilution,volume_ml,colonies\n"
    row = "L1,2027-04-01T08:00,mL,0.0000001,0.1,{}\n"
    (folder / "plates.csv").write_text(plates + row.format(120) + row.format(131))
    book = at(folder, 1).book
    charged = [e for e in book.entries if e.step == "package" and "by own counts" in e.why]
    assert [round(e.change.value or 0, 9) for e in charged] == [-30 / 50]
    stays = folder / "stays.csv"
    stays.write_text(stays.read_text().replace("store,10,10", "store,10,13"))
    assert "outside the own counts of INO" in at(folder, 1).why_no_p


def counts_file(folder: Path, seed: int) -> Path:
    """Invented counts of one seed lot at three temperatures, two at each time."""
    rng = np.random.default_rng(seed)
    rows = ["series,time_d,temp_c,log10_count"]
    for temp in (15, 22, 30):
        for t in (0, 0.5, 1, 2, 4, 8, 14, 21):
            s = weibull(t * 10 ** ((temp - 22.5) / 20), 4.0, 0.6)
            rows += [f"s{temp},{t},{temp},{5.9 + s + rng.normal(0, 0.1):.5f}" for _ in "ab"]
    path = folder / f"counts{seed}.csv"
    path.write_text("\n".join(rows) + "\n")
    return path


def true_cells(hours: float) -> float:
    return APPLIED - 0.1 + weibull(hours / 24, 4.0, 0.6)


def test_an_adopted_curve_changes_the_plan(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["--model", "weibull", "--t-ref", "22.5", "--json"]
    assert main(["survival", "fit", str(counts_file(tmp_path, 7)), *words]) == 0
    (tmp_path / "fit.json").write_text(capsys.readouterr().out)
    before = at(folder, 48)
    adopt = ["evidence", "adopt", str(tmp_path / "fit.json"), "--as", SEED, "--into", str(folder)]
    assert main([*adopt, "--curve", "--applied", "1e6"]) == 0
    assert "The ledger follows it" in " ".join(capsys.readouterr().out.split())
    found = at(folder, 48).cells
    assert found.value is not None and found.se is not None
    assert abs(found.value - true_cells(48)) < 4 * found.se < 0.1
    assert found != before.cells
    assert main([*adopt, "--curve"]) == 2  # it is there already
    assert main([*adopt, "--applied", "1e6"]) == 2  # for a whole curve only


@pytest.mark.slow
def test_balances_by_adopted_curves_hold_the_truth_as_often_as_they_say(tmp_path: Path) -> None:
    """90 % intervals after 12 h, 2 d and 10 d, over 150 sets of counts."""
    hours, sets = (12, 48, 240), 150
    held = dict.fromkeys(hours, 0)
    for seed in range(sets):
        folder = tmp_path / f"s{seed}"
        shutil.copytree(BY_HAND, folder)
        fit = fit_file(counts_file(tmp_path, seed), model="weibull", t_ref_c=22.5)
        (tmp_path / "fit.json").write_text(json.dumps(fit))
        adopt_curve(tmp_path / "fit.json", SEED, folder, applied=1e6)
        context = season_context(folder)
        facts = batch_facts(context.batches["B1"], context)
        for h in hours:
            cells = batch_at(facts, TREATED + timedelta(hours=h), context, brief=True).cells
            assert cells.low is not None and cells.high is not None
            held[h] += cells.low <= true_cells(h) <= cells.high
    print({h: k / sets for h, k in held.items()})
    for k in held.values():
        assert abs(k / sets - 0.9) < 3 * math.sqrt(0.09 / sets)


def test_gaps_are_held_at_both_ends(folder: Path) -> None:
    stays = folder / "stays.csv"
    stays.write_text(stays.read_text().replace("22.5,22.5", "16,29"))
    with_curves(folder, curve(SEED, "weibull", {**WEIBULL, "z_c": 20.0}))
    context = season_context(folder)
    facts = batch_facts(context.batches["B1"], context)
    end = TREATED + timedelta(hours=48)
    own = OwnLoss.of(seed_runs(path_of("B1", context), TREATED, end, (), context), facts, context)
    assert own is not None
    days = own.worse.sum(axis=0)  # a range is one draw for the whole wait
    assert 2.0 * 10 ** (-6.5 / 20) <= days.min() < days.max() <= 2.0 * 10 ** (6.5 / 20)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"model": "tail"}, "model"),
        ({"correlation": [[1.0]]}, "one row and one column"),
        ({"correlation": [[1.0, 0.9], [0.1, 1.0]]}, "no correlation"),
        ({"correlation": [[1.0, 2.0], [2.0, 1.0]]}, "no correlation"),
        ({"correlation": 3}, "not a list"),
        ({"temp_c": [30.0, 10.0]}, "lower first"),
        ({"last_d": -1.0}, "above zero"),
        ({"stages": ["soil"]}, "not one of"),
        ({"moisture": []}, "missing or empty"),
        ({"parameters": [f"{SEED}.curve.delta_d"]}, "a weibull curve has delta_d, p"),
        ({"parameters": [f"{SEED}.curve.nope", f"{SEED}.curve.p"]}, "which is no row"),
        ({"colour": "red"}, "unknown key"),
        ({"temp_c": [50.0, 77.0]}, "Is this °F"),
        ({"t_ref_c": 68.0}, "Is this °F"),
        ({"last_d": 1e9}, "at most 3650"),
    ],
)
def test_a_curve_that_is_none_is_refused(
    folder: Path, change: dict[str, object], words: str
) -> None:
    with_curves(folder, curve(SEED, "weibull", {"delta_d": 8.0, "p": 0.5}, **change))
    with pytest.raises(EvidenceError, match=words):
        load_evidence(folder / "evidence.toml")


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('value = 8.0\nunit = "d"', 'value = 192.0\nunit = "h"', "reads it in 'd'"),
        ("value = 8.0", "value = -8.0", "zero or below"),
    ],
)
def test_a_number_of_a_curve_changed_by_hand_is_refused(
    folder: Path, old: str, new: str, words: str
) -> None:
    with_curves(folder, curve(SEED, "weibull", {"delta_d": 8.0, "p": 0.5}))
    path = folder / "evidence.toml"
    path.write_text(path.read_text().replace(old, new))
    with pytest.raises(EvidenceError, match=words):
        load_evidence(path)


def test_numbers_drawn_together_keep_their_own_spread_and_their_correlation() -> None:
    evidence = load_evidence()
    rows = [
        evidence["survival.on_seed.soybean.log10_loss_21d"],
        evidence["survival.package.liquid_warm.d_days"],
        evidence["survival.on_seed.soybean.z_c"],
    ]
    wanted = np.array([[1.0, -0.7, 0.3], [-0.7, 1.0, 0.2], [0.3, 0.2, 1.0]])
    drawn = Draws(3, 40_000).together(rows, wanted)
    scores = []
    for row, x in zip(rows, drawn, strict=True):
        quantile = quantile_function(row)
        for q in (0.05, 0.5, 0.95):
            assert np.quantile(x, q) == pytest.approx(float(quantile(np.array([q]))[0]), rel=0.02)
        scores.append(norm.ppf((np.argsort(np.argsort(x)) + 0.5) / len(x)))
    assert np.corrcoef(scores) == pytest.approx(wanted, abs=0.02)
