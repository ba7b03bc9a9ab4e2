"""What an exposure histogram forgets about frost: crossings of zero and runs below it (§2.1)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rhizoledger.survival.readings import MS_PER_S, lines_of


@dataclass(frozen=True, slots=True)
class FreezingRuns:
    """How often and how long a stay was below 0 °C, as far as readings tell.

    Parameters
    ----------
    zero_crossings : int
        Times the temperature went from 0 °C or more to below it, or back.
    longest_below_s : float
        Longest unbroken run below 0 °C [s]; a gap in the readings ends a run.
    total_below_s : float
        All time below 0 °C [s].
    """

    zero_crossings: int
    longest_below_s: float
    total_below_s: float


def freezing_runs(
    time_s: ArrayLike,
    temp_c: ArrayLike,
    start_s: float,
    end_s: float,
    max_gap_s: float | None = None,
) -> FreezingRuns:
    """Runs below 0 °C during a stay, for display beside the ledger: never a loss (§2.8).

    Parameters
    ----------
    time_s, temp_c, start_s, end_s, max_gap_s
        As for :func:`rhizoledger.survival.exposure.exposure`.

    Raises
    ------
    InputError
        As there.

    Notes
    -----
    §2.1: a loss by equivalent age does not hold through freezing and thawing, so these are kept.

    Examples
    --------
    From +2 to −2 °C in an hour and back:

    >>> freezing_runs([0, 3600, 7200], [2.0, -2.0, 2.0], 0, 7200)
    FreezingRuns(zero_crossings=2, longest_below_s=3600.0, total_below_s=3600.0)
    """
    lines = lines_of(time_s, temp_c, start_s, end_s, max_gap_s)
    a, b = lines.at(lines.cut_from_ms), lines.at(lines.cut_to_ms)
    crosses = (a < 0) != (b < 0)
    with np.errstate(divide="ignore", invalid="ignore"):  # only lines that cross are looked at
        share = lines.from_uc / (lines.from_uc - lines.to_uc)
    zero = np.clip(
        np.rint(np.where(crosses, share, 0.0) * lines.length_ms).astype(np.int64),
        lines.cut_from_ms,
        lines.cut_to_ms,
    )
    begin = lines.start_ms + np.where(crosses & (a >= 0), zero, lines.cut_from_ms)
    end = lines.start_ms + np.where(crosses & (b >= 0), zero, lines.cut_to_ms)
    below = crosses | (a < 0)
    begin, end = begin[below], end[below]
    if not begin.size:
        return FreezingRuns(0, 0.0, 0.0)
    first_of_run = np.append(True, begin[1:] != end[:-1])
    runs = np.add.reduceat(end - begin, np.flatnonzero(first_of_run))
    return FreezingRuns(
        int(crosses.sum()), float(runs.max()) / MS_PER_S, float(runs.sum()) / MS_PER_S
    )
