"""Batches: a random start and a random rate of decline for each, and what a new batch may do.

§2.11: log10 N = a + aᵢ − (b + bᵢ)·t + error, with (aᵢ, bᵢ) normal and correlated between batches.
REML, exact: with two random terms for each batch everything is 2 × 2 algebra on the batch's sums.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import stdtr, stdtrit

from rhizoledger.errors import FitError, InputError

FloatArray = NDArray[np.float64]
FEWEST_BATCHES = 3  # exact: §2.12, below it no word about a new batch
FEW_BATCHES = 6  # exact: §2.12, below it with a warning
STARTS = ((1.0, 0.0, 1.0), (0.1, 0.0, 1.0), (1.0, 0.0, 0.1), (3.0, 0.0, 3.0))  # numeric: of θ
EDGE = 1e-6  # numeric: relative standard deviation below which a component is none
STEP = 1e-3  # numeric: for second differences: both errors of a deviance are then near 1e-6
FLAT = 1e-9  # numeric: a deviance that differs by less is the same
LEAST_SIZE = 0.1  # numeric: below it a step is no longer in proportion
FINE = 1e-2  # numeric: a first difference wants a shorter step than a second
LN_2PI = math.log(2 * math.pi)


@dataclass(frozen=True, slots=True)
class At:
    """A mean at one time: estimate, standard error and degrees of freedom of its t."""

    estimate: float
    se: float
    df: float

    def limit(self, probability: float) -> float:
        """The value that the truth reaches or passes with a probability.

        Examples
        --------
        >>> round(At(6.0, 0.1, 10.0).limit(0.95), 4)
        5.8188
        """
        if self.se == 0:
            return self.estimate
        return self.estimate - float(stdtrit(self.df, probability)) * self.se

    def probability_at_least(self, requirement: float) -> float:
        """Probability that the truth reaches a requirement.

        Examples
        --------
        >>> At(6.0, 0.1, 10.0).probability_at_least(6.0)
        0.5
        """
        if self.se == 0:
            return float(self.estimate >= requirement)
        return float(stdtr(self.df, (self.estimate - requirement) / self.se))


@dataclass(frozen=True, slots=True)
class BatchFit:
    """A line with a random start and a random rate for each batch.

    Parameters
    ----------
    start, rate : float
        log10 N at time 0, and its fall for each unit of time, of the mean batch.
    covariance : ndarray, shape (2, 2)
        Of start and slope (slope = −rate).
    between : ndarray, shape (2, 2)
        Variances and covariance of start and slope between batches.
    sigma : float
        Standard deviation of a count about the line of its batch [log10].
    criterion, loglik : float
        REML criterion, and minus half of it.
    start_df, rate_df : float
        Satterthwaite's degrees of freedom of the two.
    batches, n : int
        Batches and counts.
    warnings : tuple of str
        What to mind.
    """

    start: float
    rate: float
    covariance: FloatArray
    between: FloatArray
    sigma: float
    criterion: float
    loglik: float
    start_df: float
    rate_df: float
    batches: int
    n: int
    warnings: tuple[str, ...]
    _model: _Reml
    _theta: FloatArray

    def mean(self, time: float) -> At:
        """The mean of all batches at a time."""
        return self._at(time, new_batch=False)

    def new_batch(self, time: float) -> At:
        """The true mean of a batch not seen yet, at a time.

        Notes
        -----
        Variance: that of the mean line and that between batches; Satterthwaite's degrees of
        freedom of their sum.
        """
        return self._at(time, new_batch=True)

    def _at(self, time: float, *, new_batch: bool) -> At:
        x = np.array([1.0, time])

        def variance(parameters: FloatArray) -> float:
            covariance, between = self._model.variances(parameters)
            return float(x @ (covariance + new_batch * between) @ x)

        v, df = self._model.satterthwaite(np.append(self._theta, self.sigma), variance)
        return At(self.start - self.rate * time, math.sqrt(v), df)


def fit_batches(batch: Sequence[str], time: ArrayLike, log10_count: ArrayLike) -> BatchFit:
    """Fit a line with a random start and rate for each batch by REML.

    Parameters
    ----------
    batch : sequence of str, length n
        Which batch each count is of.
    time : array_like, shape (n,)
        Time, in any one unit.
    log10_count : array_like, shape (n,)
        Counts above their limit.

    Raises
    ------
    InputError
        If the lengths differ or a number is not finite.
    FitError
        Below three batches, or where no batch was counted at two times with rows to spare.

    Examples
    --------
    >>> t = [0, 10, 20, 30] * 3
    >>> y = [8.0, 7.6, 6.9, 6.5, 8.3, 7.6, 6.8, 6.2, 7.9, 7.6, 7.2, 6.7]
    >>> fit = fit_batches(["A"] * 4 + ["B"] * 4 + ["C"] * 4, t, y)
    >>> round(fit.rate, 4), round(fit.new_batch(20).estimate, 3), round(fit.mean(20).estimate, 3)
    (0.0543, 7.003, 7.003)
    """
    t, y = np.asarray(time, dtype=np.float64), np.asarray(log10_count, dtype=np.float64)
    if not len(batch) == len(t) == len(y):
        raise InputError("Batches, times and counts differ in number. Give one of each for a row.")
    if not (np.isfinite(t).all() and np.isfinite(y).all()):
        raise InputError("A time or a count is not a number. Leave the row out.")
    names, which = np.unique(np.asarray(batch, dtype=object).astype(str), return_inverse=True)
    if len(names) < FEWEST_BATCHES:
        raise FitError(
            f"There {'is' if len(names) == 1 else 'are'} {len(names)} of the {FEWEST_BATCHES} "
            "batches that it takes to say anything about a new one. First, count another batch. "
            "Second, state the window of each batch by itself."
        )
    if len(np.unique(t)) < 2 or len(t) <= len(names) + 2:
        raise FitError(
            "The batches were counted too few times to tell their lines from their scatter. First, "
            "count each batch at three times or more. Second, keep replicates as rows of their own."
        )
    model = _Reml.of(which, len(names), t, y)
    theta = model.search()
    sigma = model.sigma(theta)
    covariance, between = model.variances(np.append(theta, sigma))
    start, slope = model.back @ model.solved(theta)[0]
    criterion = model.deviance(theta)

    def df_of(i: int) -> float:
        parameters = np.append(theta, sigma)
        return model.satterthwaite(parameters, lambda p: float(model.variances(p)[0][i, i]))[1]

    return BatchFit(
        start=float(start) + model.level,
        rate=-float(slope),
        covariance=covariance,
        between=between,
        sigma=sigma,
        criterion=criterion,
        loglik=-0.5 * criterion,
        start_df=df_of(0),
        rate_df=df_of(1),
        batches=len(names),
        n=len(t),
        warnings=tuple(_said(theta, len(names))),
        _model=model,
        _theta=theta,
    )


def _said(theta: FloatArray, batches: int) -> list[str]:
    said = []
    if batches < FEW_BATCHES:
        said.append(
            f"{batches} batches: how much batches differ is hardly known, so the limits for a new "
            f"one are wide. Count {FEW_BATCHES} or more."
        )
    if theta[0] <= EDGE:
        said.append("No spread between batches is seen in the middle of the times.")
    if math.hypot(theta[1], theta[2]) <= EDGE:
        said.append("No spread of rates between batches is seen.")
    elif theta[2] <= EDGE < theta[0]:
        said.append(
            "So few batches do not show whether those that start higher die faster: the two are "
            "taken as going wholly together."
        )
    return said


@dataclass(frozen=True, slots=True)
class _Reml:
    """Sums of each batch, with time scaled so that both random terms are of one size.

    Parameters
    ----------
    a : ndarray, shape (batches, 2, 2)
        Z′Z.
    c : ndarray, shape (batches, 2)
        Z′y, y less its mean.
    yy : float
        y′y.
    n : int
        Counts.
    back : ndarray, shape (2, 2)
        From coefficients in the scaled time to those in time.
    level : float
        Mean count, taken off before and added to the start at the end, to keep digits.
    """

    a: FloatArray
    c: FloatArray
    yy: float
    n: int
    back: FloatArray
    level: float

    @classmethod
    def of(cls, which: NDArray[np.intp], batches: int, t: FloatArray, y: FloatArray) -> _Reml:
        centre, scale, level = float(t.mean()), float(t.std()), float(y.mean())
        z = np.column_stack([np.ones_like(t), (t - centre) / scale])
        a, c = np.zeros((batches, 2, 2)), np.zeros((batches, 2))
        np.add.at(a, which, z[:, :, np.newaxis] * z[:, np.newaxis, :])
        rest = y - level
        np.add.at(c, which, z * rest[:, np.newaxis])
        back = np.array([[1.0, -centre / scale], [0.0, 1 / scale]])
        return cls(a, c, float(rest @ rest), len(y), back, level)

    def solved(self, theta: FloatArray) -> tuple[FloatArray, FloatArray, float, float]:
        """β, X′V⁻¹X and the residual, for σ = 1; and Σ ln|I + Λ′AΛ|."""
        root = _root(theta)
        inner = np.eye(2) + root.T @ self.a @ root
        half = self.a @ root
        weight = np.linalg.inv(inner)
        w = (self.a - half @ weight @ half.transpose(0, 2, 1)).sum(axis=0)
        to_y = self.c @ root
        cy = (self.c - np.einsum("bij,bj->bi", half @ weight, to_y)).sum(axis=0)
        yvy = self.yy - float(np.einsum("bi,bij,bj->", to_y, weight, to_y))
        beta = np.linalg.solve(w, cy)
        log_det = float(np.linalg.slogdet(inner)[1].sum())
        return beta, w, max(yvy - float(cy @ beta), 1e-300), log_det  # numeric: a perfect fit

    def deviance(self, theta: FloatArray) -> float:
        """The REML criterion with σ at its best."""
        _, w, rest, log_det = self.solved(theta)
        left = self.n - 2
        log_w = float(np.linalg.slogdet(w)[1]) - 2 * math.log(self.back[1, 1])
        return log_det + log_w + left * (1 + LN_2PI + math.log(rest / left))

    def full_deviance(self, parameters: FloatArray) -> float:
        """The REML criterion at θ and σ."""
        _, w, rest, log_det = self.solved(parameters[:-1])
        sigma2 = float(parameters[-1]) ** 2
        log_w = float(np.linalg.slogdet(w)[1]) - 2 * math.log(self.back[1, 1])
        return log_det + log_w + (self.n - 2) * (LN_2PI + math.log(sigma2)) + rest / sigma2

    def sigma(self, theta: FloatArray) -> float:
        """σ at its best for θ."""
        return math.sqrt(self.solved(theta)[2] / (self.n - 2))

    def variances(self, parameters: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Covariance of start and slope, and their covariance between batches, in real time."""
        theta, sigma2 = parameters[:-1], float(parameters[-1]) ** 2
        w = self.solved(theta)[1]
        root = self.back @ _root(theta)
        covariance = sigma2 * self.back @ np.linalg.inv(w) @ self.back.T
        return np.asarray(covariance), np.asarray(sigma2 * root @ root.T)

    def search(self) -> FloatArray:
        """θ at the least deviance, by a box search from some starts and Newton steps at the end."""
        bounds = [(0.0, None), (None, None), (0.0, None)]
        best: FloatArray | None = None
        for start in STARTS:
            found = minimize(
                self.deviance, np.array(start), method="L-BFGS-B", bounds=bounds,
                options={"ftol": 1e-13, "gtol": 1e-8},  # numeric: to the end of its own precision
            )  # fmt: skip
            if best is None or found.fun < self.deviance(best):
                best = np.asarray(found.x, dtype=np.float64)
        assert best is not None
        for _ in range(5):  # numeric: from a box search, two suffice
            free = _free(best)
            gradient, hessian = _differences(self.deviance, best, free)
            try:
                np.linalg.cholesky(hessian)
            except np.linalg.LinAlgError:
                break
            trial = best.copy()
            trial[free] -= np.linalg.solve(hessian, gradient)
            inside = trial[0] >= 0 and trial[2] >= 0
            if not inside or self.deviance(trial) > self.deviance(best) + FLAT:
                break
            best = trial
        best[0], best[2] = (0.0 if x <= EDGE else x for x in (best[0], best[2]))
        if best[0] == 0:  # the spread of slopes is then one number, not two
            best[1], best[2] = 0.0, math.hypot(best[1], best[2])
        return best

    def satterthwaite(
        self, parameters: FloatArray, variance: Callable[[FloatArray], float]
    ) -> tuple[float, float]:
        """A variance and its degrees of freedom: 2v²/(g′Ag), A twice the inverse Hessian.

        Components at zero are left out: the answer is that of the smaller model.
        """
        free = np.append(_free(parameters[:-1]), len(parameters) - 1)
        v = variance(parameters)
        gradient = _differences(variance, parameters, free)[0]
        hessian = _differences(self.full_deviance, parameters, free)[1]
        try:
            spread = float(gradient @ np.linalg.solve(hessian, gradient)) * 2
        except np.linalg.LinAlgError:
            spread = 0.0
        # Never more than what counts allow, where differences say that a variance is all but known;
        # never fewer than one less than the batches, the least of the mean squares it is made of.
        least, most = float(len(self.a) - 1), float(self.n - 2)
        return v, min(max(2 * v * v / spread, least), most) if spread > 0 else most


