"""The search for the maximum of a likelihood: damped scoring steps inside a box.

A :class:`Problem` joins one model, one set of rows and one likelihood. Its vector holds one log10
N₀ for each start, the model's own coordinates, the temperature coordinate where there is one
(1/z or the activation energy) and the scatter ψ where it has no closed form.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from rhizoledger.survival.fit_data import (
    NB_BOUNDS,
    SIGMA_BOUNDS,
    CountData,
    Likelihood,
    Scores,
    nb_scores,
    normal_scores,
    poisson_scores,
)
from rhizoledger.survival.fit_models import TINY, FloatArray, Reading, Shape

MOST_STEPS = 60  # numeric: a sound start needs about ten
FIRST_DAMPING = 1e-3  # numeric: nearly a full scoring step
LEAST_DAMPING, MOST_DAMPING = 1e-12, 1e12  # numeric: beyond, a step is full or none
GAIN = 1e-11  # numeric: log likelihood to be gained by a further step; nothing beside 1.92
LEAST_INFORMATION = 1e-12  # numeric: keeps a coordinate without information in place
LARGEST_LN_AGE = 40.0  # numeric: e^40 times the clock is past every survivor
WIDE_LN = 12.0  # numeric: e^12 times the span of the rows is for ever, e^-12 of it at once
DEEPEST_TAIL = 5.0  # numeric: log10; a tail of 1/100,000 of the least count is no tail
SCATTER = Reading("scatter", "as_is")


@dataclass(frozen=True, slots=True)
class Point:
    """A place in the search: log likelihood, score and information there."""

    at: FloatArray
    loglik: float
    score: FloatArray
    information: FloatArray


@dataclass(frozen=True)
class Problem:
    """One model on one set of rows.

    Parameters
    ----------
    data : CountData
        The rows.
    shape : Shape
        The model.
    likelihood : {"normal", "poisson", "nb"}
        How rows scatter about the curve.
    ln_age_per : ndarray, shape (n,), or None
        ln a(T) for one unit of the temperature coordinate; None: no temperature.
    temperature : Reading or None
        ``z_c`` or ``ea_kj_per_mol``.
    """

    data: CountData
    shape: Shape
    likelihood: Likelihood
    ln_age_per: FloatArray | None = None
    temperature: Reading | None = None

    @cached_property
    def starts(self) -> int:
        """How many start counts there are."""
        return int(self.data.group.max()) + 1

    @cached_property
    def profiled_scatter(self) -> bool:
        """Whether σ has a closed form, so that it is no coordinate."""
        return self.likelihood == "normal" and self.data.n_censored == 0

    @cached_property
    def readings(self) -> tuple[Reading, ...]:
        """What each coordinate means."""
        starts = (Reading("log10_n0", "as_is"),) * self.starts
        warmth = (self.temperature,) if self.temperature is not None else ()
        scatter = () if self.profiled_scatter or self.likelihood == "poisson" else (SCATTER,)
        return (*starts, *self.shape.readings, *warmth, *scatter)

    @property
    def size(self) -> int:
        """How many coordinates there are."""
        return len(self.readings)

    @cached_property
    def curve_size(self) -> int:
        """How many coordinates move the curve: all but the scatter."""
        return self.size - (self.readings[-1] is SCATTER)

    @cached_property
    def bounds(self) -> tuple[FloatArray, FloatArray]:
        """Least and greatest of every coordinate."""
        scatter = SIGMA_BOUNDS if self.likelihood == "normal" else NB_BOUNDS
        free = (-math.inf, math.inf)
        own = zip(self.shape.readings, self.shape.bounds, strict=True)
        ends = [free] * self.starts + [self._ends(r.name, box) for r, box in own]
        ends += [free] * (self.temperature is not None)
        ends += [scatter] * (self.size - self.curve_size)
        low, high = np.array(ends, dtype=np.float64).T
        return low, high

    def _ends(self, name: str, box: tuple[float, float]) -> tuple[float, float]:
        """The box of one coordinate: as wide as anything these rows could tell apart."""
        time, y = self.data.time_d, self.data.rough_log10()
        last = max(float(time.max()), TINY)
        first = float(time[time > 0].min()) if (time > 0).any() else last
        wide = WIDE_LN * (1 if self.temperature is None else 2)
        match name:
            case "delta_d":
                return math.log(first) - wide, math.log(last) + wide
            case "k_max_per_d" | "k1_per_d" | "k2_per_d":
                return -math.log(last) - wide, -math.log(first) + wide
            case "shoulder_d" if self.temperature is None:
                return 0.0, 2 * last
            case "log10_n_res":
                return float(y.min()) - DEEPEST_TAIL, float(y.max()) + 1
            case _:
                return box

    @cached_property
    def _of_group(self) -> FloatArray:
        return np.asarray(self.data.group[:, np.newaxis] == np.arange(self.starts), np.float64)

    def ages(self, at: FloatArray) -> FloatArray:
        """Equivalent age of each row [d at the reference temperature]."""
        if self.ln_age_per is None:
            return self.data.time_d
        ln_a = np.clip(at[self.curve_size - 1] * self.ln_age_per, -LARGEST_LN_AGE, LARGEST_LN_AGE)
        return np.asarray(self.data.time_d * np.exp(ln_a))

    def curve(self, at: FloatArray) -> tuple[FloatArray, FloatArray]:
        """log10 N of each row, and its derivatives by every coordinate of the curve."""
        g, q = self.starts, len(self.shape.readings)
        n0 = at[self.data.group] if g > 1 else np.full(self.data.n, at[0])
        found = self.shape.curve(n0, at[g : g + q], self.ages(at))
        jacobian = np.empty((self.data.n, self.curve_size))
        jacobian[:, :g] = found.by_start[:, np.newaxis] * self._of_group
        jacobian[:, g : g + q] = found.by_own
        if self.ln_age_per is not None:
            jacobian[:, g + q] = found.by_ln_age * self.ln_age_per
        return found.mu, jacobian

    def scores(self, mu: FloatArray, at: FloatArray) -> Scores:
        """Likelihood of the rows; σ is the best one where it has a closed form."""
        if self.likelihood == "poisson":
            return poisson_scores(self.data, mu, 0.0)
        if self.likelihood == "nb":
            return nb_scores(self.data, mu, float(at[-1]))
        if not self.profiled_scatter:
            return normal_scores(self.data, mu, float(at[-1]))
        return normal_scores(self.data, mu, self._best_ln_sigma(mu))

    def _best_ln_sigma(self, mu: FloatArray) -> float:
        assert self.data.log10_count is not None
        mean_square = float(np.mean((self.data.log10_count - mu) ** 2))
        return max(0.5 * math.log(max(mean_square, TINY)), SIGMA_BOUNDS[0])

    def ln_sigma(self, at: FloatArray) -> float:
        """Best ln σ for a place, where it has a closed form."""
        return self._best_ln_sigma(self.curve(at)[0])

    def score(self, at: FloatArray, ln_sigma: float | None) -> FloatArray:
        """The score at a place, with ln σ held where it is given."""
        if ln_sigma is None:
            return self.point(at).score
        mu, jacobian = self.curve(at)
        return np.asarray(normal_scores(self.data, mu, ln_sigma).by_mu @ jacobian)

    def point(self, at: FloatArray) -> Point:
        """Log likelihood, score and information at a place."""
        mu, jacobian = self.curve(at)
        found = self.scores(mu, at)
        c = self.curve_size
        score = np.empty(self.size)
        information = np.empty((self.size, self.size))
        score[:c] = found.by_mu @ jacobian
        information[:c, :c] = jacobian.T @ (found.weight[:, np.newaxis] * jacobian)
        if c < self.size:
            score[c] = found.by_scatter
            information[c, c] = found.scatter_weight
            information[c, :c] = information[:c, c] = found.cross @ jacobian
        return Point(at, found.loglik, score, information)

    def loglik(self, at: FloatArray) -> float:
        """Log likelihood alone; −∞ where a coordinate is no number."""
        found = self.scores(self.curve(at)[0], at).loglik
        return found if math.isfinite(found) else -math.inf

    def climb(self, start: FloatArray, fixed: NDArray[np.bool_] | None = None) -> Point:
        """The maximum that is reached from a start, with some coordinates held.

        Notes
        -----
        Marquardt's damping on the scoring information; a coordinate at the end of its box whose
        score points outward is held for that step.
        """
        low, high = self.bounds
        moving = np.ones(self.size, dtype=np.bool_) if fixed is None else ~fixed
        now = self.point(np.clip(start, low, high))
        damping = FIRST_DAMPING
        for _ in range(MOST_STEPS):
            stuck = ((now.at <= low) & (now.score < 0)) | ((now.at >= high) & (now.score > 0))
            free = np.flatnonzero(moving & ~stuck)
            if free.size == 0:
                break
            score = now.score[free]
            information = now.information[np.ix_(free, free)]
            scale = np.maximum(np.diag(information), LEAST_INFORMATION)
            moved = False
            while damping < MOST_DAMPING:
                step = _solved(information, scale * damping, score)
                trial = now.at.copy()
                trial[free] = np.clip(trial[free] + step, low[free], high[free])
                then = self.point(trial)
                if then.loglik >= now.loglik and np.isfinite(then.score).all():
                    moved = True
                    break
                damping = max(damping, FIRST_DAMPING) * 10
                if float(np.abs(score @ step)) < GAIN:
                    break
            if not moved:
                break
            gain, now = then.loglik - now.loglik, then
            damping = max(damping / 10, LEAST_DAMPING)
            if gain < GAIN and float(np.abs(score @ step)) < GAIN:
                break
        return now


def _solved(information: FloatArray, added: FloatArray, score: FloatArray) -> FloatArray:
    damped = information + np.diag(added)
    try:
        np.linalg.cholesky(damped)
        return np.asarray(np.linalg.solve(damped, score))
    except np.linalg.LinAlgError:
        return np.asarray(score / (np.abs(np.diag(damped)) + LEAST_INFORMATION))


def observed_information(problem: Problem, at: FloatArray, free: NDArray[np.intp]) -> FloatArray:
    """Minus the Hessian of the log likelihood over some coordinates: differences of the score.

    Notes
    -----
    Central differences at a step of cube-root precision, made symmetric. σ with a closed form is
    held: its cross term vanishes at the maximum, and near-perfect counts then do no harm.
    """
    sigma = problem.ln_sigma(at) if problem.profiled_scatter else None
    k = len(free)
    out = np.empty((k, k))
    base = np.finfo(np.float64).eps ** (1 / 3)  # numeric: best step for a central difference
    for j, i in enumerate(free):
        h = base * max(1.0, abs(float(at[i])))
        up, down = at.copy(), at.copy()
        up[i] += h
        down[i] -= h
        out[j] = (problem.score(down, sigma) - problem.score(up, sigma))[free] / (2 * h)
    return 0.5 * (out + out.T)


def polished(problem: Problem, found: Point) -> Point:
    """The maximum to full precision: Newton steps with the true Hessian, kept if they climb."""
    low, high = problem.bounds
    for _ in range(2):
        free = np.flatnonzero((found.at > low) & (found.at < high))
        if free.size == 0:
            return found
        hessian = observed_information(problem, found.at, free)
        try:
            np.linalg.cholesky(hessian)
            step = np.linalg.solve(hessian, found.score[free])
        except np.linalg.LinAlgError:
            return found
        trial = found.at.copy()
        trial[free] += step
        if np.any(trial < low) or np.any(trial > high):
            return found
        then = problem.point(trial)
        # Near the top the likelihood is flat to the last digit; the score tells who is nearer.
        climbs = then.loglik >= found.loglik - 10 * GAIN
        if not (
            climbs
            and float(then.score[free] @ then.score[free])
            < float(found.score[free] @ found.score[free])
        ):
            return found
        found = then
    return found
