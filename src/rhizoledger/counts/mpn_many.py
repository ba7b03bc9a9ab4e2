"""Most probable numbers of very many designs at once, in plain numpy (§1.3).

Every design is solved on its own: nothing is kept from one to the next, and no two need be alike.
Designs go through in chunks that stay in the processor's caches, those of one length together and
dilution by dilution, and three ideas keep the number of exponentials near two for each tube row:

* a start that is a proven lower bound: z/(e^{λz} - 1) is convex in z, so any group S of rows tells
  λ ≥ ln(1 + Σ_S x z/N)·Σ_S x/Σ_S x z, with N = Σ (n - x) z. The best group of the smallest
  amounts is taken: the root itself with one dilution, and within a fifth of it on every design
  tried with several;
* Halley's third-order step on ln λ for ln Σ x B(λz) = ln λN, where B(y) = y/(e^y - 1): both
  derivatives come from the same exponential;
* a bracket that is narrowed on the way and halved where a step would leave it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rhizoledger.counts.mpn import LEAST, MOST, MOST_TUBES
from rhizoledger.errors import InputError

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

CHUNK = (
    32_768  # numeric: designs at a time; larger ones leave the cache, smaller ones wait on calls
)
ROUNDS = 4  # numeric: groups that are tried where amounts are in no order
SURELY = 2.0  # numeric: organisms in a tube from which its row rather lowers the bound
SETTLED = 1e-4  # numeric: Halley's error is about a third of the cube of its last step
MOST_STEPS = 200  # numeric: halving alone would have ended by then
NO_POSITIVE = 700.0  # numeric: e^-700 is as good as zero, and e^700 does not overflow
LEAST_SUM = 1e-290  # numeric: stands where a sum of amounts is empty


def densities(amounts: ArrayLike, tubes: ArrayLike, positives: ArrayLike) -> FloatArray:
    """Most probable numbers of many designs.

    Parameters
    ----------
    amounts : array, shape (m, k) or (k,)
        Undiluted sample in each tube, in the unit that results are per, 1e-30 to 1e30; any
        order.
    tubes, positives : array, shape (m, k) or (k,)
        Tubes, and how many turned positive. Shorter designs are filled up with rows of no tubes,
        whatever their amount.

    Returns
    -------
    array, shape (m,)
        Organisms per one unit of amount; 0 where all tubes are negative, infinity where all are
        positive.

    Raises
    ------
    InputError
        If a design cannot be; the first one is named by its place, counted from 1.

    Notes
    -----
    §1.3. The same root as :func:`rhizoledger.counts.mpn.count_mpn`, to 1e-10 of its value or
    better.

    Examples
    --------
    Half of ten tubes: ln 2. Then none, and all of them.

    >>> densities([[1.0]] * 3, [[10]] * 3, [[5], [0], [10]]).round(6).tolist()
    [0.693147, 0.0, inf]
    """
    z, n, x = _shaped(amounts, tubes, positives)
    out = np.empty(len(z))
    with np.errstate(all="ignore"):  # a sum without positives is 0/0; such rows are set at the end
        for rows, block in _blocks(z, n, x):
            out[rows] = _solved(*block)
    return out


def log10_errors(
    density: ArrayLike, amounts: ArrayLike, tubes: ArrayLike, positives: ArrayLike
) -> FloatArray:
    """Standard errors of the log10 densities, from observed information.

    Parameters
    ----------
    density : array, shape (m,)
        As :func:`densities` returns it for the same designs.
    amounts, tubes, positives : array, shape (m, k) or (k,)
        As for :func:`densities`.

    Returns
    -------
    array, shape (m,)
        NaN where all tubes are negative or all positive: there is a bound, and no error.

    Examples
    --------
    One dilution, half of ten tubes: √(p/(n q))/(λz ln 10) = √0.1/(ln 2 · ln 10).

    >>> log10_errors([np.log(2)], [[1.0]], [[10]], [[5]]).round(4).tolist()
    [0.1981]
    """
    z, n, x = _shaped(amounts, tubes, positives)
    lam = np.asarray(density, dtype=np.float64)
    out = np.empty(len(z))
    with np.errstate(all="ignore"):
        for rows, (amount, _, positive) in _blocks(z, n, x):
            y, b = _b(lam[rows], amount)
            information = np.einsum("km,km->m", positive * b, y + b)
            inside = (lam[rows] > 0) & np.isfinite(lam[rows])
            out[rows] = np.where(inside, 1 / (np.sqrt(information) * math.log(10)), np.nan)
    return out


Block = tuple[FloatArray, FloatArray, FloatArray]


def _shaped(
    amounts: ArrayLike, tubes: ArrayLike, positives: ArrayLike
) -> tuple[NDArray[np.generic], ...]:
    given = [np.asarray(each) for each in (amounts, tubes, positives)]
    if any(each.dtype.kind not in "iuf" for each in given):
        raise InputError("Amounts, tubes and positives must be numbers. Check the columns.")
    try:
        shape = np.broadcast_shapes(*(each.shape for each in given))
    except ValueError as error:
        shapes = ", ".join(str(each.shape) for each in given)
        raise InputError(
            f"Amounts, tubes and positives have shapes {shapes}. Give one of each per tube row."
        ) from error
    if len(shape) != 2 or shape[1] == 0:
        raise InputError(
            f"Designs have shape {shape}. Give one design in a row and one amount in a column."
        )
    return tuple(np.broadcast_to(each, shape) for each in given)


def _blocks(*given: NDArray[np.generic]) -> Iterator[tuple[slice, Block]]:
    """Chunks of designs as checked floats, dilution by dilution: amounts, negatives, positives.

    Where there is no tube the amount does not matter; it is held finite.
    """
    for first in range(0, len(given[0]), CHUNK):
        rows = slice(first, first + CHUNK)
        z, n, x = (np.array(each[rows].T, dtype=np.float64, order="C") for each in given)
        negative = n - x
        none = n == 0
        if none.any():
            z[none] = LEAST
        whole = all(each.dtype.kind in "iu" for each in given[1:]) or (
            bool((np.floor(n) == n).all()) and bool((np.floor(x) == x).all())
        )
        fine = whole and x.min() >= 0 and negative.min() >= 0 and n.max() <= MOST_TUBES
        if not (fine and z.min() >= LEAST and z.max() <= MOST and n.max(axis=0).min() > 0):
            _name_the_first(first, z, n, x)
        yield rows, (z, negative, x)


def _name_the_first(first: int, z: FloatArray, n: FloatArray, x: FloatArray) -> None:
    """Say which design cannot be, and why.

    Raises
    ------
    InputError
        Always, for the first design of the chunk that cannot be.
    """
    whole = (np.floor(n) == n) & (np.floor(x) == x) & (x >= 0) & (n >= 0) & (n <= MOST_TUBES)
    checks = (
        (~whole, "tubes and positives must be whole numbers, zero or more"),
        (x > n, "there are more positive tubes than tubes"),
        (~((z >= LEAST) & (z <= MOST)), f"an amount is not between {LEAST:g} and {MOST:g}"),
        (np.broadcast_to(n.max(axis=0) == 0, n.shape), "there are no tubes"),
    )
    row, says = min(
        (int(np.flatnonzero(bad.any(axis=0))[0]), text) for bad, text in checks if bad.any()
    )
    raise InputError(f"Design {first + row + 1}: {says}. Correct it or leave it out.")


def _b(lam: FloatArray, z: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Organisms y = λz in a tube, and B(y) = y/(e^y - 1): 1 for few, 0 for many."""
    y = lam * z
    np.minimum(y, NO_POSITIVE, out=y)
    b = np.expm1(y)
    return y, np.divide(y, b, out=b)


