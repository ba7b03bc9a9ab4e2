"""Temperatures along time: a day's air, what lags behind it, and how long it was warmer than that.

Everything here is straight between the moments it is given at.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rhizoledger.errors import InputError

FloatArray = NDArray[np.float64]

HOUR_S = 3600.0  # exact: seconds in an hour
HOURS_A_DAY = 24.0  # exact: hours in a day
DEG_PER_H = 15.0  # exact: the earth turns so far in an hour of mean sun time


def air_of_a_day(
    unix_s: ArrayLike, lon_deg: float, low_c: float, high_c: float, warmest_h: float
) -> FloatArray:
    """Air outside along the day where only its lowest and highest are known [°C].

    Parameters
    ----------
    unix_s : array of float
        Seconds since 1970-01-01 00:00 UTC.
    lon_deg : float
        Longitude, east positive [degrees].
    low_c, high_c : float
        Coldest and warmest of the day [°C].
    warmest_h : float
        Hour by the mean sun of the place at which it is warmest [h], from an evidence parameter.

    Raises
    ------
    InputError
        If the low end is above the high end, or one is not a number.

    Notes
    -----
    A cosine of one day: an assumption about the shape, exact only at its two ends.

    Examples
    --------
    Half way up at nine where three in the afternoon is warmest:

    >>> float(air_of_a_day(9 * 3600.0, 0.0, 10.0, 30.0, 15.0).round(6))
    20.0
    """
    if not low_c <= high_c or not np.isfinite(high_c - low_c):
        raise InputError(
            f"Air of {low_c:g} to {high_c:g} °C is no range. Give the coldest of the day first, "
            "then the warmest."
        )
    hour = np.asarray(unix_s, dtype=np.float64) / HOUR_S + lon_deg / DEG_PER_H
    wave = np.cos(2 * np.pi * (hour - warmest_h) / HOURS_A_DAY)
    return np.asarray(0.5 * (low_c + high_c) + 0.5 * (high_c - low_c) * wave)


def lag_behind(time: ArrayLike, target: ArrayLike, tau: float, start: float) -> FloatArray:
    """What follows a target with one time constant: y' = (target − y) / τ.

    Parameters
    ----------
    time : array of float, shape (n,), rising
        Moments, in the unit of ``tau``.
    target : array of float, shape (n,)
        What it moves towards, straight between the moments.
    tau : float, > 0
        Time constant.
    start : float
        Value at the first moment.

    Returns
    -------
    array of float, shape (n,)
        Exact for such a target, whatever the steps.

    Examples
    --------
    >>> lag_behind([0.0, 1.0, 50.0], [1.0, 1.0, 1.0], 1.0, 0.0).round(3).tolist()
    [0.0, 0.632, 1.0]
    """
    t, u = np.asarray(time, dtype=np.float64), np.asarray(target, dtype=np.float64)
    y = np.empty_like(u)
    y[0] = start
    for i in range(1, u.size):
        y[i] = one_step(y[i - 1], u[i - 1], u[i], t[i] - t[i - 1], tau)
    return y


def one_step(
    y: ArrayLike, target: ArrayLike, next_target: ArrayLike, step: float, tau: ArrayLike
) -> FloatArray:
    """One step of :func:`lag_behind`, exact for a target that moves in a straight line.

    Examples
    --------
    A long time behind a steadily rising target it lags by slope times time constant:

    >>> float(one_step(0.0, 0.0, 100.0, 100.0, 2.0).round(9))
    98.0
    """
    u, u_next = np.asarray(target), np.asarray(next_target)
    behind = (u_next - u) / step * np.asarray(tau)
    return np.asarray(u_next - behind + (y - u + behind) * np.exp(-step / np.asarray(tau)))


def hours_above(unix_s: ArrayLike, temp_c: ArrayLike, limit_c: float) -> float:
    """How long it was warmer than a limit, straight between the moments [h].

    Parameters
    ----------
    unix_s : array of float, shape (n,), rising
        Seconds.
    temp_c : array of float, shape (n,)
        Temperature [°C].
    limit_c : float
        The limit [°C].

    Examples
    --------
    From 20 to 40 °C in two hours, half of it above 30:

    >>> hours_above([0.0, 7200.0], [20.0, 40.0], 30.0)
    1.0
    """
    hours = np.diff(np.asarray(unix_s, dtype=np.float64)) / HOUR_S
    over = np.asarray(temp_c, dtype=np.float64) - limit_c
    a, b = over[:-1], over[1:]
    span = np.abs(b - a)
    crosses = (a > 0) != (b > 0)
    share = np.where(
        crosses, np.maximum(a, b) / np.where(span > 0, span, 1.0), ((a > 0) & (b > 0)) * 1.0
    )
    return float(np.sum(hours * np.clip(share, 0.0, 1.0)))
