"""Counts by nodulated test plants: maximum likelihood beside the handbook's total (§1.4)."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln, ndtri, xlogy

from rhizoledger.counts.mpn import Interval, MpnCount, MpnStatus, count_mpn
from rhizoledger.errors import InputError
from rhizoledger.estimate import Estimate
from rhizoledger.stats.poisson import checked_level
from rhizoledger.stats.profile import log_root, step_out

FloatArray = NDArray[np.float64]
Controls = tuple[int, int]
InfectionStatus = MpnStatus | Literal["void"]

ALIQUOT = "rhizobia/aliquot"
ROUNDING = 1e-9  # numeric: two estimates closer than this are the same number
HALVINGS = 64  # numeric: more than the bits of a float, whatever the bracket
MOST_PLANTS = 2000  # numeric: more in one count is a slip, and would be slow
FARTHEST_STEP = 1e30  # numeric: a series beyond this is a slip, and would overflow


@dataclass(frozen=True, slots=True)
class InfectionCount:
    """Rhizobia per aliquot of the first dilution, by two estimators.

    Parameters
    ----------
    by_likelihood : Estimate
        Maximum likelihood over the whole pattern; the number that is followed.
    by_total : Estimate
        From the total of nodulated plants alone, as printed tables give it.
    total, plants : int
        Plants that nodulated, and plants in the dilutions; controls are in neither.
    rarity_index : float or None
        Likelihood of the pattern over that of the likeliest at the same density; None if void.
    status : {"interior", "all_negative", "all_positive", "void"}
        At the two ends both estimates are bounds; a void count has no number.
    disagree : bool
        Whether the two estimates are further apart than the same plants let them be by chance.
    warnings : tuple of str
        What a reader must know.
    """

    by_likelihood: Estimate
    by_total: Estimate
    total: int
    plants: int
    rarity_index: float | None
    status: InfectionStatus
    disagree: bool
    warnings: tuple[str, ...]


def serial_amounts(factor: float, steps: int) -> list[float]:
    """Aliquots of a dilution series, in aliquots of its first dilution.

    Parameters
    ----------
    factor : float
        Dilution factor, above 1: 10 for tenfold.
    steps : int
        Dilutions planted, >= 1.

    Examples
    --------
    >>> serial_amounts(5.0, 3)
    [1.0, 0.2, 0.04]
    """
    if not (math.isfinite(factor) and factor > 1):
        raise InputError(
            f"The dilution factor is {factor!r}; it must be above 1. Write 10 for tenfold."
        )
    if not (steps >= 1 and (steps - 1) * math.log(factor) <= math.log(FARTHEST_STEP)):
        raise InputError(
            f"{steps} dilutions of factor {factor:g} are no series that can be planted. "
            "Check the factor and the number of dilutions."
        )
    return [factor**-i for i in range(steps)]


def count_infection(
    amount: Sequence[float],
    plants: Sequence[int],
    nodulated: Sequence[int],
    *,
    level: float = 0.95,  # exact: the customary level
    interval: Interval = "jarvis",
    uninoculated: Controls | None = None,
    inoculated: Controls | None = None,
) -> InfectionCount:
    """Rhizobia per aliquot of the first dilution, from plants that nodulated or did not.

    Parameters
    ----------
    amount : sequence of float, shape (n,)
        What each plant of a dilution received, in aliquots of the first dilution, > 0.
    plants, nodulated : sequence of int, shape (n,)
        Plants that can be judged (>= 1), and how many of them nodulated.
    level : float
        Confidence level in (0, 1).
    interval : {"jarvis", "likelihood"}
        Interval of the maximum-likelihood estimate; that of the total is always exact.
    uninoculated : (nodulated, plants), optional
        Plants without any sample: one that nodulates voids the count.
    inoculated : (nodulated, plants), optional
        Plants given plenty of a strain known to nodulate: if none does, the count is void.

    Returns
    -------
    InfectionCount
        All negative: upper bounds, values 0. All positive: lower bounds, no values. Both bounds
        are one-sided with α = 1 - ``level`` and are the same for both estimators.

    Raises
    ------
    InputError
        If the columns differ in length, or a number is not possible.

    Notes
    -----
    §1.4. Holds where one nodulating cell is enough and every plant can be reached. The total-
    positives estimate m solves Σ n (1 - e^{-mz}) = T. Its interval inverts the exact distribution
    of T, a sum of independent binomials (convolved): P(T >= t) and P(T <= t) are both at least
    (1 - ``level``)/2 inside it.

    References
    ----------
    The dilution-series appendix of the handbook for rhizobia (total-positives tables).

    Examples
    --------
    With one dilution the two estimators are one: -ln(1 - 2/4).

    >>> count = count_infection([1.0], [4], [2])
    >>> round(count.by_likelihood.value, 6), round(count.by_total.value, 6)
    (0.693147, 0.693147)
    """
    ml = count_mpn(amount, plants, nodulated, level=level, unit=ALIQUOT, interval=interval)
    n = int(sum(plants))
    if n > MOST_PLANTS:
        raise InputError(f"There are {n} plants; one count takes at most {MOST_PLANTS}.")
    total = int(sum(nodulated))
    void, doubts = _controls(uninoculated, inoculated)
    if void:
        none = Estimate.not_known(ALIQUOT, "void by its controls")
        return InfectionCount(none, none, total, n, None, "void", False, tuple(void))
    by_total = total_positives(amount, plants, total, level=level, unit=ALIQUOT)
    said = [*(w.replace("tubes", "plants") for w in ml.warnings), *doubts]
    apart = _apart(ml, by_total, level)
    if apart:
        said.insert(0, _disagreement(ml, by_total))
    return InfectionCount(
        ml.estimate, by_total, total, n, ml.rarity_index, ml.status, apart, tuple(said)
    )


def total_positives(
    amount: Sequence[float],
    plants: Sequence[int],
    total: int,
    *,
    level: float = 0.95,  # exact: the customary level
    unit: str = ALIQUOT,
) -> Estimate:
    """Density from the total of nodulated plants, with exact limits.

    Parameters
    ----------
    amount, plants : sequence, shape (n,)
        The design, as for :func:`count_infection`.
    total : int
        Nodulated plants in all, 0 to Σ plants.
    level : float
        Confidence level in (0, 1).
    unit : str
        Unit of the result.

    Examples
    --------
    Of four plants in one dilution two nodulated; P(T >= 2) is 1/40 at the lower limit.

    >>> found = total_positives([1.0], [4], 2)
    >>> round(1 - math.exp(-found.low), 4), round(1 - math.exp(-found.high), 4)
    (0.0676, 0.9324)
    """
    alpha = 1 - checked_level(level)
    z, n = np.asarray(amount, dtype=float), np.asarray(plants, dtype=float)
    last = int(n.sum())
    if not 0 <= total <= last:
        raise InputError(f"{total} of {last} plants nodulated: that cannot be. Check the two.")

    def tail(t: float, of: slice) -> float:
        return float(total_distribution(math.exp(t), z, n)[of].sum())

    value = float(total_estimates(z, n, [total])[0]) if total < last else None
    # Where the mean of T is a whole number it is the median too, so that at ``value`` either tail
    # holds at least half; at the two ends the search starts from a plant's worth.
    start = math.log(value) if value else -math.log(float((n * z).sum()) / last)
    outside = alpha / 2 if 0 < total < last else alpha

    def limit(of: slice, direction: float) -> float:
        def inside(t: float) -> float:
            return tail(t, of) - outside

        return _crossing(inside, start, direction)

    at_least, at_most = slice(total, None), slice(None, total + 1)
    side = f"one-sided {'upper' if total == 0 else 'lower'} bound, alpha = {alpha:.3g}"
    edge = not 0 < total < last
    return Estimate(
        value=value,
        low=limit(at_least, -1.0) if total > 0 else 0.0,
        high=limit(at_most, 1.0) if total < last else None,
        unit=unit,
        level=1 - alpha,
        kind="confidence",
        n=last,
        method=f"total of positives, {side if edge else 'exact interval by convolution'}",
        status="at_limit" if edge else "ok",
    )


def total_estimates(amount: ArrayLike, plants: ArrayLike, totals: ArrayLike) -> FloatArray:
    """The m that solve Σ n (1 - e^{-mz}) = T, many totals of one design at once.

    Parameters
    ----------
    amount, plants : array_like, shape (n,)
        Amounts z > 0 and plants >= 1.
    totals : array_like, shape (m,)
        Totals T, 0 <= T < Σ plants.

    Returns
    -------
    array, shape (m,)
        0 where T is 0.

    Notes
    -----
    T/Σnz <= m <= -ln(1 - T/Σn)/min z, as 1 - e^{-mz} lies between its value at min z and mz. The
    bracket is halved on ln m until it is empty.

    Examples
    --------
    >>> total_estimates([1.0], [2], [0, 1]).round(6)  # ln 2
    array([0.      , 0.693147])
    """
    z, n = np.asarray(amount, dtype=float), np.asarray(plants, dtype=float)
    t = np.asarray(totals, dtype=float)
    some = np.where(t > 0, t, 0.5)
    low = np.log(some / (n * z).sum()) - 0.5
    high = np.log(-np.log1p(-some / n.sum()) / z.min()) + 0.5
    for _ in range(HALVINGS):
        middle = 0.5 * (low + high)
        expected = (n * -np.expm1(-np.exp(middle)[:, np.newaxis] * z)).sum(axis=-1)
        low, high = np.where(expected < some, middle, low), np.where(expected < some, high, middle)
    return np.where(t > 0, np.exp(0.5 * (low + high)), 0.0)


def total_distribution(m: float, amount: FloatArray, plants: FloatArray) -> FloatArray:
    """P(T = 0), P(T = 1), … of the total of positives at a density, shape (Σ plants + 1,).

    Examples
    --------
    >>> total_distribution(math.log(2), np.array([1.0]), np.array([2.0]))
    array([0.25, 0.5 , 0.25])
    """
    out = np.ones(1)
    for z, n in zip(amount, plants, strict=True):
        k, ways = _ways(int(n))
        out = np.convolve(out, np.exp(ways + xlogy(k, -math.expm1(-m * z)) - (n - k) * m * z))
    return out


@lru_cache(maxsize=100)
def _ways(n: int) -> tuple[NDArray[np.intp], FloatArray]:
    """0 to n, and the logarithms of the ways to choose so many of n."""
    k = np.arange(n + 1)
    return k, gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)


def _crossing(inside: Callable[[float], float], start: float, direction: float) -> float:
    """Where ``inside`` falls through zero on the way from ``start`` in a direction."""
    if inside(start) < 0:  # only at the two ends, where the start is no estimate
        direction = -direction
        beyond = step_out(inside, start, direction)
    else:
        beyond = step_out(lambda t: -inside(t), start, direction)
    if beyond is None:
        raise InputError("These amounts give no limit. Check the dilutions.")
    return math.exp(log_root(inside, *sorted((start, beyond))))


def _apart(ml: MpnCount, by_total: Estimate, level: float) -> bool:
    """Whether ln(m_total/m_ml) is outside its own interval about zero.

    The likelihood estimate is the efficient one, so the variance of the difference is that of the
    total's estimate less its own (Hausman, Econometrica 46 (1978) 1251-1271): 1/J - 1/I with
    I = Σ n y² q/p and J = (Σ n y q)²/Σ n p q about ln m, y = mz, at the likelihood estimate.
    """
    m, other = ml.estimate.value, by_total.value
    if ml.status != "interior" or not m or not other:
        return False
    y, n = m * np.array(ml.amounts), np.array(ml.tubes, dtype=float)
    p, q = -np.expm1(-y), np.exp(-y)
    some = p > 0
    information = float((n * y**2 * q)[some] @ (1 / p[some]))
    of_total = float((n * y * q).sum()) ** 2 / float((n * p * q).sum())
    spread = math.sqrt(max(0.0, 1 / of_total - 1 / information))
    return abs(math.log(other / m)) > max(ROUNDING, float(ndtri(0.5 + 0.5 * level)) * spread)


def _disagreement(ml: MpnCount, by_total: Estimate) -> str:
    times = (by_total.value or 0.0) / (ml.estimate.value or 1.0)
    return (
        f"The two estimators disagree: the total of nodulated plants gives {times:.2g} times what "
        "maximum likelihood gives. Nodulated and clean plants are mixed over more dilutions than "
        "one density explains; look for carry-over, stray rhizobia and plants that failed."
    )


def _controls(
    uninoculated: Controls | None, inoculated: Controls | None
) -> tuple[list[str], list[str]]:
    """What voids the count, and what only lowers trust in it."""
    void: list[str] = []
    doubts: list[str] = []
    if uninoculated is not None:
        k, n = _checked(uninoculated, "uninoculated control")
        if k:
            void.append(
                f"Void: {k} of {n} uninoculated plants nodulated, so rhizobia came from elsewhere. "
                "Find where from, and repeat the count."
            )
    if inoculated is not None:
        k, n = _checked(inoculated, "positive control")
        if k == 0:
            void.append(
                f"Void: none of {n} plants of the positive control nodulated, so a clean plant "
                "proves nothing. Check seed, medium and growth, and repeat the count."
            )
        elif k < n:
            doubts.append(
                f"{n - k} of {n} plants of the positive control stayed clean, so some clean plants "
                "may have had rhizobia too: the count may read low."
            )
    return void, doubts


def _checked(control: Controls, what: str) -> Controls:
    k, n = control
    if not (n >= 1 and 0 <= k <= n and k % 1 == 0 and n % 1 == 0):
        raise InputError(
            f"{what}: {k:g} of {n:g} plants cannot be. Write nodulated/plants, such as 0/4."
        )
    return int(k), int(n)
