"""Linear mixed models with any number of independent variance components, by REML or ML."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import qr, solve_triangular

from rhizoledger.errors import FitError, InputError
from rhizoledger.stats.mixed_design import (
    checked_design,
    checked_factor,
    checked_response,
    refuse_same_partition,
)
from rhizoledger.stats.mixed_equations import (
    CrossProducts,
    Evaluation,
    FloatArray,
)
from rhizoledger.stats.mixed_search import least_criterion, refuse_absorbed
from rhizoledger.stats.one_thread import one_thread

Method = Literal["REML", "ML"]

REML_CONVENTION = "restricted, with -(n - p)/2 ln 2 pi and without ln|X'X|/2"
ML_CONVENTION = "full, with -n/2 ln 2 pi"
BOUNDARY_WARNING = "The variance of {} is estimated as zero: the data show none beyond the rest."

NOTHING_LEFT = 1e-12  # numeric: residual length, relative to y, that is rounding and no residual


@dataclass(frozen=True, slots=True)
class Component:
    """One variance component.

    Parameters
    ----------
    name : str
        The factor.
    variance, sd : float
        σ_k² and σ_k, in the unit of y squared and of y; exactly zero on the boundary.
    levels : int
        Number of levels of the factor.
    """

    name: str
    variance: float
    sd: float
    levels: int

    @property
    def at_boundary(self) -> bool:
        """Whether the estimate is zero."""
        return self.variance == 0


@dataclass(frozen=True, slots=True)
class Model:
    """What of a model stays the same whatever the responses.

    Attributes
    ----------
    terms : tuple of str
        Names of the columns of X.
    q, triangle : ndarray (n, p), (p, p)
        X = QR with Q orthonormal, so that β on X is R⁻¹ times β on Q.
    factors : dict
        Labels of the levels of every factor, and every row's level.
    method : {"REML", "ML"}
        The criterion.
    """

    terms: tuple[str, ...]
    q: FloatArray
    triangle: FloatArray
    factors: Mapping[str, tuple[tuple[str, ...], NDArray[np.intp]]]
    method: Method

    def split(self, y: FloatArray) -> tuple[FloatArray, FloatArray, float]:
        """Coefficients of y on Q, what Q leaves of it at a residual variance of 1, and the unit."""
        n, p = self.q.shape
        on_q = self.q.T @ y
        left = y - self.q @ on_q
        more = self.q.T @ left  # a second pass keeps an offset of any size out of the residuals
        left, on_q = left - self.q @ more, on_q + more
        scale = math.sqrt(float(left @ left) / (n - p))
        if scale <= NOTHING_LEFT * math.sqrt(float(y @ y)):
            raise FitError(
                "The fixed effects reproduce every value of y, so no variance is left to estimate. "
                "Look first whether all values are the same, second whether there are as many "
                "terms as different rows; add replicates or drop terms."
            )
        return on_q, left / scale, scale


@dataclass(frozen=True, slots=True)
class Working:
    """What inference needs of a fit, in working units: y scaled, design orthonormal.

    Attributes
    ----------
    model : Model
        The design.
    cross : CrossProducts
    gamma : ndarray (k,)
        Relative variances σ_k²/σ² at the optimum.
    at : Evaluation
        The equations there.
    scale : float
        The unit that y was divided by.
    """

    model: Model
    cross: CrossProducts
    gamma: FloatArray
    at: Evaluation
    scale: float

    @property
    def triangle(self) -> FloatArray:
        """R of X = QR."""
        return self.model.triangle


@dataclass(frozen=True, slots=True)
class MixedFit:
    """A fitted linear mixed model.

    Parameters
    ----------
    terms : tuple of str
        Names of the fixed effects, in the order of the columns of x.
    beta, se, vcov : ndarray
        Generalised least squares estimates, their standard errors and covariance with the
        variances taken as known (*not* the Kenward-Roger covariance; see ``contrast``).
    components : tuple of Component
        In the order given.
    residual_variance : float
        σ², in the unit of y squared.
    criterion : float
        -2 times the (restricted) log likelihood.
    loglik, loglik_convention : float, str
        Log likelihood and the constants it contains.
    aic : float
        criterion + 2 (p + k + 1); under REML comparable only between fits with the same x.
    n : int
        Rows.
    method : {"REML", "ML"}
    blups : dict
        Best linear unbiased predictions by factor and level, in the unit of y.
    fitted : ndarray (n,)
        Xβ + Zb: each row's prediction with its levels, *not* a marginal mean.
    warnings : tuple of str
        What the reader must know, such as a component on its boundary.
    working : Working
        The fit in working units, for the inference functions.
    """

    terms: tuple[str, ...]
    beta: FloatArray
    se: FloatArray
    vcov: FloatArray
    components: tuple[Component, ...]
    residual_variance: float
    criterion: float
    loglik: float
    loglik_convention: str
    aic: float
    n: int
    method: Method
    blups: dict[str, dict[str, float]] = field(repr=False)
    fitted: FloatArray = field(repr=False)
    warnings: tuple[str, ...]
    working: Working = field(repr=False)


def fit_mixed(
    y: ArrayLike,
    x: ArrayLike,
    groups: Mapping[str, ArrayLike],
    *,
    terms: Sequence[str] | None = None,
    method: Method = "REML",
) -> MixedFit:
    """Fit y = Xβ + Σ Z_k b_k + e by maximum (restricted) likelihood.

    The random effects of a factor are independent normal with one variance, of different factors
    independent; factors may be nested or crossed. A nested factor's levels must be told apart
    by their label (block 1 of site A and block 1 of site B are two levels: give ``site:block``).

    Parameters
    ----------
    y : array_like (n,)
        Responses, finite.
    x : array_like (n, p)
        Fixed-effects design of full column rank, intercept included.
    groups : mapping of str to array_like (n,)
        Factors by name, as codes or labels; an empty mapping gives ordinary least squares.
    terms : sequence of str, optional
        Names of the columns of x; ``x1``, ``x2``, … if not given.
    method : {"REML", "ML"}
        The criterion.

    Returns
    -------
    MixedFit
        A component whose likelihood is highest at zero is exactly zero and warned of.

    Raises
    ------
    InputError
        If the data do not fit together, are not finite numbers, or a factor cannot carry a
        variance (one level, one level per row, the levels of another factor).
    FitError
        If no residual variance is left, a factor is absorbed by the design, or two components
        cannot be told apart.

    Notes
    -----
    The criterion is profiled in the relative standard deviations θ_k = σ_k/σ,
    ln|H| + ln|X'H⁻¹X| + (n - p)(1 + ln(2π r²/(n - p))) with H = I + Σ θ_k² Z_k Z_k', searched with
    L-BFGS-B and its analytic gradient and then polished by Newton's method on the exact Hessian of
    the unprofiled criterion, until the Newton decrement is below 1e-13. On the boundary the
    derivative in the *variance* is required to point outwards. Cost of an evaluation: a dense
    Cholesky in the levels of all factors but the largest.

    References
    ----------
    Henderson, Applications of Linear Models in Animal Breeding (1984).
    Bates, Mächler, Bolker and Walker, J. Stat. Softw. 67 (2015) 1-48, eq. 39-42.

    Examples
    --------
    Two plots in each of three blocks; between-block mean square 8, within 2, so the block
    variance is (8 - 2)/2:

    >>> fit = fit_mixed([1, 3, 3, 5, 5, 7], np.ones((6, 1)), {"block": [1, 1, 2, 2, 3, 3]})
    >>> round(fit.components[0].variance, 6), round(fit.residual_variance, 6)
    (3.0, 2.0)
    """
    if method not in get_args(Method):
        raise InputError(f"method {method!r}: it is REML or ML. Write one of them.")
    values, design, names = checked_design(y, x, terms)
    n = values.size
    factors = {name: checked_factor(name, column, n) for name, column in groups.items()}
    refuse_same_partition(factors)
    codes = [factor[1] for factor in factors.values()]
    sizes = [len(factor[0]) for factor in factors.values()]

    lengths = np.sqrt(np.einsum("ij,ij->j", design, design))
    q, triangle = qr(design / lengths, mode="economic")
    model = Model(names, q, triangle * lengths, factors, method)
    on_q, left, scale = model.split(values)
    with one_thread():
        cross = CrossProducts(left, q, codes, sizes)
        refuse_absorbed(cross, list(factors), sizes, codes, q)
        optimum = least_criterion(cross, reml=method == "REML")
        return _fitted(model, cross, optimum, on_q, scale)


def refit(fit: MixedFit, y: ArrayLike, *, start: ArrayLike | None = None) -> MixedFit:
    """Fit the model of another fit to other responses; its design is not worked out again.

    Parameters
    ----------
    fit : MixedFit
        A fit with the design, the factors and the criterion.
    y : array_like (n,)
        The other responses, in the order of the rows.
    start : array_like (k,), optional
        Relative standard deviations σ_k/σ >= 0 of which the order of size is known, as in a
        simulation. One step of scoring leads from them to where Newton's method sets out, which
        takes a third of the time. By default the search is as wide as that of :func:`fit_mixed`.

    Returns
    -------
    MixedFit
        What :func:`fit_mixed` would give.

    Raises
    ------
    InputError, FitError
        As :func:`fit_mixed`.

    Examples
    --------
    >>> fit = fit_mixed([1, 3, 3, 5, 5, 7], np.ones((6, 1)), {"block": [1, 1, 2, 2, 3, 3]})
    >>> other = refit(fit, [3, 1, 5, 3, 7, 5], start=[1.0])
    >>> round(other.components[0].variance, 6), round(other.residual_variance, 6)
    (3.0, 2.0)
    """
    model = fit.working.model
    values = checked_response(y, fit.n)
    near = None if start is None else checked_response(start, len(fit.components), "start")
    on_q, left, scale = model.split(values)
    with one_thread():
        cross = fit.working.cross.with_response(left)
        optimum = least_criterion(cross, near, reml=fit.method == "REML")
        return _fitted(model, cross, optimum, on_q, scale)


def _fitted(
    model: Model,
    cross: CrossProducts,
    optimum: tuple[float, FloatArray],
    on_q: FloatArray,
    scale: float,
) -> MixedFit:
    """The fit at its optimum, in the units of y."""
    n, p = model.q.shape
    triangle, reml = model.triangle, model.method == "REML"
    value, sd = optimum
    gamma = (sd[1:] / sd[0]) ** 2
    at = cross.at(gamma, reml=reml, order=2)
    inverse = solve_triangular(triangle, np.eye(p))
    variance = (float(sd[0]) * scale) ** 2
    vcov = variance * inverse @ at.omega @ inverse.T
    jacobian = 2 * float(np.log(np.abs(np.diag(triangle))).sum()) if reml else 0.0
    criterion = value + jacobian + 2 * (n - p if reml else n) * math.log(scale)
    components = tuple(
        Component(name, variance * float(g), math.sqrt(variance * float(g)), len(factor[0]))
        for (name, factor), g in zip(model.factors.items(), gamma, strict=True)
    )
    fitted = model.q @ (on_q + scale * at.beta)
    blups: dict[str, dict[str, float]] = {}
    for (name, (labels, index)), g, score in zip(
        model.factors.items(), gamma, at.scores, strict=True
    ):
        effects = scale * g * score
        fitted = fitted + effects[index]
        blups[name] = dict(zip(labels, effects.tolist(), strict=True))
    return MixedFit(
        terms=model.terms,
        beta=inverse @ (on_q + scale * at.beta),
        se=np.sqrt(np.diag(vcov)),
        vcov=vcov,
        components=components,
        residual_variance=variance,
        criterion=criterion,
        loglik=-0.5 * criterion,
        loglik_convention=REML_CONVENTION if reml else ML_CONVENTION,
        aic=criterion + 2 * (p + len(components) + 1),
        n=n,
        method=model.method,
        blups=blups,
        fitted=fitted,
        warnings=tuple(BOUNDARY_WARNING.format(c.name) for c in components if c.at_boundary),
        working=Working(model, cross, gamma, at, scale),
    )
