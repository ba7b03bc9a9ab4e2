"""``survival fit``: what it prints, what may not change it, and what it says of bad input."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.stats import t as student

from rhizoledger.cli.app import main

FIT_KEYS = {
    *("series", "model", "likelihood", "parameters", "sigma", "rss", "loglik", "aicc", "n"),
    *("n_censored", "status", "warnings"),
}
NAMES = {
    "loglinear": ["log10_n0", "d_d"],
    "weibull": ["log10_n0", "delta_d", "p"],
    "biphasic": ["log10_n0", "fraction_fragile", "k1_per_d", "k2_per_d"],
    "shoulder": ["log10_n0", "k_max_per_d", "shoulder_d"],
    "tail": ["log10_n0", "k_max_per_d", "log10_n_res"],
    "shoulder_tail": ["log10_n0", "k_max_per_d", "shoulder_d", "log10_n_res"],
}
ROWS = ["0,7.1", "3,6.7", "6,6.5", "9,6.05", "12,5.8", "15,5.6", "20,4.9", "25,4.5"]
PLAIN = ["time_d,log10_count", *ROWS]


def write(folder: Path, lines: list[str]) -> str:
    path = folder / "counts.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return str(path)


def found(
    folder: Path, capsys: pytest.CaptureFixture[str], lines: list[str], *words: str
) -> dict[str, Any]:
    assert main(["survival", "fit", write(folder, lines), *words, "--json"]) == 0
    out = json.loads(capsys.readouterr().out)
    assert isinstance(out, dict)
    return out


def complaint(
    folder: Path, capsys: pytest.CaptureFixture[str], lines: list[str], *words: str
) -> str:
    assert main(["survival", "fit", write(folder, lines), *words]) == 2
    caught = capsys.readouterr()
    assert caught.out == ""
    return " ".join(caught.err.split())


def test_json_has_the_promised_keys(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = found(tmp_path, capsys, PLAIN)
    assert set(out) >= {"fits", "best", "within_2_aicc"}
    assert {fit["model"] for fit in out["fits"]} == set(NAMES)
    for fit in out["fits"]:
        assert set(fit) >= FIT_KEYS
        assert list(fit["parameters"]) == NAMES[fit["model"]]
        for p in fit["parameters"].values():
            assert set(p) >= {"value", "se", "low", "high"}
    assert out["best"][""] in out["within_2_aicc"][""]
    best = min(fit["aicc"] for fit in out["fits"] if fit["aicc"] is not None)
    near = [f["model"] for f in out["fits"] if f["aicc"] is not None and f["aicc"] - best <= 2]
    assert out["within_2_aicc"][""] == near


def test_a_line_has_students_interval_and_least_squares_numbers(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (fit,) = found(tmp_path, capsys, PLAIN, "--model", "loglinear", "--level", "0.9")["fits"]
    x, y = np.array([[float(c) for c in row.split(",")] for row in ROWS]).T
    (slope, start), cov = np.polyfit(x, y, 1, cov=True)
    half = student.ppf(0.95, len(x) - 2) * np.sqrt(cov[0, 0])
    d = fit["parameters"]["d_d"]
    assert d["value"] == pytest.approx(-1 / slope, rel=1e-9)
    assert (d["low"], d["high"]) == pytest.approx(
        (1 / (half - slope), 1 / (-half - slope)), rel=1e-5
    )
    assert fit["parameters"]["log10_n0"]["value"] == pytest.approx(start, rel=1e-9)
    assert fit["parameters"]["log10_n0"]["se"] == pytest.approx(np.sqrt(cov[1, 1]), rel=1e-6)
    rss = float(((y - start - slope * x) ** 2).sum())
    n, k = len(x), 3  # start, slope and sigma
    loglik = -0.5 * n * (np.log(2 * np.pi * rss / n) + 1)
    assert fit["rss"] == pytest.approx(rss, rel=1e-9)
    assert fit["loglik"] == pytest.approx(loglik, rel=1e-9)
    assert fit["aicc"] == pytest.approx(
        2 * k - 2 * loglik + 2 * k * (k + 1) / (n - k - 1), rel=1e-9
    )


def test_order_and_unit_of_time_change_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = found(tmp_path, capsys, PLAIN, "--model", "weibull")["fits"][0]
    turned = found(tmp_path, capsys, [PLAIN[0], *reversed(ROWS)], "--model", "weibull")["fits"][0]
    hours = [f"{float(t) * 24:g},{y}" for t, y in (row.split(",") for row in ROWS)]
    in_hours = found(tmp_path, capsys, ["time_h,log10_count", *hours], "--model", "weibull")
    for other in (turned, in_hours["fits"][0]):
        for name, p in plain["parameters"].items():
            for key, x in p.items():
                assert other["parameters"][name][key] == pytest.approx(x, rel=1e-4), (name, key)


def test_series_are_fitted_apart(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    both = [f"A,{row}" for row in ROWS] + [f"B,{row}" for row in ROWS[:6]]
    out = found(tmp_path, capsys, ["series,time_d,log10_count", *both], "--model", "loglinear")
    alone = found(tmp_path, capsys, PLAIN, "--model", "loglinear")
    assert list(out["best"]) == ["A", "B"]
    assert out["fits"][0]["parameters"] == alone["fits"][0]["parameters"]
    assert [fit["n"] for fit in out["fits"]] == [8, 6]


def test_a_limit_is_no_count(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Counts below 1.30 make the fall no slower, where taking 1.30 for a count would."""
    rows = ["0,6", "2,5.1", "4,3.9", "6,3.1", "8,2.0"]
    limits, taken = ["20,<1.30", "30,<1.30"], ["20,1.30", "30,1.30"]
    words = ("--model", "loglinear")
    with_limits = found(tmp_path, capsys, [PLAIN[0], *rows, *limits], *words)["fits"][0]
    as_counts = found(tmp_path, capsys, [PLAIN[0], *rows, *taken], *words)["fits"][0]
    without = found(tmp_path, capsys, [PLAIN[0], *rows], *words)["fits"][0]
    d = [fit["parameters"]["d_d"]["value"] for fit in (with_limits, without, as_counts)]
    assert with_limits["n_censored"] == 2
    assert d[0] == pytest.approx(d[1], rel=1e-3)
    assert d[2] > 2 * d[1]


