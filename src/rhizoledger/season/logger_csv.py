"""A logger's CSV file: a few lines about the device, a header, then readings."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rhizoledger.season import logger_headers as headers
from rhizoledger.season.findings import Findings, nearest
from rhizoledger.season.logger_clock import apply_offsets, seconds_of
from rhizoledger.season.readings import Readings, count_of
from rhizoledger.season.source import EMPTY_REMEDY, MOST_COLUMNS, separator_of

if TYPE_CHECKING:
    import polars as pl

MOST_LINES_BEFORE_HEADER = 30
HEAD_BYTES = 64 * 1024
HEADER_REMEDY = "Name the columns time and temp_c, or time and temp_f."


@dataclass(frozen=True, slots=True)
class Header:
    """Where the header stands and which columns matter; positions count from 0."""

    line: int
    separator: str
    names: tuple[str, ...]
    time: int
    temp: int
    fahrenheit: bool
    utc: bool
    offset: int | None


def choose_columns(
    names: Sequence[str], line: int, separator: str, file: str, findings: Findings | None
) -> Header | None:
    """Time and temperature among the headers; None (after saying why) if not one of each."""
    folded = [headers.folded(name) for name in names]
    times = [i for i, name in enumerate(folded) if name in headers.TIME]
    celsius = [i for i, name in enumerate(folded) if name in headers.CELSIUS]
    fahrenheit = [i for i, name in enumerate(folded) if name in headers.FAHRENHEIT]
    offsets = [i for i, name in enumerate(folded) if name in headers.UTC_OFFSET]
    temps = celsius + fahrenheit
    if len(times) == 1 and len(temps) == 1:
        return Header(
            line,
            separator,
            tuple(names),
            times[0],
            temps[0],
            bool(fahrenheit),
            folded[times[0]] in headers.IN_UTC,
            offsets[0] if offsets else None,
        )
    if findings is not None:
        for wanted, found in (("time", times), ("temp_c", temps)):
            if len(found) == 1:
                continue
            others = [n for i, n in enumerate(names) if n.strip() and i not in times + temps]
            close = nearest(wanted, others) if others else ""
            findings.error(
                file,
                line + 1,
                wanted if not found else names[found[1]],
                None if not found else names[found[1]],
                f"There is no column {wanted if wanted == 'time' else 'temp_c or temp_f'}."
                if not found
                else "Two columns could be meant.",
                f"{HEADER_REMEDY} {close if close.startswith('Near') else ''}".rstrip()
                if not found
                else "Keep one of them.",
            )
    return None


def find_header(data: bytes, file: str, findings: Findings) -> Header | None:
    """The first line that names a time and a temperature, within the first lines of the file."""
    head = data[:HEAD_BYTES]
    try:
        text = head.decode("utf-8-sig", "strict" if len(head) == len(data) else "ignore")
    except UnicodeDecodeError:
        text = head.decode("cp1252", "replace")
    lines = text.splitlines()[: MOST_LINES_BEFORE_HEADER + 1]
    for number, line in enumerate(lines):
        separator = separator_of(line)
        names = next(csv.reader([line], delimiter=separator), [])
        if 1 < len(names) <= MOST_COLUMNS:
            header = choose_columns(names, number, separator, file, None)
            if header is not None:
                return header
    separator = separator_of(lines[0])
    choose_columns(
        next(csv.reader([lines[0]], delimiter=separator), []), 0, separator, file, findings
    )
    return None


def read_csv(data: bytes, file: str, findings: Findings) -> Readings | None:
    """Readings of a logger's CSV file, or None after saying what is wrong.

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

    if not data.strip():
        findings.error(file, None, None, None, "The file is empty.", EMPTY_REMEDY)
        return None
    if b"\0" in data:
        row = data[: data.index(b"\0")].count(b"\n") + 1
        what = "The file holds NUL bytes: it is not plain text, or it is UTF-16."
        findings.error(file, row, None, None, what, "Save it as CSV in UTF-8.")
        return None
    header = find_header(data, file, findings)
    if header is None:
        return None
    wanted = [header.time, header.temp] + ([header.offset] if header.offset is not None else [])
    try:
        table = pl.read_csv(
            io.BytesIO(data),
            has_header=False,
            # The header itself is read as a row: it tells the reader how wide a row is.
            skip_lines=header.line,
            separator=header.separator,
            schema={str(i): pl.String for i in range(len(header.names))},
            columns=sorted(wanted),
            encoding="utf8-lossy",
            row_index_name="row",
        )
    except pl.exceptions.PolarsError:
        _name_ragged_row(data, header, file, findings)
        return None
    return _readings(table.slice(1), header, file, findings)


def _readings(
    table: pl.DataFrame, header: Header, file: str, findings: Findings
) -> Readings | None:
    import numpy as np
    import polars as pl

    time_column, temp_column = header.names[header.time], header.names[header.temp]
    first_row = header.line + 1
    time = pl.col(str(header.time)).str.strip_chars()
    temp = pl.col(str(header.temp)).str.strip_chars()
    table = table.with_columns(time, temp).filter(time.str.len_bytes() > 0)
    before = table.height
    table = table.filter(temp.str.len_bytes() > 0)
    if not table.height:
        findings.error(file, None, None, None, "The file holds no readings.", "Export it again.")
        return None
    rows = table["row"].to_numpy().astype(np.int64) + first_row
    if before > table.height:
        what = f"Readings without a temperature are left out ({count_of(before - table.height)})."
        findings.warning(file, None, temp_column, None, what, "They count as a gap.")
    texts = table[str(header.temp)]
    numbers = texts.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    bad = (numbers.is_null() | ~numbers.is_finite()).fill_null(True).to_numpy()
    if bad.any():
        first = int(np.argmax(bad))
        findings.error(
            file,
            int(rows[first]),
            temp_column,
            texts[first],
            f"This is not a temperature ({count_of(int(bad.sum()))}).",
            "Write a plain number; leave the cell empty where the sensor failed.",
        )
    clock = seconds_of(table[str(header.time)], rows, file, time_column, findings)
    if clock is None or bad.any():
        return None
    seconds, utc = clock
    if header.utc:
        utc[:] = True
    if header.offset is not None and not apply_offsets(
        seconds, utc, table[str(header.offset)], rows, file, findings
    ):
        return None
    return Readings(
        seconds,
        numbers.to_numpy().astype(np.float64),
        rows,
        utc,
        header.fahrenheit,
        time_column,
        temp_column,
    )


def _name_ragged_row(data: bytes, header: Header, file: str, findings: Findings) -> None:
    """Look for the row that could not be taken apart, line by line; seldom needed, so slow."""
    text = io.StringIO(data.decode("utf-8", "replace"), newline="")
    rows = csv.reader(text, delimiter=header.separator, strict=True)
    number: int | None = 0
    what = ""
    try:
        for number, cells in enumerate(rows, start=1):
            if number > header.line + 1 and len(cells) > len(header.names):
                what = f"The row has {len(cells)} cells, the header {len(header.names)}."
                break
    except csv.Error as error:
        number = (number or 0) + 1
        what = f"The row cannot be taken apart ({error})."
    if not what:
        number, what = None, "The rows cannot be taken apart."
    findings.error(
        file,
        number,
        None,
        None,
        what,
        "Give every row one cell per column; a decimal comma in a file with commas goes between "
        "quotes.",
    )
