"""Primary models for fitting: log10 N and its derivatives, as plain functions of coordinates.

A fit moves in **coordinates** that the data determine evenly (a rate by its logarithm, D and z by
their inverse); people read **parameters** (:class:`Reading`). Each curve takes log10 N₀ of every
row, its own coordinates and the equivalent age τ, and returns log10 N with its derivatives.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from rhizoledger.survival.temperature import LN10

FloatArray = NDArray[np.float64]
Model = Literal["loglinear", "weibull", "biphasic", "shoulder", "tail", "shoulder_tail"]
MODELS: tuple[Model, ...] = get_args(Model)
"""From fewest parameters to most, log-linear first."""

FARTHEST_LN = 25.0  # numeric: a share within e^-25 of 0 or 1 cannot be told from it by any count
TINY = 1e-300  # numeric: keeps a logarithm of nothing finite


@dataclass(frozen=True, slots=True)
class Slopes:
    """A curve and its derivatives at n rows, for q coordinates.

    Parameters
    ----------
    mu : ndarray, shape (n,)
        log10 N.
    by_start : ndarray, shape (n,)
        ∂μ/∂log10 N₀.
    by_ln_age : ndarray, shape (n,)
        τ·∂μ/∂τ: what a relative change of the age does.
    by_own : ndarray, shape (n, q)
        ∂μ/∂coordinate.
    """

    mu: FloatArray
    by_start: FloatArray
    by_ln_age: FloatArray
    by_own: FloatArray


Curve = Callable[[FloatArray, FloatArray, FloatArray], Slopes]
"""log10 N₀ of each row, coordinates of the model, equivalent age of each row → :class:`Slopes`."""


@dataclass(frozen=True, slots=True)
class Reading:
    """How a parameter is read off a coordinate: ``as_is``, ``exp``, ``inverse`` or ``logistic``."""

    name: str
    kind: Literal["as_is", "exp", "inverse", "logistic"]

    def value(self, coordinate: float) -> float:
        """The parameter; infinite where the coordinate says so.

        Examples
        --------
        >>> Reading("d_d", "inverse").value(0.5), Reading("fraction_fragile", "logistic").value(0.0)
        (2.0, 0.5)
        """
        match self.kind:
            case "as_is":
                return coordinate
            case "exp":
                return math.exp(coordinate)
            case "inverse":
                return 1 / coordinate if coordinate != 0 else math.inf
            case "logistic":
                return 1 / (1 + math.exp(-coordinate))

    def slope(self, coordinate: float) -> float:
        """Size of d parameter/d coordinate: what a standard error is multiplied by."""
        match self.kind:
            case "as_is":
                return 1.0
            case "exp":
                return math.exp(coordinate)
            case "inverse":
                return 1 / coordinate**2 if coordinate != 0 else math.inf
            case "logistic":
                share = self.value(coordinate)
                return share * (1 - share)


@dataclass(frozen=True, slots=True)
class Shape:
    """A model: its curve, what its coordinates mean, and where they end.

    Parameters
    ----------
    curve : callable
        See :data:`Curve`.
    readings : tuple of Reading
        One for each coordinate of its own.
    bounds : tuple of (float, float)
        Least and greatest of each coordinate.
    """

    curve: Curve
    readings: tuple[Reading, ...]
    bounds: tuple[tuple[float, float], ...]


FREE = (-math.inf, math.inf)
RATE = (-FARTHEST_LN, FARTHEST_LN)


def loglinear_curve(n0: FloatArray, own: FloatArray, age: FloatArray) -> Slopes:
    """log10 N = log10 N₀ − τ/D; the coordinate is 1/D, in which the model is linear.

    Examples
    --------
    >>> age = np.array([0.0, 44.0])
    >>> loglinear_curve(np.array([6.0, 6.0]), np.array([1 / 22]), age).mu.tolist()
    [6.0, 4.0]
    """
    fall = own[0] * age
    return Slopes(n0 - fall, np.ones_like(age), -fall, -age[:, np.newaxis])


def weibull_curve(n0: FloatArray, own: FloatArray, age: FloatArray) -> Slopes:
    """log10 N = log10 N₀ − (τ/δ)^p, Mafart et al. 2002; coordinates ln δ and ln p.

    Examples
    --------
    >>> own = np.log([13.5, 0.45])
    >>> round(float(weibull_curve(np.zeros(1), own, np.array([24.0])).mu[0]), 3)
    -1.296
    """
    p = math.exp(own[1])
    ln_u = p * (np.log(np.maximum(age, TINY)) - own[0])
    u = np.exp(np.minimum(ln_u, 2 * FARTHEST_LN))
    return Slopes(n0 - u, np.ones_like(age), -p * u, np.column_stack([p * u, -u * ln_u]))


def biphasic_by_slow(n0: FloatArray, own: FloatArray, age: FloatArray) -> Slopes:
    """Two groups of cells, Cerf 1977; coordinates logit f, ln k₂ and ln(k₁/k₂) ≥ 0.

    Examples
    --------
    f = 0.95, k₁ = 2/d, k₂ = 0.1/d, after 21 d:

    >>> own = np.array([math.log(19), math.log(0.1), math.log(20)])
    >>> round(float(biphasic_by_slow(np.zeros(1), own, np.array([21.0])).mu[0]), 6)
    -2.213048
    """
    return _two_groups(n0, own[0], own[1] + own[2], own[1], age, anchor_slow=True)


def biphasic_by_fast(n0: FloatArray, own: FloatArray, age: FloatArray) -> Slopes:
    """As :func:`biphasic_by_slow` with ln k₁ in place of ln k₂, so that k₁ can be held fixed."""
    return _two_groups(n0, own[0], own[1], own[1] - own[2], age, anchor_slow=False)


def _two_groups(
    n0: FloatArray,
    logit: float,
    ln_fast: float,
    ln_slow: float,
    age: FloatArray,
    *,
    anchor_slow: bool,
) -> Slopes:
    share = 1 / (1 + math.exp(-logit))
    fast, slow = math.exp(ln_fast) * age, math.exp(ln_slow) * age
    ln_a = -np.logaddexp(0.0, -logit) - fast
    ln_b = -np.logaddexp(0.0, logit) - slow
    ln_s = np.logaddexp(ln_a, ln_b)
    in_a = np.exp(ln_a - ln_s)
    in_b = np.exp(ln_b - ln_s)
    both = -(in_a * fast + in_b * slow)
    spread = -in_a * fast if anchor_slow else in_b * slow
    own = np.column_stack([in_a * (1 - share) - in_b * share, both, spread])
    return Slopes(n0 + ln_s / LN10, np.ones_like(age), both / LN10, own / LN10)


def shoulder_curve(n0: FloatArray, own: FloatArray, age: FloatArray) -> Slopes:
    """A shoulder and then a line, Geeraerd et al. 2005; coordinates ln k_max and the shoulder."""
    ln_s, by_rate, by_shoulder, by_age = _shouldered(own[0], own[1], age)
    by_own = np.column_stack([by_rate, by_shoulder])
    return Slopes(n0 + ln_s / LN10, np.ones_like(age), by_age / LN10, by_own / LN10)


def tail_curve(n0: FloatArray, own: FloatArray, age: FloatArray) -> Slopes:
    """A line and then a tail, Geeraerd et al. 2005; coordinates ln k_max and log10 N_res.

    Examples
    --------
    >>> own = np.array([math.log(3.95762), 0.94558])
    >>> round(float(tail_curve(np.array([7.29267]), own, np.array([3.0])).mu[0]), 3)
    2.163
    """
    fall = math.exp(own[0]) * age
    mu, by_start, by_tail, by_ln_s = _tailed(n0, own[1], -fall)
    return Slopes(mu, by_start, -by_ln_s * fall, np.column_stack([-by_ln_s * fall, by_tail]))


def shoulder_tail_curve(n0: FloatArray, own: FloatArray, age: FloatArray) -> Slopes:
    """Shoulder, line and tail, Geeraerd et al. 2005; coordinates ln k_max, shoulder, log10 N_res.

    Examples
    --------
    >>> own = np.array([math.log(1.36355), 4.75895, 0.96661])
    >>> round(float(shoulder_tail_curve(np.array([7.37823]), own, np.array([10.0])).mu[0]), 3)
    4.274
    """
    ln_s, by_rate, by_shoulder, by_age = _shouldered(own[0], own[1], age)
    mu, by_start, by_tail, by_ln_s = _tailed(n0, own[2], ln_s)
    by_own = np.column_stack([by_ln_s * by_rate, by_ln_s * by_shoulder, by_tail])
    return Slopes(mu, by_start, by_ln_s * by_age, by_own)


def _shouldered(
    ln_k: float, shoulder: float, age: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Natural log S of a shoulder; its slopes by ln k, by the shoulder, by the log age.

    ln S = s − ln(e^E + e^s − 1), E = kτ, s = k·Sl.
    """
    k = math.exp(ln_k)
    e, s = k * age, k * shoulder
    top = np.maximum(e, s)
    ln_sum = top + np.log1p(np.exp(-np.abs(e - s)) - np.exp(-top))
    of_e, of_s = np.exp(e - ln_sum), np.exp(s - ln_sum)
    by_age = -e * of_e
    return s - ln_sum, by_age + s * (1 - of_s), k * (1 - of_s), by_age


