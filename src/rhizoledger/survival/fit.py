"""Fit die-off curves to counts: estimates, standard errors, profile limits, AICc and a status.

§2.11: counts are the data. σ and the negative binomial k count as parameters in AICc, which is
never compared across data of different kinds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import partial

import numpy as np

from rhizoledger.errors import FitError, InputError
from rhizoledger.stats.profile_many import BetterPointError
from rhizoledger.survival.fit_answer import Fit, Secondary, answer
from rhizoledger.survival.fit_data import CountData, Likelihood
from rhizoledger.survival.fit_models import MODELS, SHAPES, Model, Reading
from rhizoledger.survival.fit_search import Problem, polished
from rhizoledger.survival.fit_starts import best_maximum
from rhizoledger.survival.temperature import GAS_J_PER_MOL_K, J_PER_KJ, LN10, ZERO_C_IN_K

ENOUGH_AICC = 2  # exact: difference of AICc within which models are kept side by side (§2.11)
RESTARTS = 3  # numeric: times a better maximum found while profiling may replace the fit


def curve_parameters(model: Model, starts: int = 1, secondary: Secondary | None = None) -> int:
    """How many parameters the curve of a model has.

    Examples
    --------
    >>> curve_parameters("biphasic"), curve_parameters("loglinear", 2, "bigelow")
    (4, 4)
    """
    return starts + len(SHAPES[model].readings) + (secondary is not None)


def fit_model(
    data: CountData,
    model: Model,
    *,
    likelihood: Likelihood = "normal",
    secondary: Secondary | None = None,
    t_ref_c: float = 20.0,  # numeric: the command's default, printed with every answer
    level: float = 0.95,  # numeric: the usual level; printed with every answer
    profile: bool = True,
) -> Fit:
    """Fit one model.

    Parameters
    ----------
    data : CountData
        Rows of one series, or of several that share all but the start.
    model : str
        ``loglinear``, ``weibull``, ``biphasic``, ``shoulder``, ``tail`` or ``shoulder_tail``.
    likelihood : {"normal", "poisson", "nb"}
        Normal for log10 counts, the others for colonies.
    secondary : {"bigelow", "arrhenius"} or None
        How rates follow ``data.temp_c``, fitted with the curve in one step.
    t_ref_c : float
        Temperature that rates and times belong to [°C].
    level : float
        Coverage of the limits.
    profile : bool
        False leaves the limits out.

    Raises
    ------
    FitError
        If the fit does not exist: too few rows or times, all counts the same, or nearly all
        censored. The text says what to do first, second, third.

    Examples
    --------
    >>> from rhizoledger.survival.fit_data import log10_counts
    >>> t = np.array([0.0, 5, 10, 15, 20])
    >>> rows = log10_counts(t, np.array([6.05, 5.45, 5.02, 4.55, 3.95]))
    >>> d = fit_model(rows, "loglinear").parameters[1]
    >>> d.name, round(d.value, 2), round(d.low, 2), round(d.high, 2)
    ('d_d', 9.8, 8.83, 11.02)
    """
    if not 0 < level < 1:
        raise InputError(f"The level is {level:g}. Give a number between 0 and 1, such as 0.95.")
    exists(data, model, secondary)
    problem = _problem(data, model, likelihood, secondary, t_ref_c)
    best = polished(problem, best_maximum(model, problem))
    said = partial(answer, model=model, secondary=secondary, t_ref_c=t_ref_c, level=level)
    for _ in range(RESTARTS):
        try:
            return said(problem, best, profile=profile)
        except BetterPointError as better:
            best = polished(problem, problem.climb(better.at))
    fit = said(problem, best, profile=False)
    return replace(
        fit,
        status="not_identifiable",
        warnings=(*fit.warnings, "The likelihood has many maxima, so no limits were found for it."),
    )


def fit_all(
    data: CountData,
    models: Sequence[Model] = MODELS,
    *,
    likelihood: Likelihood = "normal",
    secondary: Secondary | None = None,
    t_ref_c: float = 20.0,  # numeric: the command's default, printed with every answer
    level: float = 0.95,  # numeric: the usual level; printed with every answer
    profile: bool = True,
) -> tuple[list[Fit], dict[Model, str]]:
    """Fit every model that the rows allow; the best AICc first.

    Returns
    -------
    tuple
        The fits, and why each of the other models was not fitted.

    Raises
    ------
    FitError
        If not even the first model exists.
    """
    fits: list[Fit] = []
    not_fitted: dict[Model, str] = {}
    first: FitError | None = None
    for model in models:
        try:
            fits.append(
                fit_model(
                    data,
                    model,
                    likelihood=likelihood,
                    secondary=secondary,
                    t_ref_c=t_ref_c,
                    level=level,
                    profile=profile,
                )
            )
        except FitError as error:
            not_fitted[model] = str(error)
            first = first or error
    if not fits and first is not None:
        raise first
    return sorted(fits, key=lambda fit: math.inf if fit.aicc is None else fit.aicc), not_fitted


def best_and_near(fits: Sequence[Fit]) -> tuple[Model, list[Model]]:
    """The model of least AICc and all within 2 of it, best first.

    Models without an AICc are compared with nothing; where no model has one, the first stands
    alone.
    """
    scored = sorted(
        (fit for fit in fits if fit.aicc is not None), key=lambda fit: fit.aicc or math.nan
    )
    if not scored:
        return fits[0].model, [fits[0].model]
    least = scored[0].aicc
    assert least is not None
    near = [f.model for f in scored if f.aicc is not None and f.aicc - least <= ENOUGH_AICC]
    return scored[0].model, near


def exists(data: CountData, model: Model, secondary: Secondary | None = None) -> None:
    """Refuse rows to which a model cannot be fitted.

    Raises
    ------
    FitError
        With what to do first, second, third.
    """
    if data.n == 0:
        raise FitError("There are no counts to fit. Add the rows.")
    starts = int(data.group.max()) + 1
    p = curve_parameters(model, starts, secondary)
    y = data.rough_log10()
    seen = ~data.censored if data.censored is not None else np.asarray(data.colonies) > 0
    if not seen.any():
        what = "limit of detection" if data.colonies is None else "plate without colonies"
        raise FitError(
            f"Every count is below its limit or zero ({what}), so no decline can be seen. "
            "First, count a lower dilution or plate more. Second, sample earlier. Third, check "
            "that limits were not written where counts stand."
        )
    if int(seen.sum()) < p + 1:
        kind = "counts" if data.n_censored == 0 else "counts above their limit"
        raise FitError(
            f"The {model} model has {p} parameters and the rows hold {int(seen.sum())} {kind}; "
            f"it needs {p + 1}. First, add counts at other times. Second, take a model with fewer "
            "parameters. Third, give every replicate its own row."
        )
    if float(np.ptp(y[seen])) == 0 and (seen.all() or data.n_censored == 0):
        raise FitError(
            "All counts are the same, so there is no decline to fit. First, check the column of "
            "counts. Second, sample later, when some cells have died. Third, keep the counts with "
            "more digits."
        )
    times = len(np.unique(data.time_d))
    needed = 1 + len(SHAPES[model].readings)
    if times < needed:
        raise FitError(
            f"The {model} model needs {needed} different times and there "
            f"{'is' if times == 1 else 'are'} {times}. First, add counts at other times. Second, "
            "take a model with fewer parameters."
        )
    if secondary is not None and (data.temp_c is None or len(np.unique(data.temp_c)) < 2):
        raise FitError(
            "There is one temperature, so how the rate changes with it cannot be known. First, add "
            "counts at another temperature. Second, fit without the column of temperatures."
        )


def _problem(
    data: CountData,
    model: Model,
    likelihood: Likelihood,
    secondary: Secondary | None,
    t_ref_c: float,
) -> Problem:
    if (likelihood == "normal") != (data.log10_count is not None):
        raise InputError(
            "Log10 counts are fitted with a normal likelihood, colonies with Poisson or negative "
            "binomial. Take the one that belongs to the data."
        )
    if secondary is None:
        return Problem(data, SHAPES[model], likelihood)
    assert data.temp_c is not None
    if secondary == "bigelow":
        per, reading = LN10 * (data.temp_c - t_ref_c), Reading("z_c", "inverse")
    else:
        kelvin, ref = data.temp_c + ZERO_C_IN_K, t_ref_c + ZERO_C_IN_K
        per = -(J_PER_KJ / GAS_J_PER_MOL_K) * (1 / kelvin - 1 / ref)
        reading = Reading("ea_kj_per_mol", "as_is")
    return Problem(data, SHAPES[model], likelihood, per, reading)
