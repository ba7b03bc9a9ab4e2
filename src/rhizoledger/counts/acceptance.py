"""Acceptance plans: n samples, at most c of them below m, and what such a plan lets pass (§1.7)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import bdtr, gammaincc, ndtr

from rhizoledger.errors import InputError

FloatArray = NDArray[np.float64]
Verdict = Literal["accept", "reject", "not decided"]

MOST_SAMPLES = 1000  # numeric: nobody plates more for one lot
EXACT_TO = 10_000  # numeric: beyond so many colonies the Poisson spread is normal to all digits
NORMAL_REACH = 8.5  # numeric: a normal deviate beyond it has probability below 1e-16
FINEST, COARSEST = 0.25, 0.05  # numeric: step of the integral against the width of what it follows
ROUNDING = 1e-12  # numeric: keeps 30.000000000000004 expected colonies from asking for 31


@dataclass(frozen=True, slots=True)
class Plan:
    """Accept a lot if at most ``c`` of ``n`` samples count below ``m``.

    Parameters
    ----------
    n, c : int
        Samples, 1 to 1000, and how many of them may be below; 0 <= c < n.
    m : float
        Titre, > 0, per the basis of the samples.
    """

    n: int
    c: int
    m: float

    def __post_init__(self) -> None:
        if not (self.n % 1 == 0 and 1 <= self.n <= MOST_SAMPLES):
            raise InputError(f"n is {self.n!r}; a plan has 1 to {MOST_SAMPLES} samples.")
        if not (self.c % 1 == 0 and 0 <= self.c < self.n):
            raise InputError(
                f"c is {self.c!r}; from 0 to n - 1 = {self.n - 1} samples may be below m."
            )
        if not (math.isfinite(self.m) and self.m > 0):
            raise InputError(f"m is {self.m!r}; it is a titre above zero, such as 1e9.")


def judge(plan: Plan, below: Sequence[bool | None]) -> Verdict:
    """What the plan says of samples; None is one whose plates leave it open.

    Samples short of n, or too many, leave the lot undecided, unless too many are below already.

    Examples
    --------
    >>> judge(Plan(5, 1, 1e9), [False, False, True, False, False])
    'accept'
    >>> judge(Plan(5, 0, 1e9), [True, False]), judge(Plan(5, 0, 1e9), [False, False])
    ('reject', 'not decided')
    """
    if len(below) > plan.n:
        return "not decided"
    if sum(b is True for b in below) > plan.c:
        return "reject"
    open_still = plan.n - len(below) + sum(b is None for b in below)
    return "accept" if sum(b is True for b in below) + open_still <= plan.c else "not decided"


def chance_below(titre: ArrayLike, m: float, *, between_sd: float, plated: float) -> FloatArray:
    """P(a sample of a lot of this titre counts below m).

    Parameters
    ----------
    titre : array_like, shape (t,)
        True geometric mean titre of the lot, > 0.
    m : float
        The plan's limit, > 0.
    between_sd : float
        Standard deviation between samples [log10], >= 0.
    plated : float
        Undiluted sample on all counted plates of one sample, in the basis, > 0.

    Notes
    -----
    §1.2, §1.7. Colonies C are Poisson with mean plated·titre·10^(σz), z standard normal; the sample
    is below where C/plated < m. Integrated over z by even steps finer than either bend.

    Examples
    --------
    Without spread between samples it is a plain Poisson sum, here P(C <= 99) at a mean of 100:

    >>> round(float(chance_below([1e9], 1e9, between_sd=0.0, plated=1e-7)[0]), 4)
    0.4867
    """
    lam = np.atleast_1d(np.asarray(titre, dtype=float)) * plated
    least = plated * m
    if least > EXACT_TO:
        sd = math.hypot(between_sd, 1 / (math.log(10) * math.sqrt(least)))
        return np.asarray(ndtr((math.log10(least) - np.log10(lam)) / sd))
    fewest = math.ceil(least * (1 - ROUNDING))
    if between_sd == 0:
        return np.asarray(gammaincc(fewest, lam))
    width = 1 / (math.sqrt(fewest) * between_sd * math.log(10))
    n = math.ceil(NORMAL_REACH / min(COARSEST, FINEST * width))
    z = np.linspace(-NORMAL_REACH, NORMAL_REACH, 2 * n + 1)
    weight = np.exp(-0.5 * z * z)
    spread = 10.0 ** (between_sd * z)
    below = [float(weight @ gammaincc(fewest, x * spread)) for x in lam]
    return np.asarray(below) / float(weight.sum())


def chance_accepted(plan: Plan, below: ArrayLike) -> FloatArray:
    """P(the plan accepts) where each sample has this chance to be below m.

    Examples
    --------
    >>> float(chance_accepted(Plan(5, 0, 1.0), 0.1).round(5))  # 0.9 to the fifth
    0.59049
    """
    return np.asarray(bdtr(plan.c, plan.n, np.asarray(below, dtype=float)))


@dataclass(frozen=True, slots=True)
class Size:
    """The smallest plan that keeps two risks, and the risks it really has."""

    n: int
    c: int
    producer_risk: float
    user_risk: float


def smallest_plan(
    below_good: float, below_bad: float, producer_risk: float, user_risk: float
) -> Size | None:
    """Fewest samples, and c, that keep the producer's and the user's risk.

    Parameters
    ----------
    below_good, below_bad : float
        Chance of a sample to be below m, in a good lot and in a bad one.
    producer_risk : float
        Largest chance to reject the good lot, in (0, 1).
    user_risk : float
        Largest chance to accept the bad lot, in (0, 1).

    Returns
    -------
    Size or None
        None where a thousand samples do not keep them.

    Examples
    --------
    >>> size = smallest_plan(0.01, 0.2, 0.05, 0.1)
    >>> size.n, size.c, round(size.producer_risk, 4), round(size.user_risk, 4)
    (18, 1, 0.0138, 0.0991)
    """
    for name, risk in (("producer's", producer_risk), ("user's", user_risk)):
        if not 0 < risk < 1:
            raise InputError(f"The {name} risk is {risk!r}; it lies between 0 and 1, such as 0.05.")
    n = np.arange(1, MOST_SAMPLES + 1)
    c = np.zeros_like(n)
    while (short := (bdtr(c, n, below_good) < 1 - producer_risk) & (c < n)).any():
        c = c + short
    kept = (bdtr(c, n, below_bad) <= user_risk) & (c < n)
    if not kept.any():
        return None
    i = int(np.argmax(kept))
    good, bad = float(bdtr(c[i], n[i], below_good)), float(bdtr(c[i], n[i], below_bad))
    return Size(int(n[i]), int(c[i]), 1 - good, bad)
