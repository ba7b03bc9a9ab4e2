"""Primary models: how a count falls with age at one temperature, as log10 of the share that lives.

Each takes an **equivalent age** (see :mod:`rhizoledger.survival.equivalent_age`) rather than clock
time, in the unit of its own parameters. That is enough exactly where one acceleration scales every
rate of the model (§2.1). All return log10 S ≤ 0 except :func:`front_loaded_loss`, which returns a
loss ≥ 0.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rhizoledger.errors import InputError
from rhizoledger.survival.temperature import LN10

FloatArray = NDArray[np.float64]


def front_loaded_loss(
    log10_loss_period: ArrayLike,
    first_phase_share: ArrayLike,
    age_fraction: ArrayLike,
    first_acceleration: ArrayLike,
) -> FloatArray:
    """Loss on seed from a published loss over one period and the unknown weight of its first phase.

    A two-phase decline loses a share of the period's loss soon after wetting, on drying, and the
    rest slowly. Where only the loss over the whole period was printed, the share is not known.
    Any decline that is fastest at first lies, between zero and the period, between the line in
    proportion to time (share 0) and the whole loss at once (share 1). Drawing the share from 0 to 1
    therefore spans what the published shape allows; it is a bracket, not a fitted model.

    Parameters
    ----------
    log10_loss_period : array of float, ≥ 0
        Loss over the whole period at the reference temperature [log10].
    first_phase_share : array of float, 0 to 1
        Share of that loss that falls in the first phase.
    age_fraction : array of float, ≥ 0
        Equivalent age since wetting divided by the period. The answer is 0 where it is 0.
    first_acceleration : array of float, ≥ 0
        Mean acceleration over the first stay after wetting: the first phase happens on drying, at
        the temperature of that stay, and is not charged again later.

    Returns
    -------
    array of float
        Loss since wetting [log10], ≥ 0, in the broadcast shape of the arguments.

    Raises
    ------
    InputError
        If a loss, age or acceleration is negative or not a number, or a share lies outside 0 to 1.

    Notes
    -----
    L·(s·a₁ + (1 − s)·τ/period). At any one temperature and at the age of the period, a₁ equals
    τ/period, so the printed losses come back whatever the share; the share only moves loss to the
    front. Beyond one period (τ > period) it extrapolates.
    Shape on soybean seed: Penna et al. 2011, AMB Express 1:21 (two phases chosen as the most
    representative; constants not reached).

    Examples
    --------
    Half of 2 log10 falls at once, half over the period; a fifth of the period has passed:

    >>> float(front_loaded_loss(2.0, 0.5, 0.2, 1.0))
    1.2
    """
    loss, share, age, first = (
        np.asarray(x, dtype=np.float64)
        for x in (log10_loss_period, first_phase_share, age_fraction, first_acceleration)
    )
    for name, x in (("loss", loss), ("age", age), ("acceleration", first)):
        # The least of an array with a missing number is not a number: one pass finds both.
        if x.size and not x.min() >= 0:
            raise InputError(f"The {name} on seed is negative or not a number. Give 0 or more.")
    if share.size and not (share.min() >= 0 and share.max() <= 1):
        raise InputError("The share of the first phase lies outside 0 to 1. Give a share.")
    at_once = loss * share * first
    lost = np.asarray(loss * (1 - share) * age + at_once)
    return lost if bool(np.all(age)) else np.where(age > 0, lost, 0.0)


def loglinear(age: ArrayLike, d: ArrayLike) -> FloatArray:
    """log10 S of a log-linear decline: one tenth lives after each ``d``.

    Parameters
    ----------
    age : array of float, ≥ 0
        Equivalent age, in the unit of ``d``.
    d : array of float, > 0
        Time for a tenfold fall at the reference temperature.

    Notes
    -----
    §2.5: log10 S = −τ/D. The natural rate is k = ln 10/D, not 1/D.

    Examples
    --------
    >>> float(loglinear(44.0, 22.0))
    -2.0
    """
    return -_age(age) / _above_zero(d, "D")


def weibull(age: ArrayLike, delta: ArrayLike, p: ArrayLike) -> FloatArray:
    """log10 S of a Weibull decline in state-equivalent time.

    Parameters
    ----------
    age : array of float, ≥ 0
        Equivalent age, in the unit of ``delta``: contiguous time is summed first.
    delta : array of float, > 0
        Time for the first tenfold fall at the reference temperature.
    p : array of float, > 0
        Shape: below 1 the fall is fast at first, above 1 there is a shoulder.

    Notes
    -----
    §2.5: log10 S = −(τ/δ)^p, Mafart et al. 2002. With a constant p, δ(T) = δ_ref/a(T) and the rate
    taken at the momentary *state* (Peleg and Cole 1998), this is exact for any temperature. Using
    clock time in the rate gives another answer, and so does adding the losses of two halves.

    Examples
    --------
    p = 0.45 and δ = 13.5 h over 24 h, not 1.897 for two halves:

    >>> round(-float(weibull(24.0, 13.5, 0.45)), 3)
    1.296
    """
    return -((_age(age) / _above_zero(delta, "delta")) ** _above_zero(p, "shape p"))


def biphasic(
    age: ArrayLike,
    fast_share: ArrayLike,
    k_fast: ArrayLike,
    k_slow: ArrayLike,
    *,
    slow_age: ArrayLike | None = None,
) -> FloatArray:
    """log10 S of two groups of cells, one that dies fast and one that dies slowly.

    Parameters
    ----------
    age : array of float, ≥ 0
        Equivalent age, in the unit of the rates.
    fast_share : array of float, 0 to 1
        Share of cells in the fast group.
    k_fast, k_slow : array of float, ≥ 0
        Natural rates at the reference temperature [per unit of age].
    slow_age : array of float, optional
        Equivalent age of the slow group where it has a z of its own; by default ``age``.

    Notes
    -----
    §2.5: log10 S = log10(f·e^(−k₁τ₁) + (1 − f)·e^(−k₂τ₂)), Cerf 1977 (from memory). With two z
    there are two ages (§2.1).

    Examples
    --------
    >>> round(float(biphasic(1.0, 0.95, 2.0, 0.1)), 6)
    -0.759924
    """
    share = np.asarray(fast_share, dtype=np.float64)
    if not bool(np.all((share >= 0) & (share <= 1))):
        raise InputError("The share of the fast group lies outside 0 to 1. Give a share.")
    tau = _age(age)
    slow = tau if slow_age is None else _age(slow_age)
    with np.errstate(divide="ignore"):  # an empty group has a logarithm of minus infinity
        fast_ln = np.log(share) - _age(k_fast, "rate") * tau
        slow_ln = np.log1p(-share) - _age(k_slow, "rate") * slow
    return np.asarray(np.logaddexp(fast_ln, slow_ln) / LN10)


def shoulder_tail(
    rate_age: ArrayLike, c0: ArrayLike = 0.0, log10_tail: ArrayLike = -np.inf
) -> FloatArray:
    """log10 S of a decline with a shoulder before it and a tail after it, in closed form.

    Parameters
    ----------
    rate_age : array of float, ≥ 0
        E = ∫k_max(T(t))dt, natural and dimensionless: ln 10/D_ref times the equivalent age.
    c0 : array of float, ≥ 0
        Protective pool at the start; 0 is no shoulder. See :func:`pool_from_shoulder`.
    log10_tail : array of float, ≤ 0
        log10 of the share of cells that never dies; −∞ is no tail.

    Notes
    -----
    §2.5: dC/dt = −kC and dN/dt = −kN/(1 + C)·(1 − N_min/N), Geeraerd et al. 2005, both driven by
    one k(T). With E = ∫k dt this integrates to
    S = r + (1 − r)·(1 + C₀)/(e^E + C₀), r = N_min/N₀, for any course of temperature (our
    derivation). A shoulder that k does not scale needs the differential equation instead.

    Examples
    --------
    Neither shoulder nor tail is log-linear:

    >>> round(float(shoulder_tail(np.log(10.0) * 2.0)), 12)
    -2.0
    """
    e = _age(rate_age)
    pool = _age(c0, "protective pool")
    tail = np.asarray(log10_tail, dtype=np.float64)
    if not bool(np.all(tail <= 0)):
        raise InputError("The tail is more than all cells, or not a number. Give log10 ≤ 0.")
    with np.errstate(divide="ignore"):  # no pool and a tail of all cells have a logarithm of −∞
        dying = np.log1p(-(10.0**tail)) + np.log1p(pool) - np.logaddexp(e, np.log(pool))
    return np.asarray(np.logaddexp(LN10 * tail, dying) / LN10)


def pool_from_shoulder(k_max: ArrayLike, shoulder: ArrayLike) -> FloatArray:
    """Protective pool C₀ that gives a shoulder of a length at constant temperature.

    Notes
    -----
    C₀ = e^(k_max·Sl) − 1, Geeraerd et al. 2005.

    Examples
    --------
    >>> float(pool_from_shoulder(1.0, 0.0))
    0.0
    """
    return np.asarray(np.expm1(_age(k_max, "rate") * _age(shoulder, "shoulder")))


def _age(value: ArrayLike, name: str = "age") -> FloatArray:
    x = np.asarray(value, dtype=np.float64)
    if not bool(np.all(x >= 0)):
        raise InputError(f"The {name} is negative or not a number. Give 0 or more.")
    return x


def _above_zero(value: ArrayLike, name: str) -> FloatArray:
    x = np.asarray(value, dtype=np.float64)
    if not bool(np.all((x > 0) & np.isfinite(x))):
        raise InputError(f"The {name} is not a number above zero. Take it from evidence or a fit.")
    return x
