"""Air in a closed vehicle in the sun: a temperature, never a loss (§2.8).

Published rises are of shaded air, not of a bag or a jug, which lags behind; no temperature of a
product's core was found. So these functions bound a temperature and nothing follows from them about
how many cells die.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rhizoledger.errors import InputError
from rhizoledger.survival.course import lag_behind

MINUTE_S = 60.0  # exact: seconds in a minute


def closed_vehicle_rise(
    minutes: ArrayLike, amplitude_c: float, tau_min: float
) -> NDArray[np.float64]:
    """Rise of cabin air over ambient after some minutes in the sun, windows shut.

    Parameters
    ----------
    minutes : array of float, ≥ 0
        Time since the doors were shut [min].
    amplitude_c : float, ≥ 0
        Final rise [°C], from an evidence parameter.
    tau_min : float, > 0
        Time constant [min], from an evidence parameter.

    Returns
    -------
    array of float
        Rise of the air [°C]; not the product's temperature, and never a loss.

    Raises
    ------
    InputError
        If a number is negative, or the time constant is not above zero.

    Notes
    -----
    §2.8: A·(1 − e^(−t/τ)). One exponential is slightly stiff: up to 1 °C too warm at half an hour
    against the published means.

    Examples
    --------
    >>> float(closed_vehicle_rise(0.0, 20.0, 20.0))
    0.0
    """
    t = np.asarray(minutes, dtype=np.float64)
    if not bool(np.all(t >= 0)) or not 0 <= amplitude_c < np.inf or not 0 < tau_min < np.inf:
        raise InputError(
            "The minutes, the rise or the time constant of a closed vehicle is negative, or not a "
            "number. Give minutes of 0 or more and the published rise."
        )
    return np.asarray(amplitude_c * -np.expm1(-t / tau_min))


def closed_vehicle_range(
    ambient_low_c: float, ambient_high_c: float, rise_c: float
) -> tuple[float, float]:
    """Bounds of the air in a closed vehicle for a time without readings [°C] (§2.4).

    The low end is ambient air (night, shade), the high end ambient air and the largest published
    mean rise.

    Raises
    ------
    InputError
        If the ambient range is reversed or the rise is negative.

    Examples
    --------
    >>> closed_vehicle_range(12.0, 27.0, 31.0)
    (12.0, 58.0)
    """
    if not ambient_low_c <= ambient_high_c or not 0 <= rise_c < np.inf:
        raise InputError(
            f"Ambient {ambient_low_c:g} to {ambient_high_c:g} °C with a rise of {rise_c:g} °C "
            "is no range. Give the lower end first and a rise of 0 or more."
        )
    return ambient_low_c, ambient_high_c + rise_c


def closed_vehicle_air(
    unix_s: ArrayLike,
    ambient_c: ArrayLike,
    sun_share: ArrayLike,
    rise_c: float,
    tau_min: float,
) -> NDArray[np.float64]:
    """Air in a closed vehicle along a stay, doors shut at its first moment [°C].

    Parameters
    ----------
    unix_s : array of float, shape (n,), rising
        Moments of the stay [s].
    ambient_c : array of float, shape (n,)
        Air outside [°C], straight between the moments.
    sun_share : array of float, shape (n,), 0 to 1
        The sun's strength over that in which the rise was published: 1 is full sun, 0 is shade,
        night or heavy cloud.
    rise_c : float, ≥ 0
        Final rise in full sun [°C], from an evidence parameter.
    tau_min : float, > 0
        Time constant [min], from an evidence parameter.

    Returns
    -------
    array of float, shape (n,)
        Temperature of the air; not the product's, and never a loss.

    Raises
    ------
    InputError
        If the columns do not match, time does not rise, a share lies outside 0 to 1, or the rise
        or its time constant cannot be used.

    Notes
    -----
    §2.4, §2.8: ambient + R, R' = (A·share − R)/τ. In full sun from the first moment R is
    :func:`closed_vehicle_rise`. That the rise is in proportion to the share is an assumption; a
    published trial has one sun.

    Examples
    --------
    In shade it is the air outside:

    >>> closed_vehicle_air([0.0, 600.0], [12.0, 13.0], [0.0, 0.0], 25.0, 20.0).tolist()
    [12.0, 13.0]
    """
    t, ambient, share = (
        np.asarray(column, dtype=np.float64) for column in (unix_s, ambient_c, sun_share)
    )
    if t.ndim != 1 or not t.size or not t.shape == ambient.shape == share.shape:
        raise InputError(
            "A stay in a vehicle needs a time, an air temperature and a share of sun for each "
            "moment. Give three columns of one length."
        )
    if not (np.diff(t) > 0).all() or not np.isfinite(t).all():
        raise InputError("The moments of a stay in a vehicle do not rise. Put them in order.")
    if not np.isfinite(ambient).all() or not ((share >= 0) & (share <= 1)).all():
        raise InputError(
            "An air temperature is not a number, or a share of sun lies outside 0 to 1. "
            "Correct that moment."
        )
    closed_vehicle_rise(0.0, rise_c, tau_min)  # refuses what is no rise
    return ambient + lag_behind(t / MINUTE_S, rise_c * share, tau_min, 0.0)
