"""Tables of most probable numbers: every likely code of a design with its limits (§1.3)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, ndtri, xlogy

from rhizoledger.counts.mpn import (
    LN_10,
    Interval,
    MpnCount,
    MpnStatus,
    bound_level,
    count_mpn,
    rarity_category,
)
from rhizoledger.counts.mpn_many import densities, log10_errors
from rhizoledger.errors import InputError
from rhizoledger.stats.profile import chi2_1

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MOST_ROWS = 200_000  # numeric: a longer table is a slip, and nobody reads it
LIMIT_STEPS = 200  # numeric: halving alone would have ended by then
LIMIT_SETTLED = 1e-12  # numeric: relative error left in a limit
FARTHEST = 1e300  # numeric: as far as a limit is followed


@dataclass(frozen=True, slots=True)
class TableRow:
    """One code of a design.

    Parameters
    ----------
    positive : tuple of int
        Positive tubes for each amount, in the design's order.
    mpn : float or None
        Most probable number per unit of amount; None where all tubes are positive.
    low, high : float or None
        Limits; None where there is none.
    log10_se : float or None
        Standard error of the log10 density; None at a bound.
    rarity_index : float
        1 for the likeliest code at its density.
    category : int
        Of the rarity index.
    status : {"interior", "all_negative", "all_positive"}
        At the two ends ``low`` or ``high`` is a one-sided bound.
    """

    positive: tuple[int, ...]
    mpn: float | None
    low: float | None
    high: float | None
    log10_se: float | None
    rarity_index: float
    category: int
    status: MpnStatus


def mpn_table(
    amount: Sequence[float],
    tubes: Sequence[int],
    *,
    min_rarity: float = 0.05,  # exact: edge of category 1
    interval: Interval = "jarvis",
    level: float = 0.95,  # exact: the level of printed tables
) -> list[TableRow]:
    """Every code of a design whose rarity index is not below a limit, in the order of the codes.

    Parameters
    ----------
    amount, tubes : sequence, shape (k,)
        The design as for :func:`rhizoledger.counts.mpn.count_mpn`, in which no amount stands twice.
    min_rarity : float
        Least rarity index, 0 for every code.
    interval : {"jarvis", "likelihood", "exact"}
        As for ``count_mpn``.
    level : float
        Confidence level in (0, 1).

    Raises
    ------
    InputError
        If the design cannot be, an amount stands twice, or there are too many codes.

    Notes
    -----
    §1.3. All codes are solved at once; limits agree with ``count_mpn`` to 1e-9 of their value.

    Examples
    --------
    >>> [row.positive for row in mpn_table([1.0, 0.1], [1, 1])]
    [(0, 0), (0, 1), (1, 0), (1, 1)]
    """
    none = count_mpn(amount, tubes, [0] * len(tubes), level=level, interval=interval)
    every = count_mpn(amount, tubes, tubes, level=level, interval=interval)
    if len(none.amounts) < len(amount):
        raise InputError("An amount stands twice in the design. Add its tubes up.")
    if not 0 <= min_rarity <= 1:
        raise InputError(f"The least rarity index is {min_rarity:g}; it lies between 0 and 1.")
    total = math.prod(int(n) + 1 for n in tubes)
    if total > MOST_ROWS:
        raise InputError(
            f"This design has more codes than a table can hold ({MOST_ROWS}). "
            "Count single codes instead."
        )
    z, n = np.asarray(amount, dtype=np.float64), np.asarray(tubes, dtype=np.int64)
    codes = np.stack(np.meshgrid(*(np.arange(k + 1) for k in n), indexing="ij"), axis=-1)
    inner = codes.reshape(total, len(n))[1:-1]
    lam = densities(z, n, inner)
    rarity = rarity_indices(lam, z, n, inner)
    kept = rarity >= min_rarity
    inner, lam, rarity = inner[kept], lam[kept], rarity[kept]
    errors = log10_errors(lam, z, n, inner)
    low, high = _limits(lam, errors, z, n, inner, interval, level)
    rows = [_row(tuple(int(x) for x in code), lam[i], low[i], high[i], errors[i], rarity[i])
            for i, code in enumerate(inner)]  # fmt: skip
    return [_end(none), *rows, _end(every, tubes)]


def table_alpha(level: float, interval: Interval) -> float:
    """α of the bounds in the first and the last row of a table."""
    return bound_level(level, interval)


def rarity_indices(density: FloatArray, z: FloatArray, n: IntArray, x: IntArray) -> FloatArray:
    """Rarity index of many codes of one design, each at its own density.

    Parameters
    ----------
    density : array, shape (m,)
        Finite and above zero.
    z, n : array, shape (k,)
        Amounts and tubes.
    x : array, shape (m, k)
        Positive tubes.

    Examples
    --------
    >>> half = rarity_indices(np.log([2.0]), np.array([1.0]), np.array([2]), np.array([[1]]))
    >>> half.tolist()
    [1.0]
    """
    y = density[:, np.newaxis] * z
    p = -np.expm1(-y)
    likeliest = np.minimum(np.floor(p * (n + 1)), n)

    def log_probability(k: FloatArray | IntArray) -> FloatArray:
        coefficients = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
        return np.asarray((coefficients + xlogy(k, p) - (n - k) * y).sum(axis=1))

    ratio = np.exp(log_probability(x) - log_probability(likeliest))
    return np.minimum(1.0, ratio)


def likelihood_limits_many(
    density: FloatArray,
    log10_error: FloatArray,
    z: FloatArray,
    n: IntArray,
    x: IntArray,
    level: float,
) -> tuple[FloatArray, FloatArray]:
    """Likelihood-ratio limits of many codes of one design.

    Parameters
    ----------
    density, log10_error : array, shape (m,)
        Most probable numbers, finite and above zero, and their standard errors.
    z, n, x
        As for :func:`rarity_indices`.
    level : float
        Confidence level in (0, 1).

    Notes
    -----
    The signed root r = ±√(2(ℓ_max - ℓ)) is nearly linear in ln λ, so Newton's method on it needs a
    handful of steps; a bracket catches those that would run away.
    """
    negatives = ((n - x) * z).sum(axis=1)

    def likelihood(t: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Log likelihood and its slope on ln λ."""
        lam = np.exp(t)
        y = lam[:, np.newaxis] * z
        with np.errstate(over="ignore", divide="ignore", invalid="ignore"):
            log = xlogy(x, -np.expm1(-y)).sum(axis=1) - lam * negatives
            b = np.where(y > 0, y / np.expm1(y), 1.0)
        return log, (x * b).sum(axis=1) - lam * negatives

    best, best_t = likelihood(np.log(density))[0], np.log(density)
    wanted = math.sqrt(chi2_1(level))
    ends = []
    for sign in (-1.0, 1.0):
        t = best_t + sign * wanted * np.minimum(log10_error * LN_10, 2.0)
        inner_t, outer_t = best_t.copy(), np.full_like(t, sign * math.log(FARTHEST))
        for _ in range(LIMIT_STEPS):
            log, slope = likelihood(t)
            r = np.sqrt(np.maximum(2 * (best - log), 0.0))
            inside = r < wanted
            inner_t, outer_t = np.where(inside, t, inner_t), np.where(inside, outer_t, t)
            with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
                step = (wanted - r) * r / -slope
            moved = t + step
            between = (moved - inner_t) * (moved - outer_t) < 0
            # Doubling, not halving, on the open side: the far end is very far.
            away = np.minimum(np.abs(t - best_t), 0.5 * np.abs(outer_t - inner_t))
            halved = np.where(inside, t + sign * away, 0.5 * (inner_t + outer_t))
            settled = np.abs(step) <= LIMIT_SETTLED
            t = np.where(settled, t, np.where(between, moved, halved))
            if settled.all():
                break
        ends.append(np.exp(t))
    return ends[0], ends[1]


