"""The variance between studies: every estimator, and its limits by the Q-profile."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri, ndtri, stdtrit

from rhizoledger.stats.studies import FloatArray, Method

_STEP = 1e-14  # numeric: relative step at which a root is settled, some units in the last place
_WRINKLE = 1e-6  # numeric: relative distance or slope that is no other maximum
_MOST = 100  # a Newton search that is not settled by then never will be
# Fractions of the way, on the logarithm, from below the least variance to the bound on tau2.
_WAY = np.linspace(0.0, 1.0, 40)  # numeric: two modes lie at least a factor of two apart


@dataclass(frozen=True, slots=True)
class AtTau2:
    """The weighted fit at one τ²."""

    w: FloatArray
    q: float
    gram: FloatArray | None
    total: float
    gamma: FloatArray | float


class Design:
    """Effects, variances and an orthonormal basis of the design; P does not depend on the basis."""

    __slots__ = (
        "intercept", "k", "least", "moderated", "offset", "one", "p", "r",
        "terms", "v", "x", "y", "z",
    )  # fmt: skip

    def __init__(
        self,
        y: FloatArray,
        v: FloatArray,
        x: FloatArray | None = None,
        terms: tuple[str, ...] = ("intercept",),
        intercept: bool = True,
    ) -> None:
        # Around the first study: equal effects then differ by exactly nothing.
        self.offset = float(y[0]) if x is None else 0.0
        self.y, self.v, self.terms, self.intercept = y - self.offset, v, terms, intercept
        self.k, self.p = y.size, len(terms)
        self.moderated = x is not None
        self.one = np.ones(self.k)
        self.least = float(v.min())
        if x is not None:
            self.x = x
            self.z, self.r = np.linalg.qr(x)

    def solve(self, w: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Z'WZ, the coefficients on Z, and WZ."""
        wz = self.z * w[:, np.newaxis]
        gram: FloatArray = self.z.T @ wz
        gamma = np.asarray(np.linalg.solve(gram, wz.T @ self.y), np.float64)
        return gram, gamma, wz

    def q(self, tau2: float) -> tuple[float, float]:
        """The quadratic form y'Py, and y'PPy, which is minus its slope in τ²."""
        w = 1 / (self.v + tau2)
        if self.moderated:
            r = self.y - self.z @ self.solve(w)[1]
        else:
            r = self.y - w.dot(self.y) / w.dot(self.one)
        u = w * r
        return float(u.dot(r)), float(u.dot(u))

    def fit(self, tau2: float) -> AtTau2:
        """Weights, coefficients and Q at one variance between studies."""
        w = 1 / (self.v + tau2)
        if self.moderated:
            gram, gamma, _ = self.solve(w)
            r = self.y - self.z @ gamma
            return AtTau2(w, float((w * r).dot(r)), gram, 0.0, gamma)
        total = float(w.dot(self.one))
        mu = float(w.dot(self.y)) / total
        r = self.y - mu
        return AtTau2(w, float((w * r).dot(r)), None, total, mu)

    def coefficients(self, at: AtTau2) -> tuple[FloatArray, FloatArray]:
        """Coefficients on X and their plain covariance (X'WX)⁻¹."""
        if at.gram is None:
            return np.array([at.gamma + self.offset]), np.array([[1 / at.total]])
        back = np.linalg.inv(self.r)
        return back @ at.gamma, back @ np.linalg.inv(at.gram) @ back.T

    def log_likelihood(self, at: AtTau2, restricted: bool) -> float:
        """The full or restricted log likelihood, by the convention named beside it."""
        twice = at.q - float(np.log(at.w).dot(self.one))
        if restricted:
            if at.gram is None:
                twice += math.log(at.total / self.k)
            else:
                twice += float(np.linalg.slogdet(at.gram)[1])
        n = self.k - self.p if restricted else self.k
        return -0.5 * (twice + n * math.log(2 * math.pi))

    def profile(self, tau2: FloatArray, restricted: bool) -> FloatArray:
        """Log likelihood, up to a constant, at many τ² at once."""
        w = 1 / (tau2[:, np.newaxis] + self.v)
        if not self.moderated:
            total = w @ self.one
            r = self.y - ((w @ self.y) / total)[:, np.newaxis]
            extra = np.log(total)
        else:
            gram = np.swapaxes(w[:, :, np.newaxis] * self.z, 1, 2) @ self.z
            right = (w * self.y) @ self.z
            gamma = np.linalg.solve(gram, right[:, :, np.newaxis])[:, :, 0]
            r = self.y - gamma @ self.z.T
            extra = np.linalg.slogdet(gram)[1]
        twice: FloatArray = (w * r * r - np.log(w)) @ self.one
        if restricted:
            twice = twice + extra
        return -0.5 * twice

    def score(self, tau2: float, restricted: bool) -> tuple[float, float]:
        """Twice the slope of the log likelihood in τ², and twice its second derivative."""
        w = 1 / (self.v + tau2)
        if self.moderated:
            gram, gamma, wz = self.solve(w)
            u = w * (self.y - self.z @ gamma)
            wu = w * u
            left = self.z.T @ wu
            bend = float(wu.dot(u)) - float(left @ np.linalg.solve(gram, left))
            if restricted:
                p = np.diag(w) - wz @ np.linalg.solve(gram, wz.T)
                trace, square = float(np.trace(p)), float((p * p).sum())
        else:
            s1 = float(w.dot(self.one))
            u = w * (self.y - float(w.dot(self.y)) / s1)
            wu = w * u
            bend = float(wu.dot(u)) - float(w.dot(u)) ** 2 / s1
            if restricted:
                ww = w * w
                s2, s3 = float(w.dot(w)), float(w.dot(ww))
                trace = s1 - s2 / s1
                square = s2 - 2 * s3 / s1 + (s2 / s1) ** 2
        if not restricted:
            trace, square = float(w.dot(self.one)), float(w.dot(w))
        return float(u.dot(u)) - trace, square - 2 * bend

    def trace_p0(self) -> float:
        """Trace of P at τ² = 0: k - p over the typical sampling variance."""
        w = 1 / self.v
        if self.moderated:
            gram, _, wz = self.solve(w)
            return float(w.sum()) - float(np.trace(np.linalg.solve(gram, wz.T @ wz)))
        total = float(w.dot(self.one))
        return total - float(w.dot(w)) / total

    def scatter(self) -> float:
        """Residual sum of squares without weights."""
        fitted = self.z @ (self.z.T @ self.y) if self.moderated else self.y.dot(self.one) / self.k
        r = self.y - fitted
        return float(r.dot(r))

    def alone(self) -> Design:
        """The same studies without moderators."""
        return Design(self.y, self.v)


