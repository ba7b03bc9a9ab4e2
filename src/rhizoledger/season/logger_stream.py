"""A logger's file of any size, CSV or Parquet, as pieces that fit into memory.

Columns are found and cells are read as in a season's ``loggers/``; a column ``item`` may tell
several records in one file apart. Nothing is kept of a piece once it has been handed on.
"""

from __future__ import annotations

import mmap
from collections import deque
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import accumulate, pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from rhizoledger.errors import InputError, Problem
from rhizoledger.season.findings import Findings
from rhizoledger.season.logger_clock import apply_offsets, seconds_of
from rhizoledger.season.logger_headers import (
    HEAD_BYTES,
    Header,
    choose_columns,
    find_header,
    folded_header,
)
from rhizoledger.season.logger_parquet import LARGEST_GROUP, MOST_ROWS_IN_GROUP, REWRITE
from rhizoledger.season.logger_ragged import ragged_row
from rhizoledger.season.loggers import COLDEST_C, HOTTEST_C
from rhizoledger.season.parquet_footer import BrokenFooter, row_groups
from rhizoledger.season.source import MIB
from rhizoledger.season.times import FIRST_YEAR, LAST_YEAR
from rhizoledger.survival.readings import UC_PER_C

if TYPE_CHECKING:
    import polars as pl

PIECE_BYTES = 4 * MIB
BLOCK_ROWS = 32_768
"""Rows handed on at once; their columns fit into a core's cache."""
LONGEST_ROW = 4
"""Pieces that one row may take up."""
PIECE_ROWS = 262_144
SUFFIXES = (".csv", ".txt", ".tsv", ".parquet")
ITEM = "item"
FLOAT32_GRAIN_UC = 10
"""Single precision holds five decimals of any temperature here, and not six."""


@dataclass(frozen=True, slots=True)
class Piece:
    """Neighbouring rows of a file.

    Parameters
    ----------
    time_s : array of int64, shape (n,)
        Moments [s since 1970 on the file's clock].
    temp_uc : array of int64, shape (n,)
        Temperatures [millionths of a °C].
    items : Series or None
        Whose reading it is, where the file says so.
    rows : array of int64, shape (n,)
        Row of each, as a spreadsheet shows it.
    """

    time_s: Any
    temp_uc: Any
    items: pl.Series | None
    rows: Any


