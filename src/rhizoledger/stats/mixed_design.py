"""The rows that go into a mixed model: treatments against a check, and what is refused."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg import qr

from rhizoledger.errors import InputError, NotFoundError
from rhizoledger.stats.mixed_equations import FloatArray

RANK_TOLERANCE = 1e-9  # numeric: relative length below which a design column is a combination


@dataclass(frozen=True, slots=True)
class TreatmentDesign:
    """A design with an intercept (the check's mean) and each other level's difference from it.

    Parameters
    ----------
    x : ndarray (n, t)
        The columns.
    terms : tuple of str
        ``intercept``, then ``LEVEL-CHECK`` for every other level, sorted.
    levels : tuple of str
        The check, then the other levels.
    means : ndarray (t, t)
        Rows that give every level's marginal mean, in the order of ``levels``.
    differences : ndarray (t - 1, t)
        Rows that give LEVEL - CHECK.
    """

    x: FloatArray
    terms: tuple[str, ...]
    levels: tuple[str, ...]
    means: FloatArray
    differences: FloatArray


def treatment_design(labels: Sequence[str], check: str) -> TreatmentDesign:
    """Fixed effects of one treatment factor, as differences from the check.

    Parameters
    ----------
    labels : sequence of str (n,)
        Every row's treatment.
    check : str
        The level that the others are compared with.

    Raises
    ------
    NotFoundError
        If no row carries the check.
    InputError
        If there is no level besides it.

    Examples
    --------
    >>> design = treatment_design(["none", "A", "none", "B"], "none")
    >>> design.terms
    ('intercept', 'A-none', 'B-none')
    >>> design.x[3]
    array([1., 0., 1.])
    """
    found = sorted(set(labels))
    if check not in found:
        raise NotFoundError(f"No row has the check {check!r}. The treatments are: {_list(found)}.")
    others = [level for level in found if level != check]
    if not others:
        raise InputError(
            f"Every row has the treatment {check!r}, so nothing is compared with it. "
            "Give the rows of at least one other treatment."
        )
    column = np.array(labels)
    x = np.column_stack([np.ones(column.size), *((column == level) * 1.0 for level in others)])
    eye = np.eye(len(found))
    means = eye.copy()
    means[:, 0] = 1
    terms = ("intercept", *(f"{level}-{check}" for level in others))
    return TreatmentDesign(x, terms, (check, *others), means, eye[1:])


def _list(names: Sequence[str]) -> str:
    return ", ".join(names)


def checked_design(
    y: ArrayLike, x: ArrayLike, terms: Sequence[str] | None
) -> tuple[FloatArray, FloatArray, tuple[str, ...]]:
    """Responses, design of full column rank and its names; an :class:`InputError` otherwise."""
    values, design = _numbers(y, "y"), _numbers(x, "x")
    if values.ndim != 1:
        raise InputError(f"y has {values.ndim} dimensions: give one value per row.")
    if design.ndim != 2 or design.shape[0] != values.size or not design.shape[1]:  # exact: a table
        raise InputError(
            f"x has shape {design.shape} for {values.size} values of y: give one row per value "
            "and one column per fixed effect, the intercept among them."
        )
    n, p = design.shape
    names = tuple(terms) if terms is not None else tuple(f"x{i + 1}" for i in range(p))
    if len(names) != p or len(set(names)) != p:
        raise InputError(f"terms {names}: give {p} different names, one per column of x.")
    if n <= p:
        raise InputError(
            f"{n} rows for {p} fixed effects: nothing is left for the variances. "
            "Give more rows or fewer terms."
        )
    lengths = np.sqrt(np.einsum("ij,ij->j", design, design))
    for name, length in zip(names, lengths, strict=True):
        if length == 0:
            raise InputError(f"The column {name} of x is zero in every row. Leave it out.")
    _, triangle, pivots = qr(design / lengths, mode="economic", pivoting=True)
    short = np.flatnonzero(np.abs(np.diag(triangle)) < RANK_TOLERANCE)
    if short.size:
        extra = ", ".join(names[int(i)] for i in sorted(pivots[short]))
        raise InputError(
            f"x has {p} columns but rank {p - short.size}: {extra} can be written with the other "
            "columns. Leave it out, or look for a treatment that occurs in no row of its own."
        )
    return values, design, names


def checked_response(y: ArrayLike, n: int, what: str = "y") -> FloatArray:
    """``n`` finite numbers for a design that stands; an :class:`InputError` otherwise."""
    values = _numbers(y, what)
    if values.shape != (n,):
        raise InputError(f"{what} has shape {values.shape}: give {n} values, one each.")
    return values


def _numbers(values: ArrayLike, what: str) -> FloatArray:
    try:
        out: FloatArray = np.asarray(values, dtype=float)
    except (TypeError, ValueError):
        raise InputError(
            f"{what} contains something that is not a number. Give numbers only; code factors "
            "as columns of zeros and ones."
        ) from None
    bad = np.argwhere(~np.isfinite(out))
    if bad.size:
        place = ", ".join(str(int(i) + 1) for i in bad[0])
        raise InputError(
            f"{what} is {out[tuple(bad[0])]} at position {place} ({len(bad)} such values). "
            "Drop these rows or fill them with what was measured."
        )
    return out


def checked_factor(
    name: str, column: ArrayLike, n: int
) -> tuple[tuple[str, ...], NDArray[np.intp]]:
    """Level names in sorted order and every row's level."""
    raw = np.asarray(column)
    if raw.shape != (n,):
        raise InputError(f"The factor {name} has shape {raw.shape}: give one level per row, {n}.")
    if raw.dtype.kind == "f" and not np.isfinite(raw).all():
        raise InputError(f"The factor {name} has rows without a level. Name a level or drop them.")
    if raw.dtype.kind == "O":
        if any(level is None or level != level for level in raw):
            raise InputError(
                f"The factor {name} has rows without a level. Name a level or drop them."
            )
        raw = np.array([str(level) for level in raw])
    levels, index = np.unique(raw, return_inverse=True)
    if levels.size < 2:  # exact: a variance needs two
        raise InputError(
            f"The factor {name} has one level, {levels[0] if levels.size else 'none'}: its "
            "variance cannot be estimated from one. Leave the factor out."
        )
    if levels.size == n:
        raise InputError(
            f"The factor {name} has as many levels as there are rows, {n}: its variance and the "
            "residual variance are one. Leave the factor out."
        )
    return tuple(str(level) for level in levels.tolist()), index.astype(np.intp)


def refuse_same_partition(factors: Mapping[str, tuple[tuple[str, ...], NDArray[np.intp]]]) -> None:
    """Refuse two factors that put the same rows together."""
    seen: dict[bytes, str] = {}
    for name, (labels, index) in factors.items():
        # Levels renumbered by first appearance: the same bytes mean the same partition of rows.
        _, first = np.unique(index, return_index=True)
        rank = np.empty(len(labels), dtype=np.intp)
        rank[np.argsort(first)] = np.arange(len(labels))
        key = rank[index].tobytes()
        if key in seen:
            raise InputError(
                f"The factors {seen[key]} and {name} put the same rows together: their variances "
                "cannot be told apart. Leave one of them out."
            )
        seen[key] = name
