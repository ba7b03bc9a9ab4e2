"""Profile-likelihood limits of one coordinate of many: where the best of the rest lost too much.

The signed root of the loss, ζ = ±√(2(ℓ_max - ℓ_profile)), is nearly straight in a coordinate, so a
few secant steps find where it reaches its limit. Each refit starts where the last one ended.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

CLOSE = 2e-5  # numeric: error allowed in ζ; a coverage of 0.95 moves by less than 0.00001
NARROW = 1e-10  # numeric: relative width at which a step in the profile is taken as the limit
DAMPED = 1e-8  # numeric: keeps a start finite where the rest is not determined
MOST_REFITS = 40  # numeric: a side that needs more has no limit worth a number
FIRST = 0.1  # numeric: relative step where there is no standard error
FLAT = 0.2  # numeric: share of the allowed loss below which a full step found almost nothing
PAST = 1.05  # numeric: so that a bracket is found, not approached for ever
FARTHEST_SE = 1e3  # numeric: standard errors beyond which a side counts as open
BETTER = 1e-5  # numeric: log likelihood by which a refit must beat the maximum to replace it


class Place(Protocol):
    """A point of a likelihood: where, how high, and how it bends there."""

    @property
    def at(self) -> FloatArray:
        """Coordinates, shape (p,)."""

    @property
    def loglik(self) -> float:
        """Log likelihood."""

    @property
    def information(self) -> FloatArray:
        """Minus the second derivatives, observed or expected, shape (p, p)."""


class Surface(Protocol):
    """A log likelihood over a box that can be climbed with some coordinates held."""

    @property
    def bounds(self) -> tuple[FloatArray, FloatArray]:
        """Least and greatest of every coordinate; infinite where there is no end."""

    def climb(self, start: FloatArray, fixed: BoolArray | None = None) -> Place:
        """The maximum reached from a start, with the ``fixed`` coordinates held there."""


class BetterPointError(Exception):
    """A refit found a higher likelihood than the maximum itself; it carries the place."""

    def __init__(self, at: FloatArray) -> None:
        self.at = at
        super().__init__("a better maximum was found")


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of a coordinate; infinite where the likelihood never falls far enough."""

    low: float
    high: float


def coordinate_limits(
    surface: Surface, best: Place, index: int, se: float | None, allowed: float
) -> Limits:
    """Both limits of one coordinate.

    Parameters
    ----------
    surface, best
        The likelihood, and its maximum.
    index : int
        Which coordinate.
    se : float or None
        Its standard error, as a first step; None where there is none.
    allowed : float
        How far 2ℓ may fall below its maximum: χ²₁(level) in large samples.

    Raises
    ------
    BetterPointError
        If a refit beats the maximum given.
    """
    return Limits(
        _side(surface, best, index, se, allowed, -1), _side(surface, best, index, se, allowed, 1)
    )


def _side(
    surface: Surface, best: Place, index: int, se: float | None, allowed: float, sign: int
) -> float:
    end = float(surface.bounds[0 if sign < 0 else 1][index])
    top, target = float(best.at[index]), math.sqrt(allowed)
    if top == end:
        return end
    unit = se if se is not None and 0 < se < math.inf else FIRST * max(1.0, abs(top))
    inner, inner_zeta = best, 0.0
    step, tried_end = unit * target, False
    for _ in range(MOST_REFITS):
        x = float(inner.at[index]) + sign * step
        x = end if sign * (x - end) > 0 else x
        refit = _refit(surface, best, inner, index, x, allowed)
        zeta = _zeta(best, refit)
        if abs(zeta - target) < CLOSE:
            return x
        if zeta > target:
            return _root(surface, best, index, (inner, inner_zeta), (refit, zeta), allowed)
        if x == end:
            return end
        if abs(x - top) > FARTHEST_SE * max(unit, 1.0):
            break
        # A secant through the last two places where ζ climbs, a little past it, and never more than
        # twice as far as before; through the top it would creep where ζ bends over. Where ζ does
        # not climb the end of the box is tried at once, for there may be no limit at all.
        grew = zeta > inner_zeta + CLOSE
        ran = abs(x - float(inner.at[index]))
        reach = (target - zeta) * ran / (zeta - inner_zeta) if grew else math.inf
        flat = zeta < FLAT * target and math.isfinite(end) and not tried_end
        step = abs(end - x) if flat else min(PAST * reach, 2 * max(step, unit))
        tried_end = tried_end or flat
        inner, inner_zeta = refit, zeta
    return sign * math.inf


def _root(
    surface: Surface,
    best: Place,
    index: int,
    inside: tuple[Place, float],
    outside: tuple[Place, float],
    allowed: float,
) -> float:
    """Where ζ reaches its target between a point inside and one outside."""
    target = math.sqrt(allowed)
    (inner, inner_zeta), (outer, outer_zeta) = inside, outside
    halve = False
    for _ in range(MOST_REFITS):
        a, b = float(inner.at[index]), float(outer.at[index])
        share = (target - inner_zeta) / (outer_zeta - inner_zeta)
        share = 0.5 if halve else min(max(share, 0.05), 0.95)  # numeric: so that both ends move
        x = a + share * (b - a)
        refit = _refit(surface, best, inner, index, x, allowed)
        zeta = _zeta(best, refit)
        if abs(zeta - target) < CLOSE or abs(b - a) <= NARROW * max(1.0, abs(x)):
            return x
        if zeta > target:
            outer, outer_zeta = refit, zeta
        else:
            inner, inner_zeta = refit, zeta
        halve = not halve and abs(float(outer.at[index] - inner.at[index])) > 0.5 * abs(b - a)
    return float(outer.at[index])


def _refit(
    surface: Surface, best: Place, near: Place, index: int, x: float, allowed: float
) -> Place:
    """The best of the rest with one coordinate held at x, from the nearest place that is known.

    The rest starts where the information at that place says it goes; if that was no good start,
    where it was.

    Raises
    ------
    BetterPointError
        If the refit beats the fit.
    """
    fixed = np.zeros(best.at.size, dtype=np.bool_)
    fixed[index] = True
    rest = np.flatnonzero(~fixed)
    start = near.at.copy()
    start[index] = x
    information = near.information[np.ix_(rest, rest)]
    damped = information + np.diag(DAMPED * np.maximum(np.diag(information), DAMPED))
    moved = start.copy()
    moved[rest] -= np.linalg.solve(damped, near.information[rest, index]) * (x - near.at[index])
    refit = surface.climb(moved, fixed)
    if refit.loglik < best.loglik - 0.5 * allowed:
        refit = max(refit, surface.climb(start, fixed), key=lambda point: point.loglik)
    if refit.loglik > best.loglik + BETTER:
        raise BetterPointError(refit.at)
    return refit


def _zeta(best: Place, refit: Place) -> float:
    return math.sqrt(max(2 * (best.loglik - refit.loglik), 0.0))
