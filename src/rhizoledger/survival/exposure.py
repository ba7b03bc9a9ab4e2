"""How long an item was how warm: exact occupancy of temperature bins, in whole numbers (§2.2).

Two sums are kept for each 0.25 °C bin: time, and time multiplied by the distance from the middle of
the bin. From them any rate that depends on temperature can be integrated later without touching the
readings again. The sums are int64, so merging is addition and its order cannot matter.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rhizoledger.errors import InputError, RuleError
from rhizoledger.survival.occupancy import (
    BIN_C,
    BIN_UC,
    BINS,
    bin_number,
    middle_uc,
    occupancy,
)
from rhizoledger.survival.readings import (
    COLDEST_C,
    MS_PER_H,
    MS_PER_S,
    UC_PER_C,
    IntArray,
    digest,
    lines_of,
    micro_degrees,
)

FloatArray = NDArray[np.float64]

DIGEST_VALUES = 1 << 128  # numeric: digests are added modulo their number


@dataclass(frozen=True, slots=True)
class Gap:
    """Time without a temperature, and the two temperatures it lies between.

    Parameters
    ----------
    low_c, high_c : float or None
        Bounds from the place [°C]; None where nothing bounds it.
    ticks : int
        Length [ms].
    """

    low_c: float | None
    high_c: float | None
    ticks: int


@dataclass(frozen=True, slots=True, eq=False)
class Exposure:
    """How long an item was how warm.

    Parameters
    ----------
    first_bin : int
        Number of the first bin kept; bin 0 starts at −60 °C. Empty bins at the ends are left out.
    ticks : array of int64, shape (bins,)
        Time in each bin [ms].
    degree_ticks : array of int64, shape (bins,)
        ∫(T − middle of the bin)dt in each bin [millionths of a °C × ms].
    gaps : tuple of Gap
        Time without a temperature, one entry for each pair of bounds.
    min_c, max_c : float or None
        Coldest and warmest temperature read, interpolated or held [°C]; None where there is none.
    digest : str
        Digest of the readings used, for provenance. Merging adds digests, so it does not depend on
        the order; it does depend on how the time was divided.

    Notes
    -----
    Time in bins and in gaps adds up to the stay exactly. Times and temperatures at which lines
    cross a bin's edge are rounded to a millisecond.
    """

    first_bin: int
    ticks: IntArray
    degree_ticks: IntArray
    gaps: tuple[Gap, ...]
    min_c: float | None
    max_c: float | None
    digest: str

    def __post_init__(self) -> None:
        self.ticks.setflags(write=False)
        self.degree_ticks.setflags(write=False)

    @property
    def edges_c(self) -> FloatArray:
        """Edges of the bins kept [°C], one more than there are bins."""
        numbers = self.first_bin + np.arange(self.ticks.size + 1)
        return np.asarray(COLDEST_C + BIN_C * numbers, dtype=np.float64)

    @property
    def gap_ticks(self) -> int:
        """Time without a temperature [ms]."""
        return sum(g.ticks for g in self.gaps)

    @property
    def has_unbounded_gap(self) -> bool:
        """Whether some time has neither a temperature nor bounds: then nothing is quantified."""
        return any(g.low_c is None or g.high_c is None for g in self.gaps)

    @property
    def gap_range_c(self) -> tuple[float, float] | None:
        """Lowest and highest bound of the gaps [°C]; None without a gap, or if one has no bound."""
        bounds = [(g.low_c, g.high_c) for g in self.gaps]
        lows = [low for low, _ in bounds if low is not None]
        highs = [high for _, high in bounds if high is not None]
        if not bounds or len(lows) < len(bounds) or len(highs) < len(bounds):
            return None
        return min(lows), max(highs)

    @property
    def total_ticks(self) -> int:
        """The whole time, gaps included [ms]."""
        return int(self.ticks.sum()) + self.gap_ticks

    @property
    def hours(self) -> float:
        """The whole time, gaps included [h]."""
        return self.total_ticks / MS_PER_H

    @property
    def gap_hours(self) -> float:
        """Time without a temperature [h]."""
        return self.gap_ticks / MS_PER_H

    @property
    def mean_c(self) -> float | None:
        """Mean temperature over time, gaps left out [°C]: for people, never for a loss (§2.3)."""
        time = int(self.ticks.sum())
        if not time:
            return None
        numbers = np.arange(self.first_bin, self.first_bin + self.ticks.size)
        # From the first bin kept, so that the products stay far inside int64.
        above = (numbers - self.first_bin) * BIN_UC
        total = sum(int(t) * int(a) for t, a in zip(self.ticks, above, strict=True))
        mean_uc = (total + int(self.degree_ticks.sum())) / time
        return (middle_uc(self.first_bin) + mean_uc) / UC_PER_C

    def hours_above(self, temp_c: float) -> float:
        """Time at or above a temperature, gaps left out [h].

        ``temp_c`` is taken down to the edge of its bin, so the answer is never too short.
        """
        number = bin_number(micro_degrees(temp_c))
        return int(self.ticks[max(number - self.first_bin, 0) :].sum()) / MS_PER_H

    def occupied(self) -> tuple[FloatArray, FloatArray]:
        """Mean temperature [°C] of, and time [h] in, every bin that was visited."""
        there = np.flatnonzero(self.ticks)
        offset = self.degree_ticks[there] / self.ticks[there]
        middles = middle_uc(self.first_bin) + there * BIN_UC
        return (middles + offset) / UC_PER_C, self.ticks[there] / MS_PER_H

    def with_gaps_at(self, temp_c: float) -> Exposure:
        """The same exposure with every gap held at one temperature [°C]."""
        if not self.gap_ticks:
            return self
        filled = _held_at(temp_c, self.gap_ticks)
        return merge(replace(self, gaps=()), filled)


def exposure(
    time_s: ArrayLike,
    temp_c: ArrayLike,
    start_s: float,
    end_s: float,
    *,
    gap_range_c: tuple[float, float] | None,
    max_gap_s: float | None = None,
) -> Exposure:
    """Sum up how long a stay was how warm, from the readings of a logger.

    Temperature runs in a straight line from reading to reading. Time before the first reading,
    after the last, and between readings further apart than ``max_gap_s`` is gap (§2.4).

    Parameters
    ----------
    time_s : array of int, shape (n,)
        Moments of the readings [s since 1970 UTC], strictly increasing; n may be 0.
    temp_c : array of float, shape (n,)
        Temperatures [°C].
    start_s, end_s : float
        The stay [s since 1970 UTC].
    gap_range_c : (float, float) or None
        The two temperatures between which a gap lies [°C], from the place; None: nothing bounds it.
    max_gap_s : float, optional
        Longest time between readings that is still joined by a line [s]. By default the larger of
        two hours and three times the median spacing.

    Returns
    -------
    Exposure
        Time in bins and gap add up to the stay exactly, and the parts of a split stay to the whole.

    Raises
    ------
    InputError
        If the stay ends before it starts, the readings go backwards, a temperature is not a number
        or off the grid, or the gap's bounds are reversed.

    Notes
    -----
    §2.2. Occupancy is exact for the broken line through the readings, to one millisecond for each
    crossing of an edge.

    Examples
    --------
    An hour from 10 to 20 °C, then an hour after the last reading:

    >>> e = exposure([0, 3600], [10.0, 20.0], 0, 7200, gap_range_c=(5.0, 25.0))
    >>> e.hours, e.gap_hours, e.mean_c, e.hours_above(15.0)
    (2.0, 1.0, 15.0, 0.5)
    """
    lines = lines_of(time_s, temp_c, start_s, end_s, max_gap_s)
    ticks, degree_ticks = occupancy(lines)
    gap = lines.stay_ms - lines.covered_ms
    low_c, high_c = lines.extremes_c() or (None, None)
    return _trimmed(ticks, degree_ticks, _gap(gap, gap_range_c), low_c, high_c, lines.digest)


def constant(temp_c: float, seconds: float) -> Exposure:
    """The exposure of a stay at one temperature.

    Parameters
    ----------
    temp_c : float
        Temperature [°C], inside the grid.
    seconds : float
        Length [s], ≥ 0.

    Raises
    ------
    InputError
        If the temperature is off the grid or the length is negative or not a number.

    Examples
    --------
    >>> e = constant(20.5, 3600)
    >>> e.hours, e.mean_c, e.ticks.size
    (1.0, 20.5, 1)
    """
    if not 0 <= seconds < np.inf:
        raise InputError(f"A stay lasts {seconds:g} s. Give a length of zero or more.")
    return _held_at(temp_c, round(seconds * MS_PER_S))


def merge(first: Exposure, *others: Exposure) -> Exposure:
    """Add exposures; neither the order nor the grouping changes a bit of the result.

    Examples
    --------
    >>> merge(constant(10.0, 60), constant(20.0, 180)).mean_c
    17.5
    """
    parts = (first, *others)
    if len(parts) == 1:
        return first
    ticks = np.zeros(BINS, np.int64)
    degree_ticks = np.zeros(BINS, np.int64)
    gaps: Counter[tuple[float | None, float | None]] = Counter()
    for part in parts:
        there = slice(part.first_bin, part.first_bin + part.ticks.size)
        ticks[there] += part.ticks
        degree_ticks[there] += part.degree_ticks
        for gap in part.gaps:
            gaps[gap.low_c, gap.high_c] += gap.ticks
    lows = [p.min_c for p in parts if p.min_c is not None]
    highs = [p.max_c for p in parts if p.max_c is not None]
    total = sum(int(p.digest or "0", 16) for p in parts) % DIGEST_VALUES  # exact: hexadecimal
    return _trimmed(
        ticks,
        degree_ticks,
        tuple(Gap(*bounds, n) for bounds, n in sorted(gaps.items(), key=_unbounded_last)),
        min(lows, default=None),
        max(highs, default=None),
        f"{total:032x}",
    )


def held(exposure: Exposure, end: Literal["low", "high"]) -> Exposure:
    """The exposure with each gap held at the low or the high end of its own bounds (§2.4).

    Raises
    ------
    RuleError
        If nothing bounds a gap: then no number may be given.

    Examples
    --------
    >>> e = exposure([], [], 0, 3600, gap_range_c=(5.0, 25.0))
    >>> held(e, "low").mean_c, held(e, "high").mean_c
    (5.0, 25.0)
    """
    filled = []
    for gap in exposure.gaps:
        temp_c = gap.low_c if end == "low" else gap.high_c
        if temp_c is None:
            raise RuleError(
                f"§2.4: {gap.ticks / MS_PER_H:.1f} h have no temperature and nothing bounds it. "
                "Give the temperature range of the place, or call the stay not quantified."
            )
        filled.append(_held_at(temp_c, gap.ticks))
    return merge(replace(exposure, gaps=()), *filled)


def _held_at(temp_c: float, ticks: int) -> Exposure:
    uc = micro_degrees(temp_c)
    if not ticks:
        return _trimmed(np.zeros(0, np.int64), np.zeros(0, np.int64), (), None, None, "")
    number = bin_number(uc)
    time = np.array([ticks], np.int64)
    degrees = time * (uc - middle_uc(number))
    seen = uc / UC_PER_C
    return Exposure(number, time, degrees, (), seen, seen, digest(f"held at {uc}".encode()))


def _trimmed(
    ticks: IntArray,
    degree_ticks: IntArray,
    gaps: tuple[Gap, ...],
    min_c: float | None,
    max_c: float | None,
    used: str,
) -> Exposure:
    """An exposure without empty bins at its ends, so that equal content is equal bytes."""
    there = np.flatnonzero(ticks)
    a, b = (int(there[0]), int(there[-1]) + 1) if there.size else (0, 0)
    return Exposure(a, ticks[a:b].copy(), degree_ticks[a:b].copy(), gaps, min_c, max_c, used)


def _gap(ticks: int, bounds_c: tuple[float, float] | None) -> tuple[Gap, ...]:
    if bounds_c is not None:
        low, high = (micro_degrees(b) / UC_PER_C for b in bounds_c)
        if low > high:
            raise InputError(
                f"The temperature range {low:g} to {high:g} °C is reversed. "
                "Give the lower end first."
            )
    if not ticks:
        return ()
    return (Gap(low, high, ticks),) if bounds_c is not None else (Gap(None, None, ticks),)


def _unbounded_last(
    item: tuple[tuple[float | None, float | None], int],
) -> tuple[bool, float, float]:
    (low, high), _ = item
    return low is None, low or 0.0, high or 0.0