def _tailed(
    n0: FloatArray, n_res: float, ln_s: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """log10 of (1 − S)·N_res + S·N₀; its slopes by log10 N₀, by log10 N_res and by ln S."""
    ln_live = LN10 * n0 + ln_s
    gone = -np.expm1(ln_s)
    ln_tail = LN10 * n_res + np.log(np.maximum(gone, TINY))
    ln_n = np.logaddexp(ln_live, ln_tail)
    live = np.exp(ln_live - ln_n)
    tail = np.where(gone > 0, np.exp(ln_tail - ln_n), 0.0)
    by_ln_s = live - np.exp(LN10 * n_res + ln_s - ln_n)
    return ln_n / LN10, live, tail, by_ln_s / LN10


_K = Reading("k_max_per_d", "exp")
_SHOULDER = Reading("shoulder_d", "as_is")
_RES = Reading("log10_n_res", "as_is")
_SHARE = Reading("fraction_fragile", "logistic")
_APART = Reading("ln_k1_over_k2", "as_is")
_LN_P = (-5.0, 5.0)  # numeric: p from 0.007 to 148, a jump at the start or at the end
_ABOVE_ZERO = (0.0, math.inf)
_LOGIT = (-FARTHEST_LN, FARTHEST_LN)

SHAPES: dict[Model, Shape] = {
    "loglinear": Shape(loglinear_curve, (Reading("d_d", "inverse"),), (FREE,)),
    "weibull": Shape(
        weibull_curve, (Reading("delta_d", "exp"), Reading("p", "exp")), (RATE, _LN_P)
    ),
    "biphasic": Shape(
        biphasic_by_slow,
        (_SHARE, Reading("k2_per_d", "exp"), _APART),
        (_LOGIT, RATE, (0.0, FARTHEST_LN)),
    ),
    "shoulder": Shape(shoulder_curve, (_K, _SHOULDER), (RATE, _ABOVE_ZERO)),
    "tail": Shape(tail_curve, (_K, _RES), (RATE, FREE)),
    "shoulder_tail": Shape(shoulder_tail_curve, (_K, _SHOULDER, _RES), (RATE, _ABOVE_ZERO, FREE)),
}

BY_FAST = Shape(
    biphasic_by_fast,
    (_SHARE, Reading("k1_per_d", "exp"), _APART),
    (_LOGIT, RATE, (0.0, FARTHEST_LN)),
)
"""The biphasic model again, in coordinates that hold k₁."""
