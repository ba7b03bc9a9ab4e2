"""How a pooled answer hangs on single studies, and whether small ones differ from large."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from rhizoledger.errors import InputError
from rhizoledger.stats.between_studies import critical_value
from rhizoledger.stats.pooling import pool
from rhizoledger.stats.pooling_answer import Coefficient, Convention, Pooled, Test
from rhizoledger.stats.studies import SINGULAR, Method, checked_studies


def leave_one_out(
    y: ArrayLike,
    v: ArrayLike,
    *,
    method: Method = "REML",
    test: Test = "knha",
    prediction: Convention = "t",
    level: float = 0.95,  # exact: the customary level
) -> tuple[Pooled, ...]:
    """Pool the studies again without each of them in turn; needs two or more.

    Parameters
    ----------
    y, v, method, test, prediction, level
        As for :func:`pool`.

    Returns
    -------
    tuple of Pooled
        The i-th is *without* study i.

    Examples
    --------
    >>> [round(r.mu, 12) for r in leave_one_out([0, 1, 5], [1, 1, 1])]
    [3.0, 2.5, 0.5]
    """
    effects, variances = checked_studies(y, v)
    if effects.size == 1:
        raise InputError("One study: leaving it out leaves none. Give two studies or more.")
    return tuple(
        pool(
            np.delete(effects, i),
            np.delete(variances, i),
            method=method,
            test=test,
            prediction=prediction,
            level=level,
        )
        for i in range(effects.size)
    )


def cumulative(
    y: ArrayLike,
    v: ArrayLike,
    *,
    order: Sequence[int] | None = None,
    method: Method = "REML",
    test: Test = "knha",
    prediction: Convention = "t",
    level: float = 0.95,  # exact: the customary level
) -> tuple[Pooled, ...]:
    """Pool the first study, the first two, and so on to all.

    Parameters
    ----------
    y, v, method, test, prediction, level
        As for :func:`pool`.
    order : sequence of int, optional
        Each study's index once, in the order they are added (by year, say); as given otherwise.

    Returns
    -------
    tuple of Pooled
        The last is all studies together.

    Examples
    --------
    >>> [round(r.mu, 12) for r in cumulative([0, 1, 5], [1, 1, 1])]
    [0.0, 0.5, 2.0]
    """
    effects, variances = checked_studies(y, v)
    turn = list(range(effects.size)) if order is None else list(order)
    if sorted(turn) != list(range(effects.size)):
        raise InputError(
            f"order {turn!r}: it must name each of the {effects.size} studies once, from 0."
        )
    return tuple(
        pool(
            effects[turn[:n]],
            variances[turn[:n]],
            method=method,
            test=test,
            prediction=prediction,
            level=level,
        )
        for n in range(1, effects.size + 1)
    )


@dataclass(frozen=True, slots=True)
class Shrunken:
    """A study's true effect, its estimate drawn towards the mean (empirical Bayes).

    Parameters
    ----------
    estimate, se : float
        ``se`` counts the uncertainty of the mean, *not* that of τ².
    low, high : float
        Normal limits, or t of the pooled test.
    """

    estimate: float
    se: float
    low: float
    high: float


def shrink(y: ArrayLike, v: ArrayLike, pooled: Pooled) -> tuple[Shrunken, ...]:
    """Best linear predictions of the studies' true effects, from a pooling without moderators.

    Parameters
    ----------
    y, v : array_like, shape (k,)
        What was pooled.
    pooled : Pooled
        The result of :func:`pool` for them.

    Notes
    -----
    λ_i = τ²/(τ² + v_i); λ_i y_i + (1 - λ_i) μ̂ with variance λ_i v_i + (1 - λ_i)² SE².

    Examples
    --------
    Variance 2/3 between studies and 1 within: two fifths of the way from the mean 1.5.

    >>> y, v = [0, 1, 2, 3], [1, 1, 1, 1]
    >>> [round(s.estimate, 9) for s in shrink(y, v, pool(y, v))]
    [0.9, 1.3, 1.7, 2.1]
    """
    effects, variances = checked_studies(y, v)
    if pooled.moderator_test is not None or pooled.tau2 is None or pooled.k != effects.size:
        raise InputError(
            "Studies shrink towards one mean with a τ²: pool these studies, two or more, without "
            "moderators first."
        )
    half = critical_value(pooled.df, pooled.level)
    out = []
    for x, s2 in zip(effects.tolist(), variances.tolist(), strict=True):
        own = pooled.tau2 / (pooled.tau2 + s2)
        centre = own * x + (1 - own) * pooled.mu
        se = math.sqrt(own * s2 + ((1 - own) * pooled.se) ** 2)
        out.append(Shrunken(centre, se, centre - half * se, centre + half * se))
    return tuple(out)


def egger(
    y: ArrayLike,
    v: ArrayLike,
    *,
    method: Method = "REML",
    test: Test = "knha",
    level: float = 0.95,  # exact: the customary level
) -> Coefficient:
    """Egger's regression test of whether the effect depends on the study's standard error.

    Parameters
    ----------
    y, v, method, test, level
        As for :func:`pool`. ``method="FE", test="knha"`` is Egger's own weighted regression with a
        residual variance; ``test="z"`` with a random effect is the mixed form.

    Returns
    -------
    Coefficient
        The slope on √v. A small p says that small studies differ, *not* why.

    Raises
    ------
    InputError
        Fewer than three studies, or all of one precision.

    Examples
    --------
    Effects that are exactly 1 + 2 √v:

    >>> round(egger([3, 5, 7], [1, 4, 9], method="FE").estimate, 12)
    2.0
    """
    effects, variances = checked_studies(y, v)
    if effects.size < 3:  # exact: intercept, slope and one to spare
        raise InputError(f"{effects.size} studies: Egger's test needs three or more.")
    errors = np.sqrt(variances)
    if float(np.ptp(errors)) <= SINGULAR * float(errors.max()):
        raise InputError("All studies have the same variance: Egger's test has nothing to go by.")
    return pool(
        effects, variances, method=method, test=test, moderators={"se": errors}, level=level
    ).coefficients[1]
