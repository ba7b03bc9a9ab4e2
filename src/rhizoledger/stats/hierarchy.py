"""Normal hierarchical models by quadrature over the standard deviation; no sampling."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rhizoledger.errors import InputError
from rhizoledger.stats.hierarchy_posterior import Mixture, TauPosterior, moments, tau_posterior
from rhizoledger.stats.hierarchy_priors import FLAT, MuPrior, TauPrior
from rhizoledger.stats.hierarchy_quadrature import NO_MASS, FloatArray, panels, settled, span
from rhizoledger.stats.studies import checked_studies

CELLS = 2_000_000  # numeric: nodes x studies worked at once, 16 MB an array


@dataclass(frozen=True, slots=True, eq=False)
class TwoLevels:
    """Posterior of a two-level normal model.

    Parameters
    ----------
    mu : Mixture
        The mean of the true effects.
    tau : TauPosterior
        Their standard deviation.
    theta : tuple of Mixture
        The true effect of each study, in the order given.
    new : Mixture
        The *true* effect of a new study, not what its strips would show.
    """

    mu: Mixture
    tau: TauPosterior
    theta: tuple[Mixture, ...]
    new: Mixture


def two_levels(
    y: ArrayLike,
    v: ArrayLike,
    *,
    mu: MuPrior | None = None,
    tau: TauPrior = FLAT,
) -> TwoLevels:
    """Posterior of y_i ~ N(θ_i, v_i), θ_i ~ N(μ, τ²), without sampling.

    Parameters
    ----------
    y, v : array_like, shape (k,)
        Estimates and their known sampling variances > 0.
    mu : MuPrior or None
        Prior of μ; None is flat.
    tau : TauPrior
        Prior of τ.

    Returns
    -------
    TwoLevels

    Raises
    ------
    InputError
        What :func:`~rhizoledger.stats.pooling.pool` refuses, and priors too vague for so few
        studies: both flat needs three, flat τ with normal μ two.

    Notes
    -----
    p(τ|y) ∝ p(τ) V_μ^½ Π(v_i + τ²)^-½ exp(-Q(τ)/2), where given τ μ is normal with precision
    Σ1/(v_i + τ²) (plus the prior's) and Q is the weighted sum of squares about its mean. Everything
    else is normal given τ, so its posterior is a mixture over the nodes. On ln τ the density is
    analytic, and Gauss-Legendre panels are halved until the integral stands.

    References
    ----------
    Gelman, Carlin, Stern, Dunson, Vehtari & Rubin, Bayesian Data Analysis, section 5.4.

    Examples
    --------
    With next to no spread allowed, the studies are one: mean 1, variance 1/2.

    >>> r = two_levels([0, 2], [1, 1], tau=TauPrior("half_normal", 1e-6))
    >>> round(r.mu.mean, 6), round(r.mu.sd**2, 6)
    (1.0, 0.5)
    """
    effects, variances = checked_studies(y, v)
    k = effects.size
    fall = k - 1 + (mu is not None) + tau.power
    if fall <= 1:
        raise InputError(
            f"{k} studies with a flat prior of tau: the posterior has no finite total. Give a "
            "half_normal or half_cauchy prior, or more studies."
        )

    def conditional(t: FloatArray) -> Centre:
        return centre_of(effects, np.broadcast_to(variances, (t.size, k)), t, mu)

    def density(u: FloatArray) -> FloatArray:
        rows = max(1, CELLS // k)
        out = np.empty(u.size)
        for i in range(0, u.size, rows):
            t = np.exp(u[i : i + rows])
            out[i : i + rows] = conditional(t).log_height + tau.log_density(t) + np.log(t)
        return out

    at = settled(density, [panels(density, span(effects, variances, mu, (tau,), fall - 1))])
    posterior = tau_posterior(
        at.nodes[0], at.p, at.edges[0], fall, lambda u: density(u) - at.log_total
    )
    kept = at.p > NO_MASS
    t, weights = posterior.nodes[kept], at.p[kept] / at.p[kept].sum()
    c = conditional(t)
    square = (t * t)[:, np.newaxis]
    share = variances / (variances + square)  # of the overall mean in each study's
    centre = share * c.mean[:, np.newaxis] + (1 - share) * effects
    spread = np.sqrt(share * square + share**2 * c.variance[:, np.newaxis])
    # With a flat mu its spread grows with tau, and with a normal one it does not.
    of_mu = moments(fall if mu is None else math.inf)
    return TwoLevels(
        mu=Mixture(weights, c.mean, np.sqrt(c.variance), *of_mu),
        tau=posterior,
        theta=tuple(Mixture(weights, centre[:, i], spread[:, i]) for i in range(k)),
        new=Mixture(weights, c.mean, np.sqrt(c.variance + t * t), *moments(fall)),
    )


@dataclass(frozen=True, slots=True)
class Centre:
    """Given τ: the normal posterior of μ and the log height of the data with μ integrated out."""

    mean: FloatArray
    variance: FloatArray
    log_height: FloatArray


def centre_of(y: FloatArray, v: FloatArray, tau: FloatArray, prior: MuPrior | None) -> Centre:
    """Rows of ``y`` (or one for all) and ``v`` belong to the entries of ``tau``."""
    w = 1 / (v + (tau * tau)[:, np.newaxis])
    total = w.sum(axis=1)
    weighted = (w * y).sum(axis=1)
    if prior is not None:
        total = total + prior.sd**-2
        weighted = weighted + prior.mean * prior.sd**-2
    mean = weighted / total
    r = y - mean[:, np.newaxis]
    twice = (w * r * r).sum(axis=1) - np.log(w).sum(axis=1) + np.log(total)
    if prior is not None:
        twice = twice + ((mean - prior.mean) / prior.sd) ** 2
    return Centre(mean, 1 / total, -0.5 * twice)
