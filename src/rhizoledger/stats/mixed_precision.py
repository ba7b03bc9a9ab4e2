"""How precisely a mixed model's fixed effects are known: Kenward-Roger and Satterthwaite."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from rhizoledger.errors import FitError, InputError
from rhizoledger.stats.mixed import MixedFit
from rhizoledger.stats.mixed_equations import FloatArray, full_derivatives

DfMethod = Literal["kenward_roger", "satterthwaite"]

BOUNDARY_NOTE = (
    "satterthwaite, components on their boundary left out: the answer is that of the reduced model"
)
SINGULAR = 1e-12  # numeric: relative eigenvalue at which the information counts as singular


@dataclass(frozen=True, slots=True)
class Precision:
    """Covariance of β on the orthonormal design and what its degrees of freedom depend on.

    Attributes
    ----------
    phi, adjusted : ndarray (p, p)
        Plain and small-sample covariance, relative to σ² (the same under Satterthwaite).
    slopes : ndarray (m, p, p)
        X'V⁻¹V_iV⁻¹X of the components in use, so that -∂(Φ⁻¹)/∂v_i.
    spread : ndarray (m, m)
        Covariance of the estimated variances.
    note : str
        The method as it is printed.
    """

    phi: FloatArray
    adjusted: FloatArray
    slopes: FloatArray
    spread: FloatArray
    note: str


def precision(fit: MixedFit, df: DfMethod = "kenward_roger") -> Precision:
    """What the degrees of freedom of every contrast of a fit depend on, found once.

    Parameters
    ----------
    fit : MixedFit
        A REML fit for Kenward-Roger; either for Satterthwaite.
    df : {"kenward_roger", "satterthwaite"}
        The approximation.

    Notes
    -----
    §6.2. Kenward-Roger: with P_i = -X'V⁻¹V_iV⁻¹X, Q_ij = X'V⁻¹V_iV⁻¹V_jV⁻¹X and W the inverse of
    the expected information ½ tr(PV_iPV_j), Φ_A = Φ + 2Φ{Σ W_ij(Q_ij - P_iΦP_j)}Φ; components on
    their boundary stay in. Satterthwaite: the inverse of the observed information at the optimum,
    twice the inverse Hessian of the criterion in the variances, without the components on their
    boundary.

    References
    ----------
    Kenward and Roger, Biometrics 53 (1997) 983-997. Giesbrecht and Burns, Biometrics 41 (1985)
    477-486. Fai and Cornelius, J. Stat. Comput. Simul. 54 (1996) 363-378.
    """
    if df not in get_args(DfMethod):
        raise InputError(f"df {df!r}: it is kenward_roger or satterthwaite. Write one of them.")
    if df == "kenward_roger" and fit.method != "REML":
        raise InputError("Kenward-Roger needs a REML fit. Refit with REML or use satterthwaite.")
    work = fit.working
    cross, gamma, at = work.cross, work.gamma, work.at
    reml = fit.method == "REML"
    nu = cross.n - cross.p if reml else cross.n
    _, _, pairs, quads = full_derivatives(at, gamma, nu)
    phi = at.omega
    slope0 = np.linalg.inv(phi) - np.tensordot(gamma, at.slopes, 1)
    slopes = np.concatenate((slope0[None], at.slopes))
    if df == "satterthwaite":
        inside = np.concatenate(([True], gamma > 0))
        sigma2 = at.r2 / nu
        information = 0.5 * (-pairs + 2 * quads / sigma2)[np.ix_(inside, inside)]
        spread = inverse_information(information)
        note = df if inside.all() else BOUNDARY_NOTE
        return Precision(phi, phi, slopes[inside], spread, note)
    spread = inverse_information(0.5 * pairs)
    # Σ_ij W_ij Q_ij with Q_0j = X'V⁻¹V_jV⁻¹X - Σ_k γ_k Q_kj and so on, from V₀ = V - Σ γ_k V_k.
    edge = at.slopes - np.einsum("k,kjab->jab", gamma, at.seconds)
    corner = slope0 - np.einsum("j,jab->ab", gamma, edge)
    total = spread[0, 0] * corner
    total += np.einsum("j,jab->ab", spread[0, 1:], edge + edge.transpose(0, 2, 1))  # exact: axes
    total += np.einsum("ij,ijab->ab", spread[1:, 1:], at.seconds)
    total -= np.einsum("ij,iab,bc,jcd->ad", spread, slopes, phi, slopes, optimize=True)
    adjusted = phi + 2 * phi @ total @ phi
    return Precision(phi, 0.5 * (adjusted + adjusted.T), slopes, spread, df)


def inverse_information(information: FloatArray) -> FloatArray:
    """Inverse of an information matrix; a :class:`FitError` where it is singular."""
    scale = np.sqrt(np.abs(np.diag(information)))
    values, vectors = np.linalg.eigh(information / np.outer(scale, scale))
    if values[0] < SINGULAR:
        raise FitError(
            "The information about the variance components is singular. Look first at components "
            "with very few levels, second at factors that say nearly the same; leave one out."
        )
    inverse: FloatArray = (vectors / values) @ vectors.T / np.outer(scale, scale)
    return inverse
