"""Readings of a logger as straight lines, cut to a stay.

Everything here is whole numbers: milliseconds and millionths of a degree. A line is cut at whole
milliseconds of its *own* clock, whatever stay asks for it, so the parts of a split stay add up to
the whole one exactly, and a Fahrenheit file gives the same bytes as its Celsius twin.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rhizoledger.errors import InputError

IntArray = NDArray[np.int64]

MS_PER_S = 1000  # exact: milliseconds in a second
MS_PER_H = 3_600_000  # exact: milliseconds in an hour
MS_PER_DAY = 86_400_000  # exact: milliseconds in a day
UC_PER_C = 1_000_000  # exact: millionths of a degree in a degree

COLDEST_C = -60.0  # numeric: lower end of the fixed grid
WARMEST_C = 120.0  # numeric: upper end of the fixed grid
SHORTEST_GAP_S = 7200  # numeric: up to two hours between readings is a line, not a gap
GAP_IN_SPACINGS = 3  # numeric: two readings in a row may be lost before time counts as a gap


@dataclass(frozen=True, slots=True)
class Lines:
    """Straight lines between neighbouring readings, each cut to a stay.

    Parameters
    ----------
    start_ms, length_ms : array of int64, shape (n,)
        Moment of the earlier reading [ms since 1970 UTC] and time to the later one [ms].
    from_uc, to_uc : array of int64, shape (n,)
        Temperatures of the two readings [millionths of a °C].
    cut_from_ms, cut_to_ms : array of int64, shape (n,)
        The part inside the stay, counted from ``start_ms`` [ms]; never empty.
    inside_uc : array of int64
        Every reading inside the stay, ends included, even one that stands alone in a gap.
    stay_ms : int
        Length of the stay [ms].
    digest : str
        Digest of the readings used; empty where there are none.
    """

    start_ms: IntArray
    length_ms: IntArray
    from_uc: IntArray
    to_uc: IntArray
    cut_from_ms: IntArray
    cut_to_ms: IntArray
    inside_uc: IntArray
    stay_ms: int
    digest: str

    @property
    def covered_ms(self) -> int:
        """Time that the lines cover [ms]; the rest of the stay is gap."""
        return int((self.cut_to_ms - self.cut_from_ms).sum())

    def at(self, since_ms: IntArray) -> IntArray:
        """Temperature of each line ``since_ms`` after its start [millionths of a °C]."""
        rise = (self.to_uc - self.from_uc) * (since_ms / self.length_ms)
        return self.from_uc + np.rint(rise).astype(np.int64)

    def extremes_c(self) -> tuple[float, float] | None:
        """Coldest and warmest temperature read or interpolated inside the stay [°C]."""
        seen = np.concatenate((self.at(self.cut_from_ms), self.at(self.cut_to_ms), self.inside_uc))
        if not seen.size:
            return None
        return float(seen.min()) / UC_PER_C, float(seen.max()) / UC_PER_C


def micro_degrees(temp_c: float) -> int:
    """A temperature as whole millionths of a degree, refused outside the grid.

    Raises
    ------
    InputError
        If the temperature is not a number or lies outside the grid.

    Examples
    --------
    >>> micro_degrees(20.5)
    20500000
    """
    if not COLDEST_C <= temp_c <= WARMEST_C:
        raise InputError(_off_grid(temp_c))
    return round(temp_c * UC_PER_C)


def lines_of(
    time_s: ArrayLike,
    temp_c: ArrayLike,
    start_s: float,
    end_s: float,
    max_gap_s: float | None = None,
) -> Lines:
    """Join neighbouring readings by straight lines and cut them to a stay (§2.2, §2.4).

    Readings just outside the stay are used where they lie close enough to the next one; nothing is
    carried beyond the first or the last reading.

    Parameters
    ----------
    time_s : array of int, shape (n,)
        Moments of the readings [s since 1970 UTC], strictly increasing; n may be 0.
    temp_c : array of float, shape (n,)
        Temperatures [°C], finite, inside the grid where the stay uses them.
    start_s, end_s : float
        The stay [s since 1970 UTC].
    max_gap_s : float, optional
        Longest time between readings that is still joined by a line [s], > 0. By default the
        larger of two hours and three times the median spacing of all readings given.

    Returns
    -------
    Lines

    Raises
    ------
    InputError
        If the stay ends before it starts, the times are not increasing whole seconds, or a
        reading it needs is not a number or off the grid.

    Examples
    --------
    >>> lines = lines_of([0, 3600], [10.0, 20.0], 0, 1800)
    >>> lines.covered_ms, lines.extremes_c()
    (1800000, (10.0, 15.0))
    """
    times, temps = _checked(time_s, temp_c)
    start, end = _milliseconds(start_s, "start"), _milliseconds(end_s, "end")
    if end < start:
        raise InputError(
            f"A stay ends at {end_s:g} s, before it starts at {start_s:g} s. Correct its times."
        )
    gap = _longest_line_ms(times, max_gap_s)

    # The readings that can matter: from the last one at or before the start to the first one at
    # or after the end.
    first = max(int(np.searchsorted(times, start // MS_PER_S, side="right")) - 1, 0)
    last = int(np.searchsorted(times, -(-end // MS_PER_S), side="left"))
    t = times[first : last + 1] * MS_PER_S
    c = temps[first : last + 1]
    bad = ~((c >= COLDEST_C) & (c <= WARMEST_C))
    if bad.any():
        raise InputError(_off_grid(float(c[bad][0])))
    uc = np.rint(c * UC_PER_C).astype(np.int64)

    t0, dt = t[:-1], np.diff(t)
    cut_from, cut_to = np.clip(start - t0, 0, dt), np.clip(end - t0, 0, dt)
    keep = (dt <= gap) & (cut_to > cut_from)
    used = np.concatenate((t, uc)).astype("<i8").tobytes()
    return Lines(
        start_ms=t0[keep],
        length_ms=dt[keep],
        from_uc=uc[:-1][keep],
        to_uc=uc[1:][keep],
        cut_from_ms=cut_from[keep],
        cut_to_ms=cut_to[keep],
        inside_uc=uc[(t >= start) & (t <= end)],
        stay_ms=end - start,
        digest=digest(used) if t.size else "",
    )


def digest(content: bytes) -> str:
    """Digest of some bytes as 32 hexadecimal digits."""
    return hashlib.blake2b(content, digest_size=16).hexdigest()  # numeric: 128 bits are plenty


def _checked(time_s: ArrayLike, temp_c: ArrayLike) -> tuple[IntArray, NDArray[np.float64]]:
    times, temps = np.asarray(time_s), np.asarray(temp_c, dtype=np.float64)
    if times.ndim != 1 or times.shape != temps.shape:
        raise InputError(
            f"Readings have {times.size} times and {temps.size} temperatures. "
            "Give one temperature for each time."
        )
    if times.size and times.dtype.kind not in "iu":
        raise InputError("Reading times are not whole seconds. Round them before use.")
    times = times.astype(np.int64)
    back = np.flatnonzero(np.diff(times) <= 0)
    if back.size:
        at = int(back[0]) + 1
        raise InputError(
            f"Reading {at + 1} is not later than the one before it. "
            "Sort the readings by time and keep one for each moment."
        )
    return times, temps


def _milliseconds(moment_s: float, name: str) -> int:
    if not np.isfinite(moment_s):
        raise InputError(f"The {name} of a stay is not a moment ({moment_s}). Give its time.")
    return round(moment_s * MS_PER_S)


def _longest_line_ms(times: IntArray, max_gap_s: float | None) -> int:
    if max_gap_s is not None:
        if not 0 < max_gap_s < np.inf:
            raise InputError(f"The longest gap is {max_gap_s:g} s. Give a time above zero.")
        return round(max_gap_s * MS_PER_S)
    spacing = float(np.median(np.diff(times))) if times.size > 1 else 0.0
    return round(max(SHORTEST_GAP_S, GAP_IN_SPACINGS * spacing) * MS_PER_S)


def _off_grid(temp_c: float) -> str:
    return (
        f"A temperature of {temp_c:g} °C is outside {COLDEST_C:g} to {WARMEST_C:g} °C. "
        "Check the unit of the logger, or take the reading out."
    )
