"""``treat rate``, ``calibrate`` and ``evenness``: answers, JSON, files, and what is refused."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rhizoledger.cli.app import run
from rhizoledger.cli.parsing import new_app
from rhizoledger.cli.treat import app as treat
from rhizoledger.errors import InputError, RhizoledgerError
from rhizoledger.report.charts.catches import Series, catches_figure
from rhizoledger.report.draw import svg
from rhizoledger.report.treat_rate import five
from rhizoledger.workflows.treat_calibrate import calibrate_file
from rhizoledger.workflows.treat_evenness import evenness
from rhizoledger.workflows.treat_rate import seed_facts, treat_rate
from rhizoledger.workflows.treat_written import read_active, read_cv, read_share, read_titre

DRIFT = (262, 259, 264, 258, 261, 263, 266, 268, 271, 274, 276, 281)
SEEDS = "seed,dilution,volume_ml,wash_ml,colonies\n" + "\n".join(
    f"s{i},1e-3,0.1,10,{c}" for i, c in enumerate((20, 55, 31, 90, 44, 12, 70, 33, 25, 61))
)


def top() -> Any:
    found = new_app("rhizoledger", "Test.")
    found.command(treat)
    return found


def said(tokens: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert run(top(), ["treat", *tokens]) == 0, capsys.readouterr().err
    out: str = capsys.readouterr().out
    if "--json" not in tokens:
        assert all(len(line) <= 80 for line in out.splitlines() if not line.startswith("/"))
        out = out.replace("\xa0", " ")
    return out


def refused(tokens: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert run(top(), ["treat", *tokens]) == 2
    err: str = capsys.readouterr().err
    return " ".join(err.split())


def file(folder: Path, text: str) -> str:
    path = folder / "catches.csv"
    path.write_text(text, encoding="utf-8")
    return str(path)


def drifting(folder: Path) -> str:
    rows = [f"{8 + i // 2:02d}:{30 * (i % 2):02d},{c},100" for i, c in enumerate(DRIFT)]
    return file(folder, "time,caught_ml,seed_kg\n" + "\n".join(rows) + "\n")


# --- rate ---------------------------------------------------------------------------------------


def test_the_answer_stands_first(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["rate", "4 fl oz/cwt", "--to", "mL/100kg"]
    text = said([*words, "--seeds-per-lb", "2800", "--seeds-per-unit", "140000"], capsys)
    assert text.startswith("4 fl oz/cwt = 260.79 mL/100 kg\n")
    assert "59.147 mL on 140,000 seeds (50.0 lb, 22.68 kg)" in text
    assert "fl oz is the US one" in text and "cwt is 100 lb" in text
    assert "give --seeds-per-lb" in said(words, capsys)


def test_json_has_every_basis_or_what_it_takes(capsys: pytest.CaptureFixture[str]) -> None:
    found = json.loads(said(["rate", "4 fl oz/cwt", "--to", "mL/100kg", "--json"], capsys))
    assert found["answer"] == {"value": pytest.approx(260.7938891), "unit": "mL/100 kg"}
    assert all((b["value"] is None) == bool(b["missing"]) for b in found["bases"])
    units = {b["unit"] for b in found["bases"]}
    assert {"mL/unit", "fl oz/1000 ft", "mg active/seed", "cells/seed", "fl oz/bu"} <= units


def test_active_and_cells_per_seed(capsys: pytest.CaptureFixture[str]) -> None:
    """2 mL/kg on 5,000 seeds/kg is 0.4 µL a seed: 0.24 mg of 600 g/L, 4e6 of 1e10 a mL."""
    given = ["--seeds-per-kg", "5000", "--active", "600 g/L", "--titre", "1e10 CFU/mL"]
    text = said(["rate", "2 mL/kg", *given], capsys)
    assert "0.4 µL/seed" in text and "0.24 mg active/seed" in text and "4 000 000" in text
    back = said(["rate", "--cells-per-seed", "4e6", "--to", "mL/kg", *given], capsys)
    assert back.startswith("4000000 cells/seed = 2 mL/kg\n")


@pytest.mark.parametrize(
    ("rate", "label", "says"),
    [
        ("4 fl oz/cwt", "5 fl oz/cwt", "Within the label's highest, 5 fl oz/cwt: 80 %"),
        ("5 fl oz/cwt", "5 fl oz/cwt", "Within"),
        ("260.79 mL/100 kg", "4 fl oz/cwt", "Within"),
        ("5.1 fl oz/cwt", "5 fl oz/cwt", "STOP: over the label's highest"),
        ("4 fl oz/cwt", "4 mL/cwt", "it looks like mL and US fl oz"),
        ("4 mL/100 kg", "4 mL/kg", "it looks like per kg and per 100 kg"),
        ("4 mL/kg", "33 mL/unit", "Not compared with the label's highest"),
    ],
)
def test_against_the_label(
    rate: str, label: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    text = said(["rate", rate, "--label-max", label], capsys)
    assert says in " ".join(text.split())


@pytest.mark.parametrize(
    ("tokens", "says"),
    [
        (["rate", "4 oz/cwt", "--to", "mL/100kg"], "If fluid ounces are meant, write 'fl oz/cwt'"),
        (["rate", "4 fl oz/ton"], "1,000 kg, 2,000 lb or 2,240 lb"),
        (["rate", "4 fl oz/long cwt"], "112 lb"),
        (["rate", "4 fl/cwt"], "imp fl oz"),
        (["rate", "0.1 mg/seed"], "'mg active/seed'"),
        (["rate", "4,000 mL/unit"], "4000 or 4"),
        (["rate", "mL/kg"], "no number in front"),
        (["rate", "--", "-4 mL/kg"], "above zero"),
        (["rate", "0 mL/kg"], "above zero"),
        (["rate"], "Give either a rate"),
        (["rate", "4 mL/kg", "--cells-per-seed", "1e6"], "Give either a rate"),
        (["rate", "--cells-per-seed", "1e6"], "takes the titre"),
        (["rate", "--cells-per-seed", "nan", "--titre", "1e9 CFU/mL"], "above zero"),
        (["rate", "2 mL/unit", "--to", "mL/kg"], "--seeds-per-unit and --seeds-per-lb"),
        (["rate", "2 mL/kg", "--seeds-per-lb", "0"], "seed size is 0"),
        (["rate", "2 mL/kg", "--thousand-seeds-g", "0"], "seed size is 0"),
        (["rate", "2 mL/kg", "--seeds-per-lb", "2800", "--seeds-per-kg", "6000"], "same thing"),
        (["rate", "2 mL/kg", "--active", "40 %"], "by weight or by volume"),
        (["rate", "2 mL/kg", "--active", "1200 g/kg"], "more active than there is product"),
        (["rate", "2 mL/kg", "--active", "2 L/kg"], "is a mass"),
        (["rate", "2 mL/kg", "--titre", "1e10"], "how much of what"),
        (["rate", "2 mL/kg", "--titre", "1e10 spores/mL"], "not a count of cells"),
        (["rate", "2 mL/kg", "--pack", "3 packs"], "volume or a mass"),
        (["rate", "2 mL/kg", "--crop", "wheat"], "bushel weight of 'wheat' is not known"),
        (["rate", "2 mL/kg", "--seeding-rate", "140000/ac"], "seeds/ac"),
        (["rate", "2 mL/kg", "--seeding-rate", "50 lb"], "60 lb/ac"),
        (["rate", "2 mL/kg", "--row-cm", "-3"], "row spacing is -0.03"),
    ],
)
def test_a_rate_that_cannot_be_used(
    tokens: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert says in refused(tokens, capsys)


@given(st.floats(1e-6, 1e9), st.sampled_from(["fl oz/cwt", "g/kg", "mL/unit", "oz/bag", "lb/ac"]))
def test_any_rate_is_answered_and_its_answer_leads_back(value: float, unit: str) -> None:
    facts = seed_facts(seeds_per_lb=2800, seeds_per_unit=140_000, bag="50 lb", density=1.1)
    there = treat_rate(f"{value!r} {unit}", facts)
    back = treat_rate(f"{there['answer']['value']!r} {there['answer']['unit']}", facts, to=unit)
    assert back["answer"]["value"] == pytest.approx(value, rel=1e-12)
    json.dumps(there, allow_nan=False)


@given(st.floats(1e-9, 1e6))
def test_five_figures(x: float) -> None:
    assert float(five(x)) == pytest.approx(x, rel=5.0001e-5)
    assert "e" not in five(x)


def test_written_facts() -> None:
    assert read_titre("1e12 CFU/L").value == read_titre("1e9 cells/mL").value == 1e9
    us = read_active("4 lb ai/gal")
    assert us.value == pytest.approx(4 * 453.59237 / 3785.411784)
    assert (read_share("5%"), read_share("0.05"), read_cv("120%")) == (0.05, 0.05, 1.2)
    for text in ("5", "1", "100%", "5 g", "", "-5%", "0"):
        with pytest.raises(InputError):
            read_share(text)


# --- calibrate ----------------------------------------------------------------------------------


def test_a_drift_is_seen_although_the_mean_passes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["calibrate", drifting(tmp_path), "--target", "260", "--tolerance", "5%"]
    text = " ".join(said(words, capsys).split())
    assert text.startswith("Pass by its mean, but the pump does not hold still")
    assert "catch 9 (12:00): six in a row rising, or falling" in text
    found = json.loads(said([*words, "--json"], capsys))
    group = found["groups"][0]
    assert (found["verdict"], found["unit"], found["target"]) == ("pass", "mL/100 kg", 260)
    assert group["mean"]["value"] == pytest.approx(sum(DRIFT) / 12)
    assert group["catches"][1]["moving_range"] == pytest.approx(3)


def test_files_hold_what_was_caught(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    said(["calibrate", drifting(tmp_path), "--target", "260", "--out", str(out)], capsys)
    with (out / "calibration.csv").open(encoding="utf-8") as f:
        rows = list(csv.DictReader(f))
    assert [float(r["rate"]) for r in rows] == pytest.approx(DRIFT)
    assert rows[8]["signals"] == "trend" and rows[0]["moving_range"] == ""
    drawing = (out / "calibration.svg").read_text(encoding="utf-8")
    assert "13:30" in drawing and "upper limit" in drawing and "NaN" not in drawing
    assert (out / "calibration.png").read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("text", "words", "unit", "mean"),
    [
        ("caught_fl_oz,seed_lb\n4,100\n4,100\n", {}, "mL/100 kg", 260.7939),
        ("caught_fl_oz,seed_lb\n4,100\n4,100\n", {"unit": "fl oz/cwt"}, "fl oz/cwt", 4.0),
        ("catch [g];seed (kg)\n2,86;1\n", {"unit": "mL/kg", "density": 1.1}, "mL/kg", 2.6),
        ("caught_g,seed_kg\n250,100\n", {}, "g/100 kg", 250),
        ("caught_ml,seconds\n250,30\n", {}, "mL/min", 500),
        ("caught_ml,minutes\n1000,2\n", {}, "mL/min", 500),
        ("caught_ml,seconds\n250,30\n", {"seed_flow": "200 kg/min"}, "mL/100 kg", 250),
        ("caught_ml,minutes\n500,1\n", {"seed_flow": "12 t/h"}, "mL/100 kg", 250),
        ("rate_ml_per_100kg\n260\n", {}, "mL/100 kg", 260),
        ("Rate [fl oz/cwt]\n4\n", {"unit": "mL/100kg"}, "mL/100 kg", 260.7939),
        ("rate\n260\n", {"unit": "mL/100kg"}, "mL/100 kg", 260),
        ("rate_ml_per_unit\n59.1\n", {"unit": "mL/unit"}, "mL/unit", 59.1),
        ("rate_ml_min\n500\n", {"unit": "mL/min"}, "mL/min", 500),
    ],
)  # fmt: skip
def test_measures_of_a_catch(
    text: str, words: dict[str, Any], unit: str, mean: float, tmp_path: Path
) -> None:
    words = dict(words)
    density = words.pop("density", None)
    path = Path(file(tmp_path, text.replace("_ml_min", " [mL/min]")))
    found = calibrate_file(path, facts=seed_facts(density=density), **words)
    assert found["unit"] == unit
    assert found["groups"][0]["mean"]["value"] == pytest.approx(mean, rel=1e-6)


def test_a_target_brings_its_unit(tmp_path: Path) -> None:
    path = Path(file(tmp_path, "caught_ml,seed_kg\n" + "260.8,100\n260.7,100\n260.9,100\n"))
    own = calibrate_file(path, target="4 fl oz/cwt")
    assert own["unit"] == "fl oz/cwt" and own["target"] == 4
    other = calibrate_file(path, target="4 fl oz/cwt", unit="mL/kg")
    assert other["target"] == pytest.approx(2.607939, rel=1e-6)
    bias = [f["groups"][0]["bias"]["value"] for f in (own, other)]
    assert bias[0] == pytest.approx(bias[1], rel=1e-6)
    assert own["tolerance"] == 0.05 and own["tolerance_from"] == "catch_test.tolerance_pct"


def test_groups_are_judged_apart_and_rows_put_in_order(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = "time,nozzle,rate_ml_per_100kg\n10:00,1,262\n09:00,1,260\n11:00,1,258\n"
    rows += "09:00,2,300\n10:00,2,304\n11:00,2,303\n11:30,2,\n"
    path = file(tmp_path, rows)
    found = calibrate_file(Path(path), target="260")
    assert [g["group"] for g in found["groups"]] == ["nozzle 1", "nozzle 2"]
    assert [c["rate"] for c in found["groups"][0]["catches"]] == [260, 262, 258]
    assert [g["verdict"] for g in found["groups"]] == ["pass", "adjust"]
    assert found["verdict"] == "adjust"
    assert found["between_groups"]["apart"] == pytest.approx(
        (907 / 3 - 260) / ((907 / 3 + 260) / 2)
    )
    text = " ".join(said(["calibrate", path, "--target", "260"], capsys).split())
    assert "nozzle 2: Adjust" in text and "Multiply the setting by 0.860" in text
    assert "Rows without a catch are left out (1)" in text


def test_few_catches_and_coarse_ones_are_told_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def of(*rates: float) -> str:
        path = file(tmp_path, "rate_ml_per_100kg\n" + "\n".join(map(str, rates)) + "\n")
        return " ".join(said(["calibrate", path, "--target", "260"], capsys).split())

    assert of(260).startswith("Not settled") and "Catch again" in of(260)
    assert "that all read the same do not show it" in of(260, 260, 260)
    assert "more catches would likely settle it" in of(250, 262, 270)
    assert "no number of catches would do" in of(263, 283)
    assert "ten times or more off" in of(25, 25.1, 25.2)


@pytest.mark.parametrize(
    ("text", "words", "says"),
    [
        ("rate\n260\n", [], "does not say its unit"),
        ("caught_ml\n260\n", [], "neither seed nor time"),
        ("caught_ml,seed_kg,seconds\n260,100,60\n", [], "both seed and time"),
        ("caught,seed_kg\n260,100\n", [], "caught_ml"),
        ("caught_ml,seed\n260,100\n", [], "seed_kg or seed_lb"),
        ("caught_ml,seed_ton\n260,100\n", [], "seed_kg or seed_lb"),
        ("caught_packs,seed_kg\n2,100\n", [], "not packs"),
        ("amount,seed_kg\n260,100\n", [], "neither rate nor caught"),
        ("rate_ml_per_kg,caught_ml\n2,3\n", [], "both rate and caught"),
        ("rate_ml_per_kg\n-2\n", [], "above zero"),
        ("rate_ml_per_kg\nx\n", [], "not a number"),
        ("rate_ml_per_kg,time\n2,8 o'clock\n", [], "not a time"),
        ("rate_ml_per_kg,time\n2,08:00\n3,2027-05-10T09:00\n", [], "some times have a day"),
        ("rate_ml_per_kg,order\n,1\n,2\n", [], "no row holds a catch"),
        ("caught_ml,seed_kg\n260,\n", [], "without its seed or time"),
        ("rate_ml_per_kg\n2\n", ["--unit", "g/kg"], "--density"),
        ("rate_ml_per_kg\n2\n", ["--target", "-2"], "above zero"),
        ("rate_ml_per_kg\n2\n", ["--target", "two"], "no number in front"),
        ("rate_ml_per_kg\n2\n", ["--target", "2", "--tolerance", "5"], "Write 5%"),
        ("caught_ml,seconds\n2,3\n", ["--unit", "mL/kg"], "--seed-flow"),
        ("caught_ml,seconds\n2,3\n", ["--seed-flow", "200 kg/day"], "per s, min or h"),
        ("rate_ml_per_kg\n", [], "header and no rows"),
    ],
)
def test_catches_that_cannot_be_used(
    text: str, words: list[str], says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert says in refused(["calibrate", file(tmp_path, text), *words], capsys)


@given(
    st.lists(st.floats(1e-3, 1e6), min_size=1, max_size=25),
    st.one_of(st.none(), st.floats(1e-3, 1e6)),
    st.text(max_size=40),
)
def test_any_catches_can_be_drawn(values: list[float], target: float | None, name: str) -> None:
    series = Series(name, values, [str(i) for i in range(len(values))], [False] * len(values))
    spec = catches_figure([series], unit="mL/kg", target=target, tolerance=0.05)
    for layer in spec["layer"]:
        for mark in layer["data"]["values"]:
            assert -20 <= mark["y"] <= spec["height"]


def test_a_hostile_name_stays_text() -> None:
    series = Series("<script>&\u202e", [1.0, 2.0], ["a", "b"], [False, True], 1.5, 0.5, 2.5, 1.0)
    assert "<script>" not in svg(catches_figure([series], unit="mL/kg"), "x")


# --- evenness -----------------------------------------------------------------------------------


def test_the_share_below_stands_first(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["evenness", "--cells-per-seed", "5e5", "--requirement", "1e5", "--cv", "0.5"]
    text = said(words, capsys)
    assert text.startswith("0.076 % of seeds get fewer than 100")
    assert "were they gamma, 0.91 %" in " ".join(text.split())
    found = json.loads(said([*words, "--at-most", "10%", "--json"], capsys))
    assert found["mean_needed"]["value"] == pytest.approx(1e5 * 2.0482, rel=1e-4)
    assert found["cv"]["from"] == "given" and len(found["effects"]) == 5


def test_without_a_variation_it_is_an_assumption_with_both_ends(
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = said(["evenness", "--cells-per-seed", "5e5", "--requirement", "1e5"], capsys)
    flat = " ".join(text.split())
    assert flat.startswith("About 0.08 % (under 0.01 % to 6 %) of seeds"), "one figure, no more"
    assert "an assumption; count single seeds" in flat and "treating.seed_to_seed_cv" in flat


def test_cells_from_rate_titre_and_seed_size(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["--rate", "1 mL/kg", "--titre", "6e8 CFU/mL", "--seeds-per-kg", "6000"]
    one = json.loads(
        said(["evenness", *words, "--requirement", "5e4", "--cv", "50%", "--json"], capsys)
    )
    assert one["question"]["cells_per_seed"] == pytest.approx(1e5)
    two = evenness(requirement=5e4, cells_per_seed=1e5, cv=0.5)
    assert one["share_below"]["value"] == pytest.approx(two["share_below"]["value"], rel=1e-9)


def test_plates_of_single_seeds(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = file(tmp_path, SEEDS)
    text = " ".join(said(["evenness", path], capsys).split())
    assert text.startswith("catches.csv: 10 seeds vary by 55 % (95 %: 36 to 94)")
    found = json.loads(said(["evenness", path, "--requirement", "1e6", "--json"], capsys))
    assert found["question"]["cells_per_seed"] == pytest.approx(4.41e6)
    assert found["cv"]["from"] == "file" and found["cv"]["low"] < found["cv"]["high"]
    # Plates of one seed are taken together.
    more = SEEDS.replace("s0,1e-3,0.1,10,20", "s0,1e-3,0.05,10,9\ns0,1e-3,0.05,10,11")
    again = json.loads(said(["evenness", file(tmp_path, more), "--json"], capsys))
    assert again["seeds"]["cv"] == found["seeds"]["cv"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "Give --requirement"),
        (["--requirement", "1e5"], "cells per seed are not given"),
        (["--requirement", "1e5", "--cells-per-seed", "0"], "above zero"),
        (["--requirement", "-1", "--cells-per-seed", "1e5", "--cv", "0.5"], "above zero"),
        (["--requirement", "1e5", "--cells-per-seed", "1e5", "--cv", "50"], "Write 50%"),
        (["--requirement", "1e5", "--cells-per-seed", "1e5", "--cv", "0.5 g"], "not a percentage"),
        (["--requirement", "1e5", "--cells-per-seed", "1e5", "--at-most", "5"], "Write 5%"),
        (["--requirement", "1e5", "--cells-per-seed", "1", "--rate", "1 mL/kg"], "same thing"),
        (["--requirement", "1e5", "--rate", "1 mL/kg"], "--titre"),
    ],
)
def test_a_question_that_is_none(
    words: list[str], says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert says in refused(["evenness", *words], capsys)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (",61", ",TNTC", "higher dilution"),
        ("10,61", "0,61", "above 0"),
        ("colonies", "count", "colonies"),
        ("s1,", ",", "empty"),
    ],
)
def test_seed_plates_that_cannot_be_used(
    old: str, new: str, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert says in refused(["evenness", file(tmp_path, SEEDS.replace(old, new))], capsys)


def test_a_file_brings_its_own_variation(tmp_path: Path) -> None:
    with pytest.raises(RhizoledgerError, match="in the file"):
        evenness(Path(file(tmp_path, SEEDS)), requirement=1e5, cv=0.5)
