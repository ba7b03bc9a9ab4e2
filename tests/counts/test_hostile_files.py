"""Files and options of a hostile or hurried user: refused or told in a sentence, never a crash."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path
from typing import Any

import pytest

from rhizoledger.cli.app import main

PLATES = "item,sample,dilution,volume_ml,colonies\nA,1,1e-6,0.1,50\nA,2,1e-6,0.1,150\n"
TUBES = "item,amount,tubes,positive"
Capture = pytest.CaptureFixture[str]


def file(folder: Path, text: str, name: str = "rows.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def refused(capsys: Capture, *words: object) -> str:
    assert main([str(word) for word in words]) == 2
    return " ".join(capsys.readouterr().err.split())


def counted(capsys: Capture, *words: object) -> dict[str, Any]:
    assert main([*(str(word) for word in words), "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


@pytest.mark.parametrize("cell", ["2", "1", "yes", "Y", "TRUE", "pos", "Positive", "+"])
def test_a_control_that_grew_is_told(cell: str, tmp_path: Path, capsys: Capture) -> None:
    path = file(tmp_path, f"{TUBES},control_positive\nA,1,3,1,{cell}\n")
    (result,) = counted(capsys, "count", "mpn", path)["results"]
    assert "The control turned positive (row 2)" in result["warnings"][-1]


@pytest.mark.parametrize("cell", ["0", "no", "", "false"])
def test_a_clean_control_says_nothing(cell: str, tmp_path: Path, capsys: Capture) -> None:
    path = file(tmp_path, f"{TUBES},control_positive\nA,1,3,1,{cell}\n")
    (result,) = counted(capsys, "count", "mpn", path)["results"]
    assert result["warnings"] == []


@pytest.mark.parametrize("cell", ["perhaps", "-2", "0.5"])
def test_a_control_of_another_word_is_refused(cell: str, tmp_path: Path, capsys: Capture) -> None:
    path = file(tmp_path, f"{TUBES},control_positive\nA,1,3,1,{cell}\n")
    assert "row 2, column control_positive" in refused(capsys, "count", "mpn", path)


def test_a_column_that_is_not_used_is_said(tmp_path: Path, capsys: Capture) -> None:
    path = file(tmp_path, f"{TUBES},control_postive\nA,1,3,1,3\n")
    (said,) = counted(capsys, "count", "mpn", path)["warnings"]
    assert "'control_postive' is not used. Near name: 'control_positive'" in said
    path = file(tmp_path, "item,step,plants,nodulated,control\nA,1,4,2,1\n")
    (said,) = counted(capsys, "count", "infection", path, "--dilution-factor", 10)["warnings"]
    assert "'control' is not used" in said
    assert main(["count", "infection", str(path), "--dilution-factor", "10"]) == 0
    assert said in " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(
    ("words", "head", "rows"),
    [
        (("mpn",), "batch,amount,tubes,positive", ("A,1,3,1", "B,0.1,3,0")),
        (
            ("infection", "--dilution-factor", "10"),
            "lot,step,plants,nodulated",
            ("A,1,4,1", "B,2,4,0"),
        ),
    ],
)
def test_rows_of_several_batches_are_not_taken_for_one(
    words: tuple[str, ...], head: str, rows: tuple[str, str], tmp_path: Path, capsys: Capture
) -> None:
    path = file(tmp_path, "\n".join((head, *rows)))
    assert "none named item" in refused(capsys, "count", words[0], path, *words[1:])


@pytest.mark.parametrize("command", ["mpn", "plates"])
def test_a_lone_point_among_semicolons_may_be_thousands(
    command: str, tmp_path: Path, capsys: Capture
) -> None:
    heads = {"mpn": TUBES, "plates": "item,dilution,volume_ml,colonies"}
    rows = {"mpn": "A;1.000;3;1", "plates": "A;1;1.000;40"}
    text = f"{heads[command].replace(',', ';')}\n{rows[command]}\n"
    path = file(tmp_path, text)
    assert "This may be 1000 or 1." in refused(capsys, "count", command, path)
    # One unmistakable point elsewhere settles it, and so does a comma between the cells.
    more = {"mpn": "B;0.1;3;0", "plates": "B;1;0.1;40"}[command]
    counted(capsys, "count", command, file(tmp_path, f"{text}{more}\n"))
    counted(capsys, "count", command, file(tmp_path, text.replace(";", ",")))


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("plates FILE --between-sd 400", "from 0 to 2"),
        ("plates FILE --between-sd 25", "Is this log10, or a percentage?"),
        ("plates FILE --level 0.99999999999999", "Must be <= 0.9999"),
        ("plates FILE --level 1e-13", "Must be >="),
        ("guarantee FILE --guarantee 1e308", "from 1e-06 to 1e+15"),
        ("guarantee FILE --guarantee 1e9 --confidence 0.99999999999999", "at most 0.999999"),
        ("guarantee FILE --guarantee 1e9 --between-sd 400", "from 0 to 2"),
        ("guarantee FILE --guarantee 1e9 --plan n=5,c=0,m=1e308", "m is 1e+308"),
        ("guarantee FILE --guarantee 1e9 --good 1e308 --bad 1e8", "--good is 1e+308"),
        ("guarantee FILE --guarantee 1e9 --producer-risk 0.01", "need --good and --bad"),
        ("guarantee FILE --guarantee 1e9 --user-risk 0.01", "need --good and --bad"),
        ("plan --low 1e8 --high 1e9 --code A17", "Say with --out"),
        ("plan --low 1e8 --high 1e9 --country US", "Say with --out"),
        ("plan --low 1e-300 --high 1e-299", "--low is 1e-300"),
        ("plan --low 1e8 --high 1e9 --basis seed --wash-ml 1e-300 --seeds 100", "--wash-ml is"),
        ("infection --codes 3,1 --plants 4 --dilution-factor 10 --volume 1e300", "up to 1000"),
        ("infection-plan --expected 1e9 --spread 1e308", "from 1 to 1e+30"),
        ("mpn --design 1:10 --positive 0 --bound-alpha 1e-17", "Must be >= 1e-06"),
        ("mpn-table --design 1:1000,0.1:1000", "more codes than a table can hold (200000)"),
    ],
)
def test_numbers_and_options_out_of_range(
    words: str, said: str, tmp_path: Path, capsys: Capture
) -> None:
    path = str(file(tmp_path, PLATES))
    told = refused(capsys, "count", *(path if w == "FILE" else w for w in words.split()))
    assert said in told


@pytest.mark.parametrize(
    ("row", "column"),
    [
        ("A,1,1e-6,1e300,50", "volume_ml"),
        ("A,1,1e-6,1e-300,50", "volume_ml"),
        ("A,1,1e-300,0.1,50", "dilution"),
        (f"A,{'s' * 65},1e-6,0.1,50", "sample"),
    ],
)
def test_plates_out_of_range(row: str, column: str, tmp_path: Path, capsys: Capture) -> None:
    path = file(tmp_path, f"item,sample,dilution,volume_ml,colonies\n{row}\n")
    assert f"row 2, column {column}" in refused(capsys, "count", "plates", path)


def test_limits_that_no_float_holds_are_open(tmp_path: Path, capsys: Capture) -> None:
    path = file(tmp_path, PLATES)
    (result,) = counted(capsys, "count", "plates", path, "--level", 0.9999)["results"]
    assert result["estimate"]["high"] is None  # t on one df reaches beyond 10^308
    words = ("count", "guarantee", path, "--guarantee", 1e9, "--confidence", 0.999999)
    (lot,) = counted(capsys, *words)["results"]
    assert lot["high"] is None and lot["decision"] == "not shown"


def test_a_country_without_rows_is_said(tmp_path: Path, capsys: Capture) -> None:
    words = ("count", "plan", "--low", 1e8, "--high", 1e9, "--out", tmp_path, "--country")
    assert "'Atlantis'" in counted(capsys, *words, "Atlantis")["warnings"][-1]
    assert counted(capsys, *words, "Canada")["warnings"] == []


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs a system with pipes")
@pytest.mark.parametrize("command", ["mpn", "plates"])
def test_what_is_no_regular_file_is_not_waited_for(
    command: str, tmp_path: Path, capsys: Capture
) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "folder.csv").mkdir()
    for name in ("pipe.csv", "folder.csv"):
        assert "not a regular file" in refused(capsys, "count", command, tmp_path / name)
    if Path("/dev/zero").exists():
        assert "not a regular file" in refused(capsys, "count", command, "/dev/zero")


def test_tabs(tmp_path: Path, capsys: Capture) -> None:
    path = file(tmp_path, "item\tamount\ttubes\tpositive\nA\t1\t10\t5\n", "rows.tsv")
    (result,) = counted(capsys, "count", "mpn", path)["results"]
    assert result["item"] == "A" and result["tubes"] == [10]


@pytest.mark.parametrize("above", ["sep=;", "Counts of May;;;", "Counts of May", "Counts of May\n"])
def test_a_line_above_the_header_is_one_problem(
    above: str, tmp_path: Path, capsys: Capture
) -> None:
    path = file(tmp_path, f"{above}\nitem;amount;tubes;positive\nA;1;3;1\nB;1;3;1\n")
    said = refused(capsys, "count", "mpn", path)
    assert said.count("Row 1 is not the header") == 1 and "problems" not in said


def test_no_remedy_leaves_a_required_cell_empty(tmp_path: Path, capsys: Capture) -> None:
    for command, text in (
        ("mpn", f"{TUBES}\nA,x,3,1\n"),
        ("plates", "item,dilution,volume_ml,colonies\nA,x,0,4\n"),
    ):
        said = refused(capsys, "count", command, file(tmp_path, text))
        assert "number" in said and "empty" not in said


@pytest.mark.parametrize("sign", ["\u202e", "\u2066", "\x1b[31m", "\x07", "\x85"])
@pytest.mark.parametrize("place", ["cell", "header"])
def test_signs_that_turn_or_hide_text_are_refused(
    sign: str, place: str, tmp_path: Path, capsys: Capture
) -> None:
    head, item = (TUBES, f"A{sign}B") if place == "cell" else (f"{TUBES},no{sign}te", "A")
    path = file(tmp_path, f"{head}\n{item},1,3,1{',x' if place == 'header' else ''}\n")
    said = refused(capsys, "count", "mpn", path)
    assert "turns text around" in said and sign not in said


def test_names_of_any_script(tmp_path: Path, capsys: Capture) -> None:
    names = ["Партия 7", "批次一", "पौधा", "A\u0301cre"]
    rows = "".join(f"{name},1e-6,0.1,50\n" for name in names)
    path = file(tmp_path, f"item,dilution,volume_ml,colonies\n{rows}")
    results = counted(capsys, "count", "plates", path)["results"]
    assert [r["item"] for r in results] == names


def test_long_names_are_cut(tmp_path: Path, capsys: Capture) -> None:
    for words, text in (
        (("mpn",), f"{TUBES}\n{'L' * 300},1,3,1\n"),
        (
            ("infection", "--dilution-factor", "10"),
            f"item,step,plants,nodulated\n{'L' * 300},1,4,1\n",
        ),
    ):
        path = file(tmp_path, text)
        assert main(["count", words[0], str(path), *words[1:]]) == 0
        lines = capsys.readouterr().out.splitlines()
        assert max(map(len, lines)) <= 80 and lines[0].endswith("…:")


def test_alike_items_are_counted_once(tmp_path: Path, capsys: Capture) -> None:
    rows = "".join(f"I{i},{z},3,{x}\n" for i in range(3000) for z, x in ((1, 3), (0.1, i % 4)))
    path = file(tmp_path, f"{TUBES}\n{rows}")
    start = time.process_time()
    results = counted(capsys, "count", "mpn", path)["results"]
    assert time.process_time() - start < 3
    for i in (1, 2):
        assert results[i]["mpn"] == results[i + 2996]["mpn"]
        assert results[i]["warnings"] is not results[i + 2996]["warnings"]


def test_rows_beyond_the_limit_are_refused(tmp_path: Path, capsys: Capture) -> None:
    path = file(tmp_path, "item,step,plants,nodulated\n" + "A,1,4,1\n" * 50_001)
    said = refused(capsys, "count", "infection", path, "--dilution-factor", 10)
    assert "50001 rows; this command takes up to 50000" in said
