"""Normal hierarchical models by quadrature over the standard deviations; no sampling."""

from __future__ import annotations

import math
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.polynomial.legendre import leggauss
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import ndtr

from rhizoledger.errors import InputError
from rhizoledger.stats.poisson import checked_level
from rhizoledger.stats.studies import checked_studies

FloatArray = NDArray[np.float64]
LogDensity = Callable[[FloatArray], FloatArray]

_NODES, _WEIGHTS = leggauss(10)
_DROP = 36.0  # numeric: e^-36 is a rounding error of the whole
_PANEL = 1.0  # panels on ln tau; the density is analytic within pi/2 of the real line
_AGREE = 1e-11  # numeric: relative change of the integral on halving the panels
_HALVINGS = 6  # numeric: halvings of the panels before the fit is given up
_COARSE = 0.1  # numeric: step on ln tau of the first look
_COARSER = 0.3  # numeric: the same where there are two
_NO_MASS = 1e-18  # numeric: nodes with less than this share are left out
_ROOT = 1e-13  # numeric: relative width at which a quantile is settled
_LEAST_RTOL = 8.9e-16  # numeric: the least the root finder takes
_CELLS = 2_000_000  # numeric: nodes x studies worked at once, 16 MB an array


@dataclass(frozen=True, slots=True)
class TauPrior:
    """Prior of a between-group standard deviation on [0, ∞).

    Parameters
    ----------
    kind : {"half_normal", "half_cauchy", "flat"}
        ``flat`` is improper: equal density for every value.
    scale : float or None
        The sd of the normal before folding, or the median of the half-Cauchy, > 0, in the unit of
        the effects; None for ``flat``.

    Examples
    --------
    >>> TauPrior("half_normal", 5.0).scale
    5.0
    """

    kind: Literal["half_normal", "half_cauchy", "flat"] = "flat"
    scale: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in ("half_normal", "half_cauchy", "flat"):
            raise InputError(
                f"tau prior {self.kind!r}: not known. Take half_normal, half_cauchy or flat."
            )
        if self.kind == "flat":
            if self.scale is not None:
                raise InputError("A flat tau prior has no scale. Leave it out.")
        elif self.scale is None or not (math.isfinite(self.scale) and self.scale > 0):
            raise InputError(
                f"scale {self.scale!r} of the {self.kind} prior: it must be above zero."
            )

    def log_density(self, tau: FloatArray) -> FloatArray:
        """Up to a constant."""
        if self.scale is None:
            return np.zeros_like(tau)
        if self.kind == "half_normal":
            return -0.5 * (tau / self.scale) ** 2
        return -np.log1p((tau / self.scale) ** 2)

    @property
    def power(self) -> float:
        """The density falls as tau to minus this."""
        return {"flat": 0.0, "half_cauchy": 2.0, "half_normal": math.inf}[self.kind]


FLAT = TauPrior()


@dataclass(frozen=True, slots=True)
class MuPrior:
    """Normal prior of the overall mean.

    Parameters
    ----------
    mean, sd : float
        ``sd`` > 0; a flat prior is None in place of this.
    """

    mean: float
    sd: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.mean) and math.isfinite(self.sd) and self.sd > 0):
            raise InputError(
                f"mu prior ({self.mean!r}, {self.sd!r}): the mean must be finite and the sd above "
                "zero. For a flat prior give None."
            )


