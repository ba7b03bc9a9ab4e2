"""Effects and variances of studies as they come in: what cannot be used is said, row by row."""

from __future__ import annotations

import math
from collections.abc import Mapping
from numbers import Real
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rhizoledger.errors import InputError, Problem

FloatArray = NDArray[np.float64]
Method = Literal["FE", "DL", "HE", "HS", "SJ", "ML", "REML", "EB", "PM"]
NARROWEST, _WIDEST = 1e-100, 1e100  # numeric: beyond them squares of weights leave the doubles
_APART = 1e10  # numeric: variances farther apart leave the sums of weights no digits
SINGULAR = 1e-10  # numeric: share of a column left over by the others that is only rounding


def checked_studies(y: ArrayLike, v: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Effects and variances as finite numbers of one length; every fault is named at once.

    Problems name the file ``studies`` and the column ``effect`` or ``variance``; whoever read the
    table puts its own names in their place.
    """
    problems: list[Problem] = []
    effects = _numbers(y, "effect", problems)
    variances = _numbers(v, "variance", problems)
    if not problems:
        if effects.size != variances.size:
            raise InputError(
                f"{effects.size} effects and {variances.size} variances: give one variance for "
                "each effect."
            )
        if effects.size == 0:
            raise InputError("No study: there is nothing to pool. Give one effect and variance.")
        least, most = float(variances.min()), float(variances.max())
        if least >= NARROWEST and max(most, float(abs(effects).max())) <= _WIDEST:
            if most <= _APART * least:
                return effects, variances
            i, remedy = int(variances.argmin()), "Check it, and the unit it is written in."
            what = f"It is nothing beside the largest variance, {most:g}."
            problems.append(study_problem(i, "variance", least, what, remedy))
            raise InputError(problems)
    for i, x in enumerate(variances.tolist()):
        if x <= 0:
            size = "zero" if x == 0 else "below zero"
            remedy = "Give the squared standard error, or a variance pooled over the trials."
            problems.append(study_problem(i, "variance", x, f"The variance is {size}.", remedy))
        elif x < NARROWEST or x > _WIDEST:
            problems.append(
                study_problem(
                    i, "variance", x, "It is too near zero or too large.", "Change the unit."
                )
            )
    for i, x in enumerate(effects.tolist()):
        if abs(x) > _WIDEST:
            problems.append(study_problem(i, "effect", x, "It is too large.", "Change the unit."))
    raise InputError(problems)


def _numbers(values: ArrayLike, column: str, problems: list[Problem]) -> FloatArray:
    """Finite numbers of one axis; a fault goes to ``problems`` and stands as NaN in the result."""
    a = values if isinstance(values, np.ndarray) else _array(values, column)
    if a.ndim != 1:
        raise InputError(f"{column}: {a.ndim} axes. Give a list with one {column} a study.")
    if a.dtype.kind in "iuf":
        a = a.astype(np.float64)
        if np.isfinite(a).all():
            return a
    out = np.full(a.size, math.nan)
    for i, x in enumerate(a.tolist()):
        if isinstance(x, bool) or not isinstance(x, Real):
            what = "It is missing." if x is None or x == "" else "It is not a number."
        elif not math.isfinite(x):
            what = "It is not a finite number."
        else:
            out[i] = float(x)
            continue
        remedy = f"Write the {column} as a number, or leave the study out."
        problems.append(study_problem(i, column, x, what, remedy))
    return out


def _array(values: ArrayLike, column: str) -> NDArray[Any]:
    """A sequence as an array that keeps text apart from numbers."""
    try:
        a = np.asarray(values)
        # Among text numpy would turn the numbers into text too.
        return a if a.dtype.kind in "iuf" else np.asarray(values, dtype=object)
    except (TypeError, ValueError) as e:
        raise InputError(f"{column}: not a plain list. Give one {column} a study.") from e


def study_problem(index: int, column: str, value: object, what: str, remedy: str) -> Problem:
    """What is wrong with one study, the header counted as row 1."""
    return Problem("studies", index + 2, column, str(value), what, remedy)


def moderator_matrix(
    moderators: Mapping[str, ArrayLike], k: int, intercept: bool
) -> tuple[FloatArray, tuple[str, ...], dict[str, tuple[int, int]]]:
    """The design matrix, its terms, and from where to where the terms of each factor stand.

    Words are a factor: one column for each level but the first.
    """
    if not moderators:
        raise InputError("No moderator is named. Name one, or leave moderators out.")
    terms, columns = (["intercept"], [np.ones(k)]) if intercept else ([], [])
    factors: dict[str, tuple[int, int]] = {}
    for name, values in moderators.items():
        first = len(terms)
        a = values if isinstance(values, np.ndarray) else _array(values, name)
        if a.ndim == 1 and a.size != k:
            raise InputError(f"Moderator {name}: {a.size} values for {k} studies. Give one each.")
        entries = a.tolist() if a.ndim == 1 else []
        if entries and all(isinstance(x, str) and x for x in entries):
            levels = sorted(set(entries))
            # Without an intercept the first factor carries every level's mean.
            for level in levels[1:] if intercept or columns else levels:
                terms.append(f"{name}={level}")
                columns.append(np.array([float(x == level) for x in entries]))
            if len(levels) == 1 and intercept:
                raise InputError(f"Moderator {name}: every study has {levels[0]!r}. Leave it out.")
            factors[name] = first, len(terms)
            continue
        problems: list[Problem] = []
        column = _numbers(a, name, problems)
        if problems:
            raise InputError(problems)
        terms.append(name)
        columns.append(column)
    if k <= len(terms):
        raise InputError(
            f"{k} studies for {len(terms)} coefficients ({', '.join(terms)}): there must be more "
            "studies than coefficients. Take fewer moderators."
        )
    x = np.column_stack(columns)
    size = np.sqrt((x * x).sum(axis=0))
    left = abs(np.diag(np.linalg.qr(x / np.where(size > 0, size, 1.0), mode="r")))
    for term, share in zip(terms, left.tolist(), strict=True):
        if share < SINGULAR:
            raise InputError(
                f"Moderator {term}: it is constant or repeats the ones before it. Leave it out."
            )
    return x, tuple(terms), factors
