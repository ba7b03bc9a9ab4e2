"""Profile-likelihood limits of the variance components of a mixed model, on the sd scale."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from rhizoledger.errors import NotFoundError
from rhizoledger.stats.mixed import MixedFit
from rhizoledger.stats.mixed_equations import variance_derivatives
from rhizoledger.stats.mixed_precision import inverse_information
from rhizoledger.stats.mixed_search import WIDEST, newton
from rhizoledger.stats.one_thread import one_thread
from rhizoledger.stats.profile import chi2_1

FAR = 60  # numeric: steps after which a limit counts as infinite or zero
SD_TOLERANCE = 1e-9  # numeric: error allowed in a limit, relative to the residual sd


@dataclass(frozen=True, slots=True)
class SdLimits:
    """Profile-likelihood limits of one standard deviation.

    Parameters
    ----------
    name : str
        The factor, or ``residual``.
    sd, low, high : float
        Estimate and limits, in the unit of y; ``low`` is 0 where the data allow no variance, and
        ``high`` infinite where the likelihood never falls far enough.
    level : float
        Confidence level.
    """

    name: str
    sd: float
    low: float
    high: float
    level: float


def sd_limits(
    fit: MixedFit,
    name: str,
    level: float = 0.95,  # exact: the customary level
) -> SdLimits:
    """Profile-likelihood limits of one component's standard deviation.

    Parameters
    ----------
    fit : MixedFit
        The model; its own criterion (REML or ML) is profiled.
    name : str
        A factor, or ``residual``.
    level : float
        Confidence level in (0, 1).

    Returns
    -------
    SdLimits
        On the sd scale; square them for the variance.

    Raises
    ------
    NotFoundError
        If no component has that name.

    Notes
    -----
    The limits are where the deviance, minimised over all other components (zero allowed), exceeds
    its minimum by χ²₁(level): the signed root deviance reaches the normal quantile. At a zero
    estimate, and where zero itself is inside, ``low`` is 0 and coverage is at least nominal there.
    """
    drop = math.sqrt(chi2_1(level))
    work = fit.working
    names = ["residual", *(c.name for c in fit.components)]
    if name not in names:
        raise NotFoundError(f"No component {name!r}. There are: {', '.join(names)}.")
    which = names.index(name)
    reml = fit.method == "REML"
    sigma = math.sqrt(fit.residual_variance) / work.scale
    best = sigma * np.concatenate(([1.0], np.sqrt(work.gamma)))
    warm = best.copy()

    def excess(value: float) -> float:
        """Root deviance less the quantile; nearly a straight line in the sd."""
        nonlocal warm
        start = warm.copy()
        start[which] = value
        deviance, warm = newton(work.cross, start, which, reml=reml)
        return math.sqrt(max(deviance - least, 0.0)) - drop

    with one_thread():
        least, _, curve = variance_derivatives(work.cross, best, reml=reml)
        here = float(best[which])
        low, high = 0.0, math.inf
        # The first bracket is Wald's on the log scale, or a guess where the estimate is zero.
        step = 2.0
        if here > 0:
            inside = best > 0
            slim = inverse_information(0.5 * curve[np.ix_(inside, inside)])
            at = int(inside[:which].sum())
            log_se = math.sqrt(slim[at, at]) / (2 * here**2)
            step = math.exp(min(1.2 * drop * log_se, 2.0))  # numeric: a little beyond Wald's limit
        if here > 0 and not (which and excess(0.0) <= 0):
            warm = best.copy()
            # Below this share of the largest sd the criterion is rounding: no lower limit.
            floor = float(best.max()) / WIDEST if which == 0 else 0.0
            low = _crossing(excess, here, 1 / step, SD_TOLERANCE * sigma, floor) or 0.0
        warm = best.copy()
        start = here if here > 0 else 0.5 * sigma
        high = _crossing(excess, start, step, SD_TOLERANCE * sigma) or math.inf
    return SdLimits(name, here * work.scale, low * work.scale, high * work.scale, level)


def _crossing(
    excess: Callable[[float], float],
    start: float,
    factor: float,
    tolerance: float,
    floor: float = 0.0,
) -> float | None:
    """Where ``excess`` becomes positive on the way from ``start`` by factors; None if nowhere."""
    inner, outer = start, start * factor
    if factor > 1 and excess(start) > 0:
        # A zero estimate: the guess itself is already beyond the limit.
        inner, outer = 0.0, start
    for _ in range(FAR):
        if outer < floor:
            return None
        if excess(outer) > 0:
            return float(brentq(excess, inner, outer, xtol=tolerance))
        inner, outer = outer, outer * factor
    return None
