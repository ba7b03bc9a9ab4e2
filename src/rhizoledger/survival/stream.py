"""A record of any length as an exposure: readings come in chunks, a fixed set of sums is kept.

Chunks may be of any size. The sums are whole numbers and the last reading of a chunk is carried
over, so how a record is cut up cannot show. Doubtful readings are told, and all of them are used.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from rhizoledger.survival.exposure import Exposure, Gap
from rhizoledger.survival.occupancy import BIN_C, BIN_UC, BINS, FIRST_EDGE_UC
from rhizoledger.survival.readings import (
    GAP_IN_SPACINGS,
    MS_PER_H,
    MS_PER_S,
    SHORTEST_GAP_S,
    UC_PER_C,
    IntArray,
    digest,
)
from rhizoledger.survival.stream_lines import Kernel, add_lines
from rhizoledger.survival.stream_watch import Frost, Watch
from rhizoledger.survival.temperature import LN10

ALWAYS_SHORT_S = SHORTEST_GAP_S // GAP_IN_SPACINGS
"""A usual spacing up to this leaves the shortest gap as it is [s]."""
MOST_GAPS = 1000  # numeric: so many of the longest gaps are listed; all are counted and added up
AT_ONCE = 32_768  # numeric: readings worked on at once; their columns fit into a core's cache
ZERO_BIN = -FIRST_EDGE_UC // BIN_UC


class BackwardsError(Exception):
    """A reading is earlier than the one before it.

    Parameters
    ----------
    at : int
        Its place among the readings handed in.
    before_s, here_s : int
        The moment before it and its own [s].
    """

    def __init__(self, at: int, before_s: int, here_s: int) -> None:
        self.at, self.before_s, self.here_s = at, before_s, here_s
        super().__init__(f"{at}: from {before_s} s to {here_s} s")


@dataclass(frozen=True, slots=True, order=True)
class Silence:
    """A gap and the readings on its two sides [s on the record's clock, °C]."""

    start_s: int
    end_s: int
    from_c: float
    to_c: float

    @property
    def seconds(self) -> int:
        """How long it lasts [s]."""
        return self.end_s - self.start_s


@dataclass(slots=True)
class ExposureStream:
    """The running sums of one record.

    Parameters
    ----------
    longest_s : int
        Readings further apart are not joined by a line: the time between them is gap [s].
    kernel : callable
        What adds lines to the sums.

    Examples
    --------
    From 10 to 20 °C in an hour, whichever way it is handed in:

    >>> stream = ExposureStream()
    >>> for time_s, temp_c in (([0], [10]), ([1800, 3600], [15, 20])):
    ...     stream.add(np.array(time_s), np.array(temp_c) * 1_000_000)
    >>> stream.exposure().hours, stream.exposure().mean_c
    (1.0, 15.0)
    """

    longest_s: int = SHORTEST_GAP_S
    kernel: Kernel = add_lines
    readings: int = 0
    first_s: int = 0
    last_s: int = 0
    gap_count: int = 0
    gap_s: int = 0
    watch: Watch = field(default_factory=Watch)
    frost: Frost = field(default_factory=Frost)
    _last_uc: int = 0
    _low_uc: int = 0
    _high_uc: int = 0
    _ticks: IntArray = field(default_factory=lambda: np.zeros(BINS, np.int64))
    _degree_ticks: IntArray = field(default_factory=lambda: np.zeros(BINS, np.int64))
    _gaps: list[Silence] = field(default_factory=list)
    _short: int = 0
    _longest_short_s: int = 0
    _long_s: Counter[int] = field(default_factory=Counter)

    def add(self, time_s: IntArray, temp_uc: IntArray) -> None:
        """Take in the next readings.

        Parameters
        ----------
        time_s : array of int64, shape (n,)
            Moments [s].
        temp_uc : array of int64, shape (n,)
            Temperatures [millionths of a °C], inside the grid.

        Raises
        ------
        BackwardsError
            If a reading is earlier than the one before it.
        """
        for done in range(0, time_s.size, AT_ONCE):
            part = slice(done, done + AT_ONCE)
            try:
                self._add(time_s[part], temp_uc[part])
            except BackwardsError as error:
                raise BackwardsError(done + error.at, error.before_s, error.here_s) from None

    def _add(self, time_s: IntArray, temp_uc: IntArray) -> None:
        low, high = int(temp_uc.min()), int(temp_uc.max())
        carried = int(self.readings > 0)
        self.readings += time_s.size
        if carried:
            time_s = np.append(self.last_s, time_s)
            temp_uc = np.append(self._last_uc, temp_uc)
            self._low_uc, self._high_uc = min(low, self._low_uc), max(high, self._high_uc)
        else:
            # Columns of a file may be read-only, which a compiled kernel takes for another kind.
            time_s, temp_uc = np.array(time_s), np.array(temp_uc)
            self.first_s = int(time_s[0])
            self._low_uc, self._high_uc = low, high
        if time_s.size > 1:
            self._join(time_s, temp_uc, carried)
            if min(low, self._last_uc) < 0:
                self.frost.see(time_s, temp_uc, self.longest_s)
        self.last_s, self._last_uc = int(time_s[-1]), int(temp_uc[-1])

    def _join(self, time_s: IntArray, temp_uc: IntArray, carried: int) -> None:
        length_s = np.diff(time_s)
        if int(length_s.min()) < 0:
            at = int(np.argmax(length_s < 0)) + 1
            raise BackwardsError(at - carried, int(time_s[at - 1]), int(time_s[at]))
        cuts = self.kernel(time_s, temp_uc, self.longest_s, self._ticks, self._degree_ticks)
        self._count_spacings(length_s)
        self.watch.see(time_s, temp_uc, length_s, cuts)
        silent = cuts[length_s[cuts] > self.longest_s]
        if silent.size:
            self._keep_gaps(time_s, temp_uc, length_s, silent)

    def usual_spacing_s(self) -> float:
        """Median time between two moments with readings [s]; 0 where there is one moment.

        Notes
        -----
        Spacings up to 40 min are only counted: where the median is one of them 0 is returned, as
        three times it is no longer than the shortest gap in any case.
        """
        total = self._short + self._long_s.total()
        lower, upper = (total - 1) // 2 - self._short, total // 2 - self._short
        if not total or upper < 0:
            return 0.0
        values, times = zip(*sorted(self._long_s.items()), strict=True)
        places = np.searchsorted(np.cumsum(times), [max(lower, 0), upper], side="right")
        below = values[places[0]] if lower >= 0 else self._longest_short_s
        return float(below + values[places[1]]) / 2

    def longest_line_s(self) -> int:
        """The longest spacing that is joined by a line: 2 h, or three usual ones if longer [s]."""
        return int(max(SHORTEST_GAP_S, GAP_IN_SPACINGS * self.usual_spacing_s()))

    def longest_gaps(self) -> tuple[Silence, ...]:
        """The gaps in their order; of more than a thousand, the longest."""
        return tuple(sorted(self._gaps))

    def hours_below_zero(self) -> float:
        """Time below 0 °C, gaps left out [h]."""
        return int(self._ticks[:ZERO_BIN].sum()) / MS_PER_H

    def exposure(self, gap_range_c: tuple[float, float] | None = None) -> Exposure:
        """Everything taken in so far, from the first reading to the last.

        Parameters
        ----------
        gap_range_c : (float, float) or None
            Temperatures between which the gaps lie [°C]; None: nothing bounds them.

        Raises
        ------
        InputError
            If a bound lies outside the grid or they are reversed.
        """
        there = np.flatnonzero(self._ticks)
        a, b = (int(there[0]), int(there[-1]) + 1) if there.size else (0, 0)
        low, high = gap_range_c or (None, None)
        gaps = (Gap(low, high, self.gap_s * MS_PER_S),) if self.gap_s else ()
        ticks, degree_ticks = self._ticks[a:b].copy(), self._degree_ticks[a:b].copy()
        seen = np.concatenate(([self.readings, a], ticks, degree_ticks)).astype("<i8")
        coldest, warmest = self._low_uc / UC_PER_C, self._high_uc / UC_PER_C
        return Exposure(
            a,
            ticks,
            degree_ticks,
            gaps,
            coldest if self.readings else None,
            warmest if self.readings else None,
            digest(seen.tobytes()),
        )

    def _count_spacings(self, length_s: IntArray) -> None:
        long = length_s > ALWAYS_SHORT_S
        if long.any():
            values, times = np.unique(length_s[long], return_counts=True)
            self._long_s.update(dict(zip(values.tolist(), times.tolist(), strict=True)))
            length_s = length_s[~long]
        self._short += int(np.count_nonzero(length_s))
        self._longest_short_s = max(self._longest_short_s, int(length_s.max(initial=0)))

    def _keep_gaps(
        self, time_s: IntArray, temp_uc: IntArray, length_s: IntArray, silent: IntArray
    ) -> None:
        self.gap_count += silent.size
        self.gap_s += int(length_s[silent].sum())
        longest = silent[np.argsort(-length_s[silent], kind="stable")[:MOST_GAPS]]
        self._gaps += [
            Silence(
                int(time_s[i]),
                int(time_s[i + 1]),
                int(temp_uc[i]) / UC_PER_C,
                int(temp_uc[i + 1]) / UC_PER_C,
            )
            for i in longest.tolist()
        ]
        self._gaps = sorted(self._gaps, key=lambda gap: (-gap.seconds, gap))[:MOST_GAPS]


def bin_error(z_c: float) -> float:
    """Largest share by which an equivalent age from the bins is above the true one.

    Notes
    -----
    §2.2: (w·ln 10/z)²/8 to leading order, w = 0.25 °C; never below the true one.

    Examples
    --------
    >>> round(bin_error(12.0), 6)
    0.000288
    """
    return float((BIN_C * LN10 / z_c) ** 2 / 8)  # exact: largest error of a chord
