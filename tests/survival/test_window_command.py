"""``survival window``: what it prints and draws, and what it says of bad input."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from rhizoledger.cli.app import main
from rhizoledger.survival.window import mean_window

KEYS = {
    *("window", "crossing", "unit", "model", "crossing_by_series", "poolability"),
    *("new_batch_window", "new_batch_status", "last_sampled", "warnings"),
}
HEAD = "series,time_d,log10_count"
A = ["A,0,7.1", "A,10,6.4", "A,20,5.9", "A,30,5.5"]
B = ["B,0,7.0", "B,10,6.5", "B,20,5.7", "B,30,5.3"]
C = ["C,0,7.2", "C,10,6.3", "C,20,5.9", "C,30,5.2"]
THREE = [HEAD, *A, *B, *C]


def write(folder: Path, lines: list[str]) -> str:
    path = folder / "counts.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return str(path)


def found(
    folder: Path, capsys: pytest.CaptureFixture[str], lines: list[str], *words: str
) -> dict[str, Any]:
    limit = () if "--limit" in words else ("--limit", "5")
    assert main(["survival", "window", write(folder, lines), *limit, *words, "--json"]) == 0
    out = json.loads(capsys.readouterr().out)
    assert isinstance(out, dict)
    return out


def spoken(
    folder: Path, capsys: pytest.CaptureFixture[str], lines: list[str], *words: str
) -> list[str]:
    limit = () if "--limit" in words else ("--limit", "5")
    assert main(["survival", "window", write(folder, lines), *limit, *words]) == 0
    return capsys.readouterr().out.splitlines()


def complaint(
    folder: Path, capsys: pytest.CaptureFixture[str], lines: list[str], *words: str
) -> str:
    limit = () if "--limit" in words else ("--limit", "5")
    assert main(["survival", "window", write(folder, lines), *limit, *words]) == 2
    caught = capsys.readouterr()
    assert caught.out == ""
    return " ".join(caught.err.split())


def test_json_has_the_promised_keys(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = found(tmp_path, capsys, THREE)
    assert set(out) >= KEYS
    assert set(out["poolability"]) == {"slopes", "intercepts"}
    assert all(set(test) == {"f", "p"} for test in out["poolability"].values())
    assert (out["unit"], out["model"], out["last_sampled"]) == ("d", "common", 30.0)
    assert set(out["crossing_by_series"]) == {"A", "B", "C"}
    assert out["crossing"] == min(out["crossing_by_series"].values()) > 30
    assert out["window"] == 30
    assert out["new_batch_status"] == "few_batches" and 0 < out["new_batch_window"] <= 30


def test_sentences_begin_with_the_new_batch(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = spoken(tmp_path, capsys, THREE)
    out = found(tmp_path, capsys, THREE)
    assert lines[0].startswith(f"New batch: {out['new_batch_window']} days")
    assert "To then its true mean is at least 5" in lines[0]
    text = " ".join(" ".join(lines).split())
    assert "These batches: 30 days, the last sampled." in text
    assert f"only later, at {np.floor(100 * out['crossing']) / 100:.2f} days" in text
    assert "Count 6 or more" in text
    assert "see no difference does not show that there is none" in text
    assert max(map(len, lines)) <= 80


def test_too_few_batches_say_nothing_of_a_new_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for lines, n in (([HEAD, *A], 1), ([HEAD, *A, *B], 2)):
        out = found(tmp_path, capsys, lines)
        assert (out["new_batch_window"], out["new_batch_status"]) == (None, "too_few_batches")
        text = " ".join(spoken(tmp_path, capsys, lines))
        assert text.startswith(f"New batch: not known. It takes 3 batches to say, and {n} w")


def test_hours_are_days_unless_they_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hours = ["time_h,log10_count", "0,7", "4,6.6", "8,6.1", "12,5.8", "24,4.7"]
    days, named = found(tmp_path, capsys, hours), found(tmp_path, capsys, hours, "--time", "time_h")
    assert (days["unit"], named["unit"], days["window"]) == ("d", "h", 0)
    assert named["crossing"] == pytest.approx(24 * days["crossing"], rel=1e-9)
    assert named["window"] == int(named["crossing"])
    assert "--time time_h" in " ".join(days["warnings"])


def test_plates_of_one_time_are_one_estimate(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Colonies over what the plates held, not the mean of logarithms."""
    lines = ["series,time_d,dilution,volume_ml,colonies", "A,0,1e-5,0.1,90", "A,0,1e-4,0.1,1010"]
    lines += ["A,10,1e-4,0.1,310", "A,20,1e-4,0.1,99", "A,30,1e-3,0.1,300"]
    out = found(tmp_path, capsys, lines)
    y = np.log10([1100 / 1.1e-5, 310 / 1e-5, 99 / 1e-5, 300 / 1e-4])
    assert [row[1] for row in out["rows"]["A"]] == pytest.approx(y, rel=1e-12)
    twin = mean_window({"A": (np.array([0.0, 10, 20, 30]), y)}, 5.0)
    assert out["crossing"] == pytest.approx(twin.crossing, rel=1e-9)


