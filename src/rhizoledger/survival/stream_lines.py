"""Lines between readings, summed into bins as they come: one kernel on columns, one by the line.

Both add the same whole numbers as :func:`rhizoledger.survival.occupancy.occupancy` does for lines
that nothing cuts short. ``add_lines`` works on columns. ``add_one_by_one`` is the definition
written out; it is slow until it is compiled, which :func:`fast_kernel` does where numba is there.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from rhizoledger.errors import InputError
from rhizoledger.survival.occupancy import BIN_UC, BINS, FIRST_EDGE_UC
from rhizoledger.survival.readings import MS_PER_S, IntArray

Kernel = Callable[[IntArray, IntArray, int, IntArray, IntArray], IntArray]
HALF_S = MS_PER_S // 2
"""Half a second [ms]: twice a line's mean temperature by it is its degree-time."""


def add_lines(
    time_s: IntArray, temp_uc: IntArray, longest_s: int, ticks: IntArray, degree_ticks: IntArray
) -> IntArray:
    """Add the lines between neighbouring readings to the two sums of every bin.

    Parameters
    ----------
    time_s : array of int64, shape (n,)
        Moments [s], not decreasing; n ≥ 1.
    temp_uc : array of int64, shape (n,)
        Temperatures [millionths of a °C], inside the grid.
    longest_s : int
        Readings further apart are not joined [s].
    ticks, degree_ticks : array of int64, shape (BINS,)
        Time [ms] and ∫(T − middle of the bin)dt [millionths of a °C × ms]; added to.

    Returns
    -------
    array of int64
        Places of the lines that end in another bin than they start in or are not joined, rising.

    Notes
    -----
    §2.2. A stretch of lines inside one bin is one difference of a running total. The total may
    wrap around int64; the difference is exact all the same, since it fits.

    Examples
    --------
    An hour at 20.1 °C, all in bin 320, whose middle is 20.125 °C:

    >>> time_s, temp_uc = np.array([0, 3600]), np.array([20_100_000, 20_100_000])
    >>> ticks, degree_ticks = np.zeros(BINS, np.int64), np.zeros(BINS, np.int64)
    >>> cuts = add_lines(time_s, temp_uc, 7200, ticks, degree_ticks)
    >>> cuts.size, int(ticks[320]), int(degree_ticks[320])
    (0, 3600000, -90000000000)
    """
    bins = _bins(temp_uc)
    length_s = np.diff(time_s)
    cuts = np.flatnonzero((bins[1:] != bins[:-1]) | (length_s > longest_s))

    total = np.empty(time_s.size, np.int64)
    total[0] = 0
    twice = temp_uc[1:] + temp_uc[:-1]
    twice *= length_s
    np.cumsum(twice, out=total[1:])
    first, last = np.append(0, cuts + 1), np.append(cuts, time_s.size - 1)
    seconds = time_s[last] - time_s[first]
    inside = bins[first]
    np.add.at(ticks, inside, seconds * MS_PER_S)
    above = total[last] - total[first] - 2 * _middle(inside) * seconds
    np.add.at(degree_ticks, inside, above * HALF_S)

    crossing = cuts[(length_s[cuts] <= longest_s) & (length_s[cuts] > 0)]
    _add_crossing(
        bins[crossing],
        bins[crossing + 1],
        temp_uc[crossing],
        temp_uc[crossing + 1] - temp_uc[crossing],
        length_s[crossing] * MS_PER_S,
        ticks,
        degree_ticks,
    )
    return cuts


