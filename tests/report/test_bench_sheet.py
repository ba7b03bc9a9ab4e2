"""Bench sheet, scheme and operating curve: all that belongs there, on paper, readable, in ink."""

from __future__ import annotations

import re
from itertools import combinations, pairwise
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from rhizoledger.report.bench_sheet import bench_sheet_job, write_bench_sheet
from rhizoledger.report.charts.operating_curve import Curve, operating_figure
from rhizoledger.report.draw import png, svg
from rhizoledger.report.guarantee_page import write_guarantee
from rhizoledger.report.scheme_drawing import WIDTH, scheme_svg
from rhizoledger.workflows.count_guarantee import guarantee_file
from rhizoledger.workflows.count_plan import count_plan, sheet_cautions
from tests.report.pages import PAPERS, closed, pixels, sheets

SEED: dict[str, Any] = {"basis": "seed", "wash_ml": 100.0, "seeds": 100.0}
PLANS: dict[str, dict[str, Any]] = {
    "liquid": count_plan(1e8, 1e10),
    "seed": count_plan(3e2, 1e6, **SEED),
    "solid": count_plan(1e6, 1e10, basis="g"),
    "fivefold": count_plan(
        1e8, 1e10, basis="g", dilution_factor=5.0, rule="iso7218", replicates=10
    ),
    "none": count_plan(1.0, 10.0),
}
NAMED = (
    "Coded sample", "Received on", "Plated from", "Incubated at", "Early read, day",
    "Final read, day", "early: contaminants", "final: colonies", "Blank:", "Positive:",
    "Recovery:", "Void, and plated again, if", "limits", "Decision:", "does not meet", "Analyst",
    "Checker", "Gloves", "The label, local law",
)  # fmt: skip
LEAST_PT = 5.5
"""Superscripts of the smallest letters."""


def made(name: str, folder: Path, paper: Any = "a4", codes: tuple[str, ...] = ()) -> Path:
    plan = PLANS[name]
    return write_bench_sheet(plan, sheet_cautions(plan["basis"], None), folder, paper, codes)


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("name", PLANS)
def test_a_sheet_is_one_side_with_all_that_belongs_on_it(
    name: str, paper: str, tmp_path: Path
) -> None:
    (side,) = sheets(made(name, tmp_path, paper))
    assert (side.width, side.height) == pytest.approx(PAPERS[paper], abs=1)
    text = closed(side.text)
    for words in (*NAMED, f"CFU per {PLANS[name]['basis']}"):
        assert closed(words) in text, words
    assert side.outside() == "" and side.printed_over() == ""
    assert side.smallest() >= LEAST_PT


def test_every_plate_has_its_two_cells(tmp_path: Path) -> None:
    text = closed(sheets(made("solid", tmp_path))[0].text)
    n = len(PLANS["solid"]["dilutions"])
    assert text.count("early:contaminants") == text.count("final:colonies") == n == 5


def test_wash_and_cautions_of_treated_seed_stand_on_a_seed_sheet(tmp_path: Path) -> None:
    seed = closed(sheets(made("seed", tmp_path / "a"))[0].text)
    liquid = closed(sheets(made("liquid", tmp_path / "b"))[0].text)
    assert closed("100 seeds in 100 mL") in seed
    assert closed("never food, feed or oil") in seed
    assert closed("never food, feed or oil") not in liquid


def test_each_code_has_its_sheet_and_stays_text(tmp_path: Path) -> None:
    codes = ("A17", "#pagebreak()", "x" * 400)
    sides = sheets(made("liquid", tmp_path, "us-letter", codes))
    assert len(sides) == 3
    assert "A17" in sides[0].text and closed("#pagebreak()") in closed(sides[1].text)
    assert all(side.outside() == "" and side.printed_over() == "" for side in sides)


def test_the_sheet_is_black_on_white(tmp_path: Path) -> None:
    dots = pixels(made("seed", tmp_path), 0, 1.0).astype(int)
    assert np.ptp(dots, axis=2).max() <= 8


def test_the_same_plan_gives_the_same_bytes(tmp_path: Path) -> None:
    first, second = (made("liquid", tmp_path / x).read_bytes() for x in "ab")
    assert first == second


def test_a_plan_that_falls_short_says_so_on_the_sheet(tmp_path: Path) -> None:
    text = closed(sheets(made("none", tmp_path))[0].text)
    assert closed("No set of dilutions reaches the wanted chance") in text


def words_of(drawing: str) -> list[str]:
    return [e.text or "" for e in ET.fromstring(drawing).iter() if e.tag.endswith("text")]


@pytest.mark.parametrize("name", PLANS)
def test_the_scheme_draws_every_tube_transfer_and_plated_dilution(name: str) -> None:
    plan = PLANS[name]
    words = words_of(scheme_svg(plan))
    plates = [w for w in words if "×" in w and w.endswith("mL")]
    assert len(plates) == len(plan["dilutions"])
    assert set(plates) == {f"{plan['replicates']} × 0.1 mL"}
    transfers = [w for w in words if re.fullmatch(r"1 mL|10 g", w)]
    assert len(transfers) == plan["tubes"]
    assert words.count("10 g") == (1 if plan["basis"] == "g" else 0)


