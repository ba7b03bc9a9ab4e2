"""How temperature speeds a loss up, and the closed forms that check it.

An **acceleration** is a rate relative to the rate at the reference temperature: 1 there, 10 at one
``z`` above it. Base-10 and natural logarithms are never mixed: ``z`` belongs to base 10, an
activation energy to base e, and the factor ln 10 between them stands in one place.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rhizoledger.errors import InputError

FloatArray = NDArray[np.float64]

LN10 = float(np.log(10.0))
ZERO_C_IN_K = 273.15  # exact: definition of the Celsius scale
GAS_J_PER_MOL_K = 8.31446261815324  # exact: Boltzmann constant times Avogadro constant
J_PER_KJ = 1000.0  # exact: joules in a kilojoule
LARGEST_LN = 690.0  # numeric: beyond it exp overflows; no loss of that size means anything


def acceleration(temp_c: ArrayLike, t_ref_c: float, z_c: ArrayLike) -> FloatArray:
    """Rate of a loss relative to that at the reference temperature, by Bigelow's rule.

    Parameters
    ----------
    temp_c : array of float
        Temperature [°C].
    t_ref_c : float
        Reference temperature [°C].
    z_c : array of float, > 0
        Rise that makes the loss ten times faster [°C]; broadcast against ``temp_c``.

    Returns
    -------
    array of float
        Dimensionless; 1 at ``t_ref_c``.

    Raises
    ------
    InputError
        If a z is not a number above zero.

    Notes
    -----
    §2.1: a = 10^((T − T_ref)/z), Bigelow 1921. It holds only in the temperature range of the
    evidence it came from, and never across storage and heat-kill (§2.6).

    Examples
    --------
    >>> float(acceleration(30.0, 20.0, 10.0).round(12))
    10.0
    """
    z = np.asarray(z_c, dtype=np.float64)
    if not bool(np.all((z > 0) & np.isfinite(z))):
        raise InputError("A z value is not a number above zero. Take z from an evidence parameter.")
    rise = np.asarray(temp_c, dtype=np.float64) - t_ref_c
    return np.asarray(np.exp(np.minimum(LN10 * rise / z, LARGEST_LN)))


def arrhenius_acceleration(temp_c: ArrayLike, t_ref_c: float, ea_kj_mol: ArrayLike) -> FloatArray:
    """Rate of a loss relative to that at the reference temperature, by Arrhenius' rule.

    Parameters
    ----------
    temp_c, t_ref_c : array of float, float
        Temperature and reference temperature [°C], above absolute zero.
    ea_kj_mol : array of float
        Activation energy [kJ/mol].

    Notes
    -----
    §2.1: k/k_ref = exp(−(Ea/R)(1/T − 1/T_ref)), T in kelvin, so that log10 S = −k·t/ln 10. A
    published package multiplies by ln 10 where it should divide and is off by (ln 10)² (§8).

    Examples
    --------
    >>> float(arrhenius_acceleration(20.0, 20.0, 80.0))
    1.0
    """
    t, t_ref = _kelvin(temp_c), _kelvin(t_ref_c)
    energy = np.asarray(ea_kj_mol, dtype=np.float64) * J_PER_KJ / GAS_J_PER_MOL_K
    return np.asarray(np.exp(np.minimum(-energy * (1 / t - 1 / t_ref), LARGEST_LN)))


def ea_from_z(z_c: float, low_c: float, high_c: float) -> float:
    """Activation energy [kJ/mol] that gives the same change of rate between two temperatures.

    Notes
    -----
    Ea = ln 10 · R · T1 · T2 / z: the two rules agree at the two temperatures and nowhere else.

    Examples
    --------
    >>> round(ea_from_z(10.0, 20.0, 30.0), 2)
    170.14
    """
    product = float(_kelvin(low_c) * _kelvin(high_c))
    return LN10 * GAS_J_PER_MOL_K * product / _positive(z_c, "z") / J_PER_KJ


def z_from_ea(ea_kj_mol: float, low_c: float, high_c: float) -> float:
    """The z [°C] that gives the same change of rate between two temperatures.

    Examples
    --------
    >>> round(z_from_ea(170.14, 20.0, 30.0), 2)
    10.0
    """
    product = float(_kelvin(low_c) * _kelvin(high_c))
    return LN10 * GAS_J_PER_MOL_K * product / _positive(ea_kj_mol, "activation energy") / J_PER_KJ


def ramp_age(start_c: float, end_c: float, duration: float, t_ref_c: float, z_c: float) -> float:
    """Equivalent age of a straight ramp, in the unit of ``duration``, in closed form.

    Parameters
    ----------
    start_c, end_c : float
        Temperature at the two ends [°C].
    duration : float
        Length of the ramp, any unit of time.
    t_ref_c, z_c : float
        Reference temperature and z [°C].

    Notes
    -----
    §2.3: τ = t·z/(ln 10·(T_b − T_a))·(a(T_b) − a(T_a)). The mean temperature gives another, wrong
    answer; a level ramp gives a(T)·t.

    Examples
    --------
    5 to 35 °C in 24 h with D = 48 h at 20 °C and z = 12 °C:

    >>> round(ramp_age(5.0, 35.0, 24.0, 20.0, 12.0) / 48.0, 6)
    1.539709
    """
    a, b = (float(acceleration(t, t_ref_c, z_c)) for t in (start_c, end_c))
    if a == b:
        return duration * a
    return duration * z_c / (LN10 * (end_c - start_c)) * (b - a)


def _kelvin(temp_c: ArrayLike) -> FloatArray:
    kelvin = np.asarray(temp_c, dtype=np.float64) + ZERO_C_IN_K
    if not bool(np.all(kelvin > 0)):
        raise InputError("A temperature is not above absolute zero. Give it in °C.")
    return kelvin


def _positive(value: float, name: str) -> float:
    if not 0 < value < np.inf:
        raise InputError(f"The {name} is {value:g}. Give a number above zero.")
    return value
