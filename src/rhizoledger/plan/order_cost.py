"""What a start costs in expectation: seed not ready at planting, and seed that waits too long.

A planting date is normal about its planned hour, cut nowhere. With D ~ N(m, s) and z = (x - m)/s,
E[(x - D)+] = s(zΦ(z) + φ(z)) hours late for seed ready at x, and P(D > x) = Φ(-z) for a window
that closes at x. Sums over plantings are exact, because expectations add.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
from scipy.special import ndtr

from rhizoledger.draws import FloatArray

HOUR_S = 3600.0  # exact: s in an hour


@dataclass(frozen=True, slots=True)
class Due:
    """One planting that waits for a batch.

    Parameters
    ----------
    name : str
        The field with its sequence, or the batch's owner.
    at : datetime
        Middle of the planting date.
    sd_h : float
        Its spread [h].
    share : float
        Share of the batch that goes there.
    late_per_h : float
        What an hour of waiting for seed costs there.
    again : float
        What inoculating this share a second time costs.
    """

    name: str
    at: datetime
    sd_h: float
    share: float
    late_per_h: float
    again: float


def hours_late(ready_h: FloatArray, sd_h: float) -> FloatArray:
    """Expected hours between a planting date and the seed that comes after it.

    Parameters
    ----------
    ready_h : array
        When seed is ready, from the middle of the date [h].
    sd_h : float
        Spread of the date, ≥ 0 [h].

    Examples
    --------
    >>> hours_late(np.array([-3.0, 0.0, 3.0]), 0.0).tolist()
    [0.0, 0.0, 3.0]
    >>> round(float(hours_late(np.array([0.0]), 48.0)[0]), 3)   # 48/√(2π)
    19.149
    """
    x = np.asarray(ready_h, float)
    if sd_h <= 0:
        late: FloatArray = np.maximum(x, 0.0)
        return late
    z = x / sd_h
    density = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    out: FloatArray = np.maximum(sd_h * (z * ndtr(z) + density), 0.0)
    return out


def chance_later(than_h: FloatArray, sd_h: float) -> FloatArray:
    """Chance that a planting date lies after a moment given from its middle [h].

    Examples
    --------
    >>> chance_later(np.array([-1.0, 1.0]), 0.0).tolist()
    [1.0, 0.0]
    >>> float(chance_later(np.array([0.0]), 48.0)[0])
    0.5
    """
    x = np.asarray(than_h, float)
    if sd_h <= 0:
        return (x < 0).astype(float)
    out: FloatArray = ndtr(-x / sd_h)
    return out


@dataclass(frozen=True, slots=True)
class StartCost:
    """What starts cost, part by part; arrays of one length."""

    late: FloatArray
    again: FloatArray
    hours_late: FloatArray
    """Expected, of the planting that waits longest."""
    chance_late: FloatArray
    """That seed is not ready, at the planting where that is likeliest."""
    chance_closed: FloatArray
    """That a window has closed, at the planting where that is likeliest."""

    @property
    def whole(self) -> FloatArray:
        """All parts together."""
        return self.late + self.again


def start_cost(
    start_s: FloatArray, minutes: float, dues: tuple[Due, ...], window_h: float | None
) -> StartCost:
    """What each start of a run costs in expectation.

    Parameters
    ----------
    start_s : array
        Starts [s since 1970 UTC].
    minutes : float
        How long the run takes: seed is ready at its end.
    dues : tuple of Due
        Plantings that wait for it.
    window_h : float or None
        How long seed may wait from the run's start, as labels count [h]; None where nothing limits.
    """
    start = np.asarray(start_s, float)
    parts = [np.zeros_like(start) for _ in range(5)]  # exact: the parts of StartCost
    late, again, hours, not_ready, closed = parts
    for due in dues:
        begin = (start - due.at.timestamp()) / HOUR_S
        ready = begin + minutes / 60  # exact: minutes in an hour
        waits = hours_late(ready, due.sd_h)
        late += due.late_per_h * waits
        np.maximum(hours, waits, out=hours)
        np.maximum(not_ready, 1 - chance_later(ready, due.sd_h), out=not_ready)
        if window_h is not None:
            shut = chance_later(begin + window_h, due.sd_h)
            again += due.again * shut
            np.maximum(closed, shut, out=closed)
    return StartCost(late, again, hours, not_ready, closed)
