"""Normal hierarchical models of three levels: fields within regions."""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rhizoledger.errors import InputError
from rhizoledger.stats.hierarchy import CELLS, Centre, centre_of
from rhizoledger.stats.hierarchy_posterior import Mixture, TauPosterior, moments, tau_posterior
from rhizoledger.stats.hierarchy_priors import FLAT, MuPrior, TauPrior
from rhizoledger.stats.hierarchy_quadrature import NO_MASS, FloatArray, cut, settled, span
from rhizoledger.stats.studies import checked_studies

_STEP = 0.3  # numeric: step on each ln tau of the first look


@dataclass(frozen=True, slots=True, eq=False)
class ThreeLevels:
    """Posterior of a three-level normal model: fields within regions.

    Parameters
    ----------
    mu : Mixture
        The mean over regions.
    tau_region, tau_field : TauPosterior
        Standard deviation of region means, and of fields within a region.
    regions : tuple of hashable
        Names of the regions, in the order they first occur.
    region : tuple of Mixture
        The true mean of each region.
    theta : tuple of Mixture
        The true effect of each field, in the order given.
    new_in_region : tuple of Mixture
        The true effect of a new field in each region.
    new : Mixture
        The true effect of a new field in a new region.
    """

    mu: Mixture
    tau_region: TauPosterior
    tau_field: TauPosterior
    regions: tuple[Hashable, ...]
    region: tuple[Mixture, ...]
    theta: tuple[Mixture, ...]
    new_in_region: tuple[Mixture, ...]
    new: Mixture


def three_levels(
    y: ArrayLike,
    v: ArrayLike,
    region: Sequence[Hashable],
    *,
    mu: MuPrior | None = None,
    tau_region: TauPrior = FLAT,
    tau_field: TauPrior = FLAT,
) -> ThreeLevels:
    """Posterior of fields within regions: y ~ N(θ, v), θ ~ N(η_r, τ_f²), η_r ~ N(μ, τ_r²).

    Parameters
    ----------
    y, v : array_like, shape (n,)
        Estimates of each field and their known sampling variances > 0.
    region : sequence of hashable, length n
        Name of each field's region.
    mu : MuPrior or None
        Prior of μ; None is flat.
    tau_region, tau_field : TauPrior
        Priors of the two standard deviations, independent.

    Returns
    -------
    ThreeLevels

    Raises
    ------
    InputError
        As :func:`~rhizoledger.stats.hierarchy.two_levels`; flat throughout it needs three regions
        and four fields.

    Notes
    -----
    Given τ_f a region's fields are replaced by their weighted mean, with variance 1/Σ1/(v + τ_f²),
    and the rest is :func:`~rhizoledger.stats.hierarchy.two_levels` over regions; τ_f and τ_r are
    integrated over the product of their panels.

    Examples
    --------
    >>> small = TauPrior("half_normal", 1e-6)
    >>> r = three_levels([0, 2], [1, 1], ["N", "S"], tau_region=small, tau_field=small)
    >>> round(r.mu.mean, 6), round(r.new.sd**2, 6)
    (1.0, 0.5)
    """
    fields = _Fields.of(*checked_studies(y, v), region)
    n, m = fields.effects.size, len(fields.regions)
    fall_f, fall_r = _falls(n, m, mu, tau_field, tau_region)

    def joint(uf: FloatArray, ur: FloatArray) -> FloatArray:
        """Log density on the product of two sets of logarithms, shape (uf, ur)."""
        tf, tr = np.exp(uf), np.exp(ur)
        within = fields.within(tf)
        out = fields.between(within, tr, mu)
        out += (within.log_height + tau_field.log_density(tf) + uf)[:, np.newaxis]
        out += tau_region.log_density(tr) + ur
        return out

    first_looks = [
        np.arange(
            *span(fields.effects, fields.variances, mu, (tau_field, tau_region), f - 1), _STEP
        )
        for f in (fall_f, fall_r)
    ]
    rough = joint(*first_looks)
    edges = [cut(u, rough.max(axis=1 - axis)) for axis, u in enumerate(first_looks)]
    at = settled(joint, edges)
    (xf, xr), (wf, wr) = at.nodes, at.weights

    def density_f(u: FloatArray) -> FloatArray:
        return np.asarray(np.log(np.exp(joint(u, xr) - at.log_total) @ wr))

    def density_r(u: FloatArray) -> FloatArray:
        return np.asarray(np.log(wf @ np.exp(joint(xf, u) - at.log_total)))

    row, column = np.nonzero(at.p > NO_MASS)
    weights = at.p[row, column]
    weights /= weights.sum()
    tf, tr = np.exp(xf), np.exp(xr[column])
    within = fields.within(tf)
    means, spreads = within.mean[row], within.variance[row]
    c = centre_of(means, spreads, tr, mu)
    square_f, square_r = tf[row] ** 2, tr**2

    def mixture(centre: FloatArray, variance: FloatArray, fall: float = math.inf) -> Mixture:
        return Mixture(weights, centre, np.sqrt(variance), *moments(fall))

    fall = min(fall_r, fall_f)
    mu_fall = fall if mu is None else math.inf
    region_of, new_in_region, theta = [], [], {}
    for i in range(m):
        share = spreads[:, i] / (spreads[:, i] + square_r)
        centre = share * c.mean + (1 - share) * means[:, i]
        around = share * square_r + share**2 * c.variance
        # As tau_field grows a region's mean is known no better than the overall one.
        region_of.append(mixture(centre, around, min(fall_f, mu_fall)))
        new_in_region.append(mixture(centre, around + square_f, fall_f))
        for j in np.flatnonzero(fields.index == i).tolist():
            part = fields.variances[j] / (fields.variances[j] + square_f)
            theta[j] = mixture(
                part * centre + (1 - part) * fields.effects[j],
                part * square_f + part**2 * around,
            )
    return ThreeLevels(
        mu=mixture(c.mean, c.variance, mu_fall),
        tau_region=tau_posterior(xr, at.p.sum(axis=0), at.edges[1], fall_r, density_r),
        tau_field=tau_posterior(xf, at.p.sum(axis=1), at.edges[0], fall_f, density_f),
        regions=fields.regions,
        region=tuple(region_of),
        theta=tuple(theta[j] for j in range(n)),
        new_in_region=tuple(new_in_region),
        new=mixture(c.mean, c.variance + square_r + square_f, fall),
    )


