"""Exact occupancy: how long straight lines of temperature run through each bin of a fixed grid."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from rhizoledger.survival.readings import COLDEST_C, UC_PER_C, WARMEST_C, IntArray, Lines

BIN_C = 0.25  # numeric: width of a bin, a power of two so that every edge is exact
BIN_UC = round(BIN_C * UC_PER_C)
BINS = round((WARMEST_C - COLDEST_C) / BIN_C)
FIRST_EDGE_UC = round(COLDEST_C * UC_PER_C)
PIECES_AT_ONCE = 262_144  # numeric: bounds the working memory at some 30 MB for any trace


def bin_number(uc: int) -> int:
    """The bin of a temperature [millionths of a °C]; an edge belongs to the bin above it.

    Examples
    --------
    >>> bin_number(-60_000_000), bin_number(-59_750_000), bin_number(120_000_000) == BINS - 1
    (0, 1, True)
    """
    return min((uc - FIRST_EDGE_UC) // BIN_UC, BINS - 1)


def middle_uc(number: int) -> int:
    """Middle of a bin [millionths of a °C]."""
    return FIRST_EDGE_UC + number * BIN_UC + BIN_UC // 2


def occupancy(lines: Lines) -> tuple[IntArray, IntArray]:
    """Time and degree-time of lines in every bin of the grid.

    Parameters
    ----------
    lines : Lines
        Straight lines cut to a stay.

    Returns
    -------
    ticks : array of int64, shape (BINS,)
        Time [ms]; the sum is the time the lines cover, exactly.
    degree_ticks : array of int64, shape (BINS,)
        ∫(T − middle of the bin)dt [millionths of a °C × ms].

    Notes
    -----
    §2.2. A crossing is rounded to a whole millisecond of its line's own clock and the degree-time
    is a difference of a rounded running total, so both add up exactly however a stay is split.
    """
    ticks = np.zeros(BINS, np.int64)
    degree_ticks = np.zeros(BINS, np.int64)
    for bins, time, degrees in _pieces(lines):
        np.add.at(ticks, bins, time)
        np.add.at(degree_ticks, bins, degrees)
    return ticks, degree_ticks


def _pieces(lines: Lines) -> Iterator[tuple[IntArray, IntArray, IntArray]]:
    """Cut lines at every edge they cross: bin, time and degree-time of each piece.

    Only crossings are expanded, a bounded number at a time.
    """
    crossings = np.abs(_bin_numbers(lines.to_uc) - _bin_numbers(lines.from_uc))
    ends = np.cumsum(crossings + 1)
    done = 0
    while done < ends.size:
        before = int(ends[done - 1]) if done else 0
        upto = int(np.searchsorted(ends, before + PIECES_AT_ONCE, side="right"))
        upto = max(upto, done + 1)
        yield _cut(lines, slice(done, upto), crossings[done:upto])
        done = upto


def _cut(lines: Lines, part: slice, crossings: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    from_uc, length = lines.from_uc[part], lines.length_ms[part]
    rise = lines.to_uc[part] - from_uc
    pieces = crossings + 1
    line = np.repeat(np.arange(pieces.size), pieces)
    nth = np.arange(line.size) - np.repeat(np.cumsum(pieces) - pieces, pieces)
    up = rise >= 0
    bins = _bin_numbers(from_uc)[line] + np.where(up, 1, -1)[line] * nth

    # A piece begins where its line enters the bin, on the line's own clock, whatever the stay.
    begin = np.zeros(line.size, np.int64)
    c = np.flatnonzero(nth)
    entered = FIRST_EDGE_UC + (bins[c] + ~up[line[c]]) * BIN_UC
    share = (entered - from_uc[line[c]]) / rise[line[c]]
    begin[c] = np.rint(length[line[c]] * share)
    end = np.append(begin[1:], 0)
    end[np.cumsum(pieces) - 1] = length

    u = np.clip(begin, lines.cut_from_ms[part][line], lines.cut_to_ms[part][line])
    v = np.clip(end, lines.cut_from_ms[part][line], lines.cut_to_ms[part][line])
    keep = v > u
    begin, u, v, bins, line = begin[keep], u[keep], v[keep], bins[keep], line[keep]
    offset = from_uc[line] - (FIRST_EDGE_UC + bins * BIN_UC + BIN_UC // 2)
    slope = rise[line] / length[line]

    def degrees_up_to(t: IntArray) -> IntArray:
        # Rounded as a running total from the beginning of the uncut piece: a cut cannot show.
        total = (t - begin) * (offset + slope * (t + begin) / 2)
        return np.asarray(np.rint(total), dtype=np.int64)

    return bins, v - u, degrees_up_to(v) - degrees_up_to(u)


def _bin_numbers(uc: IntArray) -> IntArray:
    return np.asarray(np.minimum((uc - FIRST_EDGE_UC) // BIN_UC, BINS - 1), dtype=np.int64)
