"""Windows against the shelf-life examples of a paper, for every way of pooling.

LeBlond, Griffith and Aubuchon 2011, J Valid Technol 17(3):47-68: values printed there, also
recomputed with own code that shares nothing with the program. Times are months.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rhizoledger.cli.app import main
from rhizoledger.survival.window import Interval, Pool, Side, Window, mean_window
from tests.published.printed import agrees, half_last_digit, rows

EXPECTED = rows("shelf_life_expected.csv")
DATA = rows("shelf_life_data.csv")
SIDES: dict[str, Side] = {"lower": "lower", "upper": "upper"}
INTERVALS: dict[str, Interval] = {
    "confidence": "confidence",
    "prediction": "prediction",
}
IDS = [row["id"] for row in EXPECTED]
every_row = pytest.mark.parametrize("row", EXPECTED, ids=IDS)


def chosen(row: dict[str, str]) -> list[dict[str, str]]:
    names = row["batches"].split(";")
    own = [r for r in DATA if r["dataset"] == row["dataset"]]
    return own if names == ["all"] else [r for r in own if r["batch"] in names]


def found(row: dict[str, str], pool: Pool = "auto", *, pooled_error: bool = False) -> Window:
    own = chosen(row)
    series = {
        name: (
            np.array([float(r["month"]) for r in own if r["batch"] == name]),
            np.array([float(r["value"]) for r in own if r["batch"] == name]),
        )
        for name in dict.fromkeys(r["batch"] for r in own)
    }
    window = mean_window(
        series,
        float(row["limit"]),
        side="two" if row["confidence_sides"] == "two" else SIDES[row["side"]],
        pool=pool,
        error="pooled" if pooled_error else "individual",
        interval=INTERVALS[row["interval"]],
    )
    assert window.side == row["side"]
    return window


def rounding_of_slope(row: dict[str, str]) -> float:
    """How far a slope may be off since the moistures were drawn and printed to five decimals."""
    own = [r for r in chosen(row) if r["response"] == "moisture"]
    t = np.array([float(r["month"]) for r in own])
    half = np.array([half_last_digit(r["value"]) for r in own])
    return float((np.abs(t - t.mean()) / ((t - t.mean()) ** 2).sum()) @ half) if own else 0.0


@every_row
def test_months_for_every_way_of_pooling(row: dict[str, str]) -> None:
    ways = {
        "months_common": found(row, "common"),
        "months_common_slope": found(row, "common_slope"),
        "months_separate_pooled_error": found(row, "separate", pooled_error=True),
        "months_separate": found(row, "separate"),
        "months_selected": found(row),
    }
    for name, window in ways.items():
        assert window.crossing is not None
        assert agrees(window.crossing, row[name]), name


@every_row
def test_which_lines_are_pooled_and_why(row: dict[str, str]) -> None:
    window = found(row)
    assert window.model == row["model"]
    assert window.slopes is not None and window.intercepts is not None
    assert agrees(window.slopes.f, row["f_slopes"])
    assert agrees(window.slopes.p, row["p_slopes"])
    assert agrees(window.intercepts.f, row["f_intercepts"])
    assert agrees(window.intercepts.p, row["p_intercepts"])


@pytest.mark.parametrize("row", [r for r in EXPECTED if r["printed_months"]], ids=lambda r: r["id"])
def test_what_the_paper_prints(row: dict[str, str]) -> None:
    window = found(row, pooled_error=True)  # as the paper has it
    assert window.crossing is not None
    assert agrees(window.crossing, row["printed_months"])
    lines = list(window.lines.values())
    if row["printed_slope"]:
        near = half_last_digit(row["printed_slope"]) + rounding_of_slope(row)
        assert lines[0].slope == pytest.approx(float(row["printed_slope"]), abs=near)
    if row["printed_start"]:
        assert agrees(lines[0].mean(0.0), row["printed_start"])


def test_the_command_says_the_same(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Its own columns are named; whole months stop at the last sampled one of the worst batch."""
    row = next(r for r in EXPECTED if r["model"] == "separate" and r["side"] == "upper")
    path = tmp_path / "related.csv"
    lines = [f"{r['batch']},{r['month']},{r['value']},{r['unit']}" for r in chosen(row)]
    path.write_text("\n".join(["batch,month,value,unit", *lines]) + "\n", encoding="utf-8")
    words = ["--limit", row["limit"], "--side", row["side"], "--response", "value"]
    assert main(["survival", "window", str(path), *words, "--time", "month", "--json"]) == 0
    out: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert agrees(out["crossing"], row["months_separate"])
    assert (out["model"], out["unit"], out["last_sampled"]) == ("separate", "month", 12.0)
    assert (out["window"], out["worst_series"]) == (12, "b8")
    assert agrees(out["poolability"]["slopes"]["p"], row["p_slopes"])
