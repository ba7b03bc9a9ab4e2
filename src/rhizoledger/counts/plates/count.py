"""Viable density from plate counts by maximum likelihood (§1.1)."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize_scalar
from scipy.special import chdtrc, xlogy

from rhizoledger.counts.plates.readings import PlateReading, read_plates
from rhizoledger.counts.plates.rules import Rule, report_readings
from rhizoledger.errors import InputError, RuleError
from rhizoledger.estimate import Estimate
from rhizoledger.stats.negbin import profile_log_likelihood
from rhizoledger.stats.poisson import (
    Homogeneity,
    at_least_slope,
    checked_level,
    homogeneity,
    log_at_least,
    poisson_limits,
)
from rhizoledger.stats.profile import likelihood_limits, log_root, step_out

FloatArray = NDArray[np.float64]

TNTC_LIMIT = 250.0  # exact: upper end of the 25-250 convention; the caller may say another
UNEVEN_P = 0.05  # numeric: customary level of a warning, not of a decision
CONTRADICTION_P = 1e-6  # numeric: below it two readings are a slip of the pen, not chance


@dataclass(frozen=True, slots=True)
class PlateLikelihood:
    """What the plates say about a density, kept to re-weight Monte Carlo draws.

    Parameters
    ----------
    counts, portions_ml : tuple
        Counted plates: colonies, and undiluted sample on each [mL].
    at_least, over_ml : tuple
        Plates too numerous to count: least colonies, and undiluted sample on each [mL].
    uneven : bool
        Whether the counts scatter more than chance, so that the negative binomial is used.
    """

    counts: tuple[int, ...]
    portions_ml: tuple[float, ...]
    at_least: tuple[int, ...] = ()
    over_ml: tuple[float, ...] = ()
    uneven: bool = False

    def poisson(self, density: ArrayLike) -> FloatArray:
        """Poisson log likelihood of densities [per mL], up to a constant."""
        lam = np.asarray(density, dtype=float)
        out: FloatArray = xlogy(sum(self.counts), lam) - lam * sum(self.portions_ml)
        for k, w in zip(self.at_least, self.over_ml, strict=True):
            out = out + log_at_least(k, lam * w)
        return out

    def negative_binomial(self, density: ArrayLike) -> FloatArray:
        """Negative binomial log likelihood, profiled over the dispersion, up to a constant."""
        return profile_log_likelihood(
            density, self.counts, self.portions_ml, self.at_least, self.over_ml
        )

    def log_likelihood(self, density: ArrayLike) -> FloatArray:
        """The log likelihood that the interval was made from; -inf below zero.

        Parameters
        ----------
        density : array_like, any shape [per mL of undiluted sample]
        """
        lam = np.asarray(density, dtype=float)
        usable = np.where(lam > 0, lam, 1.0)
        out = self.negative_binomial(usable) if self.uneven else self.poisson(usable)
        at_zero = 0.0 if sum(self.counts) == 0 and not self.at_least else -math.inf
        return np.where(lam > 0, out, np.where(lam == 0, at_zero, -math.inf))


@dataclass(frozen=True, slots=True)
class PlateCount:
    """A density from plates.

    Parameters
    ----------
    estimate : Estimate
        Per mL (or whatever ``unit`` says) of undiluted sample, linear. By plate count: not every
        such cell nodulates, and not every nodulating cell forms a colony (§1.6).
    colonies : int
        Colonies on all counted plates.
    plated_ml : float
        Undiluted sample on all counted plates [mL].
    n_plates : int
        Counted plates (TNTC plates are used but not in this number).
    g2, df, p : float, int, float
        Likelihood-ratio test that the counted plates agree.
    reported : str
        The result by the named reporting rule.
    warnings : tuple of str
        What a reader must know.
    likelihood : PlateLikelihood
        For re-weighting.
    """

    estimate: Estimate
    colonies: int
    plated_ml: float
    n_plates: int
    g2: float
    df: int
    p: float
    reported: str
    warnings: tuple[str, ...]
    likelihood: PlateLikelihood

    def log_likelihood(self, density: ArrayLike) -> FloatArray:
        """Log likelihood of densities in the estimate's unit, up to a constant."""
        return self.likelihood.log_likelihood(density)


