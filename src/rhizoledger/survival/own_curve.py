"""A fitted curve by its numbers: what lives after an age, and the age at which so much lives.

The ledger draws the numbers of a curve jointly; these functions take whole arrays of draws.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from rhizoledger.survival.kinetics import (
    FloatArray,
    biphasic,
    loglinear,
    pool_from_shoulder,
    shoulder_tail,
    weibull,
)

Curved = Literal["loglinear", "weibull", "biphasic", "shoulder"]
HALVINGS = 80  # numeric: far more than a number has digits
LONGEST_D = 1e6  # numeric: no seed is followed so long


def log10_survival(
    model: Curved, age_d: ArrayLike, numbers: Mapping[str, FloatArray]
) -> FloatArray:
    """log10 of the share that lives after an equivalent age.

    Parameters
    ----------
    model : {"loglinear", "weibull", "biphasic", "shoulder"}
        Which curve.
    age_d : array of float, >= 0
        Equivalent age at the temperature of the numbers [d].
    numbers : mapping of str to array
        By the names of a fit: ``d_d``; ``delta_d`` and ``p``; ``fraction_fragile``, ``k1_per_d``
        and ``k2_per_d``; ``k_max_per_d`` and ``shoulder_d``.

    Returns
    -------
    array of float
        <= 0, in the broadcast shape.

    Raises
    ------
    InputError
        If an age or a number cannot be used.

    Notes
    -----
    §2.5. A share drawn past 0 or 1 is held there: its error was given on a straight scale.

    Examples
    --------
    >>> d = np.array([5.0])
    >>> log10_survival("loglinear", 10.0, {"d_d": d}).tolist()
    [-2.0]
    >>> log10_survival("weibull", 5.0, {"delta_d": d, "p": np.array([0.4])}).tolist()
    [-1.0]
    """
    if model == "loglinear":
        return loglinear(age_d, numbers["d_d"])
    if model == "weibull":
        return weibull(age_d, numbers["delta_d"], numbers["p"])
    if model == "biphasic":
        share = np.clip(numbers["fraction_fragile"], 0, 1)
        fast = np.maximum(numbers["k1_per_d"], numbers["k2_per_d"])
        return biphasic(age_d, share, fast, numbers["k2_per_d"])
    k = numbers["k_max_per_d"]
    pool = pool_from_shoulder(k, np.maximum(numbers["shoulder_d"], 0))
    return shoulder_tail(k * np.asarray(age_d, dtype=np.float64), pool)


def age_of_loss(
    model: Curved, loss_log10: ArrayLike, numbers: Mapping[str, FloatArray]
) -> FloatArray:
    """Equivalent age at which a curve has lost so much [d].

    Parameters
    ----------
    model, numbers
        As for :func:`log10_survival`.
    loss_log10 : array of float, >= 0
        Loss so far, from whatever came before [log10].

    Returns
    -------
    array of float
        Held at a million days where the curve never loses so much.

    Examples
    --------
    >>> n = {"delta_d": np.array([5.0]), "p": np.array([0.4])}
    >>> age_of_loss("weibull", 1.0, n).round(9).tolist()
    [5.0]
    """
    loss = np.asarray(loss_log10, dtype=np.float64)
    shape = np.broadcast_shapes(loss.shape, *(x.shape for x in numbers.values()))
    low, high = np.zeros(shape), np.full(shape, LONGEST_D)
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        short = -log10_survival(model, middle, numbers) < loss
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return np.asarray(0.5 * (low + high))
