"""Rows for a window: counts along time as for a fit, or any one response, named by its column."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from rhizoledger.errors import FitError, InputError
from rhizoledger.provenance import digest_file
from rhizoledger.season.findings import Findings
from rhizoledger.season.numerals import CellError, Style, read_number
from rhizoledger.season.one_table import OneTable, read_table
from rhizoledger.survival.fit_data import CountData
from rhizoledger.workflows.survival_counts import BELOW, has, read_counts

FloatArray = NDArray[np.float64]
COUNT = "log10_count"
UNITS = {"d": "d", "day": "d", "h": "h", "hour": "h", "month": "month", "week": "week"}
"""What a time column may be named after ``time_``, with or without a plural."""
WORDS = {"d": "day", "h": "hour"}


@dataclass(frozen=True, slots=True)
class WindowRows:
    """Responses along time, by series, in order of time.

    Parameters
    ----------
    file, sha256 : str
        Name and digest of the file.
    response : str
        What is answered for: ``log10_count`` or a column.
    unit : str
        Of time: d, h, week, month or a column.
    series : dict
        Times and responses of each series.
    left_out : dict
        Time and limit of the first count below its limit, of series that have one.
    temp_c : float or None
        The one temperature of the file, where it gives any.
    warnings : tuple of str
        What to mind about the rows.
    """

    file: str
    sha256: str
    response: str
    unit: str
    series: dict[str, tuple[FloatArray, FloatArray]]
    left_out: dict[str, tuple[float, float]]
    temp_c: float | None
    warnings: tuple[str, ...]

    def said(self, time: float) -> str:
        """A time with its unit in words."""
        return in_words(time, self.unit)


def in_words(time: float, unit: str) -> str:
    """A time with its unit in words; a unit of the file's own stands as it is.

    Examples
    --------
    >>> in_words(1, "d"), in_words(2.5, "month"), in_words(3, "age")
    ('1 day', '2.5 months', '3 (age)')
    """
    if unit not in UNITS.values():
        return f"{time:g} ({unit})"
    return f"{time:g} {WORDS.get(unit, unit)}{'' if time == 1 else 's'}"


def read_window_rows(
    path: Path, *, response: str | None = None, time: str | None = None, series: str | None = None
) -> WindowRows:
    """Read what a window is worked out from.

    Parameters
    ----------
    path : Path
        As :func:`rhizoledger.workflows.survival_counts.read_counts` takes it, or any table where
        columns are named.
    response, time, series : str or None
        Columns; None is log10_count or plates, time_d or time_h (in days), and ``series``.

    Returns
    -------
    WindowRows
        Plates become one log10 estimate for each series and time. From the first count below its
        limit on, a series is left out: such a count has no number to put a line through.

    Raises
    ------
    InputError
        With every cell that cannot be used, and what to do about it.
    FitError
        If no count above its limit is left.
    """
    if response is time is series is None:
        table = read_table(path)
        if has(table, "batch") and not has(table, "series"):
            raise InputError(
                f"{path.name} has a column batch and none named series, so its batches would be "
                "taken for one. Rename it series, or say --series batch."
            )
        counts = read_counts(path)
        own = {name: _of_counts(data) for name, data in counts.series.items()}
        temps = [t for data in counts.series.values() if data.temp_c is not None
                 for t in data.temp_c.tolist()]  # fmt: skip
        where, sha256, unit, said = counts.file, counts.sha256, "d", list(counts.warnings)
    else:
        table = read_table(path)
        if response is None and has(table, "colonies") and not has(table, COUNT):
            raise InputError(
                f"{path.name} has plates, which are read with the columns series and time_d or "
                "time_h alone. Name its columns so, and leave --time and --series out."
            )
        unit, rows, temps = _named(table, response or COUNT, time, series)
        own = {name: _sorted(part) for name, part in rows.items()}
        where, sha256, said = path.name, digest_file(path), []
    temp = _one_temperature(where, temps)
    left_out: dict[str, tuple[float, float]] = {}
    kept = {}
    for name, (t, y, below) in own.items():
        if below.any():
            first = float(t[below].min())
            left_out[name] = first, float(y[below & (t == first)].max())
            is_kept = t < first
            _two_times(where, name, t[is_kept])
            said.append(_left_out(name, in_words(first, unit), int((~is_kept).sum()), len(t)))
            t, y = t[is_kept], y[is_kept]
        kept[name] = t, y
    return WindowRows(where, sha256, response or COUNT, unit, kept, left_out, temp, tuple(said))


Marked = tuple[FloatArray, FloatArray, NDArray[np.bool_]]
"""Times, responses, and whether each is only a limit that it lies below."""


def _of_counts(data: CountData) -> Marked:
    if data.log10_count is not None and data.censored is not None:
        return data.time_d, data.log10_count, data.censored
    assert data.colonies is not None and data.exposure is not None
    times, which = np.unique(data.time_d, return_inverse=True)
    colonies = np.bincount(which, data.colonies)
    held = np.bincount(which, data.exposure)
    return times, np.log10(np.maximum(colonies, 1) / held), colonies == 0


def _sorted(rows: list[tuple[float, float, bool]]) -> Marked:
    t, y, below = (np.array(part) for part in zip(*sorted(rows), strict=True))
    return t, y, below


def _two_times(file: str, name: str, kept: FloatArray) -> None:
    """Refuse a series that died before it could have a line; without it the rest looks better."""
    if len(np.unique(kept)) < 2:
        raise FitError(
            f"{file}: {f'{name}: ' if name else ''}Counts above their limit are of fewer than two "
            "times, so there is no line. First, count a lower dilution or more of the sample. "
            "Second, take earlier samples. Leaving the series out would hide the one that died "
            "first."
        )


def _left_out(name: str, first: str, n: int, of: int) -> str:
    """Later counts alone would be those that happened to lie high."""
    return (
        f"{f'{name}: ' if name else ''}A count at {first} is below its limit and has no number for "
        f"a line, so the {n} of {of} counts from there on are left out. rhizoledger survival fit "
        "takes such counts as limits."
    )


def _one_temperature(file: str, temps: list[float]) -> float | None:
    found = sorted(set(temps))
    if len(found) > 1:
        raise InputError(
            f"{file} has counts at {len(found)} temperatures, {found[0]:g} to {found[-1]:g} °C, "
            "and a window holds for one. Keep the rows of one, or fit all of them with "
            "rhizoledger survival fit."
        )
    return found[0] if found else None


def _named(
    table: OneTable, response: str, time: str | None, series: str | None
) -> tuple[str, dict[str, list[tuple[float, float, bool]]], list[float]]:
    """Rows of the named columns; hours and days are told apart by the column's name alone."""
    if time is None:
        given = [column for column in ("time_d", "time_h") if has(table, column)]
        if len(given) > 1:
            raise InputError(
                f"{table.raw.file} has time_h and time_d: two units for one time. Say which with "
                "--time."
            )
        time = given[0] if given else "time_d"
    if series is None:
        series = next((c for c in ("series", "batch") if has(table, c)), None)
    _one_unit(table)
    findings = Findings()
    times = _cells(table, time, findings, "time")
    values = _cells(table, response, findings, "response", may_be_below=True)
    names = table.texts(series) if series else [""] * len(times)
    rows: dict[str, list[tuple[float, float, bool]]] = defaultdict(list)
    for row, name, at, value in zip(table.row_numbers(), names, times, values, strict=True):
        if series and not name:
            what, remedy = "The cell is empty.", "Write which batch or lot this row belongs to."
            findings.error(table.raw.file, row, series, "", what, remedy)
        if at is not None and at[0] < 0:
            what, remedy = "The time is below zero.", "Write the time since the start, from 0 on."
            findings.error(table.raw.file, row, time, at[0], what, remedy)
        if at is not None and value is not None:
            rows[name].append((at[0], *value))
    if findings.has_errors():
        raise InputError(findings.in_order())
    temps = table.numbers("temp_c") if has(table, "temp_c") else []
    return _unit_of(time), dict(rows), [t for t in temps if t is not None]