def _limits(
    lam: FloatArray,
    errors: FloatArray,
    z: FloatArray,
    n: IntArray,
    x: IntArray,
    interval: Interval,
    level: float,
) -> tuple[FloatArray, FloatArray]:
    if interval == "jarvis":
        with np.errstate(over="ignore"):
            reach = np.exp(ndtri(0.5 + 0.5 * level) * errors * LN_10)
        return lam / reach, lam * reach
    if interval == "likelihood":
        return likelihood_limits_many(lam, errors, z, n, x, level)
    rows = [count_mpn(z.tolist(), n.tolist(), k.tolist(), level=level, interval="exact").estimate
            for k in x]  # fmt: skip
    low = np.array([row.low for row in rows], dtype=np.float64)
    return low, np.array([row.high for row in rows], dtype=np.float64)


def _row(
    code: tuple[int, ...], lam: float, low: float, high: float, error: float, rarity: float
) -> TableRow:
    top = None if math.isinf(high) else float(high)
    r = float(rarity)
    return TableRow(
        code, float(lam), float(low), top, float(error), r, rarity_category(r), "interior"
    )


def _end(count: MpnCount, tubes: Sequence[int] | None = None) -> TableRow:
    code = (0,) * len(count.tubes) if tubes is None else tuple(int(n) for n in tubes)
    e = count.estimate
    return TableRow(code, e.value, e.low, e.high, None, 1.0, 1, count.status)