def _solved(z: FloatArray, negative: FloatArray, x: FloatArray) -> FloatArray:
    """Roots of a chunk, taken in groups that end with the same dilution with a positive tube."""
    n_z = np.einsum("km,km->m", negative, z)
    length = np.zeros(len(n_z), dtype=np.int8 if len(z) < 100 else np.int64)
    for j, row in enumerate(x):
        length[row > 0] = j + 1
    out = np.where(length == 0, 0.0, np.inf)
    length[n_z == 0] = 0
    order = np.argsort(length, kind="stable")
    ends = np.searchsorted(length[order], np.arange(len(z) + 1), side="right").tolist()
    for k, (first, end) in enumerate(pairwise(ends), start=1):
        if first < end:
            group = order[first:end]
            z_k, x_k = (np.take(each[:k], group, axis=1) for each in (z, x))
            out[group] = _roots(z_k, x_k, n_z[group])
    return out


def _start(z: FloatArray, x: FloatArray, n_z: FloatArray) -> FloatArray:
    """The best of the lower bounds by groups of the smallest amounts.

    Where amounts run from large to small the groups are all those there are; else a few, each
    without the amounts that the bound before it calls surely positive.
    """
    best = np.zeros_like(n_z)
    if (z[1:] <= z[:-1]).all():
        count, weight = np.zeros_like(n_z), np.zeros_like(n_z)
        for j in range(len(z) - 1, -1, -1):
            count += x[j]
            weight += x[j] * z[j]
            np.maximum(best, _bound(count, weight, n_z), out=best)
        return best
    group = x
    for _ in range(ROUNDS):
        weight = np.einsum("km,km->m", group, z)
        np.maximum(best, _bound(group.sum(axis=0), weight, n_z), out=best)
        group = x * (z * best < SURELY)
    return best


def _bound(count: FloatArray, weight: FloatArray, n_z: FloatArray) -> FloatArray:
    bound = np.log1p(weight / n_z)
    bound *= count
    bound /= np.maximum(weight, LEAST_SUM)
    return bound


def _roots(z: FloatArray, x: FloatArray, n_z: FloatArray) -> FloatArray:
    low, high = _start(z, x, n_z), x.sum(axis=0) / n_z
    out = np.empty_like(low)
    left = np.arange(len(low))
    lam = low
    for _ in range(MOST_STEPS):
        step, above = _halley(lam, z, x, n_z)
        far = ~(np.abs(step) <= SETTLED)
        low, high = np.where(above, lam, low), np.where(above, high, lam)
        moved = lam * np.exp(step)
        outside = far & ~((moved > low) & (moved < high))
        if outside.any():
            moved = np.where(outside, np.sqrt(low) * np.sqrt(high), moved)
        out[left] = moved
        going = np.flatnonzero(far)
        if len(going) == 0:
            return out
        left, lam, n_z = left[going], moved[going], n_z[going]
        low, high, z, x = (
            low[going],
            high[going],
            np.take(z, going, axis=1),
            np.take(x, going, axis=1),
        )
    raise InputError("These designs have no root that numbers can hold. Check the amounts.")


def _halley(
    lam: FloatArray, z: FloatArray, x: FloatArray, n_z: FloatArray
) -> tuple[FloatArray, BoolArray]:
    """The step on ln λ, and whether the root lies above."""
    y, b = _b(lam, z)
    w = x * b
    s = w.sum(axis=0)
    y += b  # c = y + B, the slope of -ln B + ln y on ln λ
    w *= y
    first = w.sum(axis=0) / s
    b += y
    second = np.einsum("km,km->m", w, b) / s
    f = np.log(s / (lam * n_z))
    newton = f / first
    curvature = (second - first - first * first) / first
    return newton / (1 - 0.5 * newton * curvature), f > 0