def count_plates(
    colonies: Sequence[int | str],
    volume_ml: float | Sequence[float],
    dilution: float | Sequence[float],
    *,
    tntc_limit: float | Sequence[float] = TNTC_LIMIT,
    tntc_at_least: bool = False,
    level: float = 0.90,  # exact: the level of plan.json
    unit: str = "CFU/mL",
    rule: Rule = "bam",
    bound_alpha: float | None = None,
    poisson_only: bool = False,
) -> PlateCount:
    """Density of the undiluted sample from every usable plate, by maximum likelihood.

    Parameters
    ----------
    colonies : sequence of int, "TNTC", "SPR" or "LA", shape (n,)
        One reading per plate. Spreaders and accidents are left out and named.
    volume_ml, dilution : float or sequence, shape (n,)
        Volume plated > 0 [mL] and dilution as a fraction in (0, 1].
    tntc_limit : float or sequence
        Count that TNTC stands for.
    tntc_at_least : bool
        Whether TNTC means at least the limit (C ≥ L) rather than above it (C > L).
    level : float
        Confidence level in (0, 1).
    unit : str
        Unit of the result.
    rule : {"bam", "iso7218"}
        Reporting rule for ``reported``.
    bound_alpha : float, optional
        α of the one-sided bound where there is no colony, or nothing countable; 1 - ``level`` if
        not given.
    poisson_only : bool
        Keep the Poisson interval even where the plates disagree, as published tables do.

    Returns
    -------
    PlateCount
        With no colony at all, an upper bound (status ``at_limit``); with TNTC plates only, a lower
        bound and no value.

    Raises
    ------
    InputError
        If no plate can be used, or a number is not possible.
    RuleError
        If a TNTC plate contradicts the counted plates.

    Notes
    -----
    §1.1. λ = Σc / Σ(v·d) without TNTC, else the root of Σc/λ - Σ(v·d) + Σ ∂ln P(C ≥ k)/∂λ.
    Interval: exact Poisson; likelihood ratio with TNTC; where the counted plates disagree (p of
    G² < 0.05), negative binomial by profile and never narrower than Poisson. Plates of one wash
    say nothing about the spread between samples (§1.2).

    References
    ----------
    Haas & Heller, Water Research 22 (1988) 375-381, for TNTC.

    Examples
    --------
    537 colonies on 2.2 mL of a hundredfold dilution:

    >>> result = count_plates([232, 244, 33, 28], 1.0, [0.01, 0.01, 0.001, 0.001])
    >>> round(result.estimate.value), result.reported
    (24409, '24,000 CFU/mL')
    """
    checked_level(level)
    plates = read_plates(colonies, volume_ml, dilution, tntc_limit)
    counted = [p for p in plates if not isinstance(p.colonies, str)]
    over = [p for p in plates if p.colonies == "TNTC"]
    if not counted and not over:
        raise InputError("None of the plates can be used. Plate the sample again.")
    least = tuple(
        math.ceil(p.tntc_limit) if tntc_at_least else math.floor(p.tntc_limit) + 1 for p in over
    )
    counts = tuple(int(p.colonies) for p in counted)
    data = PlateLikelihood(
        counts, tuple(p.portion_ml for p in counted), least, tuple(p.portion_ml for p in over)
    )
    test = homogeneity(counts, data.portions_ml) if counted else None
    uneven = test is not None and test.df > 0 and test.p < UNEVEN_P
    data = replace(data, uneven=uneven and not poisson_only)
    alpha = 1 - level if bound_alpha is None else 1 - checked_level(1 - bound_alpha)
    sign = "≥" if tntc_at_least else ">"
    tntc = f", TNTC taken as {sign} {_limits(over)}" if over else ""
    return PlateCount(
        estimate=_estimate(data, level, alpha, unit, tntc),
        colonies=sum(counts),
        plated_ml=math.fsum(data.portions_ml),
        n_plates=len(counts),
        g2=test.g2 if test else 0.0,
        df=test.df if test else 0,
        p=test.p if test else 1.0,
        reported=report_readings(plates, rule, unit).text,
        warnings=_warnings(plates, test if uneven else None, data.uneven),
        likelihood=data,
    )


def _limits(over: Sequence[PlateReading]) -> str:
    return ", ".join(f"{limit:g}" for limit in sorted({p.tntc_limit for p in over}))


def _estimate(data: PlateLikelihood, level: float, alpha: float, unit: str, tntc: str) -> Estimate:
    n = len(data.counts) + len(data.at_least)
    if not data.counts:
        return Estimate(
            value=None,
            low=_lower_bound(data, alpha),
            high=None,
            unit=unit,
            level=1 - alpha,
            kind="confidence",
            n=n,
            method=f"nothing countable: one-sided lower bound, alpha = {alpha:.3g}{tntc}",
            status="at_limit",
        )
    total, plated_ml = sum(data.counts), math.fsum(data.portions_ml)
    if total == 0 and not data.at_least:
        return Estimate(
            value=0.0,
            low=0.0,
            high=-math.log(alpha) / plated_ml,
            unit=unit,
            level=1 - alpha,
            kind="confidence",
            n=n,
            method=f"no colonies: one-sided upper bound, alpha = {alpha:.3g}",
            status="at_limit",
        )
    if data.at_least:
        value = _with_tntc(data)
        low, high = likelihood_limits(
            lambda t: float(data.poisson(np.exp(t))), math.log(value), level
        )
        name = "likelihood-ratio interval"
    else:
        value = total / plated_ml
        low, high = (limit / plated_ml for limit in poisson_limits(total, level))
        name = "exact Poisson interval"
    if data.uneven:
        nb_low, nb_high = _negative_binomial_limits(data, value, level)
        low, high = min(low, nb_low), max(high, nb_high)
        name = "negative binomial interval by profile, never narrower than Poisson"
    return Estimate(
        value=value,
        low=low,
        high=high,
        unit=unit,
        level=level,
        kind="confidence",
        # A Poisson standard error beside a widened interval would contradict it.
        se=None if data.uneven else 1 / math.sqrt(_information(data, value)),
        n=n,
        method=f"maximum likelihood over {n} plates, {name}{tntc}",
    )


