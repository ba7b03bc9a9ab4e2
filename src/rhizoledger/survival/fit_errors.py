"""How precisely the coordinates of a fit are known, and how their errors go together."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from rhizoledger.survival.fit_models import FloatArray
from rhizoledger.survival.fit_search import Problem

SINGULAR = 1e-9  # numeric: relative eigenvalue at which the information counts as singular
APART = "ln_k1_over_k2"
"""A coordinate of the biphasic model that is no parameter of its own."""


def covariance_of(
    problem: Problem, information: FloatArray, free: NDArray[np.intp]
) -> tuple[FloatArray, bool]:
    """Inverse of an information over the coordinates inside their box; whether it exists.

    The rest have no variance. Where σ has a closed form its estimate is freed of bias, so that
    standard errors are those of least squares with the true Hessian.
    """
    out = np.full((problem.size, problem.size), np.nan)
    if free.size == 0:
        return out, True
    scale = np.sqrt(np.abs(np.diag(information)))
    if not scale.all():
        return out, False
    values = np.linalg.eigvalsh(information / np.outer(scale, scale))
    if not values[0] > SINGULAR * values[-1]:
        return out, False
    inverse = np.linalg.inv(information)
    if problem.profiled_scatter:
        inverse *= problem.data.n / (problem.data.n - problem.curve_size)
    out[np.ix_(free, free)] = inverse
    return out, True


def correlation_of(problem: Problem, covariance: FloatArray, *, fast: bool) -> FloatArray:
    """Correlation of the parameters as a fit lists them, to first order.

    Parameters
    ----------
    problem : Problem
        Which coordinates there are.
    covariance : ndarray, shape (coordinates, coordinates)
        As :func:`covariance_of` gives it.
    fast : bool
        Whether k₁ = k₂ + the coordinate between them is listed, after the share.

    Returns
    -------
    ndarray, shape (parameters, parameters)
        The sign of what is read off as an inverse (D, z) is turned. Not a number where a
        coordinate has no variance.
    """
    rows = []
    for i, reading in enumerate(problem.readings[: problem.curve_size]):
        if reading.name == APART:
            continue
        row = np.zeros(problem.size)
        row[i] = -1.0 if reading.kind == "inverse" else 1.0
        rows.append(row)
    if fast:
        i = problem.starts + 1  # k₂; the next coordinate is ln k₁/k₂
        row = np.zeros(problem.size)
        row[i : i + 2] = 1.0
        rows.insert(i, row)
    known = np.nan_to_num(covariance)
    turned = np.array(rows)
    spread = turned @ known @ turned.T
    lost = (np.abs(turned) @ np.isnan(np.diag(covariance))) > 0
    scale = np.sqrt(np.where(lost, np.nan, np.diag(spread)))
    return np.asarray(spread / np.outer(scale, scale))
