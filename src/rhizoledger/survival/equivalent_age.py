"""Equivalent age of many stays for many draws of z, by one matrix product (§2.1, §2.2).

The two sums of each bin, time and degree-time, say how its time lies between the bin's two edges.
Weighing the acceleration *at the edges* with it is the same as two products (time by the value at
the middle, degree-time by the slope), in one: the acceleration is taken as a straight line across
each bin. That line is continuous from bin to bin and lies on or above the true curve, so

* a hotter trace is never younger, and the age is never too small;
* it is exact at every multiple of 0.25 °C, the reference temperature among them;
* the relative error is at most (w·ln 10/z)²/8 to leading order, w = 0.25 °C: 0.03 % at z = 12 °C.

A row's bytes do not depend on which other rows are computed or on the number of threads: rows are
padded to blocks of one fixed shape and the grid is walked in fixed windows, in fixed order. A
window that a row does not visit adds an exact zero.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from itertools import islice

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rhizoledger.errors import InputError, RuleError
from rhizoledger.survival.exposure import Exposure
from rhizoledger.survival.occupancy import BIN_C, BIN_UC, BINS
from rhizoledger.survival.readings import COLDEST_C, MS_PER_DAY, MS_PER_H
from rhizoledger.survival.temperature import acceleration

FloatArray = NDArray[np.float64]

ROWS = 64  # numeric: rows in a block; a multiple of every register tile in use
WINDOW = 80  # numeric: edges in a window, 20 °C: 0 to 40 °C is two of them
WINDOWS = -(-(BINS + 1) // WINDOW)
LANE = 64  # numeric: draws are padded to a multiple, which keeps products off their edge cases
TILE = 4096  # numeric: draws in a tile; bounds the working memory whatever their number
S_PER_DAY = 86_400.0  # exact: seconds in a day


class AccelerationTable:
    """Accelerations at every edge of the grid for every draw, kept for many calls.

    Parameters
    ----------
    z_c : array of float, shape (draws,)
        Rise that makes the loss ten times faster [°C], > 0.
    t_ref_c : float
        Reference temperature [°C].
    floor_c : float, optional
        Below this temperature the rate at this temperature is charged [°C]: an upper limit of loss
        where the evidence ends. The line across the bin that holds it lies above the true curve.

    Raises
    ------
    InputError
        If there is no draw, or a z is not a number above zero.

    Examples
    --------
    >>> from rhizoledger.survival.exposure import constant
    >>> table = AccelerationTable(np.array([10.0, 20.0]), 20.0)
    >>> table.days([constant(20.0, 86_400)]).tolist()
    [[1.0, 1.0]]
    """

    def __init__(self, z_c: ArrayLike, t_ref_c: float, *, floor_c: float | None = None) -> None:
        z = np.asarray(z_c, dtype=np.float64)
        if z.ndim != 1 or not z.size:
            raise InputError(f"z has shape {z.shape}. Give one z for each draw.")
        acceleration(t_ref_c, t_ref_c, z)  # refuses a z that cannot be used, before any work
        self.draws = z.size
        self._z = np.pad(z, (0, -z.size % LANE), mode="edge")
        self.t_ref_c, self.floor_c = float(t_ref_c), floor_c
        self._windows: dict[int, FloatArray] = {}

    @property
    def z_c(self) -> FloatArray:
        """The draws of z [°C]."""
        return self._z[: self.draws]

    def days(self, exposures: Sequence[Exposure], out: FloatArray | None = None) -> FloatArray:
        """Equivalent age of each exposure for each draw [d], shape (rows, draws).

        Parameters
        ----------
        exposures : sequence of Exposure
            Without gaps: hold them first (§2.4).
        out : array of float, shape (rows, draws), optional
            Where to write the answer.

        Raises
        ------
        RuleError
            If an exposure still has a gap.
        """
        rows = len(exposures)
        ages = np.empty((rows, self.draws)) if out is None else out
        width = min(TILE, self._z.size)
        total, part = np.empty((ROWS, width)), np.empty((ROWS, width))
        for r in range(0, rows, ROWS):
            block = exposures[r : r + ROWS]
            weights, visited = _edge_days(block)
            if not visited:
                total[:] = 0.0
            for c in range(0, self._z.size, width):
                n = min(width, self._z.size - c)
                for i, w in enumerate(visited):
                    edges = slice(w * WINDOW, (w + 1) * WINDOW)
                    into = part if i else total
                    np.matmul(weights[:, edges], self._at(w)[:, c : c + n], out=into[:, :n])
                    if i:
                        total[:, :n] += part[:, :n]
                keep = min(n, self.draws - c)
                ages[r : r + len(block), c : c + keep] = total[: len(block), :keep]
        return ages

    def _at(self, window: int) -> FloatArray:
        """Accelerations at the edges of a window, one column for each draw."""
        table = self._windows.get(window)
        if table is None:
            edges_c = COLDEST_C + BIN_C * (window * WINDOW + np.arange(WINDOW))
            if self.floor_c is not None:
                edges_c = np.maximum(edges_c, self.floor_c)
            table = acceleration(edges_c[:, np.newaxis], self.t_ref_c, self._z)
            self._windows[window] = table
        return table


def equivalent_days(
    exposures: Sequence[Exposure],
    z_c: ArrayLike,
    t_ref_c: float,
    *,
    floor_c: float | None = None,
) -> FloatArray:
    """Equivalent age of each exposure for each draw of z [d].

    Parameters
    ----------
    exposures : sequence of Exposure, length rows
        Without gaps: hold them first (§2.4).
    z_c : array of float, shape (draws,)
        Rise that makes the loss ten times faster [°C], > 0.
    t_ref_c : float
        Reference temperature [°C].
    floor_c : float, optional
        Below it the rate at it is charged [°C].

    Returns
    -------
    array of float, shape (rows, draws)
        τ = ∫a(T(t))dt [d]. It does not say whether the evidence holds at those temperatures.

    Raises
    ------
    RuleError
        If an exposure still has a gap.
    InputError
        If a z is not a number above zero.

    Notes
    -----
    §2.1, §2.2. Relative error between 0 and (w·ln 10/z)²/8 to leading order, w = 0.25 °C. For many
    calls with the same draws keep an :class:`AccelerationTable`.

    Examples
    --------
    One z above the reference for a day is ten days:

    >>> from rhizoledger.survival.exposure import constant
    >>> equivalent_days([constant(30.0, 86_400)], np.array([10.0]), 20.0).round(9).tolist()
    [[10.0]]
    """
    return AccelerationTable(z_c, t_ref_c, floor_c=floor_c).days(exposures)


def iter_equivalent_days(
    exposures: Iterable[Exposure],
    z_c: ArrayLike,
    t_ref_c: float,
    *,
    floor_c: float | None = None,
    rows: int = ROWS,
) -> Iterator[FloatArray]:
    """Equivalent ages in chunks of rows, for work whose full answer would not fit into memory.

    Parameters
    ----------
    exposures : iterable of Exposure
        Taken as they are needed.
    z_c, t_ref_c, floor_c
        As for :func:`equivalent_days`, whose rows these are, byte for byte.
    rows : int
        Rows in a chunk, ≥ 1; multiples of 64 waste nothing.

    Yields
    ------
    array of float, shape (≤ rows, draws)
        A new array each time [d].

    Examples
    --------
    >>> from rhizoledger.survival.exposure import constant
    >>> days = iter_equivalent_days([constant(20.0, 86_400)] * 3, np.array([10.0]), 20.0, rows=2)
    >>> [chunk.shape for chunk in days]
    [(2, 1), (1, 1)]
    """
    if rows < 1:
        raise InputError(f"A chunk has {rows} rows. Give one or more.")
    table = AccelerationTable(z_c, t_ref_c, floor_c=floor_c)
    source = iter(exposures)
    while chunk := list(islice(source, rows)):
        yield table.days(chunk)


def equivalent_days_constant(
    seconds: float,
    temp_draws_c: ArrayLike,
    z_c: ArrayLike,
    t_ref_c: float,
    *,
    floor_c: float | None = None,
) -> FloatArray:
    """Equivalent age of a stay at one temperature that is itself a draw [d].

    Parameters
    ----------
    seconds : float
        Length of the stay [s], ≥ 0.
    temp_draws_c : array of float, shape (draws,)
        One temperature for the whole stay in each draw [°C] (§2.13).
    z_c : array of float, shape (draws,)
        Rise that makes the loss ten times faster [°C], > 0.
    t_ref_c : float
        Reference temperature [°C].
    floor_c : float, optional
        Below it the rate at it is charged [°C].

    Returns
    -------
    array of float, shape (draws,)

    Raises
    ------
    InputError
        If the length is negative, or a temperature or a z cannot be used.

    Examples
    --------
    >>> equivalent_days_constant(43_200, [20.0, 20.0], [12.0, 50.0], 20.0).tolist()
    [0.5, 0.5]
    """
    temps = np.asarray(temp_draws_c, dtype=np.float64)
    if not 0 <= seconds < np.inf:
        raise InputError(f"A stay lasts {seconds:g} s. Give a length of zero or more.")
    if not bool(np.all(np.isfinite(temps))):
        raise InputError("A temperature is not a number. Give both ends of the range.")
    if floor_c is not None:
        temps = np.maximum(temps, floor_c)
    return seconds / S_PER_DAY * acceleration(temps, t_ref_c, z_c)


def _edge_days(block: Sequence[Exposure]) -> tuple[FloatArray, list[int]]:
    """Time of each row shared out to the edges of its bins [d], and the windows visited."""
    weights = np.zeros((ROWS, WINDOWS * WINDOW))
    visited: set[int] = set()
    for row, e in enumerate(block):
        if e.gaps:
            raise RuleError(
                f"§2.4: {e.gap_ticks / MS_PER_H:.1f} h have no temperature. "
                "Hold the gap at its low and at its high bound, and take the worse."
            )
        first, last = e.first_bin, e.first_bin + e.ticks.size
        if last == first:
            continue
        # The half-width bound is met by construction up to the rounding of crossings; clipping
        # keeps every weight at zero or more, whatever a trace does within a millisecond.
        upper = e.ticks * (BIN_UC // 2) + e.degree_ticks
        upper = np.minimum(np.maximum(upper, 0), e.ticks * BIN_UC)
        lower = e.ticks * BIN_UC - upper
        weights[row, first:last] = lower
        weights[row, first + 1 : last + 1] += upper
        visited.update(range(first // WINDOW, last // WINDOW + 1))
    weights *= 1 / (BIN_UC * float(MS_PER_DAY))
    return weights, sorted(visited)
