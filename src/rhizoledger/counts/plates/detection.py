"""What plates could have seen, and from where on they count (§1.1)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rhizoledger.counts.plates.rules import BAM_LOW
from rhizoledger.errors import InputError
from rhizoledger.stats.poisson import checked_level

LEAST_TOTAL = 10
"""Colonies in all from which a count is called quantified."""


@dataclass(frozen=True, slots=True)
class DetectionLimits:
    """What a set of plates can tell, in the unit of the count.

    Parameters
    ----------
    one_colony : float
        What one colony on all plates together stands for.
    zero_upper : float
        Upper bound had there been no colony at all, one-sided, α = ``alpha``.
    alpha : float
    ten_colonies : float
        Limit of quantification at ten colonies on all plates together.
    countable : float
        Limit of quantification at 25 colonies on the plate that holds most sample.
    """

    one_colony: float
    zero_upper: float
    alpha: float
    ten_colonies: float
    countable: float


def detection_limits(portions_ml: Sequence[float], alpha: float) -> DetectionLimits:
    """Detection and quantification limits of plates.

    Parameters
    ----------
    portions_ml : sequence of float, shape (n,)
        Undiluted sample on each counted plate, or on all drops of a row, > 0 [mL].
    alpha : float
        Of the one-sided bound, in (0, 1).

    Notes
    -----
    1/Σw; -ln α/Σw; 10/Σw; 25/max w.

    Examples
    --------
    Three drops of 0.02 mL, undiluted:

    >>> seen = detection_limits([0.02] * 3, 0.05)
    >>> [round(x, 3) for x in (seen.one_colony, seen.zero_upper, seen.ten_colonies, seen.countable)]
    [16.667, 49.929, 166.667, 1250.0]
    """
    if not portions_ml or not all(math.isfinite(w) and w > 0 for w in portions_ml):
        raise InputError("Detection limits need plates that hold some sample. Check the volumes.")
    checked_level(1 - alpha)
    plated = math.fsum(portions_ml)
    return DetectionLimits(
        one_colony=1 / plated,
        zero_upper=-math.log(alpha) / plated,
        alpha=alpha,
        ten_colonies=LEAST_TOTAL / plated,
        countable=BAM_LOW / max(portions_ml),
    )
