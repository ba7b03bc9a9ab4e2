"""What it is worth to know more before deciding (§4.5).

The decision is treat or not treat a field (or many alike). Information is worth something only
where it can change the decision; it is never worth more than knowing the gain itself.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rhizoledger.errors import InputError
from rhizoledger.money.break_even import amount, break_even, checked, margin, number
from rhizoledger.money.payoff import shortfall


@dataclass(frozen=True, slots=True)
class Information:
    """What a trial, and what full knowledge, would be worth per area.

    Parameters
    ----------
    evsi : float
        Expected worth of the trial [money per area], before its own cost.
    evpi : float
        Expected worth of knowing the gain [money per area]; never below ``evsi``.
    preposterior_sd : float
        Standard deviation of where the trial will move the mean [gain per area].
    break_even : float
        Gain that just pays [gain per area].
    """

    evsi: float
    evpi: float
    preposterior_sd: float
    break_even: float


@dataclass(frozen=True, slots=True)
class TrialWorth:
    """The number of strip pairs that is worth most, and what it is worth in all.

    Parameters
    ----------
    pairs : int
        Best number of pairs; 0 where no trial pays for itself.
    net_worth : float
        Worth over all the area, less the cost of the trial [money]; 0 for no trial.
    evsi_per_area : float
        Worth of that trial [money per area].
    """

    pairs: int
    net_worth: float
    evsi_per_area: float


def evsi_normal(
    mean: float,
    sd: float,
    n: float,
    sigma: float,
    price: float,
    cost: float,
    *,
    sigma_year: float = 0.0,
    cost_per_gain: float = 0.0,
) -> Information:
    """Worth of ``n`` strip pairs in one field and one year, in closed form.

    Parameters
    ----------
    mean, sd : float
        Prior mean and standard deviation (>= 0) of the field's lasting gain [gain per area].
    n : float
        Number of pairs, >= 0.
    sigma : float
        Standard deviation of *pair differences* (not of plots), >= 0 [gain per area].
    price, cost, cost_per_gain : float
        As :func:`rhizoledger.money.break_even.break_even`.
    sigma_year : float
        Standard deviation of field-by-year effects, >= 0 [gain per area]. More pairs in the same
        year do not average it out.

    Returns
    -------
    Information
        Per area. Multiply by the future area that the answer serves and subtract the trial's cost.

    Raises
    ------
    InputError
        If a number is missing, negative or not finite.
    RuleError
        If the margin is not positive.

    Notes
    -----
    §4.5: s² = sd⁴/(sd² + σ_year² + σ²/n), EVSI = m·s·L(abs(μ − b)/s), EVPI the same with s = sd;
    L is the unit normal loss. A one-year trial informs the lasting effect only. Normal prior and
    normal error are assumed.

    Examples
    --------
    A prior without spread leaves nothing to learn, and a trial without pairs teaches nothing.

    >>> evsi_normal(0.9, 0.0, 6, 3.0, 10.0, 5.0).evsi, evsi_normal(0.9, 1.0, 0, 3.0, 10.0, 5.0).evsi
    (0.0, 0.0)
    """
    spread = amount("prior standard deviation", sd)
    pairs = amount("number of pairs", n)
    m = margin(price, cost_per_gain)
    needed = break_even(price, cost, cost_per_gain=cost_per_gain)
    distance = abs(number("prior mean", mean) - needed)
    s = _preposterior_sd(
        spread,
        pairs,
        amount("standard deviation of pair differences", sigma),
        amount("standard deviation between years", sigma_year),
    )
    return Information(
        evsi=checked("worth", m * shortfall(distance, s)),
        evpi=checked("worth", m * shortfall(distance, spread)),
        preposterior_sd=s,
        break_even=needed,
    )


def trial_pairs_worth(
    mean: float,
    sd: float,
    sigma: float,
    price: float,
    cost: float,
    *,
    area: float,
    cost_per_pair: float,
    candidates: Sequence[int],
    sigma_year: float = 0.0,
    cost_per_gain: float = 0.0,
) -> TrialWorth:
    """Which of several trial sizes is worth most over the area that its answer serves.

    Parameters
    ----------
    mean, sd, sigma, price, cost, sigma_year, cost_per_gain
        As :func:`evsi_normal`.
    area : float
        Future area that the answer serves, >= 0.
    cost_per_pair : float
        Cost of one pair of strips, >= 0 [money].
    candidates : sequence of int
        Numbers of pairs to compare, each >= 0. No trial (0 pairs) is always compared.

    Returns
    -------
    TrialWorth
        The smallest best size.

    Notes
    -----
    §4.5. Every candidate is tried: worth against size is flat at first and then steep where the
    prior is far from break-even, so stopping at the first size that does not pay would be wrong.

    Examples
    --------
    Where pairs cost more than perfect knowledge is worth, no trial is the best trial.

    >>> trial_pairs_worth(
    ...     0.9, 1.0, 3.0, 10.0, 5.0, area=10.0, cost_per_pair=100.0, candidates=range(1, 9)
    ... ).pairs
    0
    """
    acres = amount("area", area)
    each = amount("cost per pair", cost_per_pair)
    best = TrialWorth(0, 0.0, 0.0)
    for n in sorted(set(candidates)):
        if amount("number of pairs", n) != int(n):
            raise InputError(f"The number of pairs is {n}. Give whole numbers.")
        worth = evsi_normal(
            mean, sd, n, sigma, price, cost, sigma_year=sigma_year, cost_per_gain=cost_per_gain
        ).evsi
        net = checked("worth", worth * acres - each * n)
        if net > best.net_worth:
            best = TrialWorth(int(n), net, worth)
    return best


def _preposterior_sd(sd: float, n: float, sigma: float, sigma_year: float) -> float:
    """S of §4.5, written as sd·(sd/√(sd² + error²)) so that no square can overflow."""
    if sd == 0 or n == 0:
        return 0.0
    return sd * (sd / math.hypot(sd, sigma_year, sigma / math.sqrt(n)))
