"""Which dilutions to plate: a countable plate to be expected wherever the titre lies (§1.1)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import pdtr

from rhizoledger.counts.plates.rules import BAM_HIGH, BAM_LOW, ISO_HIGH, ISO_LOW, Rule
from rhizoledger.errors import InputError
from rhizoledger.stats.poisson import poisson_limits

FloatArray = NDArray[np.float64]

COUNTABLE: dict[Rule, tuple[int, int]] = {
    "bam": (BAM_LOW, BAM_HIGH),
    "iso7218": (ISO_LOW, ISO_HIGH),
}
"""Colonies on a plate that a rule counts, both ends in."""
PER_DECADE = 400  # numeric: titres in a decade; the bends are a tenth of a decade wide and more
FEWEST_NODES = 41  # numeric: for a range that is narrower
MOST_STEPS = 14  # numeric: more tubes than anyone pipettes without losing count
MOST_PLATED = 8  # numeric: dilutions plated at once
MOST_REPLICATES = 10
HARDLY_ANY = 0.01  # numeric: colonies a plate at the high end beyond which no step is tried
WORTH_A_DILUTION = 1e-3  # numeric: another dilution for less than this would be plates wasted
SPAN = 1e8  # numeric: a wider range than this is no expectation


@dataclass(frozen=True, slots=True)
class Reading:
    """What to expect if the titre is this.

    Parameters
    ----------
    titre : float
        In the basis.
    p_countable : float
        Chance of at least one countable plate.
    colonies : float
        Expected colonies on countable plates.
    limits_factor : float or None
        What the count is multiplied and divided by for its limits; None below one colony.
    """

    titre: float
    p_countable: float
    colonies: float
    limits_factor: float | None


@dataclass(frozen=True, slots=True)
class Scheme:
    """Dilutions to plate.

    Parameters
    ----------
    steps : tuple of int
        Dilution steps that are plated; 0 is the sample or wash itself.
    dilutions : tuple of float
        The same as fractions.
    plates : int
        In all.
    p_countable : float
        P(at least one countable plate), titre log-uniform over the range.
    reached : bool
        Whether that is the probability asked for.
    readings : tuple of Reading
        At the low end, the middle (geometric) and the high end.
    worst : Reading
        Where in the range a countable plate is least likely.
    thinnest : Reading
        Where in the range the fewest colonies are expected on countable plates.
    """

    steps: tuple[int, ...]
    dilutions: tuple[float, ...]
    plates: int
    p_countable: float
    reached: bool
    readings: tuple[Reading, ...]
    worst: Reading
    thinnest: Reading


def choose_scheme(
    low: float,
    high: float,
    *,
    volume_ml: float = 0.1,  # exact: a spread plate; the caller may say another
    replicates: float = 3,  # exact: customary; the caller may say another
    rule: Rule = "bam",
    dilution_factor: float = 10.0,
    per_ml: float = 1.0,
    first_step: int = 0,
    probability: float = 0.95,  # exact: MODELS asks for it; the caller may say another
    level: float = 0.95,  # exact: the customary level
) -> Scheme:
    """The fewest successive dilutions with a countable plate as probable as asked.

    Parameters
    ----------
    low, high : float
        Range of the titre, > 0, in the basis; any value in it is as likely as another on the log
        scale.
    volume_ml : float
        On each plate, > 0 [mL].
    replicates : float
        Plates of each dilution, a whole number.
    rule : {"bam", "iso7218"}
        Whose countable range: 25-250 or 10-300 colonies.
    dilution_factor : float
        From one step to the next, > 1.
    per_ml : float
        Sample in each mL of step 0, in the basis; 1 for a liquid, seeds per mL for a wash.
    first_step : int
        First step that can be plated.
    probability : float
        Wanted chance of at least one countable plate.
    level : float
        Of the limits that tell the precision.

    Returns
    -------
    Scheme
        Where no dilutions reach the probability, the best ones, with ``reached`` false.

    Notes
    -----
    §1.1. Colonies on a plate are Poisson with mean titre·per_ml·volume·dilution; at one titre
    P(none countable) = Π (1 - P(low <= C <= high))^replicates, summed exactly; over the range by
    even steps of log titre. Of as many dilutions the set with the highest probability is taken.
    Spread between samples is not in it: it moves the titre that the plates see.

    Examples
    --------
    >>> scheme = choose_scheme(1e8, 1e10)
    >>> scheme.dilutions, scheme.plates, round(scheme.p_countable, 3)
    ((1e-05, 1e-06, 1e-07), 9, 0.999)
    """
    _check(low, high, volume_ml, replicates, dilution_factor, per_ml, probability)
    limits = COUNTABLE[rule]
    n = max(FEWEST_NODES, math.ceil(math.log10(high / low) * PER_DECADE) + 1)
    titres = np.geomspace(low, high, n)
    most = high * per_ml * volume_ml
    last = max(
        first_step, math.ceil(math.log(max(most / HARDLY_ANY, 1.0)) / math.log(dilution_factor))
    )
    if most * dilution_factor ** float(-MOST_STEPS) > limits[1]:
        raise InputError(
            f"At {high:g} even {MOST_STEPS} steps leave too many colonies. "
            "Use a larger dilution factor, or check the range."
        )
    last = min(last, MOST_STEPS)
    means = np.array(
        [
            titres * per_ml * volume_ml * dilution_factor ** float(-s)
            for s in range(first_step, last + 1)
        ]
    )
    missed = np.log1p(-np.minimum(_countable(means, limits), 1 - 1e-15))  # numeric: log of zero
    p, first, plated = -1.0, 0, 0
    for k in range(1, min(MOST_PLATED, len(means)) + 1):
        tried = [
            (1 - _mean(np.exp(replicates * missed[i : i + k].sum(axis=0))), -i)
            for i in range(len(means) - k + 1)
        ]
        best, place = max(tried)
        if best > p + WORTH_A_DILUTION:
            p, first, plated = best, -place, k
        if p >= probability:
            break
    chosen = means[first : first + plated]
    hit = 1 - np.exp(replicates * missed[first : first + plated].sum(axis=0))
    seen = replicates * _seen(chosen, limits).sum(axis=0)

    def at(i: int) -> Reading:
        return Reading(
            float(titres[i]), float(hit[i]), float(seen[i]), _factor(float(seen[i]), level)
        )

    steps = tuple(range(first_step + first, first_step + first + plated))
    return Scheme(
        steps=steps,
        dilutions=tuple(dilution_factor ** float(-s) for s in steps),
        plates=plated * int(replicates),
        p_countable=p,
        reached=p >= probability,
        readings=(at(0), at(n // 2), at(n - 1)),
        worst=at(int(np.argmin(hit))),
        thinnest=at(int(np.argmin(seen))),
    )


def _countable(means: FloatArray, limits: tuple[int, int]) -> FloatArray:
    """P(low <= C <= high) for Poisson means."""
    return np.asarray(pdtr(limits[1], means) - pdtr(limits[0] - 1, means))


def _seen(means: FloatArray, limits: tuple[int, int]) -> FloatArray:
    """Expected colonies on a plate, those of plates outside the range not counted: E[C; in it]."""
    lo, hi = limits
    return np.asarray(means * (pdtr(hi - 1, means) - pdtr(lo - 2, means)))


def _mean(y: FloatArray) -> float:
    """Mean over even steps, ends halved."""
    return float((y.sum() - 0.5 * (y[0] + y[-1])) / (y.size - 1))


def _factor(colonies: float, level: float) -> float | None:
    low, high = poisson_limits(round(colonies), level)
    return math.sqrt(high / low) if low > 0 else None


def _check(
    low: float,
    high: float,
    volume_ml: float,
    replicates: float,
    dilution_factor: float,
    per_ml: float,
    probability: float,
) -> None:
    for name, x in (("low", low), ("high", high), ("volume", volume_ml), ("per_ml", per_ml)):
        if not (math.isfinite(x) and x > 0):
            raise InputError(f"{name} is {x!r}; it must be a number above zero.")
    if not low <= high:
        raise InputError(f"low is {low:g} and high is {high:g}. Write the smaller titre as low.")
    if high / low > SPAN:
        raise InputError(
            f"{low:g} to {high:g} is a range of more than a hundred million times. "
            "Plate one sample at several dilutions first, then plan."
        )
    if not (replicates % 1 == 0 and 1 <= replicates <= MOST_REPLICATES):
        raise InputError(f"replicates is {replicates!r}; write 1 to {MOST_REPLICATES} plates.")
    if not (math.isfinite(dilution_factor) and 1 < dilution_factor <= 100):
        raise InputError(
            f"The dilution factor is {dilution_factor!r}; write 10 for tenfold, at most 100."
        )
    if not 0 < probability < 1:
        raise InputError(f"The probability is {probability!r}; it lies between 0 and 1.")
