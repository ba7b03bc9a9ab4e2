"""``loggers/*``: time and temperature readings, in CSV or Parquet, every file checked.

Readings are taken in as columns, so a file of two million rows is checked in seconds; only where
something is wrong is the first such row looked up and named.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, tzinfo
from typing import Any

from rhizoledger.records import Trace
from rhizoledger.season.findings import Findings, nearest
from rhizoledger.season.logger_csv import read_csv
from rhizoledger.season.logger_parquet import read_parquet
from rhizoledger.season.readings import Readings, clock_text, count_of
from rhizoledger.season.rows import TypedTable
from rhizoledger.season.source import MIB, Folder
from rhizoledger.season.times import FIRST_YEAR, HOUR_S, LAST_YEAR, local_seconds_to_utc

LARGEST_LOGGER = 200 * MIB

COLDEST_C, HOTTEST_C = -60.0, 120.0
"""Readings outside are a fault of the sensor or the file; the ledger's grid ends here."""

SUSPECT_READING_C = 60.0
SUSPECT_MEDIAN_C = 35.0
"""Above these a °C column is probably °F, until ``celsius_confirmed`` names the file."""

SHORTEST_GAP_S = 2 * HOUR_S
GAP_SPACINGS = 3
GAPS_LISTED = 5

CONFIRM = 'If the readings are °C, write celsius_confirmed = ["{name}"] in season.toml; if they are'
CONFIRM += " °F, rename the column to temp_f."


def read_loggers(
    folder: Folder,
    names: tuple[str, ...],
    zone: tzinfo,
    confirmed: tuple[str, ...],
    findings: Findings,
) -> tuple[dict[str, Trace], frozenset[str]]:
    """Every file in ``loggers/`` by name, and the names of those whose column says °C.

    Parameters
    ----------
    folder : Folder
        The season folder.
    names : tuple of str
        Everything in ``loggers/``.
    zone : tzinfo
        The season's zone, for times without an offset.
    confirmed : tuple of str
        Files whose high °C readings the user has confirmed.
    findings : Findings
        Takes every problem.
    """
    traces: dict[str, Trace] = {}
    in_celsius: set[str] = set()
    for name in names:
        file = f"loggers/{name}"
        suffix = name.rpartition(".")[2].casefold()
        if suffix not in ("csv", "parquet"):
            findings.warning(
                file,
                None,
                None,
                None,
                "This is neither CSV nor Parquet; it is not read.",
                "Save it as CSV with the columns time and temp_c or temp_f.",
            )
            continue
        data = folder.read(file, LARGEST_LOGGER, "Split it by month, one file for each.")
        if data is None:
            continue
        read = read_csv if suffix == "csv" else read_parquet
        readings = read(data, file, findings)
        del data
        if readings is not None:
            trace = _checked(readings, name, zone, name in confirmed, findings)
            if trace is not None:
                traces[name] = trace
                if not readings.fahrenheit:
                    in_celsius.add(name)
    for name in confirmed:
        if name not in names:
            findings.error(
                "season.toml",
                None,
                "celsius_confirmed",
                name,
                "This file is not in loggers/.",
                nearest(name, names),
            )
    return traces, frozenset(in_celsius - set(confirmed))


def _checked(
    readings: Readings, name: str, zone: tzinfo, confirmed: bool, findings: Findings
) -> Trace | None:
    file = f"loggers/{name}"
    before = len(findings.problems)
    time_s = _on_utc(readings, file, zone, findings)
    temp_c = _in_celsius(readings, file, name, confirmed, findings)
    if any(p.severity == "error" for p in findings.problems[before:]):
        return None
    keep = _in_order(time_s, temp_c, readings, file, findings)
    if keep is None:
        return None
    time_s, temp_c = time_s[keep], temp_c[keep]
    _report_gaps(time_s, readings.row[keep], readings, file, findings)
    return Trace(name, time_s, temp_c)


def _on_utc(readings: Readings, file: str, zone: tzinfo, findings: Findings) -> Any:
    import numpy as np

    first_s, last_s = (
        int(datetime(year, 1, 1, tzinfo=UTC).timestamp()) for year in (FIRST_YEAR, LAST_YEAR + 1)
    )
    outside = (readings.time_s < first_s) | (readings.time_s >= last_s)
    if outside.any():
        first = int(np.argmax(outside))
        what = f"The year is outside {FIRST_YEAR} to {LAST_YEAR}."
        remedy = "Check the logger's clock, or take the row out."
        findings.error(file, int(readings.row[first]), readings.time_column, None, what, remedy)
        return readings.time_s
    local = np.flatnonzero(~readings.utc)
    utc_s = readings.time_s.copy()
    utc_s[local], skipped, repeated = local_seconds_to_utc(readings.time_s[local], zone)
    remedy = "Export in UTC, or give an offset in each time or in a column utc_offset."
    for mask, what in (
        (skipped, "The clock change skips this hour"),
        (repeated, "This hour comes twice at the clock change"),
    ):
        if mask.any():
            first = int(local[np.argmax(mask)])
            findings.error(
                file,
                int(readings.row[first]),
                readings.time_column,
                clock_text(readings.time_s[first]),
                f"{what} ({count_of(int(mask.sum()))}).",
                remedy,
            )
    return utc_s


