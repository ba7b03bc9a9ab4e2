"""A logger's file read through once, each of its records into running sums of its own."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from rhizoledger.errors import InputError, Problem
from rhizoledger.season.logger_stream import LoggerFile, Piece
from rhizoledger.season.readings import clock_text
from rhizoledger.season.times import HOUR_S
from rhizoledger.survival.readings import SHORTEST_GAP_S
from rhizoledger.survival.stream import BackwardsError, ExposureStream
from rhizoledger.survival.stream_lines import Kernel, add_lines, fast_kernel

MOST_ITEMS = 10_000
COMPILE_FROM_BYTES = 64 * 1024 * 1024
"""A shorter file is done before the compiled kernel is ready."""
KEPT_BYTES = 16 * 1024 * 1024
"""Up to twice as much stays with the process between two pieces."""
FEW_ROWS_A_RUN = 16
"""Items that change more often are taken as woven into one another."""
MOST_WAITING = 2_000_000
"""Readings of woven items wait until there are so many, since a handful costs as much as many."""


def stream_file(
    file: LoggerFile, longest_s: int | None = None, kernel: Kernel | None = None
) -> dict[str | None, ExposureStream]:
    """The sums of every record in a file, read once in most cases and never more than twice.

    Parameters
    ----------
    file : LoggerFile
        The file.
    longest_s : int, optional
        Longest spacing that is joined by a line [s]. Without it two hours are tried, and the file
        is read again where a record's median spacing allows longer ones.
    kernel : callable, optional
        What adds lines to the sums; the compiled one by default for a long file, where there is it.

    Returns
    -------
    dict
        By item, in the order of their first reading; by None where the file names no items.
    """
    kernel = kernel or _kernel_for(file)
    streams = _read(file, {}, longest_s or SHORTEST_GAP_S, kernel)
    if longest_s is None:
        limits = {item: stream.longest_line_s() for item, stream in streams.items()}
        if any(s.gap_count and limits[item] > s.longest_s for item, s in streams.items()):
            streams = _read(file, limits, SHORTEST_GAP_S, kernel)
    return streams


@dataclass(slots=True)
class _Reading:
    """One pass over a file."""

    file: LoggerFile
    kernel: Kernel
    limits: dict[str | None, int]
    otherwise_s: int
    streams: dict[str | None, ExposureStream] = field(default_factory=dict)
    waiting: dict[str | None, list[tuple[Any, Any, Any]]] = field(
        default_factory=lambda: defaultdict(list)
    )
    waiting_rows: int = 0

    def take(self, piece: Piece) -> None:
        """The next piece: whole runs of an item at once, woven ones when enough have gathered."""
        names = piece.items
        columns = piece.time_s, piece.temp_uc, piece.rows
        if names is None:
            self._add(None, *columns)
            return
        n = len(names)
        starts = np.append(0, np.flatnonzero((names[1:] != names[:-1]).to_numpy()) + 1)
        if starts.size == 1 or starts.size * FEW_ROWS_A_RUN <= n:
            self.flush()
            for a, b in zip(starts.tolist(), [*starts[1:].tolist(), n], strict=True):
                self._add(str(names[a]), *(column[a:b] for column in columns))
            return
        codes = names.rank("dense").to_numpy()
        order = np.argsort(codes, kind="stable")
        groups = np.split(order, np.flatnonzero(np.diff(codes[order])) + 1)
        for places in sorted(groups, key=lambda group: int(group[0])):
            time_s, temp_uc, rows = (column[places] for column in columns)
            self.waiting[str(names[int(places[0])])].append((time_s, temp_uc, rows))
        self.waiting_rows += n
        if self.waiting_rows >= MOST_WAITING:
            self.flush()

    def flush(self) -> None:
        """Nothing waits any longer."""
        for item, parts in self.waiting.items():
            time_s, temp_uc, rows = (np.concatenate(column) for column in zip(*parts, strict=True))
            self._add(item, time_s, temp_uc, rows)
        self.waiting.clear()
        self.waiting_rows = 0

    def _add(self, item: str | None, time_s: Any, temp_uc: Any, rows: Any) -> None:
        stream = self.streams.get(item)
        if stream is None:
            if len(self.streams) == MOST_ITEMS:
                raise InputError(
                    f"{self.file.file} names more than {MOST_ITEMS} items. Split it by item."
                )
            stream = ExposureStream(self.limits.get(item, self.otherwise_s), self.kernel)
            self.streams[item] = stream
        try:
            stream.add(time_s, temp_uc)
        except BackwardsError as error:
            raise _backwards(self.file, item, int(rows[error.at]), error) from error


def _read(
    file: LoggerFile, limits: dict[str | None, int], otherwise_s: int, kernel: Kernel
) -> dict[str | None, ExposureStream]:
    # A block this large, taken once and given back untouched, teaches the C library, where it can
    # learn, to keep freed memory at hand: columns of each piece then cost no page faults.
    np.empty(KEPT_BYTES, np.uint8)
    reading = _Reading(file, kernel, limits, otherwise_s)
    for piece in file.pieces():
        reading.take(piece)
    reading.flush()
    if not reading.streams:
        raise InputError(f"{file.file} holds no readings. Export it again.")
    return reading.streams


def _backwards(file: LoggerFile, item: str | None, row: int, error: BackwardsError) -> InputError:
    """The complaint of a clock that runs backwards, with what is likely behind it."""
    whose = f" of {item}" if item is not None else ""
    what = f"The clock{whose} runs backwards: {clock_text(error.before_s)} stands before it."
    remedy = "Sort the rows by time; if two downloads overlap, keep one of them."
    if file.is_local and error.before_s - error.here_s <= HOUR_S:
        remedy = (
            "If clocks went back here, export the record in UTC or with offsets; else sort the "
            "rows by time."
        )
    here = clock_text(error.here_s)
    return InputError([Problem(file.file, row, file.time_column, here, what, remedy)])


def _kernel_for(file: LoggerFile) -> Kernel:
    if file.path.stat().st_size < COMPILE_FROM_BYTES:
        return add_lines
    try:
        return fast_kernel()
    except InputError:
        return add_lines