PLATES = ["time_d,dilution,volume_ml,colonies"]
CLEAN = ["0,1e-4,0.1,98", "0,1e-4,0.1,104", "5,1e-3,0.1,310", "5,1e-3,0.1,322", "10,1e-3,0.1,99"]
ROUGH = ["0,1e-4,0.1,60", "0,1e-4,0.1,170", "5,1e-3,0.1,200", "5,1e-3,0.1,480", "10,1e-3,0.1,50"]


def test_plates_that_scatter_too_much_are_only_warned_of(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("--model", "loglinear")
    clean = found(tmp_path, capsys, [*PLATES, *CLEAN, "10,1e-3,0.1,101"], *words)["fits"][0]
    rough = found(tmp_path, capsys, [*PLATES, *ROUGH, "10,1e-3,0.1,190"], *words)["fits"][0]
    nb = found(
        tmp_path, capsys, [*PLATES, *ROUGH, "10,1e-3,0.1,190"], *words, "--likelihood", "nb"
    )["fits"][0]
    assert clean["likelihood"] == "poisson" and clean["warnings"] == []
    assert rough["status"] == "ok" and "nb" in " ".join(rough["warnings"])
    assert nb["likelihood"] == "nb" and nb["nb_k"] > 0 and nb["loglik"] > rough["loglik"]
    width = [f["parameters"]["d_d"]["high"] - f["parameters"]["d_d"]["low"] for f in (nb, rough)]
    assert width[0] > 2 * width[1]


def kept(temps: tuple[int, ...], series: bool) -> list[str]:
    head = "series," if series else ""
    lines = [f"{head}time_d,temp_c,log10_count"]
    wobble = [0.05, -0.04, 0.02, -0.06, 0.03]
    for temp in temps:
        for t, w in zip((0, 3, 6, 10, 15), wobble, strict=True):
            name = f"at {temp}," if series else ""
            lines.append(f"{name}{t},{temp},{7 + w - t / 12 * 10 ** ((temp - 20) / 30):.3f}")
    return lines


def test_a_column_of_temperatures_is_fitted_with_the_curve(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = kept((10, 20, 30), False)
    (fit,) = found(tmp_path, capsys, lines, "--model", "loglinear")["fits"]
    assert list(fit["parameters"]) == ["log10_n0", "d_ref_d", "z_c"]
    assert fit["parameters"]["d_ref_d"]["low"] < 12 < fit["parameters"]["d_ref_d"]["high"]
    assert fit["parameters"]["z_c"]["low"] < 30 < fit["parameters"]["z_c"]["high"]
    words = ("--model", "loglinear", "--secondary", "arrhenius", "--t-ref", "50")
    (other,) = found(tmp_path, capsys, lines, *words)["fits"]
    assert list(other["parameters"]) == ["log10_n0", "d_ref_d", "ea_kj_per_mol"]
    assert "extrapolated" in " ".join(other["warnings"])


def test_the_reference_temperature_only_says_where_d_is_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines, words = kept((10, 20, 30), False), ("--model", "loglinear", "--t-ref")
    at20, at25 = (found(tmp_path, capsys, lines, *words, t)["fits"][0] for t in ("20", "25"))
    z = at20["parameters"]["z_c"]["value"]
    ratio = at20["parameters"]["d_ref_d"]["value"] / at25["parameters"]["d_ref_d"]["value"]
    assert at25["loglik"] == pytest.approx(at20["loglik"], abs=1e-8)
    assert ratio == pytest.approx(10 ** (5 / z), rel=1e-6)


def test_series_of_one_temperature_each_are_fitted_together(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (fit,) = found(tmp_path, capsys, kept((10, 30), True), "--model", "loglinear")["fits"]
    assert set(fit["parameters"]) == {"log10_n0[at 10]", "log10_n0[at 30]", "d_ref_d", "z_c"}


@pytest.mark.parametrize(
    ("lines", "words", "said"),
    [
        (["0,7", "5,6"], (), ["2 parameters", "First", "Second", "Third"]),
        (["0,7", "3,7", "5,7", "9,7"], (), ["All counts are the same", "First", "Second"]),
        (["0,<2", "3,<2", "5,<2", "9,<2"], (), ["below its limit", "First", "Second"]),
        (
            ["0,7", "-3,y", "x,5"],
            (),
            ["row 3, column time_d", "below zero", "row 3, column log10_count", "row 4"],
        ),
        (["0,7000000", "3,6", "5,5"], (), ["too large for a log10 count"]),
        (["0,7", "3,>6", "5,5"], (), ["above a limit"]),
        (["0,7", "3,", "5,5"], (), ["The count is empty"]),
        (["0,7", "0,6.8", "0,7.1", "0,6.9"], (), ["different times"]),
        (ROWS, ("--likelihood", "nb"), ["--likelihood is for plates"]),
        (ROWS, ("--secondary", "bigelow"), ["no column temp_c"]),
        (ROWS[:4], ("--model", "shoulder_tail"), ["4 parameters", "it needs 5"]),
    ],
)
def test_bad_counts_are_refused(
    lines: list[str],
    words: tuple[str, ...],
    said: list[str],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    text = complaint(tmp_path, capsys, [PLAIN[0], *lines], *words)
    for part in said:
        assert part in text


@pytest.mark.parametrize(
    ("lines", "said"),
    [
        (["time_d,time_h,log10_count", "0,0,7"], "two units"),
        (["time_d,log10_count,colonies", "0,7,30"], "two kinds"),
        (["time_d,cfu", "0,7"], "no column 'log10_count'"),
        (["day,log10_count", "0,7"], "no column 'time_d'"),
        (["time_d,dilution,volume_ml,colonies", "0,10,0.1,30"], "at most 1"),
        (["time_d,dilution,volume_ml,colonies", "0,0.1,0.1,3.5"], "counted whole"),
        (["time_d,dilution,volume_ml,colonies", "0,0.1,0.1,TNTC"], "value 'TNTC'"),
        (["time_d,dilution,colonies", "0,0.1,3"], "no column 'volume_ml'"),
        (["series,time_d,log10_count", ",0,7"], "The series is empty"),
        (["time_d,temp_c,log10_count", "0,400,7"], "°C"),
    ],
)
def test_bad_tables_are_refused(
    lines: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert said in complaint(tmp_path, capsys, lines)


def test_a_series_without_a_fit_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lines = ["series,time_d,log10_count", *(f"A,{row}" for row in ROWS), "B,0,6"]
    assert "B: The loglinear model" in complaint(tmp_path, capsys, lines)


@pytest.mark.parametrize(
    ("rows", "model", "status", "said"),
    [
        (["0,5", "1,5.4", "2,5.9", "3,6.6", "4,7"], "loglinear", "no_decline", "do not fall"),
        (["0,7", "1,6.4", "2,6.1", "3,5.5", "4,5"], "loglinear", "ok", ""),
        (["0,7", "1,5.5", "2,5.1", "3,5", "4,4.7"], "shoulder", "at_bound", "shoulder is at"),
        (["0,7", "1,6.5", "2,6", "3,5.5", "4,5"], "loglinear", "ok", "to the last digit"),
        (["0,7", "1,6.9", "2,6.85", "3,6.7", "4,6.7"], "loglinear", "ok", "past the last count"),
    ],
)
def test_what_a_fit_does_not_know_is_said(
    rows: list[str],
    model: str,
    status: str,
    said: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (fit,) = found(tmp_path, capsys, [PLAIN[0], *rows], "--model", model)["fits"]
    assert fit["status"] == status
    assert said in " ".join(fit["warnings"])


def test_sentences_begin_with_the_answer(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["survival", "fit", write(tmp_path, [*PLAIN, ROWS[2]])]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].startswith("log-linear curve, the best of 6 models by AICc")
    assert "days for a tenfold fall, D: 9.5" in "\n".join(lines)
    assert "repeats row 4" in lines[-2] + lines[-1]
    assert max(map(len, lines)) <= 80


def refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], rows: list[str], *words: str
) -> str:
    path = tmp_path / "counts.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    assert main(["survival", "fit", str(path), *words]) == 2
    return " ".join(capsys.readouterr().err.split())


def warned(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], rows: list[str], *words: str
) -> list[str]:
    path = tmp_path / "counts.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    assert main(["survival", "fit", str(path), "--model", "loglinear", *words, "--json"]) == 0
    found: list[str] = json.loads(capsys.readouterr().out)["warnings"]
    return found


def test_columns_that_are_not_used_are_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = ["time_d,log10_count,temp,batch", *(f"{row},20,A" for row in ROWS)]
    temp, batch = warned(tmp_path, capsys, rows)
    assert "'temp' is not used. Near name: 'temp_c'" in temp and "'batch' is not used" in batch
    rows[-1] = rows[-1].replace("A", "B")
    assert "a column batch and none named series" in refused(tmp_path, capsys, rows)


def test_fahrenheit_is_asked_for_and_taken(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    temps = [68] * 4 + [77] * 4
    head = "time_d,log10_count"
    warm = [f"{head},temp_c", *(f"{row},{t}" for row, t in zip(ROWS, temps, strict=True))]
    assert "Is this °F? Use a column temp_f" in refused(tmp_path, capsys, warm)
    fits = []
    for name, values in (("temp_f", temps), ("temp_c", [(t - 32) / 1.8 for t in temps])):
        rows = [f"{head},{name}", *(f"{row},{t!r}" for row, t in zip(ROWS, values, strict=True))]
        path = tmp_path / f"{name}.csv"
        path.write_text("\n".join(rows) + "\n", encoding="utf-8")
        assert main(["survival", "fit", str(path), "--model", "loglinear", "--json"]) == 0
        fits.append(json.loads(capsys.readouterr().out)["fits"][0]["parameters"]["d_ref_d"])
    assert fits[0]["value"] == pytest.approx(fits[1]["value"], rel=1e-6)


@pytest.mark.parametrize("t_ref", ["nan", "68", "-40"])
def test_a_reference_that_no_cell_sees(
    t_ref: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "Is this °F?" in refused(tmp_path, capsys, PLAIN, "--t-ref", t_ref)


def test_a_reference_without_temperatures_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (said,) = warned(tmp_path, capsys, PLAIN, "--t-ref", "20")
    assert "--t-ref is not used" in said


@pytest.mark.parametrize(
    ("row", "column"),
    [("1,1e-3,0.1,2e6", "colonies"), ("1,1e-300,0.1,5", "dilution"), ("1,1,1e300,5", "volume_ml")],
)
def test_plates_out_of_range(
    row: str, column: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    said = refused(tmp_path, capsys, ["time_d,dilution,volume_ml,colonies", row])
    assert f"row 2, column {column}" in said


def test_replicate_plates_of_few_colonies_are_no_repeat(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    few = ["0,1e-3,0.1,50", "0,1e-3,0.1,50", "2,0.1,0.1,9", "3,0.1,0.1,0", "3,0.1,0.1,0"]
    many = ["1,1e-2,0.1,120", "1,1e-2,0.1,120"]
    head = "time_d,dilution,volume_ml,colonies"
    assert warned(tmp_path, capsys, [head, *few]) == []
    (said,) = warned(tmp_path, capsys, [head, *few, *many])
    assert "Row 8 repeats row 7" in said


def test_every_series_without_a_fit_is_a_problem_of_its_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "counts.csv"
    path.write_text("series,time_d,log10_count\nA,0,7\nB,0,7\n", encoding="utf-8")
    assert main(["survival", "fit", str(path), "--json"]) == 2
    problems = json.loads(capsys.readouterr().out)["problems"]
    assert [p["file"] for p in problems] == ["counts.csv, A", "counts.csv, B"]


def test_sentences_name_no_parameter_by_its_key(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "counts.csv"
    path.write_text("time_d,log10_count\n0,7\n3,6.9\n6,6.8\n9,6.75\n", encoding="utf-8")
    assert main(["survival", "fit", str(path), "--model", "loglinear"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "The time for a tenfold fall, D, is past the last count" in out and "d_d" not in out