def _in_celsius(
    readings: Readings, file: str, name: str, confirmed: bool, findings: Findings
) -> Any:
    import numpy as np

    from rhizoledger.units import temperature_c

    temp = readings.temp
    temp_c = temp
    if readings.fahrenheit:
        # Two points fix the scale, so the factors stand in one place only.
        zero, ten = temperature_c(0.0, "F"), temperature_c(10.0, "F")
        temp_c = zero + temp * ((ten - zero) / 10)
    impossible = (temp_c < COLDEST_C) | (temp_c > HOTTEST_C)
    if impossible.any():
        first = int(np.argmax(impossible))
        findings.error(
            file,
            int(readings.row[first]),
            readings.temp_column,
            f"{temp[first]:g}",
            f"This is outside {COLDEST_C:g} to {HOTTEST_C:g} °C "
            f"({count_of(int(impossible.sum()))}).",
            "Take faulty readings out (leave the cell empty), or correct the scale in the header.",
        )
    suspect = (temp_c > SUSPECT_READING_C) & ~impossible
    if not readings.fahrenheit and not confirmed and suspect.any():
        first = int(np.argmax(suspect))
        findings.error(
            file,
            int(readings.row[first]),
            readings.temp_column,
            f"{temp[first]:g}",
            f"Above {SUSPECT_READING_C:g} under a °C header ({count_of(int(suspect.sum()))}): "
            "this looks like °F.",
            CONFIRM.format(name=name),
        )
    return temp_c


def _in_order(
    time_s: Any, temp_c: Any, readings: Readings, file: str, findings: Findings
) -> Any | None:
    """Which readings to keep, or None where the clock runs backwards or contradicts itself."""
    import numpy as np

    step = np.diff(time_s)
    sound = True
    backwards = step < 0
    if backwards.any():
        first = int(np.argmax(backwards)) + 1
        findings.error(
            file,
            int(readings.row[first]),
            readings.time_column,
            clock_text(readings.time_s[first]),
            f"The clock runs backwards here ({count_of(int(backwards.sum()))}).",
            "Sort the rows by time; if two downloads overlap, keep one of them.",
        )
        sound = False
    same = step == 0
    contradicts = same & (np.diff(temp_c) != 0)
    if contradicts.any():
        first = int(np.argmax(contradicts)) + 1
        findings.error(
            file,
            int(readings.row[first]),
            readings.time_column,
            clock_text(readings.time_s[first]),
            "The row above has the same time and another temperature "
            f"({count_of(int(contradicts.sum()))}).",
            "Keep one reading per second.",
        )
        sound = False
    elif same.any():
        first = int(np.argmax(same)) + 1
        findings.warning(
            file,
            int(readings.row[first]),
            readings.time_column,
            clock_text(readings.time_s[first]),
            f"The row above says the same; it is used once ({count_of(int(same.sum()))}).",
            "",
        )
    return np.concatenate(([True], ~same)) if sound else None


def _report_gaps(time_s: Any, row: Any, readings: Readings, file: str, findings: Findings) -> None:
    """Warn of the longest gaps: longer than two hours and than three usual spacings (§2.4)."""
    import numpy as np

    step = np.diff(time_s)
    if not step.size:
        return
    longest = max(float(SHORTEST_GAP_S), GAP_SPACINGS * float(np.median(step)))
    gaps = np.flatnonzero(step > longest)
    listed = np.sort(gaps[np.argsort(-step[gaps], kind="stable")[:GAPS_LISTED]])
    more = f" (of {gaps.size}, the longest {GAPS_LISTED} are listed)"
    for gap in listed.tolist():
        findings.warning(
            file,
            int(row[gap + 1]),
            readings.time_column,
            None,
            f"No readings for {step[gap] / HOUR_S:.1f} h before this row"
            f"{more if gaps.size > GAPS_LISTED else ''}.",
            "A stay that covers it is judged at the range of its place.",
        )


def check_stays(
    stays: TypedTable,
    traces: Mapping[str, Trace],
    doubtful: frozenset[str],
    names: tuple[str, ...],
    findings: Findings,
) -> None:
    """Each stay's logger must be there, and its median temperature believable.

    Parameters
    ----------
    stays : TypedTable
        The table of stays.
    traces : mapping of str to Trace
        Loggers that could be read.
    doubtful : frozenset of str
        Loggers whose column says °C and whom nobody has confirmed.
    names : tuple of str
        Everything in ``loggers/``.
    findings : Findings
        Takes every problem.
    """
    import numpy as np

    for row in stays.rows:
        name = row.values["logger"]
        if name is None:
            continue
        if name not in names:
            findings.error(
                stays.file,
                row.number,
                "logger",
                name,
                "This file is not in loggers/.",
                f"Write its name with extension. {nearest(name, names)}",
            )
        start, end = row.values["start"], row.values["end"]
        trace = traces.get(name)
        if trace is None or start is None:
            continue
        last_s = trace.time_s[-1] if end is None else end.timestamp()
        first, stop = np.searchsorted(trace.time_s, [start.timestamp(), last_s])
        inside = trace.temp_c[first : stop + 1]
        inside = inside[trace.time_s[first : stop + 1] <= last_s]
        if not inside.size:
            findings.warning(
                stays.file,
                row.number,
                "logger",
                name,
                "The logger has no reading during this stay.",
                "Check the dates, or name another logger.",
            )
            continue
        median = float(np.median(inside))
        if median > SUSPECT_MEDIAN_C and name in doubtful:
            findings.error(
                stays.file,
                row.number,
                "logger",
                name,
                f"The median of this stay is {median:.1f} °C: this looks like °F.",
                CONFIRM.format(name=name),
            )
