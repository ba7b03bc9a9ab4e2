"""What a gain is worth: break-even, the chance that it pays, and what is at stake (§4.4).

Gain and money are per area, price is per unit of gain; the caller keeps the three in one system
(bu/ac, money/bu, money/ac, or kg/ha, money/kg, money/ha). With margin m = price − cost per unit of
gain, treating *pays* means g·m ≥ c and *pays k-fold* means g·m ≥ k·c.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from rhizoledger.errors import InputError
from rhizoledger.estimate import Estimate
from rhizoledger.money.break_even import amount, break_even, checked, margin, number

FloatArray = NDArray[np.float64]

FOLDS = (2.0, 3.0, 5.0)  # exact: the multiples of the cost that plan.json prints
LOW_TAIL, HIGH_TAIL = 0.05, 0.95  # exact: ends of the 90 % intervals of plan.json
INTERVAL_LEVEL = 0.9  # exact: high tail minus low tail
SQRT_TWO_PI = math.sqrt(2 * math.pi)

DOTS = 20  # numeric: each dot is one in twenty, so that a chance can be counted


@dataclass(frozen=True, slots=True)
class PayoffSummary:
    """What treating is worth per area, from a closed form or from draws.

    Parameters
    ----------
    break_even : float
        Gain that just pays the cost, c/m [gain per area].
    p_pays : float
        P(g·m ≥ c).
    p_pays_k : mapping of str to float
        P(g·m ≥ k·c) by k, as text ("2", "3", "5").
    expected_net : float
        E(g)·m − c [money per area].
    p5, p95 : float
        5 % and 95 % points of the net [money per area].
    expected_loss_if_treated : float
        E(max(c − g·m, 0)): what treating loses on average by not paying [money per area].
    evpi : float
        What knowing the gain beforehand would be worth on average [money per area].
    price_break_even : float or None
        Price at which the expected gain just pays the cost; None where the expected gain is not
        positive, because no price makes it pay.
    p_pays_se : float
        Monte Carlo standard error of ``p_pays``; 0 for a closed form.
    dots : tuple of float
        Twenty equally likely nets [money per area], each one in twenty; none for a closed form.
    """

    break_even: float
    p_pays: float
    p_pays_k: Mapping[str, float]
    expected_net: float
    p5: float
    p95: float
    expected_loss_if_treated: float
    evpi: float
    price_break_even: float | None
    p_pays_se: float = 0.0
    dots: tuple[float, ...] = ()


NormalPayoff = PayoffSummary
"""The closed form and the draws answer in one shape."""


@dataclass(frozen=True, slots=True)
class Payoff:
    """The money answer for one field: gain, cost, break-even, chances and net.

    Parameters
    ----------
    gain : Estimate
        Expected gain of a new field with its predictive interval.
    cost_per_area : float
        Added cost of treating [money per area].
    break_even : float
        Gain that just pays [gain per area].
    p_pays : float or None
        P(g·m ≥ c); None where the gain is not known.
    net : Estimate
        Net of the cost [money per area], not the gross return.
    price_break_even : float or None
        Price at which the expected gain just pays.
    p_pays_k : mapping of str to float, or None
        P(g·m ≥ k·c) by k.
    evpi : float or None
        Worth of knowing the gain beforehand [money per area].
    """

    gain: Estimate
    cost_per_area: float
    break_even: float
    p_pays: float | None
    net: Estimate
    price_break_even: float | None
    p_pays_k: Mapping[str, float] | None = None
    evpi: float | None = None

    @classmethod
    def from_summary(
        cls, gain: Estimate, summary: PayoffSummary, cost_per_area: float, money_unit: str
    ) -> Payoff:
        """The answer where the gain is known well enough to have a distribution."""
        net = Estimate(
            summary.expected_net,
            summary.p5,
            summary.p95,
            money_unit,
            level=INTERVAL_LEVEL,
            kind="prediction",
            method="gain times margin, less the added cost",
        )
        return cls(
            gain,
            cost_per_area,
            summary.break_even,
            summary.p_pays,
            net,
            summary.price_break_even,
            summary.p_pays_k,
            summary.evpi,
        )

    @classmethod
    def gain_not_known(
        cls,
        gain: Estimate,
        price: float,
        cost_per_area: float,
        money_unit: str,
        *,
        cost_per_gain: float = 0.0,
    ) -> Payoff:
        """The answer where nothing is known of the gain: cost and break-even, and no chance.

        Examples
        --------
        >>> unknown = Estimate.not_known("bu/ac", "no gain evidence for lentil")
        >>> answer = Payoff.gain_not_known(unknown, 9.0, 4.5, "money/ac")
        >>> answer.break_even, answer.p_pays
        (0.5, None)
        """
        net = Estimate.not_known(money_unit, gain.method or "the gain is not known")
        needed = break_even(price, cost_per_area, cost_per_gain=cost_per_gain)
        return cls(gain, cost_per_area, needed, None, net, None)

    def to_dict(self) -> dict[str, Any]:
        """The answer as plain JSON values, with the keys of SEASON's ``fields``."""
        return {
            "gain": self.gain.to_dict(),
            "cost_per_area": self.cost_per_area,
            "break_even": self.break_even,
            "p_pays": self.p_pays,
            "p_pays_k": None if self.p_pays_k is None else dict(self.p_pays_k),
            "net": self.net.to_dict(),
            "price_break_even": self.price_break_even,
        }