@pytest.mark.parametrize("name", PLANS)
def test_what_is_carried_over_makes_the_dilution_that_is_written(name: str) -> None:
    plan = PLANS[name]
    words = words_of(scheme_svg(plan))
    waiting = [float(a) for a, b in pairwise(words) if b == "mL"]
    assert len(waiting) == plan["tubes"]
    share = 1.0
    for step, ml in enumerate(waiting, start=1):
        carried = 10.0 if plan["basis"] == "g" and step == 1 else 1.0
        share *= carried / (carried + ml)
        for d in plan["dilutions"]:
            if d["step"] == step:
                assert share == pytest.approx(d["dilution"])


@pytest.mark.parametrize("name", PLANS)
def test_nothing_of_the_scheme_leaves_its_frame(name: str) -> None:
    root = ET.fromstring(scheme_svg(PLANS[name]))
    tall = float(root.attrib["viewBox"].split()[3])
    for e in root.iter():
        if e.tag.endswith("text"):
            half = 0.3 * float(e.attrib["font-size"]) * len(e.text or "")
            assert half - 4 <= float(e.attrib["x"]) <= WIDTH - half + 4
            assert 5 <= float(e.attrib["y"]) <= tall


def test_user_text_is_data_and_the_template_is_named(tmp_path: Path) -> None:
    job = bench_sheet_job(PLANS["liquid"], ["<b>"], "a4", ["&"])
    assert job.file == "bench-sheet.pdf" and job.data["codes"] == ["&"]


TITRES = tuple(10 ** (8.5 + 0.05 * i) for i in range(31))
CHANCES = tuple(i / 30 for i in range(31))


def figure(marks: list[tuple[float, str]], width: int = 640) -> dict[str, Any]:
    curves = [
        Curve("spread between samples 0.11 log10", CHANCES),
        Curve("spread between samples 0.25 log10", tuple(x**2 for x in CHANCES)),
    ]
    return operating_figure(TITRES, curves, marks, basis="mL", width=width)


@pytest.mark.parametrize("width", [360, 640])
@pytest.mark.parametrize("apart", [1.0, 1.02, 1.5, 2.0])
def test_names_on_the_curve_never_stand_on_one_another(apart: float, width: int) -> None:
    spec = figure([(2e9, "guarantee"), (2e9 / apart, "m")], width)
    texts = next(layer for layer in spec["layer"] if layer["name"] == "texts")["data"]["values"]
    flat = [t for t in texts if t["angle"] == 0]
    boxes = []
    for t in flat:
        wide = 0.5 * 11 * len(t["text"])
        left = t["x"] - {"left": 0, "center": wide / 2, "right": wide}[t["align"]]
        boxes.append((left, t["y"] - 8, left + wide, t["y"] + 1, t["text"]))
        assert left >= -1 and left + wide <= width + 1
    for a, b in combinations(boxes, 2):
        apart_x, apart_y = a[2] <= b[0] or b[2] <= a[0], a[3] <= b[1] or b[3] <= a[1]
        assert apart_x or apart_y, (a, b)


def test_the_curve_rises_on_the_page_as_the_chance_does() -> None:
    spec = figure([(2e9, "guarantee")])
    curve = next(layer for layer in spec["layer"] if layer["name"] == "curves")["data"]["values"]
    xs, ys = [p["x"] for p in curve], [p["y"] for p in curve]
    assert xs == sorted(xs) and ys == sorted(ys, reverse=True) and len(xs) == len(TITRES)
    assert svg(spec, "a") == svg(spec, "a") and png(spec)[:4] == b"\x89PNG"


def test_a_chance_that_is_no_number_is_refused() -> None:
    with pytest.raises(ValueError, match="numbers"):
        operating_figure(TITRES, [Curve("x", (float("nan"),) * 31)], [], basis="mL")


@pytest.mark.parametrize("paper", PAPERS)
def test_a_guarantee_page_says_decides_and_is_signed(paper: Any, tmp_path: Path) -> None:
    path = tmp_path / "plates.csv"
    rows = "\n".join(
        f"L-1,{s},1e-7,0.1,{c}" for s, c in zip("abcde", (63, 71, 58, 66, 75), strict=True)
    )
    path.write_text(f"item,sample,dilution,volume_ml,colonies\n{rows}\n", "utf-8")
    found = guarantee_file(path, 2e9, plan="n=5,c=0,m=1e9", good=4e9, bad=1e9)
    pdf, *_ = write_guarantee(found, tmp_path, paper)
    sides = sheets(pdf)
    text = closed("".join(side.text for side in sides))
    for words in ("Lot L-1 meets its guarantee", "it is accepted", "chance to pass", "Decided by",
                  "label, local rules", "n = 4, c = 0"):  # fmt: skip
        assert closed(words) in text, words
    assert all(side.outside() == "" and side.printed_over() == "" for side in sides)