def _score(data: PlateLikelihood, lam: float) -> float:
    """Slope of the Poisson log likelihood times λ: same sign, no overflow."""
    out = sum(data.counts) - lam * math.fsum(data.portions_ml)
    for k, w in zip(data.at_least, data.over_ml, strict=True):
        out += lam * w * float(at_least_slope(k, lam * w))
    return out


def _information(data: PlateLikelihood, lam: float) -> float:
    """Observed Poisson information at λ."""
    out = sum(data.counts) / lam**2
    for k, w in zip(data.at_least, data.over_ml, strict=True):
        m = lam * w
        slope = float(at_least_slope(k, m))
        out -= w**2 * slope * ((k - 1) / m - 1 - slope)
    return out


def _with_tntc(data: PlateLikelihood) -> float:
    """Maximum likelihood with TNTC plates, once they are seen not to contradict the counts."""
    counted = PlateLikelihood(data.counts, data.portions_ml)
    total, plated_ml = sum(data.counts), math.fsum(data.portions_ml)
    alone = total / plated_ml
    # One colony where there was none is near enough to start the search.
    start = math.log(max(alone, 0.5 / plated_ml))

    def score(t: float) -> float:
        return _score(data, math.exp(t))

    below = start if score(start) > 0 else step_out(score, start, -1.0)
    above = step_out(lambda t: -score(t), start, 1.0)
    if below is None or above is None:
        raise RuleError(_contradiction())
    value = math.exp(log_root(score, below, above))
    # The counted plates' own best fit against the joint one (§1.1): a plain probability at the
    # counted plates' estimate would call any TNTC impossible beside plates without a colony.
    deviance = 2 * float(counted.poisson(alone) - data.poisson(value))
    if float(chdtrc(1, max(deviance, 0.0))) < CONTRADICTION_P:
        raise RuleError(_contradiction())
    return value


def _contradiction() -> str:
    return (
        "A plate called TNTC contradicts the counted plates (§1.1): both cannot be right. "
        "Check its dilution, volume and TNTC limit, or mark it LA if it cannot be trusted."
    )


def _lower_bound(data: PlateLikelihood, alpha: float) -> float:
    """Density at which plates as full as these have probability α."""
    target = math.log(alpha)

    def excess(t: float) -> float:
        return float(data.poisson(np.exp(t))) - target

    start = math.log(max(k / w for k, w in zip(data.at_least, data.over_ml, strict=True)))
    above = start if excess(start) > 0 else step_out(excess, start, 1.0)
    below = step_out(lambda t: -excess(t), start, -1.0)
    if above is None or below is None:
        raise InputError("The TNTC plates give no bound. Check their volumes and dilutions.")
    return math.exp(log_root(excess, below, above))


def _negative_binomial_limits(
    data: PlateLikelihood, value: float, level: float
) -> tuple[float, float]:
    ratios = [c / w for c, w in zip(data.counts, data.portions_ml, strict=True) if c > 0]
    low, high = math.log(min(*ratios, value) / 2), math.log(max(*ratios, value) * 2)
    best = minimize_scalar(
        lambda t: -float(data.negative_binomial(np.exp(t))), bounds=(low, high), method="bounded"
    )
    return _likelihood_limits(data.negative_binomial, math.exp(best.x), level)


def _likelihood_limits(
    log_likelihood: Callable[[ArrayLike], FloatArray], best: float, level: float
) -> tuple[float, float]:
    return likelihood_limits(lambda t: float(log_likelihood(np.exp(t))), math.log(best), level)


def _warnings(
    plates: Sequence[PlateReading], uneven: Homogeneity | None, widened: bool
) -> tuple[str, ...]:
    out = []
    if uneven is not None:
        out.append(
            "The plates disagree more than chance allows "
            f"(G² = {uneven.g2:.3g}, p = {uneven.p:.2g})"
            f"{': the interval is widened' if widened else ''}. "
            "Look for a clump, a missed dilution or a mislabelled plate."
        )
    left_out = [str(p.colonies) for p in plates if p.colonies in ("SPR", "LA")]
    if left_out:
        out.append(f"Left out: {', '.join(left_out)}.")
    crowded = [p for p in plates if not isinstance(p.colonies, str) and p.colonies > p.tntc_limit]
    if crowded:
        out.append(
            f"Counts above the limit of {_limits(crowded)} are used as written; "
            "crowded plates are often undercounted."
        )
    return tuple(out)
