"""Loggers in: forms, clocks, scales, gaps, and files that ask for too much."""

from __future__ import annotations

import io
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from rhizoledger.errors import Problem
from rhizoledger.season import logger_csv, logger_parquet
from rhizoledger.season.parquet_footer import BrokenFooter, row_groups
from rhizoledger.season.read import check_season, read_season
from tests.peak import PEAK_MB
from tests.season.make import TINY, TOML, tiny, trace, write_season

HEAD = "time,temp_c\n"
SPRING, AUTUMN = "2027-03-14", "2027-11-07"


def season_with(tmp_path: Path, text: str, name: str = "shed.csv", toml: str = TOML) -> Path:
    loggers = {"shed.csv": trace()} | {name: text}
    return write_season(tmp_path / "season", toml=toml, loggers=loggers)


def check(tmp_path: Path, text: str, name: str = "x.csv") -> tuple[Problem, ...]:
    return check_season(season_with(tmp_path, text, name))


def one_error(problems: tuple[Problem, ...]) -> Problem:
    errors = [p for p in problems if p.severity == "error"]
    assert len(errors) == 1, [p.sentence() for p in problems]
    assert errors[0].what
    assert errors[0].remedy
    return errors[0]


READABLE = {
    "plain": "time,temp_c\n2027-05-01T00:00,20\n2027-05-01T01:00,21.5\n",
    "seconds and a blank": "time,temp_c\n2027-05-01 00:00:00,20\n2027-05-01 01:00:00,21.5\n",
    "mixed forms": "time,temp_c\n2027-05-01T00:00,20\n2027-05-01 01:00:00.0,21.5\n",
    "offset": "time,temp_c\n2027-05-01T00:00-05:00,20\n2027-05-01T02:00-0400,21.5\n",
    "one offset": "time,temp_c\n2027-05-01T00:00,20\n2027-05-01T06:00Z,21.5\n",
    "utc column": "Time (UTC),temp_c\n2027-05-01T05:00,20\n2027-05-01T06:00,21.5\n",
    "offset column": "time,temp_c,utc_offset\n2027-05-01T05:00,20,Z\n"
    "2027-05-01T01:00,21.5,-05:00\n",
    "fahrenheit": "time,temp_f\n2027-05-01T00:00,68\n2027-05-01T01:00,70.7\n",
    "aliases": "Date/Time,Temperature (°C)\n2027-05-01T00:00,20\n2027-05-01T01:00,21.5\n",
    "aliases f": "Timestamp;Temp °F\n2027-05-01T00:00;68\n2027-05-01T01:00;70,7\n",
    "other columns": "no,time,rh,temp_c\n1,2027-05-01T00:00,50,20\n2,2027-05-01T01:00,51,21.5\n",
    "lines before": "Box 7\nserial;12\n\ntime,temp_c\n2027-05-01T00:00,20\n2027-05-01T01:00,21.5\n",
    "quotes": '"time","temp_c"\n"2027-05-01T00:00","20"\n"2027-05-01T01:00","21,5"\n',
    "windows": "time,temp_c\r\n2027-05-01T00:00, 20\r\n2027-05-01T01:00 ,21.5\r\n\r\n",
    "mark": "\ufefftime,temp_c\n2027-05-01T00:00,20\n2027-05-01T01:00,21.5",
}


@pytest.mark.parametrize("form", READABLE)
def test_every_form_gives_the_same_readings(form: str, tmp_path: Path) -> None:
    season = read_season(season_with(tmp_path, READABLE[form], "x.csv"))
    read = season.traces["x.csv"]
    start = int(datetime.fromisoformat("2027-05-01T05:00+00:00").timestamp())
    assert read.time_s.tolist() == [start, start + 3600]
    assert read.time_s.dtype == np.int64
    assert read.temp_c == pytest.approx([20.0, 21.5], abs=1e-12)
    assert season.problems == ()


