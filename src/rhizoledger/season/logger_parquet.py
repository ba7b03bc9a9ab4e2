"""A logger's Parquet file, opened only after its footer has been read."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

from rhizoledger.season.findings import Findings
from rhizoledger.season.logger_clock import (
    NOT_A_TIME,
    TIME_REMEDY,
    apply_offsets,
    seconds_of,
)
from rhizoledger.season.logger_headers import choose_columns
from rhizoledger.season.parquet_footer import BrokenFooter, row_groups
from rhizoledger.season.readings import Readings, count_of
from rhizoledger.season.source import MIB

if TYPE_CHECKING:
    import polars as pl

MOST_ROWS_IN_GROUP = 2_000_000
LARGEST_GROUP = 128 * MIB
MOST_ROWS = 20_000_000
LONGEST_TIME = 64

REWRITE = (
    "Rewrite it with: python -c \"import polars; polars.scan_parquet('{name}')"
    ".select('{time}', '{temp}').sink_parquet('smaller.parquet', row_group_size=100_000)\""
)


def read_parquet(data: bytes, file: str, findings: Findings) -> Readings | None:
    """Readings of a logger's Parquet file, or None after saying what is wrong.

    Parameters
    ----------
    data : bytes
        The file.
    file : str
        Its name, for messages.
    findings : Findings
        Takes every problem.
    """
    import polars as pl

    broken = "This is not a Parquet file that can be read."
    try:
        groups = row_groups(data)
        names = list(pl.read_parquet_schema(io.BytesIO(data)))
    except (BrokenFooter, pl.exceptions.PolarsError, pl.exceptions.PanicException):
        findings.error(file, None, None, None, broken, "Export it again, or save it as CSV.")
        return None
    header = choose_columns(names, 0, ",", file, findings)
    if header is None:
        return None
    time_column, temp_column = names[header.time], names[header.temp]
    for number, group in enumerate(groups, start=1):
        if group.rows > MOST_ROWS_IN_GROUP or group.unpacked_bytes > LARGEST_GROUP:
            findings.error(
                file,
                None,
                None,
                f"row group {number}: {group.rows} rows, {group.unpacked_bytes / MIB:.0f} MiB",
                f"A row group is larger than the limit of {MOST_ROWS_IN_GROUP} rows and "
                f"{LARGEST_GROUP / MIB:g} MiB.",
                REWRITE.format(name=file.split("/")[-1], time=time_column, temp=temp_column),
            )
            return None
    if sum(group.rows for group in groups) > MOST_ROWS:
        what = f"The file has more than the limit of {MOST_ROWS} rows."
        findings.error(file, None, None, None, what, "Split it by month, one file for each.")
        return None
    wanted = [time_column, temp_column]
    wanted += [names[header.offset]] if header.offset is not None else []
    try:
        table = pl.read_parquet(io.BytesIO(data), columns=wanted, row_index_name="row")
    except (pl.exceptions.PolarsError, pl.exceptions.PanicException):
        findings.error(file, None, None, None, broken, "Export it again, or save it as CSV.")
        return None
    offset = names[header.offset] if header.offset is not None else None
    return _readings(table, header.fahrenheit, header.utc, offset, wanted, file, findings)


def _readings(
    table: pl.DataFrame,
    fahrenheit: bool,
    in_utc: bool,
    offset: str | None,
    wanted: list[str],
    file: str,
    findings: Findings,
) -> Readings | None:
    import numpy as np
    import polars as pl

    time_column, temp_column = wanted[:2]
    before = table.height
    table = table.filter(pl.col(time_column).is_not_null() & pl.col(temp_column).is_not_null())
    if not table.height:
        findings.error(file, None, None, None, "The file holds no readings.", "Export it again.")
        return None
    if before > table.height:
        left_out = count_of(before - table.height)
        what = f"Rows without a time or a temperature are left out ({left_out})."
        findings.warning(file, None, temp_column, None, what, "They count as a gap.")
    rows = table["row"].to_numpy().astype(np.int64) + 2
    if not table[temp_column].dtype.is_numeric():
        what = "The temperatures are not stored as numbers."
        findings.error(file, 1, temp_column, None, what, "Store them as float.")
        return None
    temp = table[temp_column].cast(pl.Float64).to_numpy()
    if not np.isfinite(temp).all():
        first = int(np.argmin(np.isfinite(temp)))
        what = "This is not a temperature."
        remedy = "Leave out readings where the sensor failed."
        findings.error(file, int(rows[first]), temp_column, str(temp[first]), what, remedy)
        return None
    clock = _clock(table[time_column], rows, file, time_column, findings)
    if clock is None:
        return None
    seconds, utc = clock
    if in_utc:
        utc[:] = True
    if offset is not None and not apply_offsets(
        seconds, utc, table[offset].cast(pl.String), rows, file, findings
    ):
        return None
    return Readings(seconds, temp, rows, utc, fahrenheit, time_column, temp_column)


def _clock(
    times: pl.Series, rows: Any, file: str, column: str, findings: Findings
) -> tuple[Any, Any] | None:
    import numpy as np
    import polars as pl

    if times.dtype == pl.String:
        # A dictionary may hold one huge text for every row; look before working on it.
        longest = times.str.len_bytes().arg_max()
        if longest is not None and len(times[longest]) > LONGEST_TIME:
            row = int(rows[longest])
            findings.error(file, row, column, times[longest], NOT_A_TIME, TIME_REMEDY)
            return None
        return seconds_of(times.str.strip_chars(), rows, file, column, findings)
    if isinstance(times.dtype, pl.Datetime):
        micro = times.dt.cast_time_unit("us").to_physical().to_numpy()
        aware = times.dtype.time_zone is not None
        return (micro + 500_000) // 1_000_000, np.full(len(micro), aware)
    what = "The times are not stored as date and time."
    findings.error(file, 1, column, None, what, "Store them as timestamps, or as ISO 8601 text.")
    return None
