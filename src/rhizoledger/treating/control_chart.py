"""Catches along a day: a chart of single values with moving ranges, and rules for runs.

The limits come from how far neighbours differ, so that a slow drift does not widen them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rhizoledger.errors import InputError

BoolArray = NDArray[np.bool_]
FloatArray = NDArray[np.float64]

RANGE_PER_SD = 2 / math.sqrt(math.pi)
"""Mean of |X1 - X2| over the standard deviation of X, for two normal values: 1.128…"""
RANGE_SD_PER_SD = math.sqrt(2 - 4 / math.pi)  # exact: the variance of |X1 - X2| is 2 - 4/π
"""Standard deviation of |X1 - X2| over that of X: 0.853…"""
REACH = 3.0  # exact: control limits stand three standard deviations out
LEAST = 3  # exact: two moving ranges, the least that show a spread of their own
SETTLED = 20  # exact: the customary number of values behind limits that are not provisional

RULES: dict[str, str] = {
    "beyond": "one beyond the limits",
    "two_of_three": "two of three in a row beyond two thirds of the way, on one side",
    "four_of_five": "four of five in a row beyond one third of the way, on one side",
    "one_side": "eight in a row on one side of the middle",
    "trend": "six in a row rising, or falling",
    "jump": "a jump between neighbours beyond its own limit",
}
"""Each rule in words; the first four are those of zones, the last is of the moving range."""
ALONE = ("beyond", "jump")
"""Rules of one value, said of every value they hold of."""


@dataclass(frozen=True, slots=True)
class ControlChart:
    """Limits and signals of a run of catches.

    Parameters
    ----------
    values : tuple of float
        In the order they were caught.
    ranges : tuple of float
        Of each value to the one before; one fewer.
    middle, sd : float
        Mean of the values; standard deviation from the mean moving range.
    low, high : float
        Control limits.
    range_middle, range_high : float
        Mean moving range and its upper limit.
    signals : tuple of (int, str)
        Place (from 0) where a rule first holds, and its name in ``RULES``.
    provisional : bool
        Whether fewer than 20 values stand behind the limits.
    """

    values: tuple[float, ...]
    ranges: tuple[float, ...]
    middle: float
    sd: float
    low: float
    high: float
    range_middle: float
    range_high: float
    signals: tuple[tuple[int, str], ...]
    provisional: bool


def control_chart(values: Sequence[float]) -> ControlChart:
    """Chart of single values and moving ranges, with the usual run rules.

    Parameters
    ----------
    values : sequence of float, shape (n,)
        In the order of the day, three or more.

    Raises
    ------
    InputError
        If there are fewer than three, or one is not a finite number.

    Notes
    -----
    sd = mean moving range ÷ (2/√π); limits at mean ± 3 sd. The range's upper limit is its mean
    times 1 + 3·√(2 - 4/π) ÷ (2/√π). Rules speak by chance as well: see :func:`chance_alarms`.

    Examples
    --------
    >>> chart = control_chart([260, 262, 260, 262, 260, 262])
    >>> round(chart.sd, 4), chart.signals
    (1.7725, ())
    """
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1 or x.size < LEAST:
        raise InputError(f"A chart takes {LEAST} catches or more; there are {x.size}.")
    if not np.isfinite(x).all():
        raise InputError("A catch is not a finite number. Leave it out.")
    middle, sd = _middle_and_sd(x)
    ranges = np.abs(np.diff(x))
    range_middle = float(ranges.mean())
    range_high = range_middle + REACH * RANGE_SD_PER_SD * sd
    spread = sd if sd > 0 else 1.0
    found = signals((x - middle) / spread)
    found["jump"] = np.concatenate(([False], ranges > range_high))
    # A rule about a run that goes on is said once, where it begins to hold.
    first = [
        (int(i), name)
        for name, holds in found.items()
        for i in np.flatnonzero(holds)
        if name in ALONE or i == 0 or not holds[i - 1]
    ]
    return ControlChart(
        tuple(x.tolist()),
        tuple(ranges.tolist()),
        middle,
        sd,
        middle - REACH * sd,
        middle + REACH * sd,
        range_middle,
        range_high,
        tuple(sorted(first)),
        x.size < SETTLED,
    )


def _middle_and_sd(x: FloatArray) -> tuple[Any, Any]:
    """Mean, and standard deviation from neighbours, along the last axis."""
    middle = x.mean(axis=-1)
    sd = np.abs(np.diff(x, axis=-1)).mean(axis=-1) / RANGE_PER_SD
    return (middle, sd) if x.ndim > 1 else (float(middle), float(sd))


def signals(z: FloatArray) -> dict[str, BoolArray]:
    """Where each run rule holds, by the last of its values.

    Parameters
    ----------
    z : ndarray, shape (..., n)
        Values in standard deviations from the middle.

    Returns
    -------
    dict of str to ndarray of bool, shape (..., n)
        For the rules of ``RULES`` but the jump. A value on a line is not beyond it.

    Examples
    --------
    >>> signals(np.array([0.0, 2.5, 0.0, 2.5, 3.5]))["two_of_three"].tolist()
    [False, False, False, True, True]
    """
    z = np.asarray(z, dtype=np.float64)
    rising = np.sign(np.diff(z, axis=-1, prepend=z[..., :1]))
    return {
        "beyond": np.abs(z) > REACH,
        "two_of_three": _of_last(z, 2, 3, 2),  # exact: the rule's own numbers
        "four_of_five": _of_last(z, 4, 5, 1),  # exact: the rule's own numbers
        "one_side": _of_last(z, 8, 8, 0),  # exact: the rule's own numbers
        "trend": _of_last(rising, 5, 5, 0),  # exact: six values are five steps
    }


def _of_last(z: FloatArray, wanted: int, of: int, beyond: float) -> BoolArray:
    """Whether so many of the last few lie beyond a line, on one side, the newest among them."""
    out = np.zeros(z.shape, dtype=np.bool_)
    if z.shape[-1] < wanted:
        return out
    for side in (z > beyond, z < -beyond):
        padded = np.concatenate((np.zeros((*z.shape[:-1], of), dtype=np.int64), side), axis=-1)
        total = np.cumsum(padded, axis=-1)
        out |= side & (total[..., of:] - total[..., :-of] >= wanted)
    return out


def chance_alarms(n: int, rng: np.random.Generator, days: int = 4000) -> float:  # numeric: to 1 %
    """Share of days of n catches from a steady pump on which some rule speaks all the same.

    Parameters
    ----------
    n : int
        Catches a day, 3 or more; the day's own limits are used, as :func:`control_chart` does.
    rng : Generator
        Seeded by the caller.
    days : int
        Simulated.

    Examples
    --------
    >>> 0 < chance_alarms(20, np.random.default_rng(1), 200) < 1
    True
    """
    x = rng.standard_normal((days, max(n, LEAST)))
    middle, sd = _middle_and_sd(x)
    found = signals((x - middle[:, None]) / sd[:, None])
    ranges = np.abs(np.diff(x, axis=-1))
    top = ranges.mean(axis=-1) + REACH * RANGE_SD_PER_SD * sd
    alarm = (ranges > top[:, None]).any(axis=-1)
    for holds in found.values():
        alarm |= holds.any(axis=-1)
    return float(alarm.mean())