def test_a_windows_1252_header(tmp_path: Path) -> None:
    folder = season_with(tmp_path, "")
    text = "Time;Temperature (°C)\n2027-05-06T00:00;20\n2027-05-10T01:00;21\n"
    (folder / "loggers" / "shed.csv").write_bytes(text.encode("cp1252"))
    assert read_season(folder).traces["shed.csv"].temp_c.tolist() == [20.0, 21.0]


FAULTS = {
    "empty": ("", None, None, None, "empty"),
    "header only": (HEAD, None, None, None, "no readings"),
    "no time": ("when?,temp_c\n1,2\n", 1, "time", None, "no column time"),
    "no scale": ("time,temperature\n2027-05-01T00:00,2\n", 1, "temp_c", None, "temp_c or temp_f"),
    "two scales": ("time,temp_c,temp_f\n2027-05-01T00:00,2,3\n", 1, "temp_f", "temp_f", "Two"),
    "not iso": (HEAD + "5/1/2027 14:00,20\n", 2, "time", "5/1/2027 14:00", "not a date"),
    "no such day": (
        HEAD + "2027-05-01T00:00,20\n2027-02-30T00:00,20\n",
        3,
        "time",
        "2027-02-30T00:00",
        "not a date",
    ),
    "text": (
        HEAD + "2027-05-01T00:00,20\n2027-05-01T01:00,ERR\n",
        3,
        "temp_c",
        "ERR",
        "not a temp",
    ),
    "nan": (HEAD + "2027-05-01T00:00,nan\n", 2, "temp_c", "nan", "not a temp"),
    "row after lines before": ("Box\n" + HEAD + "2027-05-01T00:00,x\n", 3, "temp_c", "x", "not a"),
    "row after a blank": (HEAD + "\n2027-05-01T00:00,x\n", 3, "temp_c", "x", "not a"),
    "decimal comma": (
        HEAD + "2027-05-01T00:00,20\n2027-05-01T01:00,2,5\n",
        3,
        None,
        None,
        "3 cells",
    ),
    "open quote": (HEAD + '2027-05-01T00:00,"20\n', 2, None, None, "taken apart"),
    "backwards": (
        HEAD + "2027-05-01T01:00,20\n2027-05-01T00:00,20\n2027-05-01T02:00,20\n",
        3,
        "time",
        "2027-05-01 00:00:00",
        "backwards here (1 row)",
    ),
    "contradiction": (
        HEAD + "2027-05-01T01:00,20\n2027-05-01T01:00,21\n",
        3,
        "time",
        "2027-05-01 01:00:00",
        "another temperature",
    ),
    "hour skipped": (
        HEAD + f"{SPRING}T01:30,5\n{SPRING}T02:30,5\n{SPRING}T03:30,5\n",
        3,
        "time",
        f"{SPRING} 02:30:00",
        "skips",
    ),
    "hour repeated": (
        HEAD + f"{AUTUMN}T00:30,5\n{AUTUMN}T01:00,5\n{AUTUMN}T01:30,5\n{AUTUMN}T02:00,5\n",
        3,
        "time",
        f"{AUTUMN} 01:00:00",
        "2 rows",
    ),
    "bad offset": (
        "time,temp_c,utc_offset\n2027-05-01T00:00,5,CST\n",
        2,
        "utc_offset",
        "CST",
        "offset",
    ),
    "F under C": (HEAD + "2027-05-01T00:00,59\n2027-05-01T01:00,72.5\n", 3, "temp_c", "72.5", "°F"),
    "impossible": (HEAD + "2027-05-01T00:00,-999\n", 2, "temp_c", "-999", "outside"),
    "impossible F": ("time,temp_f\n2027-05-01T00:00,999\n", 2, "temp_f", "999", "outside"),
    "no time in a row": (HEAD + "2027-05-01T00:00,20\n,21\n", 3, "time", "", "no time"),
    "year": (HEAD + "2027-05-01T00:00Z,20\n1027-05-01T00:00Z,20\n", 3, "time", None, "year"),
    "NUL": (HEAD + "2027-05-01T00:00,\0\n", 2, None, None, "NUL"),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_faults(fault: str, tmp_path: Path) -> None:
    text, row, column, value, says = FAULTS[fault]
    problem = one_error(check(tmp_path, text))
    assert (problem.file, problem.row, problem.column) == ("loggers/x.csv", row, column)
    assert says in problem.what
    if value is not None:
        assert problem.value == value


@pytest.mark.parametrize("size", [1, 30, 100, 10_000])
def test_rows_are_counted_across_pieces(
    size: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(logger_csv, "PIECE_BYTES", size)
    good = [f"2027-05-01T{h:02}:00,{h}" for h in range(20)]
    lines = ["Box 7", "time,temp_c", *good[:7], "", *good[7:]]
    season = read_season(season_with(tmp_path, "\n".join(lines), "x.csv"))
    assert season.traces["x.csv"].temp_c.tolist() == list(range(20))
    lines[20] = "2027-05-01T17:00,warm"
    problem = one_error(check(tmp_path, "\n".join(lines)))
    assert (problem.row, problem.value) == (21, "warm")
    lines[20] = "2027-05-01T17:00,1,2"
    problem = one_error(check(tmp_path, "\n".join(lines)))
    assert (problem.row, problem.column) == (21, None)


def test_fahrenheit_under_celsius_is_accepted_once_confirmed(tmp_path: Path) -> None:
    text = HEAD + "2027-05-01T00:00,59\n2027-05-01T01:00,72.5\n"
    toml = TOML.replace("seed = 7", 'seed = 7\ncelsius_confirmed = ["x.csv"]')
    assert read_season(season_with(tmp_path, text, "x.csv", toml)).traces["x.csv"].temp_c[1] == 72.5


def test_a_stay_s_median_above_35_is_doubted_until_confirmed(tmp_path: Path) -> None:
    hot = trace(low_c=36.0, high_c=50.0)
    problem = one_error(check_season(season_with(tmp_path, hot)))
    assert (problem.file, problem.row, problem.column) == ("stays.csv", 3, "logger")
    assert "median" in problem.what
    assert 'celsius_confirmed = ["shed.csv"]' in problem.remedy
    toml = TOML.replace("seed = 7", 'seed = 7\ncelsius_confirmed = ["shed.csv"]')
    assert check_season(season_with(tmp_path, hot, toml=toml)) == ()
    # Under an °F header the same warmth is what it says.
    in_f = trace(low_c=96.8, high_c=122.0).replace("temp_c", "temp_f")
    assert check_season(season_with(tmp_path, in_f)) == ()


def test_identical_rows_are_used_once_with_a_warning(tmp_path: Path) -> None:
    text = HEAD + "2027-05-01T00:00,20\n2027-05-01T00:00,20\n2027-05-01T01:00,21\n"
    season = read_season(season_with(tmp_path, text, "x.csv"))
    assert season.traces["x.csv"].temp_c.tolist() == [20.0, 21.0]
    (warning,) = season.problems
    assert (warning.file, warning.row, warning.severity) == ("loggers/x.csv", 3, "warning")


def test_gaps_and_missing_readings_are_warnings(tmp_path: Path) -> None:
    text = HEAD + "".join(f"2027-05-01T{h:02}:00,20\n" for h in (0, 1, 2, 3, 7, 8))
    text += "2027-05-01T09:00,\n"
    season = read_season(season_with(tmp_path, text, "x.csv"))
    missing, gap = sorted(season.problems, key=lambda p: p.row or 0)
    assert "1 row" in missing.what
    assert (gap.row, gap.what) == (6, "No readings for 4.0 h before this row.")
    assert season.traces["x.csv"].time_s.size == 6


def test_only_the_longest_gaps_are_listed(tmp_path: Path) -> None:
    lines = [HEAD.strip()]
    moment = datetime(2027, 5, 1)
    for i in range(20):
        lines.append(f"{moment.isoformat()},20")
        moment += timedelta(hours=10 if i % 2 else 1)
    problems = check(tmp_path, "\n".join(lines))
    assert len(problems) == 5
    assert all("of 9" in p.what for p in problems)


def test_a_stay_outside_its_logger_is_a_warning(tmp_path: Path) -> None:
    (warning,) = check_season(season_with(tmp_path, trace("2027-06-01T00:00")))
    assert (warning.file, warning.row, warning.column) == ("stays.csv", 3, "logger")
    assert "no reading" in warning.what


def test_other_files_among_the_loggers_are_pointed_out(tmp_path: Path) -> None:
    (warning,) = check(tmp_path, "x", "notes.txt")
    assert (warning.file, warning.severity) == ("loggers/notes.txt", "warning")


def test_a_misspelt_logger_names_near_ones(tmp_path: Path) -> None:
    stays = [TINY["stays"][0], {**TINY["stays"][1], "logger": "shed.cvs"}, TINY["stays"][2]]
    problem = one_error(check_season(write_season(tmp_path / "season", tiny(stays=stays))))
    assert (problem.file, problem.row, problem.column) == ("stays.csv", 3, "logger")
    assert "'shed.csv'" in problem.remedy


def parquet(frame: pl.DataFrame, **options: int) -> bytes:
    out = io.BytesIO()
    frame.write_parquet(out, **options)
    return out.getvalue()


def put_parquet(tmp_path: Path, data: bytes) -> Path:
    folder = season_with(tmp_path, trace())
    (folder / "loggers" / "p.parquet").write_bytes(data)
    return folder


LOCAL = [datetime(2027, 5, 1, hour) for hour in range(3)]


@pytest.mark.parametrize(
    "times",
    [
        pl.Series(LOCAL),
        pl.Series(LOCAL).cast(pl.Datetime("ns")),
        pl.Series(LOCAL).dt.replace_time_zone("America/Chicago"),
        pl.Series([t.isoformat() for t in LOCAL]),
    ],
    ids=["naive", "nanoseconds", "aware", "text"],
)
def test_parquet_reads_like_csv(times: pl.Series, tmp_path: Path) -> None:
    frame = pl.DataFrame({"time": times, "temp_f": [68.0, 70.7, None]})
    season = read_season(put_parquet(tmp_path, parquet(frame)))
    start = int(datetime.fromisoformat("2027-05-01T05:00+00:00").timestamp())
    assert season.traces["p.parquet"].time_s.tolist() == [start, start + 3600]
    assert season.traces["p.parquet"].temp_c == pytest.approx([20.0, 21.5], abs=1e-12)


def test_the_footer_says_what_polars_wrote() -> None:
    frame = pl.DataFrame({"time": range(2500), "temp_c": [1.5] * 2500})
    groups = row_groups(parquet(frame, row_group_size=1000))
    assert sum(group.rows for group in groups) == 2500
    assert max(group.rows for group in groups) <= 1000
    assert all(group.unpacked_bytes > 0 for group in groups)


def test_an_oversized_row_group_is_refused_with_the_rewrite(tmp_path: Path) -> None:
    n = logger_parquet.MOST_ROWS_IN_GROUP + 1
    frame = pl.DataFrame({"time": pl.zeros(n, pl.Int64, eager=True).cast(pl.Datetime("us"))})
    frame = frame.with_columns(temp_c=pl.lit(1.0))
    data = parquet(frame, row_group_size=n)
    assert len(data) < 100_000  # small on disk, huge once unpacked
    problem = one_error(check_season(put_parquet(tmp_path, data)))
    assert (problem.file, problem.row) == ("loggers/p.parquet", None)
    assert f"{logger_parquet.MOST_ROWS_IN_GROUP} rows" in problem.what
    assert "row_group_size=100_000" in problem.remedy
    assert "'time', 'temp_c'" in problem.remedy


@pytest.mark.parametrize("damage", ["text", "cut", "footer", "length", "magic"])
def test_broken_parquet_is_an_error_and_not_more(damage: str, tmp_path: Path) -> None:
    data = parquet(pl.DataFrame({"time": LOCAL, "temp_c": [1.0, 2.0, 3.0]}))
    length = int.from_bytes(data[-8:-4], "little")
    broken = {
        "text": b"time,temp_c\n",
        "cut": data[: len(data) // 2],
        "footer": data[: -8 - length] + b"\xff" * length + data[-8:],
        "length": data[:-8] + b"\xff\xff\xff\x7f" + data[-4:],
        "magic": data[:-4] + b"PAR2",
    }[damage]
    with pytest.raises(BrokenFooter):
        row_groups(broken)
    problem = one_error(check_season(put_parquet(tmp_path, broken)))
    assert problem.file == "loggers/p.parquet"
    assert "Parquet" in problem.what


def test_a_footer_that_lies_about_its_pages_is_refused() -> None:
    frame = pl.DataFrame({"time": range(300), "temp_c": [1.5] * 300})
    data = parquet(frame, row_group_size=300)
    assert row_groups(data)[0].rows == 300
    # Zigzag varint of 300 wherever the footer says so, turned into 30: pages then hold more.
    length = int.from_bytes(data[-8:-4], "little")
    footer = data[-8 - length : -8].replace(b"\xd8\x04", b"\xbc\x00")
    assert footer != data[-8 - length : -8]
    with pytest.raises(BrokenFooter):
        row_groups(data[: -8 - length] + footer + data[-8:])


def test_a_text_too_long_for_a_time_is_refused(tmp_path: Path) -> None:
    frame = pl.DataFrame({"time": ["2027" * 1000, "2027-05-01T00:00"], "temp_c": [1.0, 2.0]})
    problem = one_error(check_season(put_parquet(tmp_path, parquet(frame))))
    assert (problem.row, problem.column) == (2, "time")


def test_parquet_faults_name_rows(tmp_path: Path) -> None:
    frame = pl.DataFrame({"time": LOCAL, "temp_c": [1.0, float("nan"), 3.0]})
    problem = one_error(check_season(put_parquet(tmp_path, parquet(frame))))
    assert (problem.row, problem.column) == (3, "temp_c")
    frame = pl.DataFrame({"time": LOCAL[::-1], "temp_c": [1.0, 2.0, 3.0]})
    problem = one_error(check_season(put_parquet(tmp_path, parquet(frame))))
    assert (problem.row, problem.column) == (3, "time")
    frame = pl.DataFrame({"time": [1, 2, 3], "temp_c": [1.0, 2.0, 3.0]})
    problem = one_error(check_season(put_parquet(tmp_path, parquet(frame))))
    assert (problem.row, problem.column) == (1, "time")


MEASURE = f"""{PEAK_MB}
import sys, time
from pathlib import Path
from rhizoledger.season.read import check_season
started = time.perf_counter()
problems = check_season(Path(sys.argv[1]))
seconds = time.perf_counter() - started
print(seconds, peak_mb(), len([p for p in problems if p.severity == "error"]))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="peak memory is read the POSIX way")
@pytest.mark.slow
def test_a_50_mb_logger_is_checked_in_5_s_and_400_mb(tmp_path: Path) -> None:
    n = 50_000_000 // len("2027-03-20T00:00:00,12.25\n")
    times = pl.datetime_range(
        datetime(2027, 3, 20),
        datetime(2027, 3, 20) + timedelta(seconds=5 * (n - 1)),
        "5s",
        eager=True,
    )
    frame = pl.DataFrame({"time": times.dt.to_string("%Y-%m-%dT%H:%M:%S"), "temp_c": [12.25] * n})
    folder = season_with(tmp_path, trace())
    frame.write_csv(folder / "loggers" / "big.csv")
    assert (folder / "loggers" / "big.csv").stat().st_size >= 49_000_000
    run = subprocess.run(
        [sys.executable, "-c", MEASURE, str(folder)], capture_output=True, text=True, check=True
    )
    seconds, megabytes, errors = map(float, run.stdout.split())
    assert errors == 0
    assert seconds <= 5
    assert megabytes <= 400