def estimate_tau2(d: Design, method: Method, warnings: list[str]) -> float:
    """The variance between studies by one method; what is odd goes to ``warnings``."""
    df = d.k - d.p
    if method in ("REML", "ML"):
        return _most_likely(d, method == "REML", warnings)
    if method in ("PM", "EB"):
        return _q_root(d, float(df))
    if method == "DL":
        return max(0.0, (d.q(0.0)[0] - df) / d.trace_p0())
    if method == "HS":
        return max(0.0, (d.q(0.0)[0] - d.k) / float((1 / d.v).sum()))
    if method == "HE":
        if d.moderated:
            noise = float(d.v.sum() - ((d.z * d.z).sum(axis=1) * d.v).sum())
        else:
            noise = float(d.v.sum()) * df / d.k
        return max(0.0, (d.scatter() - noise) / df)
    start = d.alone().scatter() / d.k  # SJ: from the crude variance of the effects, never zero
    return start * d.q(start)[0] / df if start > 0 else 0.0


def _q_root(d: Design, target: float) -> float:
    """τ² at which y'Py falls to a target; 0 where it is below from the start.

    1/(y'Py) is increasing and concave, so Newton on it climbs to the root and never passes it.
    """
    tau2 = 0.0
    for _ in range(_MOST):
        q, squares = d.q(tau2)
        if q <= target:
            break
        step = q * (q - target) / (target * squares)
        tau2 += step
        if step <= _STEP * (tau2 + d.least):
            break
    return tau2


def _most_likely(d: Design, restricted: bool, warnings: list[str]) -> float:
    """The τ² of greatest likelihood: every maximum of a grid, polished, and the best of them."""
    bound = d.scatter() / (d.k - d.p) + float(d.v.max())
    start = d.least / 100
    grid = np.empty(_WAY.size + 1)
    grid[0] = 0.0
    grid[1:] = start * np.exp(math.log(bound / start) * _WAY)
    heights = d.profile(grid, restricted)
    rises = heights[1:] > heights[:-1]
    tops = np.flatnonzero(np.r_[True, rises] & ~np.r_[rises, False]).tolist()
    found = [
        _polish(
            lambda t: d.score(t, restricted),
            float(grid[max(j - 1, 0)]),
            float(grid[j]),
            float(grid[min(j + 1, grid.size - 1)]),
            d.least,
        )
        for j in tops
    ]
    if len(found) == 1:
        return found[0]
    likelihoods = [d.log_likelihood(d.fit(t), restricted) for t in found]
    best = found[likelihoods.index(max(likelihoods))]
    # A wrinkle of the grid that is rounding and no maximum has a slope, or leads to the same one.
    others = [
        f"{t:.4g}"
        for t in found
        if abs(t - best) > _WRINKLE * (t + d.least)
        and (t == 0 or abs(d.score(t, restricted)[0]) * (t + d.least) < _WRINKLE)
    ]
    if others:
        warnings.append(
            f"The likelihood has another maximum, at τ² = {', '.join(others)}; the highest "
            "was taken."
        )
    return best


def _polish(
    score: Callable[[float], tuple[float, float]],
    low: float,
    x: float,
    high: float,
    least: float,
) -> float:
    """Newton on a slope inside a bracket, bisecting where a step would leave it."""
    for _ in range(_MOST):
        slope, bend = score(x)
        if slope > 0:
            low = x
        elif x == 0:
            return 0.0
        else:
            high = x
        goal = x - slope / bend if bend < 0 else math.inf
        if not low <= goal <= high:
            goal = 0.5 * (low + high)
        settled = abs(goal - x) <= _STEP * (x + least)
        x = goal
        if settled:
            break
    return x


def q_profile(d: Design, level: float, q0: float, warnings: list[str]) -> tuple[float, float]:
    """Limits of τ²: where y'Py meets the χ² quantiles of k - p degrees of freedom."""
    df, tail = d.k - d.p, 0.5 * (1 - level)
    small, large = float(chdtri(df, 1 - tail)), float(chdtri(df, tail))
    if q0 < small:
        warnings.append(
            "The studies agree better than their variances allow: no τ² fits, and its interval "
            "is given as 0 to 0. Check that the variances are not too large."
        )
        return 0.0, 0.0
    return _q_root(d, large), _q_root(d, small)


def critical_value(df: int | None, level: float) -> float:
    """The two-sided critical value of t, or of a normal where ``df`` is None."""
    upper = 0.5 * (1 + level)
    return float(ndtri(upper)) if df is None else float(stdtrit(df, upper))
