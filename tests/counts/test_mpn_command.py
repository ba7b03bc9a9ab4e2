"""``count mpn`` and ``count mpn-table``: what they print, and what they say of bad input."""

from __future__ import annotations

import csv
import io
import json
import math
from pathlib import Path
from typing import Any

import pytest

from rhizoledger.cli.app import main
from rhizoledger.counts.mpn import count_mpn

DESIGN = ["--design", "0.1:3,0.01:3,1e-3:3"]
KEYS = [
    *("mpn", "low", "high", "level", "interval_method", "log10_se", "rarity_index"),
    *("rarity_category", "category_by_samples", "bias_adjusted", "status", "alpha"),
    *("amounts", "tubes", "positive", "warnings"),
]


def printed(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["count", *words]) == 0
    return capsys.readouterr().out


def found(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    out = json.loads(printed(capsys, *words, "--json"))
    assert isinstance(out, dict)
    return out


def complaint(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["count", *words]) == 2
    caught = capsys.readouterr()
    assert caught.out == ""
    return " ".join(caught.err.split())


@pytest.mark.parametrize("interval", ["jarvis", "lr"])
def test_json_is_what_the_function_gives(interval: str, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["mpn", *DESIGN, "--positive", "3,1,0", "--interval", interval, "--bias", "salama"]
    out = found(capsys, *words, "--level", "0.9")
    named = {"lr": "likelihood", "jarvis": "jarvis"}[interval]
    one = count_mpn([0.1, 0.01, 0.001], [3] * 3, [3, 1, 0], level=0.9, interval=named)
    assert list(out) == KEYS
    assert (out["mpn"], out["low"], out["high"]) == (
        one.estimate.value,
        one.estimate.low,
        one.estimate.high,
    )
    assert (out["interval_method"], out["level"]) == (interval, 0.9)
    assert (out["status"], out["alpha"], out["warnings"]) == ("interior", None, [])
    assert out["log10_se"] == one.log10_se and out["bias_adjusted"] == one.bias_adjusted()


def test_jarvis_takes_the_normal_quantile(capsys: pytest.CaptureFixture[str]) -> None:
    out = found(capsys, "mpn", *DESIGN, "--positive", "3,1,0")
    reach = math.log10(out["high"] / out["mpn"]) / out["log10_se"]
    assert reach == pytest.approx(1.959963984540054, rel=1e-12)
    assert out["level"] == 0.95 and out["bias_adjusted"] is None


def test_the_exact_interval_is_that_of_the_share(capsys: pytest.CaptureFixture[str]) -> None:
    """3 of 10: Clopper and Pearson's 0.0667 to 0.6525."""
    out = found(capsys, "mpn", "--design", "10:10", "--positive", "3", "--interval", "exact")
    low, high = (1 - math.exp(-10 * out[end]) for end in ("low", "high"))
    assert (round(low, 4), round(high, 4)) == (0.0667, 0.6525)


@pytest.mark.parametrize(("interval", "alpha"), [("jarvis", 0.05), ("lr", 0.05), ("exact", 0.025)])
def test_bounds_at_both_ends(
    interval: str, alpha: float, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["mpn", "--design", "2:4", "--interval", interval, "--positive"]
    none, every = found(capsys, *words, "0"), found(capsys, *words, "4")
    assert (none["mpn"], none["low"], none["status"]) == (0, 0, "all_negative")
    assert (every["mpn"], every["high"], every["status"]) == (None, None, "all_positive")
    assert none["alpha"] == every["alpha"] == alpha
    assert math.exp(-8 * none["high"]) == pytest.approx(alpha)
    assert (1 - math.exp(-2 * every["low"])) ** 4 == pytest.approx(alpha)
    told = found(capsys, *words, "0", "--bound-alpha", "0.1")
    assert told["alpha"] == 0.1 and math.exp(-8 * told["high"]) == pytest.approx(0.1)


def test_sentences(capsys: pytest.CaptureFixture[str]) -> None:
    said = printed(capsys, "mpn", *DESIGN, "--positive", "3-1-0", "--bias", "salama")
    assert said.startswith("42.7 per unit of amount (95 %: 9.79 to 186)")
    assert "21.1 per unit of amount less its bias" in said
    assert all(len(line) <= 80 for line in said.splitlines())
    said = printed(capsys, "mpn", *DESIGN, "--positive", "0,0,0")
    assert said.startswith("Below 9 per unit") and "alpha 0.05" in " ".join(said.split())
    said = printed(capsys, "mpn", *DESIGN, "--positive", "3,3,3")
    assert said.startswith("Above 465 per unit")


def test_a_rare_code_gives_numbers_and_a_warning(capsys: pytest.CaptureFixture[str]) -> None:
    out = found(capsys, "mpn", *DESIGN, "--positive", "0,0,3")
    assert out["mpn"] == pytest.approx(9.04984, rel=1e-6)
    assert out["rarity_category"] == 3 and "suspect" in out["warnings"][0]
    assert out["category_by_samples"] == dict.fromkeys(("1", "2", "3", "5", "10"), 0)


def test_a_file_has_a_result_for_each_item(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "tubes.csv"
    rows = [
        "lot 2,1e-5,5,2,ML,,no",
        "lot 1,0.1,3,3,g,,",
        "lot 1,0.01,3,1,g,,",
        "lot 1,1e-3,3,0,g,,",
    ]
    again = ["lot 1,1,3,0,g,2027-05-02,", "lot 1,1,2,1,g,2027-05-02,Yes"]
    head = "Item,amount,tubes,positive,basis,sampled_at,control_positive"
    path.write_text("\n".join([head, *rows, *again]) + "\n", encoding="utf-8")
    out = found(capsys, "mpn", str(path))["results"]
    assert [(r["item"], r.get("basis"), r.get("sampled_at")) for r in out] == [
        ("lot 2", "mL", None),
        ("lot 1", "g", None),
        ("lot 1", "g", "2027-05-02"),
    ]
    assert out[1]["mpn"] == count_mpn([0.1, 0.01, 0.001], [3] * 3, [3, 1, 0]).estimate.value
    assert out[2]["mpn"] == pytest.approx(-math.log(1 - 1 / 5))
    assert "rows 6 and 7" in out[2]["warnings"][0] and "control" in out[2]["warnings"][1]
    said = printed(capsys, "mpn", str(path))
    assert "lot 1:\n42.7 per g" in said and "lot 1, 2027-05-02:\n" in said


def test_decimal_commas(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "tubes.csv"
    path.write_text("amount;tubes;positive\n0,1;3;3\n0,01;3;1\n", encoding="utf-8")
    (only,) = found(capsys, "mpn", str(path))["results"]
    assert only["amounts"] == [0.1, 0.01] and "item" not in only


@pytest.mark.parametrize(
    ("text", "place", "says"),
    [
        ("0.1,3,3\n0.1,3,1\n", "row 3, column amount", "two designs"),
        ("0.1,3,4\n", "row 2, column positive", "4 of 3"),
        ("0,3,1\n", "row 2, column amount, value '0'", "above zero"),
        ("-0.1,3,1\n", "row 2, column amount", "above zero"),
        ("1e31,3,1\n", "row 2, column amount", "1e+30"),
        ("0.1,3,1.5\n", "row 2, column positive", "whole"),
        ("0.1,2.5,1\n", "row 2, column tubes", "whole"),
        ("0.1,0,0\n", "row 2, column tubes", "at least one"),
        ("0.1,3,-1\n", "row 2, column positive", "below zero"),
        ("0.1,,1\n", "row 2, column tubes", "empty"),
        (",3,1\n", "row 2, column amount", "empty"),
        ("nan,3,1\n", "row 2, column amount", "not a number"),
        ("much,3,1\n", "row 2, column amount", "not a number"),
        ('"1,000",3,1\n', "row 2, column amount", "1000 or 1"),
        ("1 000 000,3,1\n", "row 2, column amount", "Thousands"),
        ("0.1,10000001,1\n", "row 2, column tubes", "too many"),
        ("", "tubes.csv", "no rows"),
    ],
)
def test_cells_that_cannot_be_used(
    text: str, place: str, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "tubes.csv"
    path.write_text(f"amount,tubes,positive\n{text}", encoding="utf-8")
    said = complaint(capsys, "mpn", str(path))
    assert place in said and says in said


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("item,amount,tubes,positive\n,1,3,1\n", "column item"),
        ("amount,tubes,positive,basis\n1,3,1,pint\n", "value 'pint': This basis is not known"),
        ("amount,tubes,positive,basis\n1,3,1,g\n0.1,3,1,mL\n", "says g"),
        ("amount,tube,positive\n1,3,1\n", "'tubes'"),
        ("", "empty"),
    ],
)
def test_files_that_cannot_be_used(
    text: str, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "tubes.csv"
    path.write_text(text, encoding="utf-8")
    assert says in complaint(capsys, "mpn", str(path))


@pytest.mark.parametrize(
    ("design", "positive", "says"),
    [
        ("0.1:3,0.01:3", "3", "amounts in --design: 2"),
        ("0.1:3,0.01", "3,1", "--design, number 2"),
        ("0.1:3,,1:3", "3,1,1", "number 2, value '': This part is empty"),
        ("0.1:3", "4", "4 of 3 tubes of 0.1"),
        ("0.1:3,0.01:3", "3,", "number 2, value '': The number is missing"),
        ("0.1:3", "1.5", "counted whole"),
        ("0.1:3.5", "1", "counted whole"),
        ("0.1:0", "0", "no tubes"),
        ("0.1:9999999", "0", "too many tubes"),
        ("0:3", "1", "not between"),
        ("1e-31:3", "1", "not between"),
        ("-1:3", "1", "not a number above zero"),
        ("nan:3", "1", "not a number above zero"),
        ("1,000:3", "1", "--design, number 1"),
        ("0,1:3", "1", "--design, number 1"),
        ("1:2:3", "1", "--design, number 1"),
    ],
)
def test_designs_that_cannot_be(
    design: str, positive: str, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert says in complaint(capsys, "mpn", "--design", design, "--positive", positive)


def test_exact_is_refused_with_what_to_use(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = complaint(capsys, "mpn", *DESIGN, "--positive", "3,1,0", "--interval", "exact")
    assert "one amount" in said and "--interval lr or jarvis" in said
    path = tmp_path / "tubes.csv"
    path.write_text("item,amount,tubes,positive\nA,1,3,1\nA,0.1,3,0\n", encoding="utf-8")
    assert "tubes.csv, A: " in complaint(capsys, "mpn", str(path), "--interval", "exact")


def test_half_a_question_is_met_with_an_example(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "--positive 3,1,0" in complaint(capsys, "mpn")
    assert "--positive 3,1,0" in complaint(capsys, "mpn", *DESIGN)
    assert "Leave --design" in complaint(capsys, "mpn", str(tmp_path / "x.csv"), *DESIGN)


def test_very_large_and_very_small_amounts(capsys: pytest.CaptureFixture[str]) -> None:
    out = found(capsys, "mpn", "--design", "1e-30:500", "--positive", "499")
    assert out["mpn"] == pytest.approx(math.log(500) * 1e30)
    out = found(capsys, "mpn", "--design", "1e30:500,1e-30:1", "--positive", "499,1")
    assert out["mpn"] > 0 and out["status"] == "interior"


def test_a_table_in_its_three_forms(capsys: pytest.CaptureFixture[str]) -> None:
    words = ["mpn-table", *DESIGN, "--interval", "lr"]
    whole = found(capsys, *words)
    assert whole["codes"] == 64 and len(whole["results"]) == 18
    assert [row["code"] for row in whole["results"]][:3] == ["0-0-0", "0-1-0", "1-0-0"]
    lines = list(csv.DictReader(io.StringIO(printed(capsys, *words, "--csv"))))
    assert [float(row["high"] or "inf") for row in lines] == [
        math.inf if row["high"] is None else row["high"] for row in whole["results"]
    ]
    said = printed(capsys, *words)
    assert "18 codes of 64" in said and all(len(line) <= 80 for line in said.splitlines())
    assert main(["count", *words, "--json", "--csv"]) == 2
    assert "--json or --csv" in capsys.readouterr().out
    assert "--design" in complaint(capsys, "mpn-table", "--design", "1:3,1:3")


@pytest.mark.parametrize("tubes", [5, 10])
def test_tables_are_what_counts_are(tubes: int, capsys: pytest.CaptureFixture[str]) -> None:
    design = f"1:{tubes},0.1:{tubes},0.01:{tubes}"
    for row in found(capsys, "mpn-table", "--design", design)["results"]:
        code = ",".join(map(str, row["positive"]))
        one = found(capsys, "mpn", "--design", design, "--positive", code)
        assert row["rarity_index"] >= 0.05
        for name in ("mpn", "low", "high"):
            if one[name] is None:  # all positive: only a lower bound
                assert row[name] is None
            else:
                assert row[name] == pytest.approx(one[name], rel=1e-9)
