"""Inference from a mixed model: contrasts, joint tests, marginal means, comparisons."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import ArrayLike
from scipy.linalg import solve_triangular
from scipy.special import fdtrc, stdtr, stdtrit

from rhizoledger.errors import FitError, InputError
from rhizoledger.stats.dunnett import joint_quantile, joint_tail
from rhizoledger.stats.mixed import MixedFit
from rhizoledger.stats.mixed_design import TreatmentDesign
from rhizoledger.stats.mixed_equations import FloatArray
from rhizoledger.stats.mixed_precision import DfMethod, Precision, precision
from rhizoledger.stats.poisson import checked_level

Adjust = Literal["none", "dunnett"]

ESTIMABLE = 1e-10  # numeric: relative spread at which contrast rows count as dependent
DF_DIGITS = 8  # numeric: decimals to which degrees of freedom count as equal


@dataclass(frozen=True, slots=True)
class Contrast:
    """One linear combination Lβ with its t test.

    Parameters
    ----------
    name : str
        What is estimated.
    estimate, se : float
        In the unit of y; under Kenward-Roger the standard error is the adjusted one.
    df : float
        Approximate degrees of freedom of t.
    t, p : float
        Estimate over ``se`` and two-sided p, adjusted for the family where ``adjust`` says so.
    low, high : float
        Limits at ``level``, simultaneous where ``adjust`` says so.
    level : float
        Confidence level.
    df_method : str
        How ``df`` and ``se`` were found.
    adjust : {"none", "dunnett"}
        Whether p and limits hold for this contrast alone or for its whole family.
    """

    name: str
    estimate: float
    se: float
    df: float
    t: float
    p: float
    low: float
    high: float
    level: float
    df_method: str
    adjust: Adjust


@dataclass(frozen=True, slots=True)
class JointTest:
    """Whether all rows of L β are zero: F on ``df1`` and ``df2``.

    Parameters
    ----------
    f, df1, df2, p : float
        The scaled statistic (Kenward-Roger's λF; λ = 1 under Satterthwaite) and its tail.
    scaling : float
        λ.
    df_method : str
        How ``df2`` was found.
    """

    f: float
    df1: float
    df2: float
    p: float
    scaling: float
    df_method: str


def _rows(fit: MixedFit, rows: ArrayLike) -> FloatArray:
    """L on the orthonormal design, one row per contrast."""
    out: FloatArray = np.atleast_2d(np.asarray(rows, dtype=float))
    p = len(fit.terms)
    if out.ndim != 2 or out.shape[1] != p or not np.isfinite(out).all():  # exact: a table
        raise InputError(
            f"L has shape {out.shape} for {p} fixed effects: give one finite number per term, in "
            f"the order {', '.join(fit.terms)}."
        )
    if not np.abs(out).max(axis=1).all():
        raise InputError("A row of L is zero throughout: it contrasts nothing. Leave it out.")
    turned: FloatArray = solve_triangular(fit.working.triangle, out.T, trans="T").T
    return turned


def contrast(
    fit: MixedFit,
    row: ArrayLike,
    df: DfMethod = "kenward_roger",
    *,
    name: str = "",
    level: float = 0.95,  # exact: the customary level
) -> Contrast:
    """Estimate, test and interval of one linear combination of the fixed effects.

    Parameters
    ----------
    fit : MixedFit
        The model.
    row : array_like (p,)
        Coefficients of the terms.
    df : {"kenward_roger", "satterthwaite"}
        Approximation of the degrees of freedom.
    name : str
        Carried into the result.
    level : float
        Confidence level in (0, 1).

    Returns
    -------
    Contrast
        The interval is of the *mean* effect, not of a new site's.

    Notes
    -----
    df = 2 (l'Φl)² / (g'Wg) with g_i = ∂(l'Φl)/∂v_i, W the covariance of the variances; for one row
    this is Kenward and Roger's m exactly, and their λ is 1.

    Examples
    --------
    The mean of three blocks of two plots has 2 degrees of freedom:

    >>> from rhizoledger.stats.mixed import fit_mixed
    >>> fit = fit_mixed([1, 3, 3, 5, 5, 7], np.ones((6, 1)), {"block": [1, 1, 2, 2, 3, 3]})
    >>> mean = contrast(fit, [1])
    >>> round(mean.estimate, 6), round(mean.se, 6), round(mean.df, 6)
    (4.0, 1.154701, 2.0)
    """
    if np.ndim(row) != 1:
        raise InputError("One contrast is one row. Use compare for several or joint_test for all.")
    return compare(fit, [row], [name], df, level=level)[0]


def compare(
    fit: MixedFit,
    rows: ArrayLike | Sequence[ArrayLike],
    names: Sequence[str],
    df: DfMethod = "kenward_roger",
    *,
    adjust: Adjust = "none",
    level: float = 0.95,  # exact: the customary level
) -> tuple[Contrast, ...]:
    """Estimates, tests and intervals of several linear combinations, alone or as a family.

    Parameters
    ----------
    fit : MixedFit
        The model.
    rows : array_like (m, p)
        Coefficients of the terms, one combination per row.
    names : sequence of str
        One name per row.
    df : {"kenward_roger", "satterthwaite"}
        Approximation of the degrees of freedom.
    adjust : {"none", "dunnett"}
        ``"dunnett"``: p and limits from the distribution of the largest |t| of the family, with
        the correlations of these estimates and each contrast's own degrees of freedom.
    level : float
        Confidence level in (0, 1), of the whole family where adjusted.

    Returns
    -------
    tuple of Contrast
        In the order of the rows.
    """
    checked_level(level)
    if adjust not in get_args(Adjust):
        raise InputError(f"adjust {adjust!r}: it is none or dunnett. Write one of them.")
    turned = _rows(fit, rows)  # type: ignore[arg-type]
    if len(names) != turned.shape[0]:
        raise InputError(f"{len(names)} names for {turned.shape[0]} rows: give one per row.")
    precise = precision(fit, df)
    estimates = np.atleast_2d(np.asarray(rows, dtype=float)) @ fit.beta
    sigma2 = fit.residual_variance
    covariance = turned @ precise.adjusted @ turned.T
    if (np.diag(covariance) <= 0).any():
        raise FitError(
            "The small-sample covariance of a contrast is not positive: too few levels carry it. "
            "Use satterthwaite, or leave out the component with the fewest levels."
        )
    spread = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(spread, spread)
    out = []
    reaches: dict[float, float] = {}
    for i, (row, name) in enumerate(zip(turned, names, strict=True)):
        freedom = _freedom(precise, row)
        se = math.sqrt(sigma2) * float(spread[i])
        t = float(estimates[i]) / se
        if adjust == "dunnett" and len(names) > 1:
            p = joint_tail(abs(t), correlation, freedom)
            # Balanced families share one df; the digits it is rounded to do not show in a limit.
            key = round(freedom, DF_DIGITS)
            if key not in reaches:
                reaches[key] = joint_quantile(level, correlation, freedom)
            reach = reaches[key]
        else:
            p = 2 * float(stdtr(freedom, -abs(t)))
            reach = float(stdtrit(freedom, (1 + level) / 2))
        out.append(
            Contrast(
                name,
                float(estimates[i]),
                se,
                freedom,
                t,
                min(max(p, 0.0), 1.0),
                float(estimates[i]) - reach * se,
                float(estimates[i]) + reach * se,
                level,
                precise.note,
                adjust,
            )
        )
    return tuple(out)


def _freedom(precise: Precision, row: FloatArray) -> float:
    moved = precise.phi @ row
    variance = float(row @ moved)
    gradient = np.einsum("a,iab,b->i", moved, precise.slopes, moved)
    return 2 * variance**2 / float(gradient @ precise.spread @ gradient)


def joint_test(fit: MixedFit, rows: ArrayLike, df: DfMethod = "kenward_roger") -> JointTest:
    """F test that all rows of Lβ are zero.

    Parameters
    ----------
    fit : MixedFit
        The model.
    rows : array_like (m, p)
        Linearly independent combinations.
    df : {"kenward_roger", "satterthwaite"}
        Kenward and Roger's scaled F, or Fai and Cornelius' match of E(F) over the independent
        one-row tests.

    Notes
    -----
    Kenward and Roger (1997): with Θ = L'(LΦL')⁻¹L, A₁ = Σ W_ij tr(ΘΦP_iΦ) tr(ΘΦP_jΦ),
    A₂ = Σ W_ij tr(ΘΦP_iΦΘΦP_jΦ), B = (A₁ + 6A₂)/2ℓ, and E*, V* as printed there, df₂ is m and F is
    scaled by λ.
    """
    turned = _rows(fit, rows)
    m = turned.shape[0]
    precise = precision(fit, df)
    inner = turned @ precise.phi @ turned.T
    eigen, vectors = np.linalg.eigh(inner)
    if eigen[0] < ESTIMABLE * eigen[-1]:
        raise InputError("Rows of L are combinations of one another. Leave the superfluous out.")
    values = np.atleast_2d(np.asarray(rows, dtype=float)) @ fit.beta
    covariance = fit.residual_variance * turned @ precise.adjusted @ turned.T
    f = float(values @ np.linalg.solve(covariance, values)) / m
    if df == "satterthwaite":
        freedoms = np.array([_freedom(precise, row) for row in vectors.T @ turned])
        if m == 1:
            df2 = float(freedoms[0])
        else:
            # E(F) = Σ ν/(ν - 2) over the rows; those with ν at 2 or below have no mean.
            mean = float(
                np.sum(np.where(freedoms > 2, freedoms / (freedoms - 2), 0))
            )  # exact: E(F)
            df2 = 2 * mean / (mean - m) if mean > m else 2.0
        return JointTest(f, m, df2, float(fdtrc(m, df2, f)), 1.0, precise.note)
    whiten = precise.phi @ turned.T @ np.linalg.inv(np.linalg.cholesky(inner)).T
    parts = np.einsum("ac,iab,bd->icd", whiten, precise.slopes, whiten, optimize=True)
    traces = np.einsum("icc->i", parts)
    a1 = float(traces @ precise.spread @ traces)
    a2 = float(np.einsum("ij,icd,jdc->", precise.spread, parts, parts, optimize=True))
    scaling, df2 = _kenward_roger_scaling(a1, a2, m)
    f *= scaling
    return JointTest(f, m, df2, float(fdtrc(m, df2, f)), scaling, precise.note)


def _kenward_roger_scaling(a1: float, a2: float, m: int) -> tuple[float, float]:
    """λ and the denominator degrees of freedom of the scaled F."""
    if m == 1:
        return 1.0, 2 / a2
    b = (a1 + 6 * a2) / (2 * m)  # exact: Kenward and Roger (1997), section 3
    g = ((m + 1) * a1 - (m + 4) * a2) / ((m + 2) * a2)  # exact: as above
    bottom = 3 * m + 2 * (1 - g)  # exact: as above
    c1, c2, c3 = g / bottom, (m - g) / bottom, (m + 2 - g) / bottom
    top, under = 1 - a2 / m, 1 - c2 * b
    # Both vanish together where the exact answer is F on m and 2; their quotient tends to one.
    vanish = max(abs(top), abs(under)) < ESTIMABLE
    last = 1 - c3 * b
    if vanish:
        top = under = 1.0
    # Where V* has its pole, ρ is infinite and m is 4.
    excess = (top / under) ** 2 * (1 + c1 * b) / last - 1 if under and last else math.inf
    df2 = 4 + (m + 2) / excess if excess else math.inf  # exact: as above
    if not df2 > 0:
        raise FitError(
            "Kenward and Roger's F has no degrees of freedom here: too few levels carry the "
            "contrasts. Test the rows one by one, or use satterthwaite."
        )
    scaling = 1.0 if math.isinf(df2) or vanish else df2 * (1 - a2 / m) / (df2 - 2)
    return scaling, df2


def marginal_means(
    fit: MixedFit,
    design: TreatmentDesign,
    df: DfMethod = "kenward_roger",
    *,
    level: float = 0.95,  # exact: the customary level
) -> tuple[Contrast, ...]:
    """Every treatment's mean over the sites and blocks that the trial drew from.

    The check comes first. The intervals are of the mean, *not* of one site's yield, and their
    overlap says nothing on a difference: use :func:`versus_check`.
    """
    return compare(fit, design.means, design.levels, df, level=level)


def versus_check(
    fit: MixedFit,
    design: TreatmentDesign,
    df: DfMethod = "kenward_roger",
    *,
    adjust: Adjust = "dunnett",
    level: float = 0.95,  # exact: the customary level
) -> tuple[Contrast, ...]:
    """Every treatment's difference from the check, with Dunnett's family by default."""
    return compare(fit, design.differences, design.terms[1:], df, adjust=adjust, level=level)
