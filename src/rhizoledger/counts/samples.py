"""Samples above plates: what several samples of one item say of it, plates' error inside (§1.2).

The sample is the unit. Plates of one wash tell how well that wash was counted, and nothing about
the next handful of seed. Between samples the titre is taken as lognormal.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from rhizoledger.counts.guarantee import Composite, LotLimits, Spread, lot_limits
from rhizoledger.errors import InputError
from rhizoledger.estimate import Estimate
from rhizoledger.stats.poisson import checked_level

BEYOND = 300.0  # numeric: a power of ten that is nearly too large for a float


@dataclass(frozen=True, slots=True)
class OverSamples:
    """An item over its samples.

    Parameters
    ----------
    estimate : Estimate
        Geometric mean of the samples, linear, in their unit; a bound or not known where some sample
        is a bound.
    sd_log10 : float or None
        Standard deviation between samples as counted, plates' error in it; None for one.
    taken_sd_log10 : float or None
        The standard deviation that was put in; None where the samples' own was used.
    spread : {"estimated", "given", "evidence"}
        Where the spread between samples came from.
    by_plates : bool
        Whether samples agree more closely than their plates can tell, so that a limit is the
        plates' own.
    """

    estimate: Estimate
    sd_log10: float | None
    taken_sd_log10: float | None
    spread: Spread
    by_plates: bool


def over_samples(
    counts: Sequence[Estimate],
    level: float,
    *,
    evidence_sd: float,
    between_sd: float | None = None,
) -> OverSamples:
    """The item's mean over its samples, with an interval that holds their spread.

    Parameters
    ----------
    counts : sequence of Estimate
        Each sample by its plates, linear, in one unit; its interval at ``level``, and where it is a
        bound, one-sided at (1 + ``level``)/2.
    level : float
        Confidence level in (0, 1).
    evidence_sd : float
        Standard deviation between samples that is taken where they cannot show it [log10], >= 0.
    between_sd : float, optional
        Standard deviation known from the laboratory's own work [log10], 0 to 2.

    Notes
    -----
    §1.2. Two or more samples: mean log10 ± t(k - 1)·s/√k, and never nearer than the plates alone
    allow. One sample, or a given spread σ: z·σ/√k and the plates' distances squared and added.
    Limits as in :func:`rhizoledger.counts.guarantee.lot_limits`, each one-sided at
    (1 + ``level``)/2.

    Examples
    --------
    >>> def count(y):
    ...     return Estimate(y, 0.9 * y, 1.1 * y, "CFU/mL", level=0.95)
    >>> item = over_samples([count(y) for y in (1e9, 2e9, 4e9)], 0.95, evidence_sd=0.25)
    >>> round(item.estimate.value), round(item.sd_log10, 5), item.spread
    (2000000000, 0.30103, 'estimated')
    """
    checked_level(level)
    if not counts:
        raise InputError("There is no sample. Give the plates of at least one.")
    limits = lot_limits(
        [Composite(*(_log10(x) for x in (c.value, c.low, c.high))) for c in counts],
        (1 + level) / 2,
        between_sd=between_sd,
        evidence_sd=evidence_sd,
    )
    return OverSamples(
        Estimate(
            value=_power(limits.mean),
            low=_power(limits.low),
            high=_power(limits.high),
            unit=counts[0].unit,
            level=level,
            kind="confidence",
            n=limits.k,
            method=_method(limits),
            status="at_limit" if limits.bounds_only else "ok",
        ),
        limits.sd,
        limits.between_sd,
        limits.spread,
        limits.by_plates,
    )


def _method(limits: LotLimits) -> str:
    if limits.bounds_only:
        return f"widest limits of {limits.k} samples, some of which give only a bound"
    mean = f"geometric mean of {limits.k} samples" if limits.k > 1 else "one sample"
    if limits.spread == "estimated":
        if limits.by_plates:
            return f"{mean}, limits of their plates, which cannot tell the samples apart"
        floor = ", never narrower than the plates"
        return f"{mean}, t interval on log10 with {limits.k - 1} df{floor}"
    return f"{mean}, spread between samples of {limits.between_sd:g} log10 ({limits.spread})"


def _log10(x: float | None) -> float | None:
    return math.log10(x) if x is not None and 0 < x < math.inf else None


def _power(x: float | None) -> float | None:
    """A limit as a titre; None too where it is beyond any number, as t on one df may be."""
    return None if x is None or x > BEYOND else 10.0**x