def test_counts_below_their_limit_end_a_series(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """They have no number; what lies after them would be the lucky ones; nothing runs past them."""
    died = [HEAD, *A, "A,40,<4.5", "A,50,4.6"]
    out, plain = found(tmp_path, capsys, died), found(tmp_path, capsys, [HEAD, *A])
    asked = found(tmp_path, capsys, died, "--extrapolate")
    assert out["crossing"] == plain["crossing"] == asked["crossing"]
    assert out["window"] == asked["window"] == 30
    assert "the 2 of 6 counts from there on are left out" in " ".join(out["warnings"])
    assert "not followed" in " ".join(asked["warnings"])
    late = found(tmp_path, capsys, [HEAD, *A, "A,31,<2"])
    assert "the crossing is too late" in " ".join(late["warnings"])


def test_order_of_rows_changes_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plain = found(tmp_path, capsys, THREE, "--pool", "separate")
    turned = found(tmp_path, capsys, [HEAD, *C[::-1], *A[::-1], *B[::-1]], "--pool", "separate")
    for name, at in plain["crossing_by_series"].items():
        assert turned["crossing_by_series"][name] == pytest.approx(at, rel=1e-9)
    assert turned["new_batch_window"] == plain["new_batch_window"]


@pytest.mark.parametrize(
    ("lines", "words", "said"),
    [
        ([HEAD, *A, A[1]], (), "repeats row 3 of A"),
        ([HEAD, "A,0,7.9", "A,10,6.9", "A,20,6.4", "A,30,6.3"], (), "The counts bend (F"),
        ([HEAD, "A,10,6.4", "A,20,5.9", "A,30,5.2"], (), "The first count is at 10 days"),
        ([HEAD, *A, *B[:3]], ("--pool", "separate"), "B to 20 days, others to 30; its own line"),
        (THREE, ("--extrapolate",), "No count was made past 30 days: the mean's window"),
        (THREE, ("--limit", "9"), "lies above every count (5.2 to 7.2)"),
        ([HEAD, *A, "B,0,7", "B,10,5.2", "B,20,3.1"], ("--pool", "common"), "Slopes differ"),
        ([HEAD, *A[:2], *B[:2]], ("--pool", "common"), "--pool common decides"),
        ([HEAD, *A[:2], *B[:2]], ("--pool", "common"), "too few to see whether the counts bend"),
    ],
)
def test_what_is_to_be_minded(
    lines: list[str],
    words: tuple[str, ...],
    said: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert said in " ".join(found(tmp_path, capsys, lines, *words)["warnings"])
    assert said in " ".join(" ".join(spoken(tmp_path, capsys, lines, *words)).split())


@pytest.mark.parametrize(
    ("lines", "words", "said"),
    [
        ([HEAD, *A[:2]], (), "counts.csv: The 2 counts are used up by the line"),
        ([HEAD, *A, *B[:2]], ("--pool", "separate"), "B: The 2 counts"),
        ([HEAD, "A,0,6", "A,1,6", "A,2,6"], (), "All counts are the same"),
        ([HEAD, "A,0,<2", "A,1,<2", "A,2,<2"], (), "A: Counts above their limit"),
        ([*THREE, "D,0,<2", "D,10,<2"], (), "D: Counts above their limit"),
        ([HEAD, *A, "B,5,6", "B,5,6.1"], (), "B: All counts are of one time"),
        (["time_d,time_h,log10_count", "0,0,7"], (), "two units for one time"),
        (["time_d,time_h,log10_count", "0,0,7"], ("--series", "time_h"), "Say which with --time"),
        (["time_d,temp_c,log10_count", "0,5,7", "5,20,6"], (), "2 temperatures, 5 to 20 °C"),
        (["batch,time_d,log10_count", "1,0,7"], (), "say --series batch"),
        (
            [HEAD, "A,-1,7", "A,nan,6", "A,2,NaN", "A,3,", ",4,5"],
            (),
            "counts.csv, row 2, column time_d, value '-1': The time is below zero.",
        ),
        ([HEAD, "A,-1,7", "A,nan,6"], (), "row 3, column time_d, value 'nan'"),
        (["time_d,v", "0,7", "-4,6"], ("--response", "v"), "row 3, column time_d, value '-4'"),
        (["time_d,v", "0,7", "4,x"], ("--response", "v"), "row 3, column v, value 'x'"),
        (["time_d,v", "0,7", "4,"], ("--response", "v"), "The response is empty"),
        (["b,time_d,v", ",0,7"], ("--response", "v", "--series", "b"), "row 2, column b"),
        (["time_d,v,unit", "0,7,%", "4,6,g"], ("--response", "v"), "% (row 2), g (row 3)"),
        (["time_d,v", "0,7"], ("--response", "w"), "no column 'w'"),
        (["month,log10_count", "0,7"], ("--series", "month"), "no column 'time_d'"),
        (["t,dilution,volume_ml,colonies", "0,1,1,1"], ("--time", "t"), "leave --time and"),
        (THREE, ("--limit", "1e5"), "Write its logarithm: 5.00"),
        (THREE, ("--limit", "nan"), "The limit is no number"),
        (THREE, ("--confidence", "0.4"), "--confidence"),
        (THREE, ("--figure", "window.doc"), ".png, .svg, .pdf"),
        (THREE, ("--figure", "nowhere/window.png"), "There is no folder"),
    ],
)
def test_bad_input_is_refused(
    lines: list[str],
    words: tuple[str, ...],
    said: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert said in complaint(tmp_path, capsys, lines, *words)


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        ((), ["limit 5", "window 30 days", "95 % lower limit", "new batch, 90 %", "time, days"]),
        (("--pool", "separate"), ["95 % lower limit of C", "A", "B", "C"]),
        (("--limit", "8"), ["limit 8"]),
        (("--limit", "9", "--side", "upper"), ["95 % upper limit", "window 30 days"]),
    ],
)
def test_the_figure_shows_what_ends_the_window(
    words: tuple[str, ...], shown: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "window.svg"
    spoken(tmp_path, capsys, THREE, *words, "--figure", str(path))
    root = ET.parse(path).getroot()
    texts = [e.text for e in root.iter() if e.tag.endswith("text")]
    assert set(shown) <= set(texts)
    assert "log10_count along time" in root.attrib["aria-label"]


def test_names_of_a_user_stay_text(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = "<script>x</script>"
    lines = [HEAD, *(row.replace("A,", f"{name},") for row in A), *B]
    path = tmp_path / "window.svg"
    spoken(tmp_path, capsys, lines, "--pool", "separate", "--figure", str(path))
    text = path.read_text(encoding="utf-8")
    assert "&lt;script&gt;" in text and "<script" not in text


@pytest.mark.parametrize(("name", "magic"), [("w.png", b"\x89PNG"), ("w.PDF", b"%PDF")])
def test_figures_for_a_printer(
    name: str, magic: bytes, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / name
    last = " ".join(spoken(tmp_path, capsys, THREE, "--figure", str(path))[-2:])
    assert "Written:" in last and last.endswith(str(path))
    assert path.read_bytes().startswith(magic)
