"""From the maximum of a likelihood to an answer: errors, limits, status, and what to mind."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from scipy.special import chdtrc

from rhizoledger.errors import FitError
from rhizoledger.stats.profile_many import BetterPointError, Limits, coordinate_limits
from rhizoledger.survival.fit_data import NB_BOUNDS, Likelihood
from rhizoledger.survival.fit_errors import APART, correlation_of, covariance_of
from rhizoledger.survival.fit_models import BY_FAST, FloatArray, Model, Reading
from rhizoledger.survival.fit_profile import loss_allowed
from rhizoledger.survival.fit_search import SCATTER, Point, Problem, observed_information
from rhizoledger.survival.temperature import LN10

Secondary = Literal["bigelow", "arrhenius"]
Status = Literal["ok", "at_bound", "not_identifiable", "no_decline"]
OVERDISPERSED = 0.05  # numeric: tail of Pearson's statistic below which more scatter is said
NB_NEAR = 0.5  # numeric: ln k this near its upper end is Poisson
LEAST_MEAN = 1e-12  # numeric: keeps nothing expected and nothing seen from being 0/0
PERFECT = 1e-5  # numeric: log10; no count is read so finely
NAMED = {
    "log10_n0": "The count at the start",
    "d_d": "The time for a tenfold fall, D,",
    "d_ref_d": "The time for a tenfold fall, D,",
    "delta_d": "The time to the first tenfold fall, delta,",
    "p": "The shape p",
    "k_max_per_d": "The greatest rate",
    "fraction_fragile": "The share of fragile cells",
    "k1_per_d": "The rate of the fragile cells",
    "z_c": "The rise z that makes it ten times faster",
    "ea_kj_per_mol": "The activation energy",
}
"""Parameters as a sentence begins with them."""
INVERSE = ("d_d", "d_ref_d", "z_c")


@dataclass(frozen=True, slots=True)
class Parameter:
    """One estimate with its limits; None where there is none.

    Parameters
    ----------
    name : str
        As in the answer of the command.
    value, se : float or None
        Estimate, and its standard error from the true Hessian.
    low, high : float or None
        Profile limits.
    se_expected : float or None
        Standard error from the expected information: what least-squares programs print.
    """

    name: str
    value: float | None
    se: float | None
    low: float | None
    high: float | None
    se_expected: float | None = None


@dataclass(frozen=True, slots=True)
class Fit:
    """One model fitted to one set of rows.

    Parameters
    ----------
    model, likelihood : str
        Which curve, and how rows scatter about it.
    parameters : tuple of Parameter
        In the order of the model; log10 N₀ of several starts carry their number.
    sigma : float or None
        Standard deviation of log10 counts about the curve: √(RSS/(n − p)) where none is censored,
        else the maximum-likelihood value. None for colonies.
    rss : float or None
        Residual sum of squares of log10 counts that are not censored.
    nb_k : float or None
        Negative binomial k.
    pearson_per_df : float or None
        Pearson's statistic of colonies over its degrees of freedom.
    loglik, aicc : float, float or None
        With all constants. No AICc where there are too few rows for it.
    n, n_censored : int
        Rows.
    t_ref_c, secondary : float or None, str or None
        Temperature that rates belong to, in a joint fit.
    status : {"ok", "at_bound", "not_identifiable", "no_decline"}
        Whether every parameter is inside its range, known at all, and there.
    warnings : tuple of str
        What to mind.
    at, covariance : ndarray
        Coordinates at the maximum and their covariance, for those who go on computing.
    correlation : ndarray, shape (parameters, parameters)
        How the errors of ``parameters`` go together; not a number where there is no error.
    """

    model: Model
    likelihood: Likelihood
    parameters: tuple[Parameter, ...]
    sigma: float | None
    rss: float | None
    nb_k: float | None
    pearson_per_df: float | None
    loglik: float
    aicc: float | None
    n: int
    n_censored: int
    t_ref_c: float | None
    secondary: Secondary | None
    status: Status
    warnings: tuple[str, ...]
    at: FloatArray
    covariance: FloatArray
    correlation: FloatArray

    def value(self, name: str) -> float:
        """The value of a parameter.

        Raises
        ------
        FitError
            If the model has no such parameter, or it has no value.
        """
        for p in self.parameters:
            if p.name == name and p.value is not None:
                return p.value
        raise FitError(f"The {self.model} fit has no value of {name}.")


def answer(
    problem: Problem,
    best: Point,
    model: Model,
    *,
    secondary: Secondary | None,
    t_ref_c: float,
    level: float,
    profile: bool,
) -> Fit:
    """The fit that a maximum stands for.

    Raises
    ------
    BetterPointError
        If profiling finds a higher maximum.
    """
    data, c = problem.data, problem.curve_size
    low, high = problem.bounds
    bound = (best.at <= low) | (best.at >= high)
    inside = np.flatnonzero(~bound)
    observed = observed_information(problem, best.at, inside)
    covariance, identifiable = covariance_of(problem, observed, inside)
    expected, _ = covariance_of(problem, best.information[np.ix_(inside, inside)], inside)
    loss = loss_allowed(level, data.n, c, problem.likelihood) if profile else None
    parameters = [
        _parameter(problem, best, i, (covariance[i, i], expected[i, i]), loss)
        for i, reading in enumerate(problem.readings[:c])
        if reading.name != APART
    ]
    if model == "biphasic":
        parameters.insert(problem.starts + 1, _fast(problem, best, (covariance, expected), loss))
    if secondary is not None and model == "loglinear":
        parameters = [_renamed(p, "d_d", "d_ref_d") for p in parameters]
    status: Status = "ok"
    warnings: list[str] = []
    if bound[:c].any():
        status = "at_bound"
        warnings += [_bound_said(problem.readings[i].name) for i in np.flatnonzero(bound[:c])]
    elif not identifiable or any(_unknown(p, profile) for p in parameters):
        status = "not_identifiable"
        warnings.append(
            "The rows do not say what every parameter is: other values fit as well. Take a model "
            "with fewer parameters, or add counts where the curve bends."
        )
    if any(p.name in INVERSE and p.value is None for p in parameters):
        status = "no_decline"
    warnings += _parameters_said(parameters, problem, secondary, t_ref_c)
    mu = problem.curve(best.at)[0]
    sigma, rss = _sigma(problem, best, mu)
    if sigma is not None and sigma < PERFECT:
        warnings.append(
            "The counts lie on the curve to the last digit, so the limits say nothing. Counts that "
            "were measured scatter: check where these come from."
        )
    pearson, k = None, None
    if problem.likelihood != "normal":
        pearson, k, said = _scatter_said(problem, best, mu)
        warnings += said
    aicc = _aicc(best.loglik, c + (problem.likelihood != "poisson"), data.n)
    if aicc is None:
        warnings.append("There are too few rows for AICc, so this model is compared with no other.")
    return Fit(
        model=model,
        likelihood=problem.likelihood,
        parameters=tuple(parameters),
        sigma=sigma,
        rss=rss,
        nb_k=k,
        pearson_per_df=pearson,
        loglik=best.loglik,
        aicc=aicc,
        n=data.n,
        n_censored=data.n_censored,
        t_ref_c=t_ref_c if secondary is not None else None,
        secondary=secondary,
        status=status,
        warnings=tuple(warnings),
        at=best.at,
        covariance=covariance,
        correlation=correlation_of(problem, covariance, fast=model == "biphasic"),
    )


def _parameter(
    problem: Problem, best: Point, i: int, variances: tuple[float, float], loss: float | None
) -> Parameter:
    reading, at = problem.readings[i], float(best.at[i])
    se, expected = (_root(variance) for variance in variances)
    name = reading.name
    if i < problem.starts and problem.starts > 1:
        name = f"{name}_{i + 1}"
    ends = None if loss is None else coordinate_limits(problem, best, i, se, loss)
    return _read(name, reading, at, (se, expected), ends, problem, i)


def _read(
    name: str,
    reading: Reading,
    at: float,
    errors: tuple[float | None, float | None],
    ends: Limits | None,
    problem: Problem,
    i: int,
) -> Parameter:
    """A coordinate and its limits as a parameter and its limits."""
    se, expected = (None if e is None else e * reading.slope(at) for e in errors)
    if reading.kind == "inverse":
        if at <= 0:
            return Parameter(name, None, None, None, None)
        low = None if ends is None or math.isinf(ends.high) else 1 / ends.high
        high = None if ends is None or ends.low <= 0 else 1 / ends.low
        return Parameter(name, 1 / at, se, low, high, expected)
    if ends is None:
        return Parameter(name, reading.value(at), se, None, None, expected)
    least, most = (float(bound[i]) for bound in problem.bounds)
    low, high = (_end(reading, x, least, most) for x in (ends.low, ends.high))
    return Parameter(name, reading.value(at), se, low, high, expected)


def _end(reading: Reading, x: float, least: float, most: float) -> float | None:
    """A limit of a parameter; the end of a box that is wide by intention is no limit."""
    if reading.kind == "as_is":
        inside = least < x < most or x == 0 == least
        return x if inside and math.isfinite(x) else None
    if x <= least:
        return 0.0
    if x >= most:
        return 1.0 if reading.kind == "logistic" else None
    return reading.value(x)


def _root(variance: float) -> float | None:
    return math.sqrt(variance) if variance > 0 else None


def _fast(
    problem: Problem, best: Point, covariances: tuple[FloatArray, FloatArray], loss: float | None
) -> Parameter:
    """k₁ of the biphasic model, in coordinates that hold it."""
    i = problem.starts + 1
    at = best.at.copy()
    at[i] += at[i + 1]
    other = replace(problem, shape=BY_FAST)
    se, expected = (_root(float(v[i : i + 2, i : i + 2].sum())) for v in covariances)
    reading = other.readings[i]
    at_fast = other.point(at)
    try:
        ends = None if loss is None else coordinate_limits(other, at_fast, i, se, loss)
    except BetterPointError as better:
        slow = better.at.copy()
        slow[i] -= slow[i + 1]
        raise BetterPointError(slow) from None
    return _read(reading.name, reading, float(at[i]), (se, expected), ends, other, i)


def _renamed(p: Parameter, old: str, new: str) -> Parameter:
    return replace(p, name=new) if p.name == old else p


def _unknown(p: Parameter, profile: bool) -> bool:
    """Whether a parameter has no limit on either side, or every value is inside."""
    if not profile or p.value is None:
        return False
    everything = p.name == "fraction_fragile" and (p.low, p.high) == (0.0, 1.0)
    return everything or (p.high is None and (p.low is None or p.low == 0))


def _bound_said(name: str) -> str:
    if name == "shoulder_d":
        return "The shoulder is at its bound 0: the rows show none. Take the model without it."
    if name == "log10_n_res":
        return "The tail is at the end of its range: the rows show none. Take the model without it."
    if name == "k2_per_d":
        return (
            "The rate of the hardy cells is at its bound: they do not die over these times. Take a "
            "tail."
        )
    if name == APART:
        return (
            "Both rates are the same: the rows show one group of cells. Take the log-linear model."
        )
    said = NAMED.get(name, "A parameter")
    return (
        f"{said} is at the end of its range: the rows do not bend as this model does. Take a model "
        "with fewer parameters."
    )


def _parameters_said(
    parameters: Sequence[Parameter],
    problem: Problem,
    secondary: Secondary | None,
    t_ref_c: float,
) -> list[str]:
    """What to mind about single parameters."""
    said = []
    last = float(problem.data.time_d.max())
    for p in parameters:
        if p.name in ("d_d", "d_ref_d") and p.value is None:
            said.append("The counts do not fall over these times, so there is no D.")
        if p.name == "z_c" and p.value is None:
            said.append("The counts fall no faster when it is warmer, so there is no z.")
        if p.name == "ea_kj_per_mol" and p.value is not None and p.value <= 0:
            said.append("The counts fall no faster when it is warmer: the energy is not above 0.")
        past = p.value is not None and p.value > last
        if past and p.name in ("d_d", "delta_d") and secondary is None:
            said.append(
                f"{NAMED[p.name]} is past the last count ({last:g} d): less than one log10 was "
                "seen to die."
            )
    if secondary is not None and problem.data.temp_c is not None:
        cold, warm = float(problem.data.temp_c.min()), float(problem.data.temp_c.max())
        if not cold <= t_ref_c <= warm:
            said.append(
                f"The reference temperature {t_ref_c:g} °C lies outside the counts ({cold:g} to "
                f"{warm:g} °C): what is said for it is extrapolated. Give --t-ref inside."
            )
    return said


def _sigma(problem: Problem, best: Point, mu: FloatArray) -> tuple[float | None, float | None]:
    """σ about the curve and the residual sum of squares of what is not censored."""
    data = problem.data
    if data.log10_count is None or data.censored is None:
        return None, None
    rss = float((((data.log10_count - mu) ** 2)[~data.censored]).sum())
    if not problem.profiled_scatter:
        return math.exp(float(best.at[-1])), rss
    return math.sqrt(rss / (data.n - problem.curve_size)), rss


def _scatter_said(
    problem: Problem, best: Point, mu: FloatArray
) -> tuple[float, float | None, list[str]]:
    """Pearson's statistic per degree of freedom, k, and what they mean."""
    data = problem.data
    assert data.colonies is not None and data.exposure is not None
    mean = data.exposure * np.exp(LN10 * mu)
    k = math.exp(float(best.at[-1])) if problem.readings[-1] is SCATTER else None
    variance = mean if k is None else mean + mean**2 / k
    statistic = float(((data.colonies - mean) ** 2 / np.maximum(variance, LEAST_MEAN)).sum())
    df = data.n - problem.curve_size
    said = []
    if k is None and float(chdtrc(df, statistic)) < OVERDISPERSED:
        said.append(
            f"Colonies scatter {statistic / df:.3g} times as much as Poisson about this curve, so "
            "its limits are too narrow. Use --likelihood nb, or another model if the curve misses."
        )
    if k is not None and math.log(k) > NB_BOUNDS[1] - NB_NEAR:
        said.append("Colonies scatter no more than Poisson about this curve.")
    return statistic / df, k, said


def _aicc(loglik: float, parameters: int, n: int) -> float | None:
    """Akaike's criterion with its small-sample term; None where that does not exist."""
    left = n - parameters - 1
    if left <= 0:
        return None
    return 2 * parameters - 2 * loglik + 2 * parameters * (parameters + 1) / left
