"""Most probable numbers from tubes or test plants, any design (§1.3)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import gammaln, ndtri, xlogy

from rhizoledger.errors import InputError
from rhizoledger.estimate import Estimate
from rhizoledger.stats.poisson import checked_level
from rhizoledger.stats.profile import likelihood_limits, log_root, step_out
from rhizoledger.stats.proportions import clopper_pearson

FloatArray = NDArray[np.float64]
Interval = Literal["likelihood", "jarvis", "exact"]
MpnStatus = Literal["interior", "all_negative", "all_positive"]

LN_10 = math.log(10)
LEAST, MOST = 1e-30, 1e30  # numeric: amounts beyond these are slips, and would overflow
MOST_TUBES = 1_000_000  # numeric: more is a slip
SUSPECT = 1e-4  # exact: threshold of the US manual's own worksheet
UNLIKELY = 0.05  # exact: lower edge of category 1 of ISO 7218/Amd.1:2013 (from memory)
RARE = 0.01  # exact: lower edge of category 2 of ISO 7218/Amd.1:2013 (from memory)


@dataclass(frozen=True, slots=True)
class MpnCount:
    """A density from positive and negative tubes.

    Parameters
    ----------
    estimate : Estimate
        Organisms per one unit of what ``amount`` was measured in, linear.
    log10_se : float or None
        Standard error of the log10 density from observed information; None at a limit.
    rarity_index : float
        Likelihood of this outcome over that of the most likely outcome at the same density.
    status : {"interior", "all_negative", "all_positive"}
        At the two ends the estimate is a bound.
    warnings : tuple of str
        What a reader must know.
    amounts, tubes, positives : tuple
        The design, one entry per different amount.
    """

    estimate: Estimate
    log10_se: float | None
    rarity_index: float
    status: MpnStatus
    warnings: tuple[str, ...]
    amounts: tuple[float, ...]
    tubes: tuple[int, ...]
    positives: tuple[int, ...]

    @property
    def category(self) -> int:
        """Rarity category of ISO 7218/Amd.1:2013 (edges from memory): 1 likely … 3 rare."""
        return rarity_category(self.rarity_index)

    def log_likelihood(self, density: ArrayLike) -> FloatArray:
        """Log likelihood of densities in the estimate's unit, up to a constant; -inf below zero."""
        return _log_likelihood(density, *self._design())

    def bias_adjusted(self) -> float | None:
        """The density less its first-order bias, in the estimate's unit.

        None at a limit, and where the bias is as large as the density: the first order is then no
        approximation at all.

        Notes
        -----
        §1.3. Maximum likelihood reads high when tubes are few. With score U, linear in the
        positives, the bias is (E[U''] + 2 cov(U', U)) / (2 I²), all at the estimate.

        References
        ----------
        Salama et al., Biometrics 34 (1978) 403-406 (the published adjustment, re-derived).
        """
        lam = self.estimate.value
        if self.status != "interior" or lam is None:
            return None
        z, n, _ = self._design()
        y = lam * z
        q = np.exp(-y)
        p = -np.expm1(-y)
        some = p > 0
        z, n, q, p = z[some], n[some], q[some], p[some]
        slope = -(z**2) * q / p**2  # h', where U = Σ x h(λ) - Σ n z and h = z/p
        curvature = z**3 * q * (1 + q) / p**3  # exact: second derivative of h
        information = -(n * p * slope).sum()
        bias = ((n * p * curvature).sum() + 2 * (n * q * z * slope).sum()) / (2 * information**2)
        return float(lam - bias) if bias < lam else None

    def _design(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        return (
            np.array(self.amounts),
            np.array(self.tubes, dtype=float),
            np.array(self.positives, dtype=float),
        )


def count_mpn(
    amount: Sequence[float],
    tubes: Sequence[int],
    positive: Sequence[int],
    *,
    level: float = 0.90,  # exact: the level of plan.json
    unit: str = "MPN/g",
    interval: Interval = "likelihood",
    bound_alpha: float | None = None,
) -> MpnCount:
    """Most probable number by maximum likelihood.

    Parameters
    ----------
    amount : sequence of float, shape (n,)
        Undiluted sample in each tube, > 0, in the unit that the result is per.
    tubes, positive : sequence of int, shape (n,)
        Tubes (or test plants) at that amount, >= 1, and how many turned positive.
    level : float
        Confidence level in (0, 1).
    unit : str
        Unit of the result.
    interval : {"likelihood", "jarvis", "exact"}
        Likelihood ratio; λ·exp(±z·SE) from observed information; or Clopper and Pearson's limits of
        the share of positive tubes, for one amount only.
    bound_alpha : float, optional
        α of the one-sided bound where all tubes are negative or all positive. If not given,
        1 - ``level``, and half of it for the exact interval, which holds its level only so. Printed
        tables differ as well.

    Returns
    -------
    MpnCount
        All negative: an upper bound and value 0. All positive: a lower bound and no value.

    Raises
    ------
    InputError
        If the columns differ in length, a number is not possible, or the exact interval is asked
        for more than one amount.

    Notes
    -----
    §1.3. With z the amount, n tubes and x positive, λ solves Σ x z/(e^{λz} - 1) = Σ (n - x) z; the
    root lies between Σx/Σnz and Σx/Σ(n - x)z and is found on ln λ. Rows with the same amount are
    one row. Every organism is taken to grow and to be spread at random: for plant infection one
    nodulating cell must be enough. Either interval covers its level on average over densities; with
    three to five tubes the coverage of a 90 % interval dips to 80 % at single densities.

    References
    ----------
    Jarvis, Wilrich & Wilrich, J. Appl. Microbiol. 109 (2010) 1660-1667 (interval, rarity).

    Examples
    --------
    One dilution: λ = -ln(1 - x/n)/z.

    >>> result = count_mpn([1.0], [10], [5])
    >>> round(result.estimate.value, 6)  # ln 2
    0.693147
    """
    checked_level(level)
    z, n, x = _design(amount, tubes, positive)
    if interval == "exact" and len(z) > 1:
        raise InputError(
            f"The exact interval is that of one share of positive tubes, and there are {len(z)} "
            "amounts. Take the likelihood-ratio interval, or Jarvis'."
        )
    alpha = bound_level(level, interval, bound_alpha)
    total = int(n.sum())
    log10_se: float | None = None
    if x.sum() == 0:
        status: MpnStatus = "all_negative"
        rarity = 1.0
        estimate = Estimate(
            value=0.0,
            low=0.0,
            high=-math.log(alpha) / float((n * z).sum()),
            unit=unit,
            level=1 - alpha,
            kind="confidence",
            n=total,
            method=f"all tubes negative: one-sided upper bound, alpha = {alpha:.3g}",
            status="at_limit",
        )
    elif (x == n).all():
        status = "all_positive"
        rarity = 1.0
        estimate = Estimate(
            value=None,
            low=_all_positive_bound(z, n, alpha),
            high=None,
            unit=unit,
            level=1 - alpha,
            kind="confidence",
            n=total,
            method=f"all tubes positive: one-sided lower bound, alpha = {alpha:.3g}",
            status="at_limit",
        )
    else:
        status = "interior"
        lam = _maximum(z, n, x)
        rarity = _rarity(lam, z, n, x)
        se_ln = 1 / math.sqrt(_information_ln(lam, z, x))
        log10_se = se_ln / LN_10
        if interval == "jarvis":
            # A design that hardly informs has a reach beyond any float: its limits are 0 and ∞.
            with np.errstate(over="ignore"):
                reach = float(np.exp(ndtri(0.5 + 0.5 * level) * se_ln))
            low, high, name = lam / reach, lam * reach, "Jarvis interval (observed information)"
        elif interval == "exact":
            shares = clopper_pearson(int(x[0]), int(n[0]), level)
            low, high = (-math.log1p(-share) / float(z[0]) for share in shares)
            name = "exact interval (Clopper-Pearson)"
        else:
            low, high = likelihood_limits(
                lambda t: float(_log_likelihood(math.exp(t), z, n, x)), math.log(lam), level
            )
            name = "likelihood-ratio interval"
        estimate = Estimate(
            value=lam,
            low=low,
            high=high,
            unit=unit,
            level=level,
            kind="confidence",
            se=lam * se_ln,
            n=total,
            method=f"most probable number by maximum likelihood, {name}",
        )
    return MpnCount(
        estimate=estimate,
        log10_se=log10_se,
        rarity_index=rarity,
        status=status,
        warnings=_warnings(rarity),
        amounts=tuple(z.tolist()),
        tubes=tuple(int(v) for v in n),
        positives=tuple(int(v) for v in x),
    )


def bound_level(level: float, interval: Interval, bound_alpha: float | None = None) -> float:
    """α of the bound that stands where all tubes are negative, or all positive.

    Examples
    --------
    >>> round(bound_level(0.95, "jarvis"), 12), round(bound_level(0.95, "exact"), 12)
    (0.05, 0.025)
    """
    if bound_alpha is not None:
        return 1 - checked_level(1 - bound_alpha)
    return (1 - level) * (0.5 if interval == "exact" else 1)


def rarity_category(rarity_index: float) -> int:
    """Category of ISO 7218/Amd.1:2013 (edges from memory): 1 likely, 2 unlikely, 3 rare.

    Examples
    --------
    >>> [rarity_category(r) for r in (1.0, 0.05, 0.049, 0.01, 0.009)]
    [1, 1, 2, 2, 3]
    """
    if rarity_index >= UNLIKELY:
        return 1
    return 2 if rarity_index >= RARE else 3  # exact: name of the last category


def _design(
    amount: Sequence[float], tubes: Sequence[int], positive: Sequence[int]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Checked design as arrays, largest amount first, equal amounts merged."""
    if not len(amount) == len(tubes) == len(positive):
        raise InputError(
            f"{len(amount)} amounts, {len(tubes)} tube numbers and {len(positive)} positives: "
            "they must be as many. Give one of each per row."
        )
    if len(amount) == 0:
        raise InputError("There are no tubes. Give at least one row.")
    merged: dict[float, tuple[int, int]] = {}
    for i, (z, n, x) in enumerate(zip(amount, tubes, positive, strict=True), start=1):
        if not LEAST <= z <= MOST:
            raise InputError(
                f"tube row {i}: the amount is {z!r}; it must be a number above zero. "
                "Write the undiluted sample that went into each tube."
            )
        n_whole, x_whole = _whole(n, i, "tubes"), _whole(x, i, "positive tubes")
        if n_whole == 0:
            raise InputError(f"tube row {i}: there are no tubes. Leave the row out.")
        if x_whole > n_whole:
            raise InputError(
                f"tube row {i}: {x_whole} positive of {n_whole} tubes. Check the two columns."
            )
        before = merged.get(float(z), (0, 0))
        merged[float(z)] = (before[0] + n_whole, before[1] + x_whole)
    order = sorted(merged, reverse=True)
    return (
        np.array(order),
        np.array([merged[z][0] for z in order], dtype=float),
        np.array([merged[z][1] for z in order], dtype=float),
    )


def _whole(value: float, i: int, what: str) -> int:
    if isinstance(value, bool) or not (0 <= value <= MOST_TUBES and value % 1 == 0):
        raise InputError(f"tube row {i}: {what} is {value!r}; write a whole number, zero or more.")
    return int(value)


def _log_likelihood(density: ArrayLike, z: FloatArray, n: FloatArray, x: FloatArray) -> FloatArray:
    lam = np.asarray(density, dtype=float)
    usable = np.where(lam > 0, lam, 1.0)[..., np.newaxis]
    with np.errstate(divide="ignore"):  # a tube that cannot be positive: ln 0 is meant
        out = (xlogy(x, -np.expm1(-usable * z)) - usable * ((n - x) * z)).sum(axis=-1)
    at_zero = 0.0 if x.sum() == 0 else -math.inf
    return np.where(lam > 0, out, np.where(lam == 0, at_zero, -math.inf))


def _maximum(z: FloatArray, n: FloatArray, x: FloatArray) -> float:
    negative = float(((n - x) * z).sum())

    def score(t: float) -> float:
        y = math.exp(t) * z
        with np.errstate(over="ignore"):  # a tube surely positive adds z/∞ = 0
            return float((x * z / np.expm1(y)).sum()) - negative

    # Both ends follow from 1/y - 1 <= 1/(e^y - 1) <= 1/y; half a unit more covers rounding.
    low = math.log(float(x.sum()) / float((n * z).sum())) - 0.5
    high = math.log(float(x.sum()) / negative) + 0.5
    return math.exp(log_root(score, low, high))


def _information_ln(lam: float, z: FloatArray, x: FloatArray) -> float:
    """Observed information about ln λ: Σ x y² e^{-y}/(1 - e^{-y})², y = λz."""
    y = lam * z
    p = -np.expm1(-y)
    return float((x * np.exp(-y) * np.where(p > 0, y / np.where(p > 0, p, 1.0), 1.0) ** 2).sum())


def _rarity(lam: float, z: FloatArray, n: FloatArray, x: FloatArray) -> float:
    p = -np.expm1(-lam * z)
    likeliest = np.minimum(np.floor(p * (n + 1)), n)

    def log_probability(k: FloatArray) -> float:
        coefficients = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
        return float((coefficients + xlogy(k, p) - (n - k) * lam * z).sum())

    return min(1.0, math.exp(log_probability(x) - log_probability(likeliest)))


def _all_positive_bound(z: FloatArray, n: FloatArray, alpha: float) -> float:
    """Density at which all tubes turn positive with probability α."""

    def excess(t: float) -> float:
        return float(_log_likelihood(math.exp(t), z, n, n)) - math.log(alpha)

    start = -math.log(float((n * z).sum()) / float(n.sum()))
    above = start if excess(start) > 0 else step_out(excess, start, 1.0)
    below = step_out(lambda t: -excess(t), start, -1.0)
    if above is None or below is None:
        raise InputError("These amounts give no bound. Check the amounts of the tubes.")
    return math.exp(log_root(excess, below, above))


def _warnings(rarity: float) -> tuple[str, ...]:
    if rarity < SUSPECT:
        return (
            f"The pattern of positives is suspect (rarity index {rarity:.1g}): no density makes it "
            "likely. Check the dilutions and the tubes before using the number.",
        )
    if rarity < UNLIKELY:
        return (
            f"The pattern of positives is unlikely (rarity index {rarity:.2g}). "
            "Check the dilutions if there is time.",
        )
    return ()
