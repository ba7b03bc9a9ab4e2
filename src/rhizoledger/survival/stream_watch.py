"""What is doubtful in a record as it streams by, and its frost: told, never taken out.

Everything rests on the lines that leave their bin. A jump crosses many bins, a zero crossing
crosses the edge at 0 °C, and a stuck sensor stays in one bin, so few lines need a second look.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from rhizoledger.survival.readings import MS_PER_S, UC_PER_C, IntArray

STUCK_S = 86_400  # numeric: the very same reading for a day is worth a look
JUMP_UC = 10 * UC_PER_C
JUMP_WITHIN_S = 1800  # numeric: ten degrees within half an hour: a logger moved, or a fault
HOUR_S = 3600  # exact: seconds in an hour
DAY_S = 86_400  # exact: seconds in a day
USUAL_S = 1800  # numeric: with readings further apart a skipped hour looks like a lost reading
NIGHT_H = 4  # numeric: clocks are put forward between midnight and four


@dataclass(slots=True)
class Seen:
    """How often something was seen, and when first [s on the record's clock]."""

    times: int = 0
    first_s: int | None = None

    def add(self, moments_s: IntArray) -> None:
        """Count moments, given in their order."""
        if moments_s.size:
            self.times += moments_s.size
            if self.first_s is None:
                self.first_s = int(moments_s[0])


@dataclass(slots=True)
class Watch:
    """Repeated moments, jumps, stuck sensors and skipped hours of one record.

    Examples
    --------
    >>> watch = Watch()
    >>> time_s, temp_uc = np.array([0, 60, 60]), np.array([5, 5, 30]) * 1_000_000
    >>> watch.see(time_s, temp_uc, np.diff(time_s), np.array([1]))
    >>> watch.repeated.times, watch.jumps.times
    (1, 1)
    """

    repeated: Seen = field(default_factory=Seen)
    jumps: Seen = field(default_factory=Seen)
    skipped: Seen = field(default_factory=Seen)
    stuck: Seen = field(default_factory=Seen)
    longest_stuck_s: int = 0
    longest_stuck_uc: int | None = None
    _spacing_s: int = 0
    _same: tuple[int, int] | None = None

    def see(self, time_s: IntArray, temp_uc: IntArray, length_s: IntArray, cuts: IntArray) -> None:
        """Look at the next readings, the first of which was the last one before, if any was.

        Parameters
        ----------
        time_s, temp_uc : array of int64, shape (n,)
            Readings, n ≥ 2.
        length_s : array of int64, shape (n − 1,)
            Spacings.
        cuts : array of int64
            Lines that leave their bin or are not joined, as the kernel found them.
        """
        if int(length_s.min()) == 0:
            self.repeated.add(time_s[1:][length_s == 0])
        if int(length_s.max()) > HOUR_S:
            before = np.append(self._spacing_s, length_s[:-1])
            skips = (length_s == before + HOUR_S) & (before > 0) & (before <= USUAL_S)
            skips &= time_s[:-1] % DAY_S < NIGHT_H * HOUR_S
            self.skipped.add(time_s[:-1][skips])
        self._spacing_s = int(length_s[-1])
        rise = np.abs(temp_uc[cuts + 1] - temp_uc[cuts])
        self.jumps.add(time_s[cuts + 1][(rise >= JUMP_UC) & (length_s[cuts] <= JUMP_WITHIN_S)])
        self._see_stuck(time_s, temp_uc, cuts)

    def end(self, last_s: int) -> None:
        """The record ends: a reading that never changed again is told too."""
        if self._same is not None:
            self._told(*self._same, last_s)
            self._same = None

    def _see_stuck(self, time_s: IntArray, temp_uc: IntArray, cuts: IntArray) -> None:
        first, last = np.append(0, cuts + 1), np.append(cuts, time_s.size - 1)
        look = time_s[last] - time_s[first] >= STUCK_S
        look[[0, -1]] = True
        for i in np.flatnonzero(look).tolist():
            a, b = int(first[i]), int(last[i])
            changes = np.flatnonzero(temp_uc[a + 1 : b + 1] != temp_uc[a:b])
            starts = time_s[np.append(a, a + 1 + changes)]
            # The same reading may have stood since before this chunk.
            if a == 0 and self._same is not None:
                starts[0] = self._same[0]
            ends = time_s[np.append(a + changes, b)]
            values = temp_uc[np.append(a, a + 1 + changes)]
            is_open = b == time_s.size - 1
            closed = slice(0, -1) if is_open else slice(None)
            for j in np.flatnonzero(ends[closed] - starts[closed] >= STUCK_S).tolist():
                self._told(int(starts[j]), int(values[j]), int(ends[j]))
            if is_open:
                self._same = int(starts[-1]), int(values[-1])

    def _told(self, since_s: int, value_uc: int, until_s: int) -> None:
        lasted = until_s - since_s
        if lasted >= STUCK_S:
            self.stuck.add(np.array([since_s]))
            if lasted > self.longest_stuck_s:
                self.longest_stuck_s, self.longest_stuck_uc = lasted, value_uc


@dataclass(slots=True)
class Frost:
    """Crossings of 0 °C and the longest run below it, as ``freezing_runs`` counts them (§2.1)."""

    zero_crossings: int = 0
    longest_below_ms: int = 0
    _run: tuple[int, int] = (0, 0)

    def see(self, time_s: IntArray, temp_uc: IntArray, longest_s: int) -> None:
        """Look at the next readings, as in :meth:`Watch.see`; none further apart are joined."""
        cold = temp_uc < 0
        near = np.flatnonzero(cold[:-1] | cold[1:])
        near = near[time_s[near + 1] - time_s[near] <= longest_s]
        a, b = temp_uc[near], temp_uc[near + 1]
        start = time_s[near] * MS_PER_S
        length = time_s[near + 1] * MS_PER_S - start
        crosses = (a < 0) != (b < 0)
        self.zero_crossings += int(crosses.sum())
        zero = np.rint(a / np.where(crosses, a - b, 1) * length * crosses).astype(np.int64)
        begin = start + np.where(a >= 0, zero, 0)
        end = start + np.where(b >= 0, zero, length)
        # The run that the last chunk ended in goes on where these begin, if they touch it.
        begin, end = np.append(self._run[0], begin), np.append(self._run[1], end)
        runs = np.flatnonzero(np.append(True, begin[1:] != end[:-1]))
        first, last = begin[runs], end[np.append(runs[1:], begin.size) - 1]
        self.longest_below_ms = max(self.longest_below_ms, int((last - first).max()))
        self._run = int(first[-1]), int(last[-1])
