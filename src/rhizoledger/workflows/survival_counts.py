"""Counts along time from a CSV file: log10 counts or plates; every bad cell is named."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

import numpy as np

from rhizoledger.counts.plates.readings import MOST_COLONIES
from rhizoledger.errors import InputError
from rhizoledger.provenance import digest_file
from rhizoledger.season.findings import Findings
from rhizoledger.season.numerals import CellError, Style, for_required, read_number
from rhizoledger.season.one_table import OneTable, read_table
from rhizoledger.survival.fit_data import CountData, log10_counts, plate_counts
from rhizoledger.units import temperature_c
from rhizoledger.workflows.plate_file import LEAST_ML, MOST_ML, THINNEST

Kind = Literal["log10", "plates"]

BELOW = re.compile(r"<\s*(?=[-+.\d])|≤\s*(?=[-+.\d])")
HOURS_PER_DAY = 24
LONGEST = 1e6
"""Days or hours: a longer time is a slip."""
LARGEST_LOG10 = 15.0
"""More cells than fit into a gram: a larger number is a count that was not made a logarithm."""
COLDEST, WARMEST = -30.0, 60.0
LEAST_F = -459.0
PLATES = ("dilution", "volume_ml", "colonies")
TEMPS = ("temp_c", "temp_f")
MOST_ROWS = 20_000
"""Of one file: its series would take hours to fit."""
RARELY_EQUAL = 100
"""Colonies from which two plates of one time seldom show the same number by chance."""


@dataclass(frozen=True, slots=True)
class CountTable:
    """The counts of a file.

    Parameters
    ----------
    file, sha256 : str
        Name and digest of the file.
    kind : {"log10", "plates"}
        What the counts are.
    series : dict
        Rows by series, in the order of the file; a file without the column has one, ``""``.
        Times are days, in order.
    has_temp : bool
        Whether the file gives temperatures.
    warnings : tuple of str
        What to mind about the rows.
    """

    file: str
    sha256: str
    kind: Kind
    series: dict[str, CountData]
    has_temp: bool
    warnings: tuple[str, ...]


@dataclass(slots=True)
class _Row:
    row: int
    time_d: float
    value: float
    below: bool
    exposure: float
    temp_c: float


def read_counts(path: Path) -> CountTable:
    """Read counts along time.

    Parameters
    ----------
    path : Path
        CSV with ``time_h`` or ``time_d``; ``log10_count`` (``<1.30`` below a limit) or
        ``dilution``, ``volume_ml`` and ``colonies``; ``series`` and ``temp_c`` (or ``temp_f``)
        where there are any.

    Raises
    ------
    InputError
        With every cell that cannot be used, and what to do about it.
    """
    table = read_table(path, most_rows=MOST_ROWS)
    kind = _kind(table)
    time_name, per_day = _time(table)
    temp_name = _temp_column(table)
    used = ["series", time_name, *(("log10_count",) if kind == "log10" else PLATES)]
    used.append(temp_name or "temp_c")
    table.check_named("series", used)
    names = table.texts("series") if has(table, "series") else [""] * len(table.row_numbers())
    findings = Findings()
    times, bad_times = _numbers(table, time_name, findings)
    temps, bad_temps = _numbers(table, temp_name, findings) if temp_name else (None, set())
    if temps is not None and temp_name == "temp_f":
        # What is colder than cold can be is told with its row below, by the coldest that can be.
        temps = [None if f is None else temperature_c(max(f, LEAST_F), "F") for f in temps]
    values = _log10_cells(table, findings) if kind == "log10" else _plate_cells(table, findings)
    rows: dict[str, list[_Row]] = defaultdict(list)
    for i, row in enumerate(table.row_numbers()):
        time, temp = times[i], math.nan if temps is None else temps[i]
        sound = row not in bad_times | bad_temps
        sound &= row in bad_times or _time_is_sound(table, row, time_name, time, findings)
        sound &= row in bad_temps or _temp_is_sound(table, row, temp_name, temp, findings)
        if has(table, "series") and not names[i]:
            what, remedy = "The series is empty.", "Write which batch or lot this row belongs to."
            findings.error(table.raw.file, row, "series", "", what, remedy)
        value = values[i]
        if sound and value is not None and time is not None and temp is not None:
            rows[names[i]].append(_Row(row, time / per_day, *value, temp))
    if findings.has_errors():
        raise InputError(findings.in_order())
    warnings = [said for name, own in rows.items() for said in _repeated(name, own, kind)]
    warnings += table.unused(used)
    series = {name: _data(kind, own, temps is not None) for name, own in rows.items()}
    return CountTable(
        path.name, digest_file(path), kind, series, temps is not None, tuple(warnings)
    )


def has(table: OneTable, column: str) -> bool:
    """Whether a table has a column, whatever its case."""
    return column in [name.strip().casefold() for name in table.columns]


def _kind(table: OneTable) -> Kind:
    plates = [column for column in PLATES if has(table, column)]
    if has(table, "log10_count"):
        if plates:
            raise InputError(
                f"{table.raw.file} has log10_count and {', '.join(plates)}: one count in two "
                "kinds. Keep the plates, from which the other follows, or keep log10_count alone."
            )
        return "log10"
    if not plates:
        table.texts("log10_count")  # says which columns there are
    for column in PLATES:
        table.texts(column)
    return "plates"


def _time(table: OneTable) -> tuple[str, float]:
    hours, days = has(table, "time_h"), has(table, "time_d")
    if hours and days:
        raise InputError(
            f"{table.raw.file} has time_h and time_d: two units for one time. Keep one of them."
        )
    if hours:
        return "time_h", HOURS_PER_DAY
    if not days:
        table.texts("time_d")  # says which columns there are
    return "time_d", 1


def _temp_column(table: OneTable) -> str:
    """The column of temperatures; empty where there is none."""
    found = [name for name in TEMPS if has(table, name)]
    if len(found) > 1:
        raise InputError(
            f"{table.raw.file} has temp_c and temp_f: two units for one temperature. Keep one."
        )
    return found[0] if found else ""


def _numbers(
    table: OneTable, column: str, findings: Findings
) -> tuple[list[float | None], set[int]]:
    """A column as numbers, and the rows whose cell is none; those are named and read as empty."""
    out: list[float | None] = []
    bad = set()
    for row, text in zip(table.row_numbers(), table.texts(column), strict=True):
        try:
            out.append(read_number(text, table.style) if text else None)
        except CellError as error:
            remedy = for_required(error.remedy)
            findings.error(table.raw.file, row, column, text, error.what, remedy)
            out.append(None)
            bad.add(row)
    return out, bad


Value = tuple[float, bool, float]
"""log10 count or colonies, whether it is a limit, and the sample on the plate."""


def _log10_cells(table: OneTable, findings: Findings) -> list[Value | None]:
    texts = table.texts("log10_count")
    bare = [BELOW.sub("", text, count=1) for text in texts]
    cells = [*bare, *(str(c) for _, row_cells in table.raw.rows for c in row_cells)]
    style = Style.seen_in(cells, table.raw.separator)
    out: list[Value | None] = []
    for row, text, number in zip(table.row_numbers(), texts, bare, strict=True):
        value: Value | None = None
        try:
            if not text:
                raise CellError("The count is empty.", "Write it, or take the row out.")
            if text.startswith((">", "≥")):
                raise CellError(
                    "A count above a limit is not a number.", "Count a higher dilution instead."
                )
            count = read_number(number, style)
            if count > LARGEST_LOG10:
                raise CellError(
                    "This is too large for a log10 count.",
                    "Write its logarithm: 6.3 for 2 million.",
                )
            value = count, number != text, math.nan
        except CellError as error:
            remedy = for_required(error.remedy)
            findings.error(table.raw.file, row, "log10_count", text, error.what, remedy)
        out.append(value)
    return out


def _plate_cells(table: OneTable, findings: Findings) -> list[Value | None]:
    read = {column: _numbers(table, column, findings) for column in PLATES}
    columns = {column: numbers for column, (numbers, _) in read.items()}
    out: list[Value | None] = []
    for i, row in enumerate(table.row_numbers()):
        sound = True
        for column, (numbers, bad) in read.items():
            number = numbers[i]
            if row in bad:
                sound = False
                continue
            problem = _plate_problem(column, number)
            if problem is not None:
                sound = False
                findings.error(table.raw.file, row, column, number, *problem)
        given = [columns[column][i] for column in PLATES]
        if sound and given[0] is not None and given[1] is not None and given[2] is not None:
            out.append((given[2], False, given[0] * given[1]))
        else:
            out.append(None)
    return out


def _plate_problem(column: str, number: float | None) -> tuple[str, str] | None:
    if number is None:
        return "The cell is empty.", "Write a number, or take the row out."
    if column == "colonies":
        if number < 0 or number % 1 != 0:
            return "Colonies are counted whole.", "Write 0, 1, 2 and so on."
        if number > MOST_COLONIES:
            what = f"No plate holds more than {MOST_COLONIES} colonies."
            return what, "Write what was counted on this plate."
        return None
    if column == "dilution" and number > 1:
        return "A dilution is at most 1.", "Write 0.001 for a thousandfold dilution."
    if column == "dilution" and number < THINNEST:
        what = "A dilution is above zero." if number <= 0 else "No dilution is plated at that."
        return what, "Write 0.001 for a thousandfold dilution."
    if column == "volume_ml" and not LEAST_ML <= number <= MOST_ML:
        what = f"A plate gets from {LEAST_ML:g} to {MOST_ML:g} mL."
        return what, "Write the mL that were plated."
    return None


def _time_is_sound(
    table: OneTable, row: int, column: str, time: float | None, findings: Findings
) -> bool:
    if time is not None and 0 <= time <= LONGEST:
        return True
    what = "The time is empty." if time is None else "The time is below zero."
    if time is not None and time > LONGEST:
        what = f"This is later than {LONGEST:g}; no count was made so late."
    remedy = "Write the time since the start, from 0 on."
    findings.error(table.raw.file, row, column, time, what, remedy)
    return False


def _temp_is_sound(
    table: OneTable, row: int, column: str, temp: float | None, findings: Findings
) -> bool:
    if temp is not None and (math.isnan(temp) or COLDEST <= temp <= WARMEST):
        return True
    what, remedy = "The temperature is empty.", "Write it in °C, or in °F in a column temp_f."
    if temp is not None:
        what = f"A fit takes temperatures from {COLDEST:g} to {WARMEST:g} °C, and this is {temp:g}."
        if column == "temp_c":
            remedy = "Is this °F? Use a column temp_f for it."
        else:
            remedy = "Is this °C? Use a column temp_c for it."
    findings.error(table.raw.file, row, column, None, what, remedy)
    return False


def _repeated(name: str, rows: list[_Row], kind: Kind) -> list[str]:
    """Rows written twice: a replicate that comes out the same to the last digit is rare.

    Plates of few colonies often do, so they are not told.
    """
    first: dict[tuple[float, float, float, str], _Row] = {}
    said = []
    for r in rows:
        if kind == "plates" and r.value < RARELY_EQUAL:
            continue
        key = r.time_d, r.value, r.exposure if r.exposure == r.exposure else 0.0, str(r.temp_c)
        if key in first:
            where = f" of {name}" if name else ""
            said.append(
                f"Row {r.row} repeats row {first[key].row}{where}: same time and same count. Both "
                "are kept; take one out if it was written twice."
            )
        first.setdefault(key, r)
    return said


def _data(kind: Kind, rows: list[_Row], has_temp: bool) -> CountData:
    """Rows in order of time; rows of one time stay as they stand."""
    rows = sorted(rows, key=lambda r: r.time_d)
    time = np.array([r.time_d for r in rows])
    value = np.array([r.value for r in rows])
    temp = np.array([r.temp_c for r in rows]) if has_temp else None
    if kind == "plates":
        return plate_counts(time, value, np.array([r.exposure for r in rows]), temp_c=temp)
    below = np.array([r.below for r in rows], dtype=np.bool_)
    return log10_counts(time, value, censored=below, temp_c=temp)