def payoff_normal(
    gain_mean: float,
    gain_sd: float,
    price: float,
    cost: float,
    *,
    cost_per_gain: float = 0.0,
    ks: Sequence[float] = FOLDS,
) -> PayoffSummary:
    """What treating is worth when the gain of a new field is normal, in closed form.

    Parameters
    ----------
    gain_mean, gain_sd : float
        Mean and standard deviation (>= 0) of the gain of a *new field* [gain per area]. The
        standard error of a mean is not that: it answers whether the mean pays, not the field.
    price, cost, cost_per_gain : float
        As :func:`break_even`.
    ks : sequence of float
        Multiples of the cost, > 0.

    Returns
    -------
    PayoffSummary
        Per area. Net of the cost, never gross.

    Raises
    ------
    InputError
        If a number is missing, not finite, negative where it cannot be, or too large to compute.
    RuleError
        If the margin is not positive.

    Notes
    -----
    §4.4. With d = μ − c/m and z = d/sd: P = Φ(z); expected loss = m·(sd·φ(z) − d·Φ(−z)); EVPI is
    the same with d taken as positive. With sd = 0 the answer is certain, and a gain at break-even
    counts as paying.

    Examples
    --------
    A mean gain at break-even pays half the time, and its net is 0 on average.

    >>> even = payoff_normal(0.5, 1.0, 10.0, 5.0)
    >>> even.p_pays, even.expected_net
    (0.5, 0.0)
    """
    mean = number("gain mean", gain_mean)
    sd = amount("gain standard deviation", gain_sd)
    m, needed = margin(price, cost_per_gain), break_even(price, cost, cost_per_gain=cost_per_gain)
    spread = float(ndtri(HIGH_TAIL)) * sd
    return PayoffSummary(
        break_even=needed,
        p_pays=_p_at_least(mean, sd, needed),
        p_pays_k=MappingProxyType({_fold(k): _p_at_least(mean, sd, k * needed) for k in ks}),
        expected_net=checked("net", mean * m - cost),
        p5=checked("net", (mean - spread) * m - cost),
        p95=checked("net", (mean + spread) * m - cost),
        expected_loss_if_treated=checked("loss", m * shortfall(mean - needed, sd)),
        evpi=checked("worth", m * shortfall(abs(mean - needed), sd)),
        price_break_even=_price_break_even(mean, cost, cost_per_gain),
    )


