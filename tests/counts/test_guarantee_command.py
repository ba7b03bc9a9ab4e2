"""``count guarantee`` and ``count plan``: sentences, JSON and pages out; what is refused."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import pytest

from rhizoledger.cli.app import run
from rhizoledger.cli.count import app as count
from rhizoledger.cli.parsing import new_app
from rhizoledger.errors import InputError
from rhizoledger.workflows.count_guarantee import guarantee_file, read_plan
from rhizoledger.workflows.count_plates import plates_file

HEAD = "item,sample,dilution,volume_ml,colonies"
FIVE = "\n".join(
    f"L1,{name},1e-7,0.1,{c}"
    for name, pair in zip("abcde", ((32, 29), (41, 35), (27, 33), (38, 30), (44, 31)), strict=True)
    for c in pair
)


def written(folder: Path, rows: str = FIVE, head: str = HEAD) -> Path:
    path = folder / "plates.csv"
    path.write_text(f"{head}\n{rows}\n", encoding="utf-8")
    return path


def said(tokens: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    top = new_app("rhizoledger", "Test.")
    top.command(count)
    assert run(top, tokens) == 0, capsys.readouterr().err
    out: str = capsys.readouterr().out
    return out


def one_line(text: str) -> str:
    return " ".join(text.split())


def test_a_lot_that_meets_is_said_so_first(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path)
    text = said(["count", "guarantee", str(path), "--guarantee", "2e9"], capsys)
    assert one_line(text).startswith("Lot L1 meets its guarantee of 2×10⁹ CFU per mL")
    assert "label, local rules" in one_line(text)
    assert all(len(line) <= 80 for line in text.splitlines())


def test_json_holds_limits_plan_curve_and_sizes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["--guarantee", "2e9", "--plan", "n=5,c=0,m=1e9", "--good", "4e9", "--bad", "1e9"]
    found = json.loads(
        said(["count", "guarantee", str(written(tmp_path)), *words, "--json"], capsys)
    )
    (lot,) = found["results"]
    assert lot["decision"] == "meets" and lot["plan_verdict"] == "accept"
    assert lot["low"] < lot["titre"] < lot["high"] and lot["n_composites"] == 5
    assert found["plan"] == {"n": 5, "c": 0, "m": 1e9}
    for row in found["curve"]["rows"]:
        for p, accept in zip(row["below_m"], row["accept"], strict=True):
            assert accept == pytest.approx((1 - p) ** 5)
    at = {row["titre"]: row for row in found["curve"]["rows"]}
    assert at[2e9]["shown"] == pytest.approx([0.05, 0.05])
    for size in found["sizes"]["rows"]:
        assert size["producer_risk"] <= 0.05 and size["user_risk"] <= 0.10


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_pages_figure_and_table_are_written(
    paper: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = [
        "--guarantee",
        "2e9",
        "--plan",
        "n=5,c=0,m=1e9",
        "--out",
        str(tmp_path / "new" / "out"),
    ]
    said(["count", "guarantee", str(written(tmp_path)), *words, "--paper", paper], capsys)
    out = tmp_path / "new" / "out"
    assert sorted(p.name for p in out.iterdir()) == [
        "guarantee.pdf",
        "operating-curve.csv",
        "operating-curve.svg",
    ]
    text = (out / "operating-curve.csv").read_text(encoding="utf-8")
    rows = list(csv.DictReader(text.splitlines()))
    accepted = [float(r["accept_sd_0.25"]) for r in rows]
    assert accepted == sorted(accepted) and accepted[0] < 0.05 and accepted[-1] > 0.95


@pytest.mark.parametrize(
    ("rows", "decision", "words"),
    [
        ("L,a,1e-7,0.1,33", "not shown", "upper end of the evidence, since one composite"),
        ("L,a,1e-7,0.1,0", "does not meet", "does not meet its guarantee"),
        ("L,a,1e-7,0.1,0\nL,b,1e-7,0.1,33", "not shown", "Plate the composites again"),
        ("L,a,1e-7,0.1,tntc", "meets", "upper limit not known"),
        ("L,a,1e-7,0.1,33\nL,b,1e-7,0.1,33\nL,c,1e-7,0.1,33", "meets", "the plates' own"),
        ("L,a,1e-7,0.1,30\nL,b,1e-7,0.1,36", "not shown", "3 composites in all would show it"),
        ("L,a,1e-7,0.1,10\nL,b,1e-7,0.1,25", "not shown", "more composites alone would not"),
        ("L,a,1e-7,0.1,33\nL,a,1e-7,0.1,SPR", "not shown", "Left out: SPR"),
    ],
)
def test_each_kind_of_lot_has_its_answer(
    rows: str, decision: str, words: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, rows)
    assert guarantee_file(path, 2e9)["results"][0]["decision"] == decision
    assert words in one_line(said(["count", "guarantee", str(path), "--guarantee", "2e9"], capsys))


def test_other_bacteria_on_the_plates_never_let_a_lot_pass(tmp_path: Path) -> None:
    rows = "L,a,1e-7,0.1,63,total\nL,b,1e-7,0.1,66,total"
    (lot,) = guarantee_file(written(tmp_path, rows, HEAD + ",colonies_are"), 2e9)["results"]
    assert lot["only_lowers"] and lot["low"] > 2e9 and lot["decision"] == "not shown"


def test_washed_seed_is_counted_per_seed(tmp_path: Path) -> None:
    head = HEAD + ",basis,wash_ml,seeds_washed,colonies_are"
    rows = "L,a,1e-1,0.1,50,seed,200,100,target\nL,a,1e-1,0.1,50,seed,200,100,target"
    found = guarantee_file(written(tmp_path, rows, head), 1e3)
    assert found["basis"] == "seed"
    assert found["results"][0]["titre"] == pytest.approx(50 / 0.01 * 2)
    assert found["curve"]["plated"] == pytest.approx(0.02 / 2)


def test_drops_and_spreaders_are_counted_as_by_count_plates(tmp_path: Path) -> None:
    """The two commands read one file alike."""
    head = HEAD + ",plate,drops,spreader_share"
    rows = "L,a,1e-6,0.02,45,,3,\nL,a,1e-7,0.1,30,,,0.1\nL,b,1e-6,0.02,51,,3,"
    path = written(tmp_path, rows, head)
    (lot,) = guarantee_file(path, 1e8)["results"]
    (plates,) = plates_file(path)["results"]
    titres = [s["estimate"]["value"] for s in plates["samples"]]
    assert [c["titre"] for c in lot["composites"]] == pytest.approx(titres, rel=1e-12)
    assert titres[1] == pytest.approx(51 / 0.06 * 1e6)


def test_one_name_at_two_times_is_two_composites(tmp_path: Path) -> None:
    rows = "L,a,1e-7,0.1,63,2025-04-01\nL,a,1e-7,0.1,66,2025-04-08"
    (lot,) = guarantee_file(written(tmp_path, rows, HEAD + ",sampled_at"), 2e9)["results"]
    assert [c["sample"] for c in lot["composites"]] == ["a, 2025-04-01", "a, 2025-04-08"]
    whose = "L,a,1e-7,0.1,63,target\nL,a,1e-7,0.1,66,total"
    (lot,) = guarantee_file(written(tmp_path, whose, HEAD + ",colonies_are"), 2e9)["results"]
    assert [c["n_plates"] for c in lot["composites"]] == [2] and lot["only_lowers"]


def test_a_recovery_is_said_to_be_left_out(tmp_path: Path) -> None:
    head = HEAD + ",basis,wash_ml,seeds_washed,colonies_are,recovery"
    rows = "L,a,1e-1,0.1,50,seed,200,100,target,0.5"
    found = guarantee_file(written(tmp_path, rows, head), 1e3)
    assert found["results"][0]["titre"] == pytest.approx(50 / 0.01 * 2)
    assert any("Recoveries are not used" in text for text in found["warnings"])


def test_lots_of_one_file_are_judged_apart(tmp_path: Path) -> None:
    both = guarantee_file(written(tmp_path, f"{FIVE}\nL2,a,1e-7,0.1,3"), 2e9)["results"]
    alone = guarantee_file(written(tmp_path), 2e9)["results"]
    assert both[0] == alone[0] and both[1]["decision"] == "does not meet"


def test_semicolons_and_decimal_commas_are_read(tmp_path: Path) -> None:
    head = HEAD.replace(",", ";")
    rows = "L;a;0,0000001;0,1;63\nL;b;0,0000001;0,1;66"
    (lot,) = guarantee_file(written(tmp_path, rows, head), 2e9)["results"]
    assert lot["decision"] == "meets"


def test_contaminants_are_left_out_and_said(tmp_path: Path) -> None:
    rows = "L,a,1e-7,0.1,63,target\nL,a,1e-1,0.1,2,contaminant"
    found = guarantee_file(written(tmp_path, rows, HEAD + ",colonies_are"), 2e9)
    assert found["results"][0]["composites"][0]["n_plates"] == 1
    assert "contaminants are left out" in " ".join(found["warnings"])


@pytest.mark.parametrize(
    ("rows", "place", "words"),
    [
        ("L,a,1e-7,0.1,-3", ("colonies", 2), "negative"),
        ("L,a,1e-7,0.1,3.5", ("colonies", 2), "whole"),
        ("L,a,1e-7,0.1,many", ("colonies", 2), "not a number"),
        ("L,a,1e-7,0.1,nan", ("colonies", 2), "not a number"),
        ('L,a,1e-7,0.1,"1,234"', ("colonies", 2), "1234"),
        ("L,a,1e-7,0.1,", ("colonies", 2), "empty"),
        ("L,a,1e7,0.1,3", ("dilution", 2), "above 1"),
        ("L,a,0,0.1,3", ("dilution", 2), "above 0"),
        ("L,a,1e-7,0,3", ("volume_ml", 2), "above 0"),
        (",a,1e-7,0.1,3", ("item", 2), "empty"),
        ("L,a,1e-7,0.1,3\nL,,1e-7,0.1,3", ("sample", 3), "name their sample"),
        ("L,a,1e-6,0.1,5\nL,a,1e-7,0.1,TNTC", (None, 2), "contradicts"),
        ("L,a,1e-7,0.1,SPR", (None, 2), "None of the plates"),
    ],
)
def test_what_cannot_be_used_names_its_place(
    rows: str, place: tuple[str | None, int], words: str, tmp_path: Path
) -> None:
    with pytest.raises(InputError) as caught:
        guarantee_file(written(tmp_path, rows), 2e9)
    (problem,) = caught.value.problems
    assert (problem.file, problem.column, problem.row) == ("plates.csv", *place)
    assert words in problem.sentence()


@pytest.mark.parametrize(
    ("head", "rows", "words"),
    [
        (HEAD + ",basis", "L,a,1e-7,0.1,3,mL\nM,a,1e-7,0.1,3,g", "one guarantee has one basis"),
        (HEAD + ",basis", "L,a,1e-7,0.1,3,seed", "A count per seed needs it"),
        (
            HEAD + ",basis,wash_ml,seeds_washed",
            "L,a,1e-1,0.1,3,seed,100,100\nL,a,1e-1,0.1,3,seed,100,50",
            "another wash",
        ),
        ("item,sample,dilution,colonies", "L,a,1e-7,3", "volume_ml is missing"),
        (HEAD, "", "no rows"),
        (HEAD + ",colonies_are", "L,a,1e-7,0.1,3,contaminant", "every plate counts contaminants"),
    ],
)
def test_designs_that_do_not_go_together(
    head: str, rows: str, words: str, tmp_path: Path
) -> None:  # fmt: skip
    with pytest.raises(InputError, match=words):
        guarantee_file(written(tmp_path, rows, head), 2e9)


@pytest.mark.parametrize(
    "text",
    ["", "n=5", "n=5,c=0", "n=5,c=0,m=1e9,n=3", "5,0,1e9", "n=5,c=0,m=much", "n=5.5,c=0,m=1e9",
     "n=5,c=0,m=1e9,k=2", "n=5,c=0,m=nan", "n=0,c=0,m=1e9", "n=5;c=0;m=1e9"],
)  # fmt: skip
def test_what_is_no_plan_is_said(text: str) -> None:
    with pytest.raises(InputError):
        read_plan(text)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"guarantee": 0.0}, "above zero"),
        ({"guarantee": float("nan")}, "above zero"),
        ({"confidence": 95.0}, "0.95 for 95 %"),
        ({"good": 3e9}, "both --good and --bad"),
        ({"good": 1e9, "bad": 3e9}, "higher one"),
        ({"between_sd": -1.0}, "from 0 to 2"),
        ({"good": 4e9, "bad": 1e9, "user_risk": 0.0}, "user's risk"),
    ],
)
def test_arguments_that_cannot_be(given: dict[str, Any], words: str, tmp_path: Path) -> None:
    with pytest.raises(InputError, match=words):
        guarantee_file(written(tmp_path), **({"guarantee": 2e9} | given))


def test_the_plan_of_a_count_is_sentences_and_json(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["count", "plan", "--low", "1e8", "--high", "1e10"]
    text = one_line(said(words, capsys))
    assert text.startswith(
        "For 1×10⁸ to 1×10¹⁰ CFU per mL: plate 10⁻⁵, 10⁻⁶ and 10⁻⁷, 3 plates of 0.1 mL each"
    )
    found = json.loads(said([*words, "--json"], capsys))
    assert found["plates"] == 9 and found["p_countable"] >= found["wanted_p"]


def test_a_count_per_seed_needs_its_wash_and_nothing_else_has_one(
    capsys: pytest.CaptureFixture[str],
) -> None:
    top = new_app("rhizoledger", "Test.")
    top.command(count)
    words = ["count", "plan", "--low", "1e3", "--high", "1e5"]
    assert run(top, [*words, "--basis", "seed"]) == 2
    assert "--wash-ml and --seeds" in one_line(capsys.readouterr().err)
    assert run(top, [*words, "--wash-ml", "100"]) == 2
    assert "belong to seed" in one_line(capsys.readouterr().err)
    assert run(top, [*words, "--replicates", "2.5"]) == 2
    seed = ["--basis", "seed", "--wash-ml", "50", "--seeds", "100", "--json"]
    found = json.loads(said([*words, *seed], capsys))
    for d in found["dilutions"]:
        assert d["expected_low"] == pytest.approx(1e3 * 2 * 0.1 * d["dilution"])
