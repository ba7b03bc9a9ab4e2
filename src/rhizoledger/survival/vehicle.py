"""Air in a closed vehicle in the sun: a temperature, never a loss (§2.8).

Published rises are of shaded air, not of a bag or a jug, which lags behind; no temperature of a
product's core was found. So these functions bound a temperature and nothing follows from them about
how many cells die.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rhizoledger.errors import InputError


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