def _root(theta: FloatArray) -> FloatArray:
    return np.array([[theta[0], 0.0], [theta[1], theta[2]]])


def _free(theta: FloatArray) -> NDArray[np.intp]:
    """Components of θ that are not on their edge; without a start, no covariance with it."""
    free = [i for i in (0, 2) if theta[i] > EDGE]
    if theta[0] > EDGE:
        free.append(1)
    return np.array(sorted(free), dtype=np.intp)


def _differences(
    f: Callable[[FloatArray], float], at: FloatArray, free: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray]:
    """Gradient and Hessian by central differences, steps in proportion to each coordinate."""
    k = len(free)
    h = np.array([STEP * max(abs(float(at[i])), LEAST_SIZE) for i in free])
    here = f(at)
    up, down = np.empty(k), np.empty(k)
    gradient, hessian = np.empty(k), np.empty((k, k))

    def moved(step: FloatArray) -> float:
        x = at.copy()
        x[free] += step
        return f(x)

    steps = np.diag(h)
    for i in range(k):
        up[i], down[i] = moved(steps[i]), moved(-steps[i])
        fine = FINE * steps[i]
        gradient[i] = (moved(fine) - moved(-fine)) / (2 * FINE * h[i])
        hessian[i, i] = (up[i] - 2 * here + down[i]) / h[i] ** 2
    for i in range(k):
        for j in range(i):
            both = moved(steps[i] + steps[j]) + moved(-steps[i] - steps[j])
            cross = both - up[i] - down[i] - up[j] - down[j] + 2 * here
            hessian[i, j] = hessian[j, i] = cross / (2 * h[i] * h[j])
    return gradient, hessian
