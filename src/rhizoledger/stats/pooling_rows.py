"""Random-effects means of many sets of studies at once: the pooling of simulated trials."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rhizoledger.errors import InputError
from rhizoledger.stats.power_arguments import one_of

FloatArray = NDArray[np.float64]
Method = Literal["REML", "DL"]

_SETTLED = 1e-13  # numeric: relative step at which a root is settled
_ROWS = 500  # numeric: rows treated together, so that they stay in the cache
_GRID = np.linspace(0.0, 1.0, 40)  # numeric: two modes lie at least a factor of two apart


@dataclass(frozen=True, slots=True)
class Rows:
    """Random-effects means of many sets of studies, one a row.

    Parameters
    ----------
    mu, tau2 : ndarray, shape (rows,)
        Mean and variance between studies.
    plain_se : ndarray
        1/√Σw.
    factor : ndarray
        Knapp-Hartung's q; the Knapp-Hartung standard error is ``plain_se`` √q.
    """

    mu: FloatArray
    tau2: FloatArray
    plain_se: FloatArray
    factor: FloatArray


def pool_rows(y: ArrayLike, v: ArrayLike, method: Method = "REML") -> Rows:
    """Random-effects means of many sets of studies at once.

    Parameters
    ----------
    y, v : array_like, shape (rows, studies)
        Effects and their variances > 0, finite, 2 studies or more.
    method : {"REML", "DL"}
        How τ² is estimated.

    Returns
    -------
    Rows
        Each row as :func:`rhizoledger.stats.pooling.pool` would give it. Where a likelihood has two
        maxima, the one next to the highest of 41 points.

    Examples
    --------
    Equal variances: τ² is the variance of the effects less theirs, 4 - 1:

    >>> rows = pool_rows([[-2.0, 0.0, 2.0]], [[1.0, 1.0, 1.0]])
    >>> rows.mu.tolist(), rows.tau2.tolist()
    ([0.0], [3.0])
    """
    effects, variances = np.broadcast_arrays(np.asarray(y, float), np.asarray(v, float))
    one_of("method", method, Method)
    if effects.ndim != 2 or effects.shape[1] < 2:
        raise InputError("y: give rows of two studies or more, all of one length.")
    if not (np.isfinite(effects).all() and np.isfinite(variances).all() and (variances > 0).all()):
        raise InputError("y or v: a value is missing, or a variance is not above zero. Leave out.")
    tau2 = np.empty(effects.shape[0])
    for i in range(0, tau2.size, _ROWS):
        part = slice(i, i + _ROWS)
        tau2[part] = _tau2(effects[part], variances[part], method)
    w = 1 / (variances + tau2[:, np.newaxis])
    total = w.sum(axis=1)
    mu = (w * effects).sum(axis=1) / total
    q = (w * (effects - mu[:, np.newaxis]) ** 2).sum(axis=1) / (effects.shape[1] - 1)
    return Rows(mu, tau2, 1 / np.sqrt(total), q)


def _tau2(y: FloatArray, v: FloatArray, method: Method) -> FloatArray:
    df = y.shape[1] - 1
    if method == "DL":
        w = 1 / v
        total = w.sum(axis=1)
        r = y - ((w * y).sum(axis=1) / total)[:, np.newaxis]
        q = (w * r * r).sum(axis=1)
        dl: FloatArray = np.maximum(0.0, (q - df) / (total - (w * w).sum(axis=1) / total))
        return dl
    least = v.min(axis=1)
    out: FloatArray = np.maximum(0.0, y.var(axis=1, ddof=1) - least)
    uneven = v.max(axis=1) > least
    if uneven.any():
        out[uneven] = _reml(y[uneven], v[uneven])
    return out


def _reml(y: FloatArray, v: FloatArray) -> FloatArray:
    """The restricted maximum of every row: the best of a grid, then Newton inside its bracket."""
    least = v.min(axis=1)
    bound = y.var(axis=1, ddof=1) + v.max(axis=1)
    log_start = np.log(least / 100)
    way = np.log(bound) - log_start
    grid = np.zeros((_GRID.size + 1, least.size))
    grid[1:] = np.exp(log_start + _GRID[:, np.newaxis] * way)
    best = np.full(least.size, math.inf)
    top = np.zeros(least.size, np.intp)
    for i in range(grid.shape[0]):
        w = 1 / (v + grid[i][:, np.newaxis])
        total = w.sum(axis=1)
        r = y - (np.einsum("ij,ij->i", w, y) / total)[:, np.newaxis]
        twice = np.einsum("ij,ij,ij->i", w, r, r) + np.log(total) - np.log(w).sum(axis=1)
        better = twice < best
        best[better], top[better] = twice[better], i
    rows = np.arange(least.size)
    x = grid[top, rows]
    low = grid[np.maximum(top - 1, 0), rows]
    high = grid[np.minimum(top + 1, grid.shape[0] - 1), rows]
    live = rows
    for _ in range(100):
        slope, bend = _score(y[live], v[live], x[live])
        at = x[live]
        up = slope > 0
        low[live[up]] = at[up]
        high[live[~up]] = at[~up]
        with np.errstate(divide="ignore", invalid="ignore"):
            goal = np.where(bend < 0, at - slope / bend, math.inf)
        inside = (goal >= low[live]) & (goal <= high[live])
        goal = np.where(inside, goal, 0.5 * (low[live] + high[live]))
        goal[~up & (at == 0)] = 0.0
        x[live] = goal
        live = live[abs(goal - at) > _SETTLED * (goal + least[live])]
        if live.size == 0:
            break
    return x


def _score(y: FloatArray, v: FloatArray, tau2: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Twice the slope of the restricted log likelihood in τ², and twice its second derivative."""
    w = 1 / (v + tau2[:, np.newaxis])
    ww = w * w
    s1, s2 = w.sum(axis=1), ww.sum(axis=1)
    s3 = np.einsum("ij,ij->i", w, ww)
    u = w * (y - (np.einsum("ij,ij->i", w, y) / s1)[:, np.newaxis])
    squares = np.einsum("ij,ij->i", u, u)
    bend = np.einsum("ij,ij,ij->i", w, u, u) - np.einsum("ij,ij->i", w, u) ** 2 / s1
    slope = squares - s1 + s2 / s1
    return slope, s2 - 2 * s3 / s1 + (s2 / s1) ** 2 - 2 * bend