def payoff_draws(
    gain_draws: FloatArray,
    price: float | FloatArray,
    cost: float,
    *,
    cost_per_gain: float = 0.0,
    ks: Sequence[float] = FOLDS,
) -> PayoffSummary:
    """What treating is worth from draws of the gain of a new field.

    Parameters
    ----------
    gain_draws : array, shape (n,)
        Draws of the gain of a new field [gain per area].
    price : float or array, shape (n,)
        Price, or draws of it that share the index of ``gain_draws``.
    cost, cost_per_gain, ks
        As :func:`payoff_normal`.

    Returns
    -------
    PayoffSummary
        As :func:`payoff_normal`, with the Monte Carlo standard error of ``p_pays``.

    Raises
    ------
    InputError
        If there is no draw, a draw is not finite, or the shapes differ.
    RuleError
        If the margin at the mean price is not positive.

    Examples
    --------
    >>> two = payoff_draws(np.array([0.0, 2.0]), 10.0, 5.0)
    >>> two.p_pays, two.expected_net, two.evpi
    (0.5, 5.0, 2.5)
    """
    gain = _draws("gain draws", gain_draws)
    prices = _draws("price draws", np.asarray(price, dtype=float).reshape(-1))
    if prices.size not in (1, gain.size):
        raise InputError(
            f"There are {gain.size} gain draws and {prices.size} price draws. "
            "Give one price, or one price per gain draw."
        )
    mean_price = float(prices.mean())
    needed = break_even(mean_price, cost, cost_per_gain=cost_per_gain)
    with np.errstate(over="ignore"):
        gross = gain * (prices - cost_per_gain)
        net = gross - cost
    p_pays = float(np.mean(gross >= cost))
    expected_net = checked("net", float(net.mean()))
    low, high = (float(q) for q in np.quantile(net, (LOW_TAIL, HIGH_TAIL)))
    # One draw of either kind is added, so that all or none of the draws is not taken for certain.
    smoothed = (p_pays * gain.size + 1) / (gain.size + 2)
    return PayoffSummary(
        break_even=needed,
        p_pays=p_pays,
        p_pays_k=MappingProxyType({_fold(k): float(np.mean(gross >= k * cost)) for k in ks}),
        expected_net=expected_net,
        p5=checked("net", low),
        p95=checked("net", high),
        expected_loss_if_treated=float(np.maximum(-net, 0).mean()),
        evpi=max(float(np.maximum(net, 0).mean()) - max(expected_net, 0.0), 0.0),
        price_break_even=_price_break_even(float(gain.mean()), cost, cost_per_gain),
        p_pays_se=math.sqrt(smoothed * (1 - smoothed) / gain.size),
        dots=tuple(np.quantile(net, (np.arange(DOTS) + 0.5) / DOTS).tolist()),
    )


def shortfall(distance: float, sd: float) -> float:
    """E(max(−X, 0)) for X normal with mean ``distance`` and standard deviation ``sd``.

    Notes
    -----
    sd·φ(z) − d·Φ(−z) with z = d/sd, which is sd times the unit normal loss at z. Written in d and
    not in z so that a tiny sd (z infinite) needs no special case beyond sd = 0.

    Examples
    --------
    >>> shortfall(-3.0, 0.0), shortfall(3.0, 0.0)
    (3.0, 0.0)
    >>> round(shortfall(0.0, 1.0), 4)
    0.3989
    """
    if sd == 0:
        return max(-distance, 0.0)
    z = distance / sd
    density = math.exp(-0.5 * z * z) / SQRT_TWO_PI
    # The two terms cancel far out in the tail; what is left there is rounding, never a worth < 0.
    return max(sd * density - distance * float(ndtr(-z)), 0.0)


def _p_at_least(mean: float, sd: float, needed: float) -> float:
    if sd == 0:
        return 1.0 if mean >= needed else 0.0
    return float(ndtr((mean - needed) / sd))


def _price_break_even(mean: float, cost: float, cost_per_gain: float) -> float | None:
    if mean <= 0:
        return None
    price = cost / mean + cost_per_gain
    return price if math.isfinite(price) else None


def _fold(k: float) -> str:
    if not (math.isfinite(k) and k > 0):
        raise InputError(f"k is {k}. Give multiples of the cost that are greater than 0.")
    return f"{k:g}"


def _draws(name: str, values: FloatArray) -> FloatArray:
    draws = np.asarray(values, dtype=float)
    if draws.ndim != 1 or draws.size == 0:
        raise InputError(f"The {name} have shape {draws.shape}. Give one row of at least one draw.")
    if not np.isfinite(draws).all():
        raise InputError(f"The {name} hold a value that is not a finite number.")
    return draws
