"""Any log likelihood of a few numbers: its maximum, standard errors and profile limits.

For models that have no derivatives of their own. What has them (die-off curves) climbs by itself
and shares :mod:`rhizoledger.stats.profile_many`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from rhizoledger.errors import FitError, InputError
from rhizoledger.stats.profile import chi2_1
from rhizoledger.stats.profile_many import (
    BetterPointError,
    BoolArray,
    FloatArray,
    Limits,
    coordinate_limits,
)

EPS = float(np.finfo(np.float64).eps)
GRADIENT_STEP = EPS ** (1 / 3)  # numeric: best for a central first difference
HESSIAN_STEP = EPS ** (1 / 4)  # numeric: best for a central second difference
MOST_STEPS = 200  # numeric: a sound start needs about ten
FIRST_DAMPING, LEAST_DAMPING, MOST_DAMPING = 1e-3, 1e-12, 1e12  # numeric: from Newton to no step
GAIN = 1e-10  # numeric: log likelihood that a further step must promise; nothing beside 1.92
SINGULAR = 1e-9  # numeric: relative eigenvalue at which the information counts as singular
RESTARTS = 5  # numeric: times a refit may find a better maximum before it is said


@dataclass(frozen=True, slots=True)
class Estimate:
    """One coordinate at the maximum.

    Parameters
    ----------
    name : str
        As it was named.
    value : float
        Maximum-likelihood estimate.
    se : float or None
        From the inverse of the true Hessian; None at the end of its range, and where the data do
        not tell the coordinates apart.
    low, high : float
        Profile-likelihood limits; infinite, or the end of the range, where there is none.
    """

    name: str
    value: float
    se: float | None
    low: float
    high: float


@dataclass(frozen=True, slots=True, eq=False)
class LikelihoodFit:
    """The maximum of a log likelihood.

    Parameters
    ----------
    estimates : tuple of Estimate
        In the order of the coordinates.
    loglik : float
        At the maximum.
    information : ndarray, shape (p, p)
        Minus the Hessian there.
    level : float
        Of the limits.
    """

    estimates: tuple[Estimate, ...]
    loglik: float
    information: FloatArray
    level: float

    def __getitem__(self, name: str) -> Estimate:
        return next(e for e in self.estimates if e.name == name)


@dataclass(frozen=True, slots=True)
class _Point:
    at: FloatArray
    loglik: float
    information: FloatArray


@dataclass(frozen=True, slots=True)
class _Surface:
    """A plain function as a surface to climb: Newton's steps on differences, damped, in a box."""

    log_likelihood: Callable[[FloatArray], float]
    low: FloatArray
    high: FloatArray

    @property
    def bounds(self) -> tuple[FloatArray, FloatArray]:
        return self.low, self.high

    def height(self, at: FloatArray) -> float:
        """The log likelihood; minus infinity where it is no number, or too large for one."""
        try:
            found = float(self.log_likelihood(at))
        except ArithmeticError:
            return -math.inf
        return found if math.isfinite(found) else -math.inf

    def slopes(self, at: FloatArray, top: float) -> tuple[FloatArray, FloatArray]:
        """Gradient and information; differences turn inward at the end of the box."""
        p = at.size
        first = GRADIENT_STEP * np.maximum(1.0, np.abs(at))
        gradient = np.empty(p)
        for i in range(p):
            ahead, behind = at.copy(), at.copy()
            ahead[i] = min(at[i] + first[i], self.high[i])
            behind[i] = max(at[i] - first[i], self.low[i])
            gradient[i] = (self.height(ahead) - self.height(behind)) / (ahead[i] - behind[i])
        h = HESSIAN_STEP * np.maximum(1.0, np.abs(at))
        middle = np.clip(at, self.low + h, self.high - h)
        moved = bool(np.any(middle != at))
        base = self.height(middle) if moved else top
        information = np.empty((p, p))
        steps = np.diag(h)
        for i in range(p):
            up, down = self.height(middle + steps[i]), self.height(middle - steps[i])
            information[i, i] = -(up - 2 * base + down) / h[i] ** 2
            for j in range(i):
                corners = (
                    self.height(middle + steps[i] + steps[j])
                    - self.height(middle + steps[i] - steps[j])
                    - self.height(middle - steps[i] + steps[j])
                    + self.height(middle - steps[i] - steps[j])
                )
                information[i, j] = information[j, i] = -corners / (4 * h[i] * h[j])  # exact: four
        return gradient, information

    def climb(self, start: FloatArray, fixed: BoolArray | None = None) -> _Point:
        """The maximum reached from a start, with the ``fixed`` coordinates held."""
        moving = np.ones(start.size, dtype=np.bool_) if fixed is None else ~fixed
        at = np.clip(start, self.low, self.high)
        top = self.height(at)
        gradient, information = self.slopes(at, top)
        damping = FIRST_DAMPING
        for _ in range(MOST_STEPS):
            stuck = ((at <= self.low) & (gradient < 0)) | ((at >= self.high) & (gradient > 0))
            free = np.flatnonzero(moving & ~stuck)
            if free.size == 0:
                break
            step, promised = _step(information[np.ix_(free, free)], gradient[free], damping)
            if promised < GAIN:
                break
            trial = at.copy()
            trial[free] = np.clip(trial[free] + step, self.low[free], self.high[free])
            reached = self.height(trial)
            if reached > top:
                at, top = trial, reached
                gradient, information = self.slopes(at, top)
                damping = max(damping / 10, LEAST_DAMPING)
            elif damping < MOST_DAMPING:
                damping = 10 * max(damping, FIRST_DAMPING)
            else:
                break
        return _Point(at, top, information)


