"""Quadrature over the logarithms of standard deviations, by Gauss-Legendre panels."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import reduce

import numpy as np
from numpy.polynomial.legendre import leggauss
from numpy.typing import NDArray

from rhizoledger.errors import InputError
from rhizoledger.stats.hierarchy_priors import MuPrior, TauPrior

FloatArray = NDArray[np.float64]
LogDensity = Callable[[FloatArray], FloatArray]

_NODES, _WEIGHTS = leggauss(10)
_DROP = 36.0  # numeric: e^-36 is a rounding error of the whole
_PANEL = 1.0  # panels on ln tau; the density is analytic within pi/2 of the real line
_AGREE = 1e-11  # numeric: relative change of the integral on halving the panels
_HALVINGS = 6  # numeric: halvings of the panels before the fit is given up
_COARSE = 0.1  # numeric: step on ln tau of the first look
NO_MASS = 1e-18  # numeric: nodes with less than this share are left out


@dataclass(frozen=True, slots=True, eq=False)
class Settled:
    """A density on its nodes, one axis for each standard deviation.

    Parameters
    ----------
    nodes, weights : tuple of ndarray
        Of the rule, by axis.
    edges : tuple of ndarray
        Ends of the panels, by axis.
    p : ndarray
        Probabilities of the nodes, which add to 1; one axis of it for each above.
    log_total : float
        Logarithm of the integral of the density.
    """

    nodes: tuple[FloatArray, ...]
    weights: tuple[FloatArray, ...]
    edges: tuple[FloatArray, ...]
    p: FloatArray
    log_total: float


def settled(log_density: Callable[..., FloatArray], edges: Sequence[FloatArray]) -> Settled:
    """Halve the panels of every axis until the integral no longer changes.

    Parameters
    ----------
    log_density : callable
        Takes the nodes of each axis and gives the logarithm on their product.
    edges : sequence of ndarray
        Ends of the first panels, by axis.

    Raises
    ------
    InputError
        If it still changes on panels that are no longer sensible.

    Examples
    --------
    >>> one = settled(lambda u: -0.5 * u**2, [np.linspace(-8, 8, 9)])
    >>> round(2 * one.log_total, 9) == round(math.log(2 * math.pi), 9)
    True
    """
    axes, last = tuple(edges), math.nan
    for _ in range(_HALVINGS):
        nodes, weights = zip(*(legendre(axis) for axis in axes), strict=True)
        heights = log_density(*nodes)
        top = float(heights.max())
        p = np.exp(heights - top) * reduce(np.multiply.outer, weights)
        log_total = math.log(float(p.sum())) + top
        if abs(log_total - last) <= _AGREE:
            return Settled(nodes, weights, axes, p / p.sum(), log_total)
        last = log_total
        axes = tuple(_halved(axis) for axis in axes)
    raise InputError(
        "The integral over tau does not settle. Look first for variances that differ by many "
        "powers of ten, then at the scale of the priors."
    )


def legendre(edges: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights of one Gauss-Legendre rule in each panel."""
    half = 0.5 * np.diff(edges)[:, np.newaxis]
    middle = 0.5 * (edges[1:] + edges[:-1])[:, np.newaxis]
    return (middle + half * _NODES).ravel(), (half * _WEIGHTS).ravel()


def _halved(edges: FloatArray) -> FloatArray:
    """Every panel cut in two."""
    out = np.empty(2 * edges.size - 1)
    out[::2], out[1::2] = edges, 0.5 * (edges[1:] + edges[:-1])
    return out


def span(
    y: FloatArray,
    v: FloatArray,
    mu: MuPrior | None,
    priors: Sequence[TauPrior],
    slope: float,
) -> tuple[float, float]:
    """Ends of ln tau outside which nothing is left: the density rises as tau and falls as given."""
    scales = [math.sqrt(float(v.min())), math.sqrt(float(v.max())), float(np.ptp(y))]
    scales += [p.scale for p in priors if p.scale is not None]
    if mu is not None:
        scales += [mu.sd, float(abs(y - mu.mean).max())]
    above_zero = [s for s in scales if s > 0]
    # The fall sets in some steps beyond the largest scale; a normal prior ends it there.
    beyond = 4 + _DROP / slope  # numeric: e^4 times the largest scale is far out
    return math.log(min(above_zero)) - _DROP, math.log(max(above_zero)) + beyond


def cut(u: FloatArray, heights: FloatArray) -> FloatArray:
    """Panels over the part of a first look that holds all but a rounding error."""
    alive = np.flatnonzero(heights > heights.max() - _DROP)
    low, high = float(u[max(alive[0] - 1, 0)]), float(u[min(alive[-1] + 1, u.size - 1)])
    n = max(2, math.ceil((high - low) / _PANEL))
    return np.linspace(low, high, n + 1)


def panels(density: LogDensity, ends: tuple[float, float]) -> FloatArray:
    """Panels over what a first look between two ends finds alive."""
    u = np.arange(*ends, _COARSE)
    heights = density(u)
    # A posterior narrower than the first look is looked at again, closer, around its top.
    for _ in range(_HALVINGS):
        if np.count_nonzero(heights > heights.max() - _DROP) > 10:
            break
        top = int(heights.argmax())
        u = np.linspace(u[max(top - 1, 0)], u[min(top + 1, u.size - 1)], 100)
        heights = density(u)
    return cut(u, heights)