@dataclass(frozen=True, slots=True, eq=False)
class Mixture:
    """Posterior that is a mixture of normals over the nodes.

    Parameters
    ----------
    weights, means, sds : ndarray, shape (n,)
        Of the components; the weights add to 1.
    finite_mean, finite_sd : bool
        Whether the posterior has these moments; with few groups and vague priors it may not.
    """

    weights: FloatArray
    means: FloatArray
    sds: FloatArray
    finite_mean: bool = True
    finite_sd: bool = True

    @property
    def mean(self) -> float | None:
        """Posterior mean; None where it is infinite or undefined."""
        return float(self.weights @ self.means) if self.finite_mean else None

    @property
    def sd(self) -> float | None:
        """Posterior standard deviation; None where it is infinite."""
        if not self.finite_sd:
            return None
        centre = float(self.weights @ self.means)
        return math.sqrt(float(self.weights @ (self.sds**2 + (self.means - centre) ** 2)))

    def above(self, x: float) -> float:
        """P(value > x).

        Examples
        --------
        >>> one = np.array([1.0])
        >>> Mixture(one, 0 * one, one).above(0)
        0.5
        """
        return float(self.weights @ ndtr((self.means - x) / self.sds))

    def below(self, x: float) -> float:
        """P(value < x)."""
        return float(self.weights @ ndtr((x - self.means) / self.sds))

    def quantile(self, p: float) -> float:
        """The value with probability ``p`` below it; works from the nearer tail.

        Examples
        --------
        >>> one = np.array([1.0])
        >>> round(Mixture(one, 0 * one, one).quantile(0.975), 6)
        1.959964
        """
        checked_level(p)

        def excess(x: float) -> float:
            return self.below(x) - p if p <= 0.5 else 1 - p - self.above(x)

        best = int(np.argmax(self.weights))
        start, unit = float(self.means[best]), float(self.sds[best])
        step = unit if excess(start) < 0 else -unit
        near = start
        far = start + step
        while excess(far) * step < 0:
            near, step = far, 2 * step
            far = start + step
        return float(brentq(excess, *sorted((near, far)), xtol=_ROOT * unit, rtol=_LEAST_RTOL))

    def interval(self, level: float = 0.95) -> tuple[float, float]:  # exact: the customary level
        """Central interval: equal probability outside each end."""
        tail = 0.5 * (1 - checked_level(level))
        return self.quantile(tail), self.quantile(1 - tail)