def _cells(
    table: OneTable, column: str, findings: Findings, what: str, *, may_be_below: bool = False
) -> list[tuple[float, bool] | None]:
    texts = table.texts(column)
    bare = [BELOW.sub("", text, count=1) if may_be_below else text for text in texts]
    style = Style.seen_in([*bare, *(str(c) for _, cells in table.raw.rows for c in cells)])
    out: list[tuple[float, bool] | None] = []
    for row, text, number in zip(table.row_numbers(), texts, bare, strict=True):
        try:
            if not text:
                raise CellError(f"The {what} is empty.", "Write it, or take the row out.")
            out.append((read_number(number, style), number != text))
        except CellError as error:
            findings.error(table.raw.file, row, column, text, error.what, error.remedy)
            out.append(None)
    return out


def _one_unit(table: OneTable) -> None:
    """A column ``unit`` says the same in every row, or rows of two things stand in one file."""
    if not has(table, "unit"):
        return
    first: dict[str, int] = {}
    for row, text in zip(table.row_numbers(), table.texts("unit"), strict=True):
        first.setdefault(text, row)
    if len(first) > 1:
        listed = ", ".join(f"{text or 'none'} (row {row})" for text, row in first.items())
        raise InputError(
            f"{table.raw.file}, column unit: responses in {len(first)} units, {listed}, cannot "
            "share a line or a limit. Keep the rows of one unit."
        )


def _unit_of(column: str) -> str:
    """The unit that a time column is named after.

    Examples
    --------
    >>> _unit_of("time_h"), _unit_of("months"), _unit_of("age")
    ('h', 'month', 'age')
    """
    name = column.strip().casefold().removeprefix("time_")
    return UNITS.get(name) or UNITS.get(name.removesuffix("s"), name)