def _step(
    information: FloatArray, gradient: FloatArray, damping: float
) -> tuple[FloatArray, float]:
    """A damped Newton step uphill, and twice what it promises to gain."""
    values, vectors = np.linalg.eigh(information)
    # Where the likelihood bends the wrong way the step keeps its direction uphill.
    bend = np.abs(values) + damping * max(float(np.abs(values).max()), EPS)
    step = vectors @ ((vectors.T @ gradient) / bend)
    return np.asarray(step), float(gradient @ step)


def maximum_likelihood(
    log_likelihood: Callable[[FloatArray], float],
    start: dict[str, float],
    *,
    bounds: dict[str, tuple[float, float]] | None = None,
    level: float = 0.95,  # exact: the customary level
) -> LikelihoodFit:
    """Maximum of a log likelihood, with standard errors and profile limits.

    Parameters
    ----------
    log_likelihood : callable
        Of an array of shape (p,), smooth, with any constant; minus infinity or nan where a place
        is impossible.
    start : dict
        Names of the coordinates, in the order of the array, and where the search begins.
    bounds : dict, optional
        Least and greatest of a coordinate, by its name; without it, none.
    level : float
        Of the limits, in (0, 1).

    Returns
    -------
    LikelihoodFit
        Estimates with limits.

    Raises
    ------
    InputError
        If the start is impossible, out of bounds, or the level is no level.
    FitError
        If the likelihood climbs without end, or has ever better maxima.

    Notes
    -----
    Limits solve 2(ℓ_max - ℓ_profile) = χ²₁(level), with all other coordinates refitted; the first
    step is that of the true Hessian. Coverage is that of large samples.

    Examples
    --------
    Ten counts with mean 2 and a Poisson likelihood of ln λ: an error of 1/√20 on that scale.

    >>> fit = maximum_likelihood(lambda x: 20 * x[0] - 10 * math.exp(x[0]), {"ln_mean": 0.0})
    >>> round(fit["ln_mean"].value, 4), round(fit["ln_mean"].se, 4)
    (0.6931, 0.2236)
    >>> round(math.exp(fit["ln_mean"].low), 4), round(math.exp(fit["ln_mean"].high), 4)
    (1.2466, 3.009)
    """
    allowed = chi2_1(level)
    at, surface = _opened(log_likelihood, start, bounds or {})
    best = surface.climb(at)
    for _ in range(RESTARTS):
        try:
            return _told(surface, best, tuple(start), allowed, level)
        except BetterPointError as better:
            best = surface.climb(better.at)
    raise FitError(
        "The likelihood has one better maximum behind another. Begin from a start near the one "
        "that is meant, or set bounds."
    )


def _opened(
    log_likelihood: Callable[[FloatArray], float],
    start: dict[str, float],
    bounds: dict[str, tuple[float, float]],
) -> tuple[FloatArray, _Surface]:
    if not start:
        raise InputError("There is no coordinate. Name at least one, and where it begins.")
    at = np.array(list(start.values()), dtype=np.float64)
    free = (-math.inf, math.inf)
    low, high = np.array([bounds.get(name, free) for name in start], dtype=np.float64).T
    if strangers := set(bounds) - set(start):
        raise InputError(
            f"Bounds are given for {', '.join(sorted(strangers))}, which has no start."
        )
    surface = _Surface(log_likelihood, low, high)
    if not np.all((low < high) & (at >= low) & (at <= high)):
        raise InputError("A start lies outside its bounds. Begin between the least and greatest.")
    if surface.height(at) == -math.inf:
        raise InputError("The start has a likelihood of zero. Begin where the data are possible.")
    return at, surface


def _told(
    surface: _Surface, best: _Point, names: Sequence[str], allowed: float, level: float
) -> LikelihoodFit:
    errors = _errors(surface, best)
    if not np.all(np.isfinite(best.at)) or float(np.abs(best.at).max()) > 1 / EPS:
        raise FitError("The likelihood climbs without end. Set bounds, or use fewer parameters.")
    estimates = []
    for i, (name, se) in enumerate(zip(names, errors, strict=True)):
        ends: Limits = coordinate_limits(surface, best, i, se, allowed)
        estimates.append(Estimate(name, float(best.at[i]), se, ends.low, ends.high))
    return LikelihoodFit(tuple(estimates), best.loglik, best.information, level)


def _errors(surface: _Surface, best: _Point) -> list[float | None]:
    """Standard errors of the coordinates inside their bounds, where the Hessian has an inverse."""
    inside = np.flatnonzero((best.at > surface.low) & (best.at < surface.high))
    out: list[float | None] = [None] * best.at.size
    information = best.information[np.ix_(inside, inside)]
    scale = np.sqrt(np.abs(np.diag(information)))
    if inside.size == 0 or not scale.all():
        return out
    values = np.linalg.eigvalsh(information / np.outer(scale, scale))
    if values[0] > SINGULAR * values[-1]:
        for i, variance in zip(inside, np.diag(np.linalg.inv(information)), strict=True):
            out[int(i)] = math.sqrt(float(variance))
    return out
