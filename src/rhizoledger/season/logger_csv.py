"""A logger's CSV file: a few lines about the device, a header, then readings.

Pieces of a few megabytes are taken in one after the other, so that memory stays small.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from typing import TYPE_CHECKING

from rhizoledger.season.findings import Findings
from rhizoledger.season.logger_clock import apply_offsets, seconds_of
from rhizoledger.season.logger_headers import HEAD_BYTES, Header, find_header
from rhizoledger.season.readings import Readings, count_of, joined
from rhizoledger.season.source import EMPTY_REMEDY

if TYPE_CHECKING:
    import polars as pl

PIECE_BYTES = 4 * 1024 * 1024


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
    if not data[:HEAD_BYTES].strip() and not data.strip():
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
    pieces: list[Readings] = []
    left_out = 0
    for first_row, piece in _pieces(data, header):
        table = _columns(piece, header)
        if table is None:
            _name_ragged_row(data, header, file, findings)
            return None
        kept, without = _with_values(table, header)
        left_out += without
        readings = _readings(kept, first_row, header, file, findings)
        if readings is None:
            return None
        pieces.append(readings)
    if left_out:
        what = f"Readings without a temperature are left out ({count_of(left_out)})."
        column = header.names[header.temp]
        findings.warning(file, None, column, None, what, "They count as a gap.")
    if not any(piece.time_s.size for piece in pieces):
        findings.error(file, None, None, None, "The file holds no readings.", "Export it again.")
        return None
    return joined(pieces)


def _pieces(data: bytes, header: Header) -> Iterator[tuple[int, bytes]]:
    """Whole lines in pieces of a few megabytes, each with the row it starts at.

    Each piece is led by the header line, which tells the reader how wide a row is.
    """
    at = 0
    for _ in range(header.line):
        at = data.index(b"\n", at) + 1
    start = data.find(b"\n", at) + 1 or len(data)
    head = data[at:start]
    row = header.line + 2
    while start < len(data):
        end = data.find(b"\n", start + PIECE_BYTES) + 1 or len(data)
        yield row, head + data[start:end]
        row += data.count(b"\n", start, end)
        start = end


def _columns(piece: bytes, header: Header) -> pl.DataFrame | None:
    """The columns that matter as text, with line numbers; None where a row is ragged."""
    import polars as pl

    wanted = [header.time, header.temp] + ([header.offset] if header.offset is not None else [])
    try:
        table = pl.read_csv(
            piece,
            has_header=False,
            separator=header.separator,
            schema={str(i): pl.String for i in range(len(header.names))},
            columns=sorted(wanted),
            encoding="utf8-lossy",
            row_index_name="line",
        )
    except pl.exceptions.PolarsError:
        return None
    return table.slice(1).with_columns(
        pl.col(str(i)).str.strip_chars().fill_null("") for i in wanted
    )


def _with_values(table: pl.DataFrame, header: Header) -> tuple[pl.DataFrame, int]:
    """Rows that say something, and how many have a time and no temperature."""
    import polars as pl

    time, temp = pl.col(str(header.time)), pl.col(str(header.temp))
    without = table.select(((temp == "") & (time != "")).sum()).item()
    return table.filter(temp != ""), int(without)


def _readings(
    table: pl.DataFrame, first_row: int, header: Header, file: str, findings: Findings
) -> Readings | None:
    import numpy as np
    import polars as pl

    time_column, temp_column = header.names[header.time], header.names[header.temp]
    # Line 0 of each piece is the header.
    rows = table["line"].to_numpy().astype(np.int64) + (first_row - 1)
    texts = table[str(header.temp)]
    numbers = texts.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    bad = ~numbers.is_finite().fill_null(False).to_numpy()
    if bad.any():
        first = int(np.argmax(bad))
        findings.error(
            file,
            int(rows[first]),
            temp_column,
            texts[first],
            "This is not a temperature.",
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
    temp = numbers.to_numpy().astype(np.float64)
    return Readings(seconds, temp, rows, utc, header.fahrenheit, time_column, temp_column)


def _name_ragged_row(data: bytes, header: Header, file: str, findings: Findings) -> None:
    """Look for the row that could not be taken apart, line by line; seldom needed, so slow."""
    text = io.TextIOWrapper(io.BytesIO(data), "utf-8", "replace", newline="")
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