def _falls(
    n: int, m: int, mu: MuPrior | None, tau_field: TauPrior, tau_region: TauPrior
) -> tuple[float, float]:
    """Powers of tau_field and of tau_region with which the posterior falls; improper is refused."""
    known = mu is not None
    fall_r = m - 1 + known + tau_region.power
    fall_f = n - 1 + known + tau_field.power
    both = n - 1 + known + tau_field.power + tau_region.power
    if not (fall_r > 1 and fall_f > 1 and both > 2):
        raise InputError(
            f"{m} regions and {n} fields with flat priors: the posterior has no finite total. "
            "Give half_normal or half_cauchy priors, or more regions and fields."
        )
    return min(fall_f, both - 1), min(fall_r, both - 1)


@dataclass(frozen=True, slots=True, eq=False)
class _Fields:
    """Estimates of fields and the region of each.

    Parameters
    ----------
    effects, variances : ndarray, shape (n,)
        Of the fields.
    regions : tuple of hashable
        Names of the regions, in the order they first occur.
    index : ndarray of int, shape (n,)
        Each field's place in ``regions``.
    member : ndarray, shape (n, m)
        1 where a field lies in a region.
    """

    effects: FloatArray
    variances: FloatArray
    regions: tuple[Hashable, ...]
    index: NDArray[np.intp]
    member: FloatArray

    @classmethod
    def of(cls, effects: FloatArray, variances: FloatArray, region: Sequence[Hashable]) -> _Fields:
        """Fields by the name of their region; a nameless one is refused."""
        n = effects.size
        if len(region) != n:
            raise InputError(f"{len(region)} regions for {n} fields: name one for each.")
        blank = [i + 1 for i, r in enumerate(region) if r is None or r == "" or r != r]
        if blank:
            raise InputError(f"Field {blank[0]} has no region. Name it, or leave the field out.")
        names = tuple(dict.fromkeys(region))
        place = {name: i for i, name in enumerate(names)}
        index = np.array([place[r] for r in region])
        return cls(effects, variances, names, index, np.eye(len(names))[index])

    def within(self, tau: FloatArray) -> Centre:
        """Given each τ_f: regions' means, their variances, and the log density of the rest."""
        w = 1 / (self.variances + (tau * tau)[:, np.newaxis])
        total = w @ self.member
        mean = ((w * self.effects) @ self.member) / total
        r = self.effects - mean[:, self.index]
        log_height = 0.5 * (np.log(w).sum(axis=1) - np.log(total).sum(axis=1))
        log_height -= 0.5 * (w * r * r).sum(axis=1)
        return Centre(mean, 1 / total, log_height)

    def between(self, within: Centre, tau: FloatArray, mu: MuPrior | None) -> FloatArray:
        """Log density of the means of the regions, shape (τ_f, τ_r)."""
        out = np.empty((within.log_height.size, tau.size))
        rows = max(1, CELLS // (tau.size * len(self.regions)))
        for i in range(0, out.shape[0], rows):
            part = out[i : i + rows]
            c = centre_of(
                np.repeat(within.mean[i : i + rows], tau.size, axis=0),
                np.repeat(within.variance[i : i + rows], tau.size, axis=0),
                np.tile(tau, part.shape[0]),
                mu,
            )
            part[:] = c.log_height.reshape(part.shape)
        return out
