"""The equations of a linear mixed model: its criterion and exact derivatives.

y = Xβ + Σ Z_k b_k + e with b_k ~ N(0, γ_k σ² I) and e ~ N(0, σ² I); every Z_k holds the levels of
one factor, nested in the others or crossed with them. The factor with the most levels is
eliminated first: its block of Z'Z is diagonal (Henderson's equations), and what is left is a dense
Cholesky in the levels of the other factors. Cross products are formed once, so an evaluation of
the criterion never touches the rows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from copy import copy
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular
from scipy.linalg.lapack import dpotrf, dpotri
from scipy.sparse import csr_array

FloatArray = NDArray[np.float64]

DENSE_LIMIT = 20_000  # numeric: below it a dense incidence table is faster than a sparse one


@dataclass(frozen=True, slots=True)
class Evaluation:
    """The model at one set of relative variances γ, in the scaled working units.

    Attributes
    ----------
    log_det : float
        ln|H|, plus ln|Q'H⁻¹Q| under REML, with H = I + Σ γ_k Z_k Z_k' and Q the orthonormal design.
    r2 : float
        y'Py, the penalised residual sum of squares.
    beta, omega : ndarray
        Fixed effects on Q and (Q'H⁻¹Q)⁻¹.
    traces, squares : ndarray (k,)
        tr(Z_k'PZ_k) (H⁻¹ in place of P under ML) and |Z_k'Py|².
    scores : tuple of ndarray
        Z_k'Py by factor; γ_k times it is the BLUP of b_k.
    pairs, quads : ndarray (k, k)
        ‖Z_i'PZ_j‖² (H⁻¹ under ML) and y'PV_iPV_jPy; empty unless asked for.
    slopes : ndarray (k, p, p)
        Q'H⁻¹V_kH⁻¹Q.
    seconds : ndarray (k, k, p, p)
        Q'H⁻¹V_iH⁻¹V_jH⁻¹Q; empty unless asked for.
    """

    log_det: float
    r2: float
    beta: FloatArray
    omega: FloatArray
    traces: FloatArray
    squares: FloatArray
    scores: tuple[FloatArray, ...]
    pairs: FloatArray
    quads: FloatArray
    slopes: FloatArray
    seconds: FloatArray


class CrossProducts:
    """All that the criterion needs of the data; its size is that of Z'Z, not of the rows.

    Parameters
    ----------
    y : ndarray (n,)
        Responses with the design taken out, scaled to a residual variance near one.
    q : ndarray (n, p)
        Orthonormal design.
    codes : sequence of ndarray of int
        Level of every row, one array per factor.
    sizes : sequence of int
        Number of levels of every factor.

    Notes
    -----
    With d the plots per level of the eliminated factor and w = 1/(1 + γ₁d),
    A'(I + γ₁Z₁Z₁')⁻¹B = A'(I - Z₁Z₁⁺)B + (Z₁'A)' diag(w/d) (Z₁'B): a part within its levels and a
    part between them, so that nothing cancels however large γ₁ is.
    """

    def __init__(
        self, y: FloatArray, q: FloatArray, codes: Sequence[NDArray[np.intp]], sizes: Sequence[int]
    ) -> None:
        self.n, self.p = q.shape
        self.count = len(codes)
        order = sorted(range(self.count), key=lambda k: -sizes[k])
        self.first = order[0] if order else None
        self.rest = tuple(order[1:])
        starts = np.concatenate(([0], np.cumsum([sizes[k] for k in self.rest]))).astype(int)
        self.slices = tuple(slice(int(a), int(b)) for a, b in pairwise(starts))
        self.q2 = int(starts[-1])
        self.repeat = np.array([sizes[k] for k in self.rest], dtype=int)
        data = np.column_stack((q, y))
        columns = [codes[k] + start for k, start in zip(self.rest, starts[:-1], strict=True)]
        z2 = _incidence(columns, self.n, self.q2)
        within = data
        self._first_codes: NDArray[np.intp] = np.empty(0, dtype=np.intp)
        if self.first is None:
            self.d = np.empty(0)
            self.c1w: FloatArray = np.empty((0, self.p + 1))
            self.c12: Any = np.empty((0, 0))
        else:
            self._first_codes = codes[self.first]
            z1 = _incidence([self._first_codes], self.n, sizes[self.first])
            self.d = np.bincount(self._first_codes, minlength=sizes[self.first]).astype(float)
            self.c1w = z1.T @ data
            within = data - (self.c1w / self.d[:, None])[self._first_codes]
            table = csr_array(z1.T @ z2)
            self.c12 = table.toarray() if self.d.size * self.q2 <= DENSE_LIMIT else table
        self.e22: FloatArray = (z2.T @ z2).toarray() - self.gram(1 / self.d)
        self.lead = self._diagonal_lead()
        self.e2w: FloatArray = z2.T @ within
        self.eww: FloatArray = within.T @ within
        self._rest_codes = columns
        self._within_design = within[:, : self.p].copy()

    def with_response(self, y: FloatArray) -> CrossProducts:
        """The same design with other responses: only their own cross products are formed anew."""
        out = copy(self)
        within = y
        if self.first is not None:
            sums = np.bincount(self._first_codes, y, self.d.size)
            within = y - (sums / self.d)[self._first_codes]
            out.c1w = np.column_stack((self.c1w[:, :-1], sums))
        scores = sum((np.bincount(c, within, self.q2) for c in self._rest_codes), np.zeros(self.q2))
        out.e2w = np.column_stack((self.e2w[:, :-1], scores))
        out.eww = self.eww.copy()
        out.eww[-1, :-1] = out.eww[:-1, -1] = self._within_design.T @ within
        out.eww[-1, -1] = within @ within
        return out

    def _diagonal_lead(self) -> int:
        """Levels of the second largest factor if its block stays diagonal too, else none.

        That is so wherever the eliminated factor is nested in it; the dense part shrinks to the
        levels of the remaining factors.
        """
        if len(self.rest) < 2:  # exact: a third factor is needed for the dense part
            return 0
        block = self.slices[0]
        pattern = (np.abs(self.e22) + self.gram(np.ones_like(self.d)))[block, block]
        size = pattern.shape[0]
        return size if np.count_nonzero(pattern) == size else 0

    def gram(self, weights: FloatArray) -> FloatArray:
        """(Z₁'Z₂)' diag(weights) (Z₁'Z₂), dense."""
        if isinstance(self.c12, np.ndarray):
            dense: FloatArray = (self.c12.T * weights) @ self.c12
            return dense
        scaled = csr_array(
            (
                self.c12.data * np.repeat(weights, np.diff(self.c12.indptr)),
                self.c12.indices,
                self.c12.indptr,
            ),
            shape=self.c12.shape,
        )
        out: FloatArray = (self.c12.T @ scaled).toarray()
        return out

    def at(self, gamma: FloatArray, *, reml: bool = True, order: int = 1) -> Evaluation:
        """The criterion's parts at γ; ``order`` 2 adds what second derivatives need."""
        p, q2 = self.p, self.q2
        gamma1 = float(gamma[self.first]) if self.first is not None else 0.0
        gammas = gamma[list(self.rest)]
        w = 1 / (1 + gamma1 * self.d)
        between = w / self.d
        g22 = self.e22 + self.gram(between)
        g2w = self.e2w + self.c12.T @ (between[:, None] * self.c1w)
        gww = self.eww + (self.c1w.T * between) @ self.c1w
        lam = np.repeat(np.sqrt(gammas), self.repeat)
        s = lam[:, None] * g22 * lam
        s.flat[:: q2 + 1] += 1
        s_log_det, s_inverse, a = _factored(s, lam[:, None] * g2w, self.lead)
        bordered, _ = dpotrf(gww - a.T @ a, lower=1, clean=1)
        r = bordered[:p, :p]
        r_inverse = solve_triangular(r, np.eye(p), lower=True, check_finite=False)
        omega: FloatArray = r_inverse.T @ r_inverse
        beta: FloatArray = r_inverse.T @ bordered[p, :p]
        r2 = float(bordered[p, p]) ** 2
        log_det = s_log_det - float(np.log(w).sum())
        if reml:
            log_det += 2 * float(np.log(np.diag(r)).sum())

        # J = ΛS⁻¹Λ and I - JG, whose columns are those of ΛS⁻¹Λ⁻¹ wherever γ is above zero.
        j = lam[:, None] * s_inverse * lam
        live = lam > 0
        k = np.zeros((q2, q2))
        k[:, live] = lam[:, None] * s_inverse[:, live] / lam[live]
        if not live.all():
            k[:, ~live] = -j @ g22[:, ~live]
            k.flat[:: q2 + 1] += ~live
        g2x, gap = g2w[:, :p], g2w[:, p] - g2w[:, :p] @ beta
        f2 = k.T @ g2x
        u2 = k.T @ gap
        # B = diag(w) Z₁'Z₂ in what follows; it is never formed where Z₁'Z₂ is sparse.
        f1 = w[:, None] * (self.c1w[:, :p] - self.c12 @ (j @ g2x))
        u1 = w * (self.c1w[:, p] - self.c1w[:, :p] @ beta - self.c12 @ (j @ gap))
        inner = omega if reml else np.zeros_like(omega)
        bb = self.gram(w * w)
        dw = self.d * w
        strong = np.repeat(
            [g * float(np.mean(np.diag(g22)[b])) > 1 for g, b in self._blocks(gammas)], self.repeat
        ).astype(bool)
        traces, squares = np.empty(self.count), np.empty(self.count)
        scores: list[FloatArray] = [np.empty(0)] * self.count
        slopes = np.empty((self.count, p, p))
        diagonal = np.where(
            strong,
            (1 - np.diag(s_inverse)) / np.where(live, lam, 1) ** 2,
            np.einsum("ij,ji->i", g22, k),
        )
        for index, block in zip(self.rest, self.slices, strict=True):
            scores[index] = u2[block]
            slopes[index] = f2[block].T @ f2[block]
            traces[index] = diagonal[block].sum() - np.sum(inner * slopes[index])
        if self.first is not None:
            scores[self.first] = u1
            slopes[self.first] = f1.T @ f1
            traces[self.first] = dw.sum() - np.sum(j * bb) - np.sum(inner * slopes[self.first])
        for index in range(self.count):
            squares[index] = scores[index] @ scores[index]
        pairs = quads = seconds = np.empty(0)
        if order > 1:
            # (δ - S⁻¹)/λλ' where both factors carry weight, and G(I - JG) elsewhere.
            t22_0 = (np.eye(q2) - s_inverse) / np.outer(lam, lam) if strong.all() else g22 @ k
            if strong.any() and not strong.all():
                both = np.ix_(strong, strong)
                part = np.eye(int(strong.sum())) - s_inverse[both]
                t22_0[both] = part / np.outer(lam[strong], lam[strong])
            pairs, quads, seconds = self._second(
                w, dw, bb, j, k, t22_0, f1, f2, u1, u2, omega, inner
            )
        return Evaluation(
            log_det, r2, beta, omega, traces, squares, tuple(scores), pairs, quads, slopes, seconds
        )

    def _blocks(self, gammas: FloatArray) -> list[tuple[float, slice]]:
        return [(float(g), block) for g, block in zip(gammas, self.slices, strict=True)]

    def _second(
        self,
        w: FloatArray,
        dw: FloatArray,
        bb: FloatArray,
        j: FloatArray,
        k: FloatArray,
        t22_0: FloatArray,
        f1: FloatArray,
        f2: FloatArray,
        u1: FloatArray,
        u2: FloatArray,
        omega: FloatArray,
        inner: FloatArray,
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """‖T_ij‖², u_i'T_ij u_j (always with P) and F_i'T⁰_ij F_j, with T = Z'PZ, T⁰ = Z'H⁻¹Z."""
        c, p = self.count, self.p
        pairs, quads = np.zeros((c, c)), np.zeros((c, c))
        seconds = np.zeros((c, c, p, p))
        t22 = t22_0 - f2 @ inner @ f2.T
        half = {i: f2[b].T @ u2[b] for i, b in zip(self.rest, self.slices, strict=True)}
        for a, rows in zip(self.rest, self.slices, strict=True):
            for b, cols in zip(self.rest, self.slices, strict=True):
                block = t22_0[rows, cols]
                pairs[a, b] = np.sum(t22[rows, cols] ** 2)
                quads[a, b] = u2[rows] @ block @ u2[cols] - half[a] @ omega @ half[b]
                seconds[a, b] = f2[rows].T @ block @ f2[cols]
        first = self.first
        if first is None:
            return pairs, quads, seconds
        weighted_f, weighted_u = w[:, None] * f1, w * u1
        bf, bu = self.c12.T @ weighted_f, self.c12.T @ weighted_u
        ff, fu = f1.T @ f1, f1.T @ u1
        jm = j @ bb
        pairs[first, first] = (
            np.sum(dw * dw)
            + np.sum(jm * jm.T)
            - 2 * np.sum(j * self.gram(w * w * dw))
            + np.sum((inner @ ff) * (inner @ ff).T)
            - 2 * np.sum(inner * ((f1.T * dw) @ f1))
            + 2 * np.sum(inner * (bf.T @ j @ bf))
        )
        quads[first, first] = np.sum(dw * u1 * u1) - bu @ j @ bu - fu @ omega @ fu
        seconds[first, first] = (f1.T * dw) @ f1 - bf.T @ j @ bf
        t12 = w[:, None] * (self.c12 @ k) - f1 @ inner @ f2.T
        for b, cols in zip(self.rest, self.slices, strict=True):
            pairs[first, b] = pairs[b, first] = np.sum(t12[:, cols] ** 2)
            quads[first, b] = bu @ (k[:, cols] @ u2[cols]) - fu @ omega @ half[b]
            quads[b, first] = quads[first, b]
            seconds[first, b] = bf.T @ (k[:, cols] @ f2[cols])
            seconds[b, first] = seconds[first, b].T
        return pairs, quads, seconds


def _incidence(columns: Sequence[NDArray[np.intp]], n: int, width: int) -> Any:
    """Sparse indicator matrix with one entry per row and factor."""
    if not columns:
        return csr_array((n, width))
    index = np.column_stack(columns).ravel()
    pointers = np.arange(0, index.size + 1, len(columns))
    return csr_array((np.ones(index.size), index, pointers), shape=(n, width))


def _factored(s: FloatArray, right: FloatArray, lead: int) -> tuple[float, FloatArray, FloatArray]:
    """ln|S|, S⁻¹ and L⁻¹ times the right-hand side; the first ``lead`` rows of S are diagonal."""
    if not s.size:
        return 0.0, s, right
    d = np.diag(s)[:lead]
    e = s[:lead, lead:]
    x = e / d[:, None]
    lower, _ = dpotrf(s[lead:, lead:] - e.T @ x, lower=1, clean=1)
    half = solve_triangular(
        lower, right[lead:] - x.T @ right[:lead], lower=True, check_finite=False
    )
    a: FloatArray = np.concatenate((right[:lead] / np.sqrt(d)[:, None], half))
    small, _ = dpotri(lower, lower=1)
    small = np.tril(small)
    small += np.tril(small, -1).T
    inverse = np.empty_like(s)
    inverse[lead:, lead:] = small
    inverse[:lead, lead:] = -x @ small
    inverse[lead:, :lead] = inverse[:lead, lead:].T
    inverse[:lead, :lead] = -inverse[:lead, lead:] @ x.T
    inverse[:lead, :lead].flat[:: lead + 1] += 1 / d
    return float(np.log(d).sum()) + 2 * float(np.log(np.diag(lower)).sum()), inverse, a


def variance_derivatives(
    cross: CrossProducts, sd: FloatArray, *, reml: bool = True
) -> tuple[float, FloatArray, FloatArray]:
    """-2 log likelihood with its exact gradient and Hessian in the *variances* σ², σ₁², ….

    Parameters
    ----------
    cross : CrossProducts
        The data.
    sd : ndarray (1 + k,)
        Residual sd, then one sd per factor, in working units; the first above zero.
    reml : bool
        Restricted likelihood or not.

    Notes
    -----
    ∂D/∂v_i = tr(PV_i) - y'PV_iPy and ∂²D/∂v_i∂v_j = -tr(PV_iPV_j) + 2y'PV_iPV_jPy. Those of the
    residual follow from PVP = P without forming anything of the size of the rows.
    """
    v0 = float(sd[0]) ** 2
    gamma = (sd[1:] / sd[0]) ** 2
    at = cross.at(gamma, reml=reml, order=2)
    nu = cross.n - cross.p if reml else cross.n
    traces, squares, pairs, quads = full_derivatives(at, gamma, nu)
    value = at.log_det + nu * math.log(2 * math.pi * v0) + at.r2 / v0
    gradient = (traces - squares / v0) / v0
    hessian = (-pairs + 2 * quads / v0) / v0**2
    return value, gradient, hessian


def full_derivatives(
    at: Evaluation, gamma: FloatArray, nu: int
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Traces, squares, pairs and quads with the residual put in as component 0 (V₀ = I)."""

    def bordered(inner: FloatArray, edge: FloatArray, corner: float) -> FloatArray:
        first = edge - gamma @ inner
        out = np.empty((gamma.size + 1, gamma.size + 1))
        out[1:, 1:] = inner
        out[0, 1:] = out[1:, 0] = first
        out[0, 0] = corner - gamma @ first
        return out

    trace0 = nu - gamma @ at.traces
    square0 = at.r2 - gamma @ at.squares
    return (
        np.concatenate(([trace0], at.traces)),
        np.concatenate(([square0], at.squares)),
        bordered(at.pairs, at.traces, float(trace0)),
        bordered(at.quads, at.squares, float(square0)),
    )
