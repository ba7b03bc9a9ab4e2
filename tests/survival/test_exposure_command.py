"""``survival exposure``: what it prints, what may not change it, and what it says of bad files."""

from __future__ import annotations

import json
import math
import sys
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from unittest.mock import patch

import polars as pl
import pytest

from rhizoledger.cli.app import main
from rhizoledger.season import logger_stream
from rhizoledger.survival.stream import bin_error
from rhizoledger.survival.stream_lines import add_lines, add_one_by_one
from rhizoledger.workflows import exposure_reading as reading

KEYS = {
    *("hours", "equivalent_days", "log10_reduction", "gaps", "min_c", "max_c", "zero_crossings"),
    *("hours_below_0", "histogram"),
}
START = datetime(2026, 5, 10)
TEMPS = [round(10 + 12 * math.sin(i / 23), 1) for i in range(1000)]
ROWS = [f"{START + timedelta(minutes=10 * i)},{t}" for i, t in enumerate(TEMPS)]
NOTHING = {"value": None, "low": None, "high": None}


def write(folder: Path, rows: list[str], name: str = "store.csv", header: str = "") -> str:
    path = folder / name
    path.write_text("\n".join([header or "time,temp_c", *rows]) + "\n", encoding="utf-8")
    return str(path)


def found(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    assert main(["survival", "exposure", *words, "--json"]) == 0
    out = json.loads(capsys.readouterr().out)
    assert isinstance(out, dict)
    return out


def said(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["survival", "exposure", *words]) == 0
    return " ".join(capsys.readouterr().out.split())


def complaint(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["survival", "exposure", *words]) == 2
    caught = capsys.readouterr()
    assert caught.out == ""
    return " ".join(caught.err.split())


def sums(out: dict[str, Any]) -> dict[str, Any]:
    """What may not depend on the kind of the file."""
    return {k: v for k, v in out.items() if k not in ("file", "input", "clock")}


def test_json_has_the_promised_keys_and_the_ramp_of_the_models(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    ramp = [f"{START + timedelta(hours=i)},{5 + 30 * i / 24}" for i in range(25)]
    out = found(capsys, write(tmp_path, ramp), "--z", "12", "--d-ref-d", "2")
    assert set(out) >= KEYS
    lost, days = out["log10_reduction"], out["equivalent_days"]
    assert lost["low"] <= 1.539709 + 5e-7 and lost["high"] >= 1.539709 - 5e-7  # §2.3
    assert lost["high"] / lost["low"] == pytest.approx(1 + bin_error(12.0), rel=1e-12)
    assert lost["value"] == days["value"] / 2
    assert (out["hours"], out["min_c"], out["max_c"], out["gaps"]) == (24.0, 5.0, 35.0, [])
    histogram = out["histogram"]
    assert len(histogram["edges_c"]) == len(histogram["hours"]) + 1
    assert math.fsum(histogram["hours"]) == pytest.approx(24.0, rel=1e-12)
    assert sum(histogram["ticks_ms"]) == 86_400_000
    text = said(capsys, write(tmp_path, ramp), "--z", "12", "--d-ref-d", "2")
    assert text.startswith("It aged by 3.08 days at 20 °C. That is 1.54 log10 lost")
    assert "yours; whether that holds at 5 to 35 °C is not checked" in text


def test_without_a_z_no_days_are_said_and_the_rest_stands(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = write(tmp_path, ROWS)
    out = found(capsys, file, "--d-ref-d", "2")
    assert out["equivalent_days"] == out["log10_reduction"] == NOTHING
    assert out["hours"] == pytest.approx(999 / 6)
    assert out["zero_crossings"] == sum((a < 0) != (b < 0) for a, b in pairwise(TEMPS))
    assert "Equivalent days and the log loss need a z" in said(capsys, file, "--d-ref-d", "2")


def test_a_gap_is_listed_and_nothing_is_known_until_it_is_bounded(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = write(tmp_path, [*ROWS[:300], *ROWS[360:]])
    z = ("--z", "12", "--d-ref-d", "2")
    out = found(capsys, file, *z)
    assert out["equivalent_days"] == out["log10_reduction"] == NOTHING
    (gap,) = out["gaps"]
    assert gap["hours"] == out["gap_hours"] == pytest.approx(61 / 6)
    assert (gap["start"], gap["low_c"]) == ("2026-05-12 01:50:00", None)
    assert out["hours"] == pytest.approx(999 / 6)
    assert said(capsys, file, *z).startswith("Not known: 10.2 h have no temperature")
    bounded = found(capsys, file, *z, "--gap-low", "4", "--gap-high", "40")
    days, covered = bounded["equivalent_days"], bounded["covered"]["equivalent_days"]["value"]
    held = [gap["hours"] / 24 * 10 ** ((t - 20) / 12) for t in (4, 40)]
    assert days["high"] == days["value"] == pytest.approx(covered + held[1], rel=bin_error(12))
    low = (covered + held[0]) / (1 + bin_error(12))
    assert days["low"] == pytest.approx(low, rel=bin_error(12))
    assert "the worse decides" in said(capsys, file, *z, "--gap-low", "4", "--gap-high", "40")
    joined = found(capsys, file, *z, "--max-gap", "11")
    assert joined["gaps"] == [] and joined["equivalent_days"]["value"] is not None


def test_sparse_readings_are_joined_by_their_own_median(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    hours = [3 * i for i in range(20)] + [66, 69, 82]
    rows = [f"{START + timedelta(hours=h)},{h % 7}" for h in hours]
    out = found(capsys, write(tmp_path, rows))
    assert [gap["hours"] for gap in out["gaps"]] == [13.0]  # 9 h is three spacings, not more
    assert out["longest_line_h"] == 9.0


def test_parquet_fahrenheit_offsets_and_small_pieces_give_the_same_sums(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    expected = sums(found(capsys, write(tmp_path, ROWS), "--z", "12"))
    times = [START + timedelta(minutes=10 * i) for i in range(len(TEMPS))]
    frame = pl.DataFrame({"time": times, "temp_c": TEMPS})
    forms = {
        "plain": frame,
        "float": frame.with_columns(pl.col("temp_c").cast(pl.Float32)),
        "ms": frame.with_columns(pl.col("time").dt.cast_time_unit("ms")),
        "text": frame.with_columns(pl.col("time").dt.to_string("%Y-%m-%dT%H:%M")),
        "utc": frame.with_columns(pl.col("time").dt.replace_time_zone("UTC")),
        "degf": frame.select("time", (pl.col("temp_c") * 1.8 + 32).alias("temp_f")),
    }
    with (
        patch.object(logger_stream, "PIECE_BYTES", 500),
        patch.object(logger_stream, "PIECE_ROWS", 64),
    ):
        for name, form in forms.items():
            path = tmp_path / f"{name}.parquet"
            form.write_parquet(path, row_group_size=300)
            assert sums(found(capsys, str(path), "--z", "12")) == expected, name
        assert sums(found(capsys, write(tmp_path, ROWS), "--z", "12")) == expected
        offset = [r.replace(",", "+00:00,") for r in ROWS]
        out = found(capsys, write(tmp_path, offset), "--z", "12")
        assert sums(out) == expected and out["clock"] == "UTC"
    in_f = [f"{t},{c * 1.8 + 32:.6f}" for t, c in zip(times, TEMPS, strict=True)]
    assert "looks like °F" in said(capsys, write(tmp_path, in_f))
    assert sums(found(capsys, write(tmp_path, in_f), "--fahrenheit", "--z", "12")) == expected


def test_items_and_files_are_records_of_their_own(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    one, two = ROWS[:400], [f"{r.rsplit(',')[0]},21.5" for r in ROWS[:300]]
    alone = [sums(found(capsys, write(tmp_path, rows))) for rows in (one, two)]
    mixed = [f"A,{r}" for r in one] + [f"B,{r}" for r in two]
    woven = sorted(mixed, key=lambda r: r.split(",")[1])
    extra = [f"C,{r}" for r in ROWS]
    folder = tmp_path / "several"
    folder.mkdir()
    for rows, waiting in ((mixed, 1), (woven, 1), (woven, 10**6), (woven + extra, 10**6)):
        path = write(tmp_path, rows, header="item,time,temp_c")
        with (
            patch.object(reading, "MOST_WAITING", waiting),
            patch.object(logger_stream, "PIECE_BYTES", 9000),
        ):
            out = found(capsys, path)["records"][:2]
        assert [r["item"] for r in out] == ["A", "B"]
        assert [sums(r) | {"item": None} for r in out] == alone
    write(folder, one, "a.csv")
    write(folder, two, "b.csv")
    (folder / "notes.txt").write_text("not a record", encoding="utf-8")
    out = found(capsys, str(folder))["records"]
    assert [r["file"] for r in out] == ["a.csv", "b.csv"]
    assert [sums(r) for r in out] == alone
    assert said(capsys, str(folder)).startswith("a.csv: 66.5 h from")


def test_what_is_doubtful_is_told_and_nothing_is_dropped(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    stuck = [*ROWS[:100], *(f"{r.rsplit(',')[0]},7.5" for r in ROWS[100:400]), *ROWS[400:]]
    assert "the longest stands for 50 h at 7.5 °C" in said(capsys, write(tmp_path, stuck))
    doubled = [*ROWS[:300], ROWS[299].rsplit(",")[0] + ",39", *ROWS[300:]]
    out = found(capsys, write(tmp_path, doubled))
    assert out["readings"] == 1001 and out["max_c"] == 39.0
    assert [w.split(",")[0] for w in out["warnings"]] == [
        "At the same moment as the row before: 1 row",
        "A change of 10 °C or more within half an hour",
    ]
    skipped = [*ROWS[:12], *ROWS[18:]]
    assert "skips an hour, once, first after 2026-05-10 01:50" in said(
        capsys, write(tmp_path, skipped)
    )
    holes = [*ROWS[:5], ROWS[5].rsplit(",")[0] + ",", *ROWS[6:]]
    assert "for want of a temperature: 1 row" in said(capsys, write(tmp_path, holes))
    assert "There is one reading" in said(capsys, write(tmp_path, ROWS[:1]), "--z", "12")
    assert "not quantified" in said(capsys, write(tmp_path, ROWS))


@pytest.mark.parametrize(
    ("rows", "where", "what"),
    [
        ([*ROWS[:100], *ROWS[50:]], "row 102, column time", "runs backwards: 2026-05-10 16:30"),
        ([*ROWS[:100], *ROWS[96:]], "row 102, column time", "If clocks went back here, export"),
        ([*ROWS[:5], "2026-05-10 00:50,cold"], "row 7, column temp_c", "not a temperature"),
        ([*ROWS[:5], "2026-05-10 00:50,900"], "row 7, column temp_c", "outside -60 to 120 °C"),
        ([*ROWS[:5], "2026-05-10 00:50,9,5"], "row 7", "3 cells, the header 2"),
        ([*ROWS[:5], "10/05/2026 00:50,9"], "row 7, column time", "not a date and time"),
        ([*ROWS[:5], "2026-05-10 00:50Z,9"], "row 7, column time", "some have none"),
        ([*ROWS[:5], "0126-05-10 00:50,9"], "row 7, column time", "not a date and time"),
        ([], "store.csv", "holds no readings"),
    ],
)
@pytest.mark.parametrize("piece_bytes", [100, 10**6])
def test_a_bad_row_is_named_with_its_place(
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    rows: list[str],
    where: str,
    what: str,
    piece_bytes: int,
) -> None:
    with patch.object(logger_stream, "PIECE_BYTES", piece_bytes):
        text = complaint(capsys, write(tmp_path, rows))
    assert where in text and what in text


def test_a_row_without_an_end_is_refused_before_it_fills_memory(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = write(tmp_path, [*ROWS[:3], "2026-05-10 00:30,1" + "1" * 4000])
    with patch.object(logger_stream, "PIECE_BYTES", 200):
        assert "row 5: The row has no end" in complaint(capsys, file)


def test_files_and_options_that_cannot_be_used(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert "no column temp_c or temp_f" in complaint(
        capsys, write(tmp_path, ROWS, header="time,warmth")
    )
    broken = tmp_path / "broken.parquet"
    broken.write_bytes(b"PAR1 and then nothing PAR1")
    assert "not a Parquet file that can be read" in complaint(capsys, str(broken))
    assert "no such file" in complaint(capsys, str(tmp_path / "nowhere.csv"))
    assert "neither CSV nor Parquet" in complaint(capsys, write(tmp_path, ROWS, "store.pdf"))
    (tmp_path / "nothing").mkdir()
    assert "holds neither CSV nor Parquet" in complaint(capsys, str(tmp_path / "nothing"))
    file = write(tmp_path, ROWS)
    assert "Give both" in complaint(capsys, file, "--gap-low", "4")
    assert "is above --gap-high" in complaint(capsys, file, "--gap-low", "9", "--gap-high", "4")
    assert "outside -60 to 120" in complaint(capsys, file, "--gap-low", "9", "--gap-high", "400")
    assert "A figure cannot be figure.gif" in complaint(
        capsys, file, "--figure", str(tmp_path / "figure.gif")
    )
    nobody = [f"A,{ROWS[0]}", f",{ROWS[1]}"]
    path = write(tmp_path, nobody, header="item,time,temp_c")
    assert "row 3, column item: The reading has no item" in complaint(capsys, path)
    huge = pl.DataFrame({"time": [START.replace(tzinfo=UTC)] * 10, "temp_c": [1.0] * 10})
    huge.write_parquet(tmp_path / "huge.parquet")
    with patch.object(logger_stream, "MOST_ROWS_IN_GROUP", 9):
        text = complaint(capsys, str(tmp_path / "huge.parquet"))
    assert "Row group 1 has 10 rows" in text and "row_group_size" in text


def test_parquet_rows_are_named_as_a_spreadsheet_would(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    times = [START + timedelta(minutes=i) for i in range(10)]
    temps: list[float | None] = [5.0, None, 5.0, 5.0, 5.0, math.nan, *[5.0] * 4]
    path = tmp_path / "x.parquet"
    pl.DataFrame({"time": times, "temp_c": temps}).write_parquet(path)
    assert "row 7, column temp_c, value 'nan'" in complaint(capsys, str(path))
    temps[5], times[8] = 5.0, times[2]
    pl.DataFrame({"time": times, "temp_c": temps}).write_parquet(path)
    assert "row 10, column time" in complaint(capsys, str(path))
    pl.DataFrame({"time": times, "temp_c": ["5"] * 10}).write_parquet(path)
    assert "no numbers" in complaint(capsys, str(path))


def test_the_figure_is_drawn_and_needs_one_record(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = write(tmp_path, [*ROWS[:300], *ROWS[360:]])
    drawn = tmp_path / "figure.svg"
    assert "Written:" in said(capsys, file, "--figure", str(drawn))
    picture = drawn.read_text(encoding="utf-8")
    assert "10.2 h without a temperature are not shown" in picture and ">0 °C<" in picture
    two = [f"A,{ROWS[0]}", f"B,{ROWS[1]}"]
    items = write(tmp_path, two, "items.csv", header="item,time,temp_c")
    assert "there are 2" in complaint(capsys, items, "--figure", str(drawn))
    png = tmp_path / "figure.png"
    said(capsys, file, "--figure", str(png))
    assert png.read_bytes().startswith(b"\x89PNG")


def test_the_compiled_kernel_is_for_long_files_and_its_want_is_no_error(tmp_path: Path) -> None:
    file = logger_stream.LoggerFile(Path(write(tmp_path, ROWS)))
    assert reading._kernel_for(file) is add_lines
    with patch.object(reading, "COMPILE_FROM_BYTES", 0), patch.dict(sys.modules, numba=None):
        assert reading._kernel_for(file) is add_lines
    with (
        patch.object(reading, "COMPILE_FROM_BYTES", 0),
        patch.object(reading, "fast_kernel", lambda: add_one_by_one),
    ):
        assert reading._kernel_for(file) is add_one_by_one
        (fast,) = reading.stream_file(file).values()
    (plain,) = reading.stream_file(file).values()
    assert fast.exposure().digest == plain.exposure().digest