@dataclass(frozen=True, slots=True, eq=False)
class TauPosterior:
    """Posterior of a standard deviation, by Gauss-Legendre panels on its logarithm.

    Parameters
    ----------
    nodes, weights : ndarray, shape (n,)
        Standard deviations and their probabilities, which add to 1.
    edges, cumulated : ndarray
        Ends of the panels on ln tau and the probability below each.
    finite_mean, finite_sd : bool
        Whether the posterior has these moments.
    """

    nodes: FloatArray
    weights: FloatArray
    edges: FloatArray
    cumulated: FloatArray
    finite_mean: bool
    finite_sd: bool
    _density: LogDensity = field(repr=False)

    @property
    def mean(self) -> float | None:
        """Posterior mean; None where it is infinite."""
        return float(self.weights @ self.nodes) if self.finite_mean else None

    @property
    def sd(self) -> float | None:
        """Posterior standard deviation; None where it is infinite."""
        if not self.finite_sd:
            return None
        centre = float(self.weights @ self.nodes)
        return math.sqrt(float(self.weights @ (self.nodes - centre) ** 2))

    def below(self, tau: float) -> float:
        """P(standard deviation < tau)."""
        if tau <= 0:
            return 0.0
        u = math.log(tau)
        if u <= self.edges[0]:
            return 0.0
        if u >= self.edges[-1]:
            return 1.0
        j = int(np.searchsorted(self.edges, u, side="right")) - 1
        x, w = _legendre(np.array([self.edges[j], u]))
        return float(self.cumulated[j] + w @ np.exp(self._density(x)))

    def quantile(self, p: float) -> float:
        """The standard deviation with probability ``p`` below it."""
        checked_level(p)
        j = min(max(int(np.searchsorted(self.cumulated, p)) - 1, 0), self.edges.size - 2)
        low, high = float(self.edges[j]), float(self.edges[j + 1])

        def excess(u: float) -> float:
            if u == low:
                return float(self.cumulated[j]) - p
            x, w = _legendre(np.array([low, u]))
            return float(self.cumulated[j] + w @ np.exp(self._density(x))) - p

        if excess(high) <= 0:  # rounding at a panel's end
            return math.exp(high)
        return math.exp(float(brentq(excess, low, high, xtol=_ROOT, rtol=_LEAST_RTOL)))

    def interval(self, level: float = 0.95) -> tuple[float, float]:  # exact: the customary level
        """Central interval: equal probability outside each end."""
        tail = 0.5 * (1 - checked_level(level))
        return self.quantile(tail), self.quantile(1 - tail)


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

    def conditional(t: FloatArray) -> _Centre:
        return _centre(effects, np.broadcast_to(variances, (t.size, k)), t, mu)

    def density(u: FloatArray) -> FloatArray:
        rows = max(1, _CELLS // k)
        out = np.empty(u.size)
        for i in range(0, u.size, rows):
            t = np.exp(u[i : i + rows])
            out[i : i + rows] = conditional(t).log_height + tau.log_density(t) + np.log(t)
        return out

    span = _span(effects, variances, mu, (tau,), fall - 1)
    edges = _panels(density, span)
    at = _settled(density, edges, fall)
    t, weights = at.nodes, at.weights
    kept = weights > _NO_MASS
    t, weights = t[kept], weights[kept] / weights[kept].sum()
    c = conditional(t)
    # With a flat mu its spread grows with tau, and with a normal one it does not.
    has_mean, has_sd = (True, True) if mu is not None else (fall > 2, _square(fall))
    square = (t * t)[:, np.newaxis]
    share = variances / (variances + square)  # of the overall mean in each study's
    centre = share * c.mean[:, np.newaxis] + (1 - share) * effects
    spread = np.sqrt(share * square + share**2 * c.variance[:, np.newaxis])
    return TwoLevels(
        mu=Mixture(weights, c.mean, np.sqrt(c.variance), has_mean, has_sd),
        tau=at,
        theta=tuple(Mixture(weights, centre[:, i], spread[:, i]) for i in range(k)),
        new=Mixture(weights, c.mean, np.sqrt(c.variance + t * t), fall > 2, _square(fall)),
    )


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
        As :func:`two_levels`; flat throughout it needs three regions and four fields.

    Notes
    -----
    Given τ_f a region's fields are replaced by their weighted mean, with variance 1/Σ1/(v + τ_f²),
    and the rest is :func:`two_levels` over regions; τ_f and τ_r are integrated over the product of
    their panels.

    Examples
    --------
    >>> small = TauPrior("half_normal", 1e-6)
    >>> r = three_levels([0, 2], [1, 1], ["N", "S"], tau_region=small, tau_field=small)
    >>> round(r.mu.mean, 6), round(r.new.sd**2, 6)
    (1.0, 0.5)
    """
    effects, variances = checked_studies(y, v)
    n = effects.size
    if len(region) != n:
        raise InputError(f"{len(region)} regions for {n} fields: name one for each.")
    blank = [i + 1 for i, r in enumerate(region) if r is None or r == "" or r != r]
    if blank:
        raise InputError(f"Field {blank[0]} has no region. Name it, or leave the field out.")
    names = tuple(dict.fromkeys(region))
    place = {name: i for i, name in enumerate(names)}
    index = np.array([place[r] for r in region])
    m = len(names)
    member = np.zeros((n, m))
    member[np.arange(n), index] = 1.0

    known = mu is not None
    fall_r = m - 1 + known + tau_region.power
    fall_f = n - 1 + known + tau_field.power
    both = n - 1 + known + tau_field.power + tau_region.power
    if not (fall_r > 1 and fall_f > 1 and both > 2):
        raise InputError(
            f"{m} regions and {n} fields with flat priors: the posterior has no finite total. "
            "Give half_normal or half_cauchy priors, or more regions and fields."
        )
    fall_f, fall_r = min(fall_f, both - 1), min(fall_r, both - 1)

    def within(t: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Of each τ_f: regions' means, their variances, and the log density of the rest."""
        w = 1 / (variances + (t * t)[:, np.newaxis])
        total = w @ member
        mean = ((w * effects) @ member) / total
        r = effects - mean[:, index]
        log_height = 0.5 * (np.log(w).sum(axis=1) - np.log(total).sum(axis=1))
        log_height -= 0.5 * (w * r * r).sum(axis=1)
        return mean, 1 / total, log_height

    def joint(uf: FloatArray, ur: FloatArray) -> FloatArray:
        """Log density on the product of two sets of logarithms, shape (uf, ur)."""
        tf, tr = np.exp(uf), np.exp(ur)
        mean, variance, height = within(tf)
        out = np.empty((uf.size, ur.size))
        rows = max(1, _CELLS // (ur.size * m))
        for i in range(0, uf.size, rows):
            j = min(i + rows, uf.size)
            c = _centre(
                np.repeat(mean[i:j], tr.size, axis=0),
                np.repeat(variance[i:j], tr.size, axis=0),
                np.tile(tr, j - i),
                mu,
            )
            out[i:j] = c.log_height.reshape(j - i, tr.size)
        out += (height + tau_field.log_density(tf) + uf)[:, np.newaxis]
        out += tau_region.log_density(tr) + ur
        return out

    priors = (tau_field, tau_region)
    span_f = _span(effects, variances, mu, priors, fall_f - 1)
    span_r = _span(effects, variances, mu, priors, fall_r - 1)
    rough_f, rough_r = (np.arange(a, b, _COARSER) for a, b in (span_f, span_r))
    rough = joint(rough_f, rough_r)
    uf_edges = _cut(rough_f, rough.max(axis=1))
    ur_edges = _cut(rough_r, rough.max(axis=0))
    last = math.nan
    for _ in range(_HALVINGS):
        xf, wf = _legendre(uf_edges)
        xr, wr = _legendre(ur_edges)
        log_p = joint(xf, xr)
        top = float(log_p.max())
        p = np.exp(log_p - top) * wf[:, np.newaxis] * wr
        total = math.log(float(p.sum())) + top
        if abs(total - last) <= _AGREE:
            break
        last = total
        uf_edges, ur_edges = _halved(uf_edges), _halved(ur_edges)
    else:
        raise _unsettled()
    p /= p.sum()

    def density_f(u: FloatArray) -> FloatArray:
        heights = joint(u, xr) - total
        return np.asarray(np.log(np.exp(heights) @ wr))

    def density_r(u: FloatArray) -> FloatArray:
        heights = joint(xf, u) - total
        return np.asarray(np.log(wf @ np.exp(heights)))

    field_tau = _tau_posterior(xf, p.sum(axis=1), uf_edges, fall_f, density_f)
    region_tau = _tau_posterior(xr, p.sum(axis=0), ur_edges, fall_r, density_r)

    row, column = np.nonzero(p > _NO_MASS)
    weights = p[row, column]
    weights /= weights.sum()
    tf, tr = np.exp(xf), np.exp(xr[column])
    mean, variance, _ = within(tf)
    c = _centre(mean[row], variance[row], tr, mu)
    square_f = tf[row] ** 2
    fall = min(fall_r, fall_f)
    mu_fall = math.inf if known else fall

    def mixture(centre: FloatArray, variance: FloatArray, fall: float = math.inf) -> Mixture:
        return Mixture(weights, centre, np.sqrt(variance), fall > 2, _square(fall))

    regions, new_in_region, theta_of = [], [], {}
    for i in range(m):
        spread = variance[row, i]
        share = spread / (spread + tr**2)
        centre = share * c.mean + (1 - share) * mean[row, i]
        around = share * tr**2 + share**2 * c.variance
        # As tau_field grows a region's mean is known no better than the overall one.
        regions.append(mixture(centre, around, min(fall_f, mu_fall)))
        new_in_region.append(mixture(centre, around + square_f, fall_f))
        for j in np.flatnonzero(index == i).tolist():
            part = variances[j] / (variances[j] + square_f)
            theta_of[j] = mixture(
                part * centre + (1 - part) * effects[j], part * square_f + part**2 * around
            )
    return ThreeLevels(
        mu=mixture(c.mean, c.variance, mu_fall),
        tau_region=region_tau,
        tau_field=field_tau,
        regions=names,
        region=tuple(regions),
        theta=tuple(theta_of[j] for j in range(n)),
        new_in_region=tuple(new_in_region),
        new=mixture(c.mean, c.variance + tr**2 + square_f, fall),
    )


# ------------------------------------------------------------------------------- conditional on tau


@dataclass(frozen=True, slots=True)
class _Centre:
    """Given τ: the normal posterior of μ and the log height of the data with μ integrated out."""

    mean: FloatArray
    variance: FloatArray
    log_height: FloatArray


def _centre(y: FloatArray, v: FloatArray, tau: FloatArray, prior: MuPrior | None) -> _Centre:
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
    return _Centre(mean, 1 / total, -0.5 * twice)


# --------------------------------------------------------------------------------------- quadrature


def _square(fall: float) -> bool:
    """Whether a density that falls as tau^-fall has a second moment."""
    return fall > 3  # exact: the integral of tau^2 tau^-fall


def _legendre(edges: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Nodes and weights of one Gauss-Legendre rule in each panel."""
    half = 0.5 * np.diff(edges)[:, np.newaxis]
    middle = 0.5 * (edges[1:] + edges[:-1])[:, np.newaxis]
    return (middle + half * _NODES).ravel(), (half * _WEIGHTS).ravel()


def _halved(edges: FloatArray) -> FloatArray:
    out = np.empty(2 * edges.size - 1)
    out[::2], out[1::2] = edges, 0.5 * (edges[1:] + edges[:-1])
    return out


def _span(
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


def _cut(u: FloatArray, heights: FloatArray) -> FloatArray:
    """Panels over the part of a first look that holds all but a rounding error."""
    alive = np.flatnonzero(heights > heights.max() - _DROP)
    low, high = float(u[max(alive[0] - 1, 0)]), float(u[min(alive[-1] + 1, u.size - 1)])
    n = max(2, math.ceil((high - low) / _PANEL))
    return np.linspace(low, high, n + 1)


def _panels(density: LogDensity, span: tuple[float, float]) -> FloatArray:
    u = np.arange(span[0], span[1], _COARSE)
    heights = density(u)
    # A posterior narrower than the first look is looked at again, closer, around its top.
    for _ in range(_HALVINGS):
        if np.count_nonzero(heights > heights.max() - _DROP) > 10:
            break
        top = int(heights.argmax())
        ends = u[max(top - 1, 0)], u[min(top + 1, u.size - 1)]
        u = np.linspace(*ends, 100)
        heights = density(u)
    return _cut(u, heights)


def _settled(density: LogDensity, edges: FloatArray, fall: float) -> TauPosterior:
    """Halve the panels until the integral no longer changes."""
    last = math.nan
    for _ in range(_HALVINGS):
        x, w = _legendre(edges)
        heights = density(x)
        top = float(heights.max())
        p = np.exp(heights - top) * w
        total = math.log(float(p.sum())) + top
        if abs(total - last) <= _AGREE:
            break
        last = total
        edges = _halved(edges)
    else:
        raise _unsettled()
    return _tau_posterior(x, p / p.sum(), edges, fall, lambda u: density(u) - total)


def _tau_posterior(
    x: FloatArray, p: FloatArray, edges: FloatArray, fall: float, density: LogDensity
) -> TauPosterior:
    in_panels = p.reshape(-1, _NODES.size).sum(axis=1)
    cumulated = np.r_[0.0, np.cumsum(in_panels)]
    return TauPosterior(np.exp(x), p, edges, cumulated, fall > 2, _square(fall), density)


def _unsettled() -> InputError:
    return InputError(
        "The integral over tau does not settle. Look first for variances that differ by many "
        "powers of ten, then at the scale of the priors."
    )