class LoggerFile:
    """One file, opened far enough to know its columns.

    Parameters
    ----------
    path : Path
        CSV or Parquet.
    fahrenheit : bool
        The temperatures are °F, whatever the header says.

    Raises
    ------
    InputError
        If it is neither, or has no column of times or none of temperatures.
    """

    def __init__(self, path: Path, *, fahrenheit: bool = False) -> None:
        self.path, self.file = path, path.name
        self.left_out = 0
        self.is_local: bool | None = None
        self.grain_uc = 1
        self.group_rows: tuple[int, ...] = ()
        self.is_parquet = path.suffix.casefold() == ".parquet"
        if path.suffix.casefold() not in SUFFIXES:
            raise self._error("This is neither CSV nor Parquet.", "Save it as CSV.")
        if not path.is_file():
            raise self._error("There is no such file.", "Check its name and its folder.")
        findings = Findings()
        header = self._parquet_header(findings) if self.is_parquet else self._csv_header(findings)
        if header is None:
            raise InputError(findings.in_order())
        self.header = header
        self.fahrenheit = fahrenheit or header.fahrenheit
        self.time_column, self.temp_column = header.names[header.time], header.names[header.temp]
        places = [i for i, name in enumerate(header.names) if folded_header(name) == ITEM]
        self.item = places[0] if places else None

    def pieces(self) -> Iterator[Piece]:
        """The readings from first to last; may be asked for again.

        Raises
        ------
        InputError
            At the first cell that cannot be used; the error names file, row and column.
        """
        self.left_out = 0
        self.is_local = None
        yield from self._parquet_pieces() if self.is_parquet else self._csv_pieces()

    def _csv_header(self, findings: Findings) -> Header | None:
        with self.path.open("rb") as stream:
            head = stream.read(HEAD_BYTES)
        if not head.strip():
            raise self._error("The file is empty.", "Export it again.")
        if b"\0" in head:
            raise self._nul(head[: head.index(b"\0")].count(b"\n") + 1)
        return find_header(head, self.file, findings)

    def _parquet_header(self, findings: Findings) -> Header | None:
        import polars as pl

        try:
            names = list(pl.read_parquet_schema(self.path))
            with (
                self.path.open("rb") as stream,
                mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as data,
            ):
                # A mapped file answers as bytes do wherever the footer is looked at.
                groups = row_groups(cast("bytes", data))
        except (BrokenFooter, OSError, ValueError) as error:
            raise self._unreadable() from error
        except (pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
            raise self._unreadable() from error
        self.group_rows = tuple(group.rows for group in groups)
        header = choose_columns(names, 0, ",", self.file, findings)
        if header is None:
            return None
        for number, group in enumerate(groups, start=1):
            if group.rows > MOST_ROWS_IN_GROUP or group.unpacked_bytes > LARGEST_GROUP:
                time, temp = names[header.time], names[header.temp]
                raise self._error(
                    f"Row group {number} has {group.rows} rows and "
                    f"{group.unpacked_bytes / MIB:.0f} MiB; the limit is {MOST_ROWS_IN_GROUP} "
                    f"rows and {LARGEST_GROUP / MIB:g} MiB, so that memory stays small.",
                    REWRITE.format(name=self.file, time=time, temp=temp),
                )
        return header

    def _csv_pieces(self) -> Iterator[Piece]:
        with self.path.open("rb") as stream:
            head = b"".join(stream.readline(HEAD_BYTES) for _ in range(self.header.line + 1))
            width = head.splitlines()[-1] + b"\n"
            row, rest = self.header.line + 2, b""
            while block := stream.read(PIECE_BYTES):
                end = block.rfind(b"\n") + 1
                if not end:
                    rest += block
                    if len(rest) > LONGEST_ROW * PIECE_BYTES:
                        what = "The row has no end: it is longer than any reading."
                        raise self._error(what, "Export it again, one reading a row.", row)
                    continue
                yield from self._csv_piece(width, rest + block[:end], row)
                row += rest.count(b"\n") + block.count(b"\n", 0, end)
                rest = block[end:]
            if rest.strip():
                yield from self._csv_piece(width, rest, row)

    def _csv_piece(self, width: bytes, lines: bytes, first_row: int) -> Iterator[Piece]:
        import numpy as np
        import polars as pl

        if b"\0" in lines:
            raise self._nul(first_row + lines[: lines.index(b"\0")].count(b"\n"))
        header = self.header
        wanted = [header.time, header.temp]
        wanted += [i for i in (header.offset, self.item) if i is not None]
        try:
            # The header line tells the reader how wide a row is.
            table = pl.read_csv(
                width + lines,
                has_header=False,
                separator=header.separator,
                schema={str(i): pl.String for i in range(len(header.names))},
                columns=sorted(wanted),
                encoding="utf8-lossy",
                row_index_name="line",
            ).slice(1)
        except pl.exceptions.PolarsError as error:
            raise ragged_row(lines, first_row, header, self.file) from error
        table = table.with_columns(pl.col(str(i)).str.strip_chars().fill_null("") for i in wanted)
        time, temp = pl.col(str(header.time)), pl.col(str(header.temp))
        self.left_out += int(table.select(((temp == "") & (time != "")).sum()).item())
        table = table.filter(temp != "")
        if not table.height:
            return
        rows = table["line"].to_numpy().astype(np.int64) + (first_row - 1)
        texts = table[str(header.temp)]
        numbers = texts.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
        temps = numbers.fill_null(float("nan")).to_numpy()
        offsets = table[str(header.offset)] if header.offset is not None else None
        times = self._clock(table[str(header.time)], offsets, rows)
        items = table[str(self.item)] if self.item is not None else None
        yield self._piece(times, temps, items, rows, texts)

    def _parquet_pieces(self) -> Iterator[Piece]:
        import polars as pl

        header = self.header
        schema = pl.read_parquet_schema(self.path)
        time_type, temp_type = schema[self.time_column], schema[self.temp_column]
        if not temp_type.is_numeric():
            raise self._error("The temperatures are no numbers.", "Store them as float.")
        time = pl.col(self.time_column)
        if isinstance(time_type, pl.Datetime):
            time = time.dt.cast_time_unit("us").to_physical()
        elif time_type != pl.String:
            raise self._error("The times are not stored as date and time.", "Store them as such.")
        temp = pl.col(self.temp_column)
        if temp_type == pl.Float32:
            self.grain_uc = FLOAT32_GRAIN_UC
        else:
            temp = temp.cast(pl.Float64)
        columns = [time.alias("time"), temp.alias("temp")]
        if self.item is not None:
            columns.append(pl.col(header.names[self.item]).alias("item"))
        if header.offset is not None:
            columns.append(pl.col(header.names[header.offset]).cast(pl.String).alias("offset"))
        aware = header.utc or getattr(time_type, "time_zone", None) is not None
        rows = pl.scan_parquet(self.path).select(columns)
        starts = [0]
        for size in accumulate(self.group_rows):
            if size - starts[-1] >= PIECE_ROWS or size == sum(self.group_rows):
                starts.append(size)
        parts = [rows.slice(a, b - a) for a, b in pairwise(starts)]
        # The next rows are unpacked while these are worked on; no more is ever held.
        with ThreadPoolExecutor(1) as reader:
            ahead = deque(reader.submit(part.collect) for part in parts[:1])
            for i, start in enumerate(starts[:-1]):
                try:
                    batch = ahead.popleft().result()
                except (pl.exceptions.PolarsError, pl.exceptions.PanicException) as error:
                    raise self._unreadable() from error
                ahead += [reader.submit(part.collect) for part in parts[i + 1 : i + 2]]
                yield from self._parquet_piece(batch, start + 2, aware)

    def _parquet_piece(self, batch: pl.DataFrame, first_row: int, aware: bool) -> Iterator[Piece]:
        import numpy as np

        kept = None
        if batch["time"].null_count() or batch["temp"].null_count():
            mask = batch["time"].is_not_null() & batch["temp"].is_not_null()
            kept = np.flatnonzero(mask.to_numpy())
            self.left_out += batch.height - kept.size
            batch = batch.filter(mask)
        temps = batch["temp"].to_numpy()
        for done in range(0, batch.height, BLOCK_ROWS):
            block = batch[done : done + BLOCK_ROWS]
            rows = np.arange(done, done + block.height) if kept is None else kept[done:]
            rows = rows[: block.height] + first_row
            offsets = block["offset"] if self.header.offset is not None else None
            times = self._clock(block["time"], offsets, rows, aware)
            items = block["item"] if self.item is not None else None
            yield self._piece(times, temps[done : done + BLOCK_ROWS], items, rows, None)

    def _clock(
        self, times: pl.Series, offsets: pl.Series | None, rows: Any, aware: bool = False
    ) -> Any:
        """Seconds of texts or of whole microseconds, on UTC where they or their rows say how."""
        import numpy as np

        findings = Findings()
        clock: tuple[Any, Any] | None
        if times.dtype.is_integer():
            seconds = (times.to_numpy() + 500_000) // 1_000_000
            if offsets is None:
                self.is_local = not aware
                return seconds
            clock = seconds, np.full(seconds.size, aware)
        else:
            texts = times.str.strip_chars()
            clock = seconds_of(texts, rows, self.file, self.time_column, findings)
        if clock is None:
            raise InputError(findings.in_order())
        seconds, utc = clock
        if self.header.utc:
            utc[:] = True
        if offsets is not None and not apply_offsets(
            seconds, utc, offsets, rows, self.file, findings
        ):
            raise InputError(findings.in_order())
        if self.is_local is None:
            self.is_local = not utc[0]
        other = np.flatnonzero(utc == self.is_local)
        if other.size:
            raise self._error(
                "Some times have an offset from UTC and some have none.",
                "Give every time an offset, or none.",
                int(rows[other[0]]),
                self.time_column,
            )
        return seconds

    def _piece(
        self, time_s: Any, temp: Any, items: pl.Series | None, rows: Any, texts: pl.Series | None
    ) -> Piece:
        import numpy as np

        from rhizoledger.units import temperature_c

        first_s, last_s = (
            int(datetime(y, 1, 1, tzinfo=UTC).timestamp()) for y in (FIRST_YEAR, LAST_YEAR + 1)
        )
        if int(time_s.min()) < first_s or int(time_s.max()) >= last_s:
            at = int(np.argmax((time_s < first_s) | (time_s >= last_s)))
            what = f"The year is outside {FIRST_YEAR} to {LAST_YEAR}."
            remedy = "Check the logger's clock, or take the row out."
            raise self._error(what, remedy, int(rows[at]), self.time_column)
        temp_c = temp = temp.astype(np.float64)
        if self.fahrenheit:
            zero, ten = temperature_c(0.0, "F"), temperature_c(10.0, "F")
            temp_c = zero + temp * ((ten - zero) / 10)
        if not (temp_c.min() >= COLDEST_C and temp_c.max() <= HOTTEST_C):
            at = int(np.argmin((temp_c >= COLDEST_C) & (temp_c <= HOTTEST_C)))
            value = f"{temp[at]:g}" if texts is None else texts[at]
            is_number = bool(np.isfinite(temp[at]))
            raise self._error(
                f"This is outside {COLDEST_C:g} to {HOTTEST_C:g} °C."
                if is_number
                else "This is not a temperature.",
                "Correct the scale in the header, or leave the cell empty where the sensor failed."
                if is_number
                else "Write a plain number; leave the cell empty where the sensor failed.",
                int(rows[at]),
                self.temp_column,
                value,
            )
        if items is not None:
            self._named(items, rows)
        temp_uc = np.rint(temp_c * (UC_PER_C / self.grain_uc)).astype(np.int64)
        if self.grain_uc > 1:
            temp_uc *= self.grain_uc
        return Piece(time_s, temp_uc, items, rows)

    def _named(self, items: pl.Series, rows: Any) -> None:
        import polars as pl

        if items.null_count():
            nameless = items.is_null()
        elif items.dtype == pl.String:
            nameless = items == ""
        else:
            return
        at = nameless.arg_max()
        if at is not None and nameless[at]:
            what, remedy = "The reading has no item.", "Say whose it is, or take the row out."
            raise self._error(what, remedy, int(rows[at]), self.header.names[self.item or 0])

    def _error(
        self,
        what: str,
        remedy: str,
        row: int | None = None,
        column: str | None = None,
        value: str | None = None,
    ) -> InputError:
        return InputError([Problem(self.file, row, column, value, what, remedy)])

    def _unreadable(self) -> InputError:
        what = "This is not a Parquet file that can be read."
        return self._error(what, "Export it again, or save it as CSV.")

    def _nul(self, row: int) -> InputError:
        what = "The file holds NUL bytes: it is not plain text, or it is UTF-16."
        return self._error(what, "Save it as CSV in UTF-8.", row)