def _add_crossing(
    here: IntArray,
    last: IntArray,
    from_uc: IntArray,
    rise: IntArray,
    length: IntArray,
    ticks: IntArray,
    degree_ticks: IntArray,
) -> None:
    """Lines that cross edges, a piece of each at a time; those at their last bin drop out."""
    step = np.sign(rise)
    slope = rise / length
    begin = np.zeros(here.size, np.int64)
    while here.size:
        edge = FIRST_EDGE_UC + (here + (step > 0)) * BIN_UC
        end = np.rint(length * ((edge - from_uc) / rise)).astype(np.int64)
        on = here != last
        np.copyto(end, length, where=~on)
        degrees = (end - begin) * (from_uc - _middle(here) + slope * (end + begin) / 2)
        np.add.at(ticks, here, end - begin)
        np.add.at(degree_ticks, here, np.rint(degrees).astype(np.int64))
        here, last, from_uc, rise = (here + step)[on], last[on], from_uc[on], rise[on]
        length, step, slope, begin = length[on], step[on], slope[on], end[on]


def add_one_by_one(
    time_s: IntArray, temp_uc: IntArray, longest_s: int, ticks: IntArray, degree_ticks: IntArray
) -> IntArray:
    """What :func:`add_lines` does, line by line; parameters and answer as there.

    Examples
    --------
    >>> time_s, temp_uc = np.array([0, 3600]), np.array([20_100_000, 20_100_000])
    >>> ticks, degree_ticks = np.zeros(BINS, np.int64), np.zeros(BINS, np.int64)
    >>> cuts = add_one_by_one(time_s, temp_uc, 7200, ticks, degree_ticks)
    >>> cuts.size, int(ticks[320]), int(degree_ticks[320])
    (0, 3600000, -90000000000)
    """
    cuts = np.empty(time_s.size, np.int64)
    found = 0
    to_uc = temp_uc[0]
    to_bin = min((to_uc - FIRST_EDGE_UC) // BIN_UC, BINS - 1)
    for i in range(time_s.size - 1):
        from_uc, here = to_uc, to_bin
        to_uc = temp_uc[i + 1]
        to_bin = min((to_uc - FIRST_EDGE_UC) // BIN_UC, BINS - 1)
        length_s = time_s[i + 1] - time_s[i]
        middle = FIRST_EDGE_UC + here * BIN_UC + BIN_UC // 2
        if here == to_bin and length_s <= longest_s:
            ticks[here] += length_s * MS_PER_S
            degree_ticks[here] += (from_uc + to_uc - 2 * middle) * length_s * HALF_S
            continue
        cuts[found] = i
        found += 1
        if length_s > longest_s or length_s == 0:
            continue
        length, rise = length_s * MS_PER_S, to_uc - from_uc
        slope = rise / length
        step = 1 if rise > 0 else -1
        begin = 0
        while True:
            end = length
            if here != to_bin:
                edge = FIRST_EDGE_UC + (here + (1 if rise > 0 else 0)) * BIN_UC
                end = np.int64(np.rint(length * ((edge - from_uc) / rise)))
            middle = FIRST_EDGE_UC + here * BIN_UC + BIN_UC // 2
            degrees = (end - begin) * (from_uc - middle + slope * (end + begin) / 2)
            ticks[here] += end - begin
            degree_ticks[here] += np.int64(np.rint(degrees))
            if here == to_bin:
                break
            here, begin = here + step, end
    return cuts[:found]


def fast_kernel() -> Kernel:
    """``add_one_by_one``, compiled.

    Raises
    ------
    InputError
        If numba is not installed; the error names the extra.
    """
    try:
        import numba
    except ImportError as error:
        raise InputError(
            "The compiled kernel needs numba. Install it with: pip install 'rhizoledger[fast]'"
        ) from error
    compiled: Kernel = numba.njit(nogil=True)(add_one_by_one)
    return compiled


def _bins(temp_uc: IntArray) -> IntArray:
    # Half a millionth above, so that a product that falls just below an edge stays in its bin.
    places = (temp_uc - (FIRST_EDGE_UC - 0.5)) * (1 / BIN_UC)
    bins: NDArray[np.int64] = places.astype(np.int64)
    return np.minimum(bins, BINS - 1, out=bins)


def _middle(bins: IntArray) -> IntArray:
    return FIRST_EDGE_UC + bins * BIN_UC + BIN_UC // 2
