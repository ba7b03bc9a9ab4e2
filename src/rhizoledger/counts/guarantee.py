"""Whether a lot meets its guarantee: one-sided limits of its mean titre from composites (§1.7).

The mean is that of log10 titres over all composites the lot could give, the geometric mean; the
arithmetic mean is never below it, so a lower limit for the one is a lower limit for the other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import fmean, stdev
from typing import Literal

from scipy.special import nctdtr, ndtr, ndtri, stdtrit

from rhizoledger.counts.plates import PlateCount
from rhizoledger.errors import InputError

Decision = Literal["meets", "does not meet", "not shown"]
Spread = Literal["estimated", "given", "evidence"]

HIGHEST = 0.999999  # numeric: nearer to certain no plates can show, and limits would overflow
WIDEST = 2.0
"""Of the spread between samples [log10]: a factor of a hundred either way."""
LOWEST_TITRE, HIGHEST_TITRE = 1e-6, 1e15  # numeric: beyond these no g, mL or seed holds cells
MOST_COMPOSITES = 200  # numeric: a lot that needs more is near its guarantee, not short of samples


@dataclass(frozen=True, slots=True)
class Composite:
    """One composite sample as its plates tell it, in log10 of the basis.

    Parameters
    ----------
    log10 : float or None
        Most likely titre; None where there is no colony, or none can be counted.
    low, high : float or None
        One-sided limits by the plates alone; None where open.
    """

    log10: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class LotLimits:
    """One-sided limits of a lot's mean log10 titre, each at ``confidence``.

    Parameters
    ----------
    mean : float or None
        Mean of the composites' log10 titres; None where one of them is a bound.
    low, high : float or None
        Lower and upper limit; None where the plates leave it open.
    sd : float or None
        Standard deviation between composites as counted, plates' error in it; None for one.
    between_sd : float or None
        The between-sample standard deviation that was put in; None where it was estimated.
    k : int
        Composites.
    spread : {"estimated", "given", "evidence"}
        Where the spread between samples came from.
    bounds_only : bool
        Whether some composite gave a bound and the limits are the widest single ones.
    by_plates : bool
        Whether the composites agree more closely than their plates can tell, so that the lower
        limit is the plates' own.
    confidence : float
    """

    mean: float | None
    low: float | None
    high: float | None
    sd: float | None
    between_sd: float | None
    k: int
    spread: Spread
    bounds_only: bool
    confidence: float
    by_plates: bool = False


def checked_confidence(confidence: float) -> float:
    """A one-sided confidence above one half and below one; an :class:`InputError` otherwise."""
    if not 0.5 < confidence <= HIGHEST:
        raise InputError(
            f"confidence {confidence!r}: it must lie above 0.5 and be at most {HIGHEST:g}. "
            "Write 0.95 for 95 %."
        )
    return float(confidence)


def plate_levels(confidence: float) -> tuple[float, float]:
    """``level`` and ``bound_alpha`` for ``count_plates`` so that each limit is one-sided.

    Examples
    --------
    >>> [round(x, 6) for x in plate_levels(0.95)]
    [0.9, 0.05]
    """
    checked_confidence(confidence)
    return 2 * confidence - 1, 1 - confidence


def composite_of(count: PlateCount, factor: float = 1.0) -> Composite:
    """A composite from its plates, counted at the levels of :func:`plate_levels`.

    Parameters
    ----------
    count : PlateCount
    factor : float
        Multiplies a count per mL into one per basis, > 0.

    Examples
    --------
    >>> from rhizoledger.counts.plates import count_plates
    >>> one = composite_of(count_plates([100], 0.1, 1e-6))
    >>> round(one.log10, 6), round(one.low, 3), round(one.high, 3)
    (9.0, 8.925, 9.072)
    """
    e = count.estimate
    return Composite(*(_log10(x, factor) for x in (e.value, e.low, e.high)))


def _log10(x: float | None, factor: float) -> float | None:
    return math.log10(x * factor) if x is not None and 0 < x < math.inf else None


def lot_limits(
    composites: Sequence[Composite],
    confidence: float,
    *,
    between_sd: float | None = None,
    evidence_sd: float,
) -> LotLimits:
    """One-sided limits of a lot's mean log10 titre.

    Parameters
    ----------
    composites : sequence of Composite
        At least one, each from its own draw of packs; their plate limits at ``confidence``.
    confidence : float
        Of each limit, between 0.5 and 1.
    between_sd : float, optional
        Standard deviation between samples that is known from elsewhere [log10], >= 0. Without it
        the composites' own spread is used, where there are two or more.
    evidence_sd : float
        What is taken where neither can be had [log10]: the upper end of the published range.

    Notes
    -----
    §1.2, §1.7. Two or more composites: mean ∓ t·s/√k, and never nearer than the plates alone allow,
    √Σ(y - l)²/k, since a few composites that agree by luck prove little. Given spread σ, or one
    composite: √(z²σ²/k + Σ(y - l)²/k²), distances to limits squared and added. Where a composite
    gives only a bound no mean can be formed: the lowest of the single composites' lower limits and
    the highest of their upper ones, each of which holds by itself.

    References
    ----------
    Zou & Donner, Statistics in Medicine 27 (2008) 1693-1702, for squaring and adding distances.

    Examples
    --------
    >>> three = [Composite(y, y - 0.05, y + 0.05) for y in (9.0, 9.1, 9.2)]
    >>> round(lot_limits(three, 0.95, evidence_sd=0.25).low, 4)  # 9.1 - 2.92 * 0.1 / sqrt(3)
    8.9314
    """
    checked_confidence(confidence)
    if not composites:
        raise InputError("There is no composite. Give the plates of at least one.")
    for sd in (evidence_sd, between_sd):
        if sd is not None and not 0 <= sd <= WIDEST:
            raise InputError(
                f"The standard deviation between samples is {sd:g}; it is a number of log10 units "
                f"from 0 to {WIDEST:g}, such as 0.15. Is this log10, or a percentage?"
            )
    k = len(composites)
    taken = evidence_sd if between_sd is None else between_sd
    source: Spread = "evidence" if between_sd is None else "given"
    z = float(ndtri(confidence))
    values = [c.log10 for c in composites if c.log10 is not None]
    if len(values) < k:
        return LotLimits(
            None, *_widest(composites, z * taken), None, taken, k, source, True, confidence
        )
    mean = fmean(values)
    sd = stdev(values) if k > 1 else None
    down = math.hypot(*(_reach(c.log10, c.low) for c in composites)) / k
    up = math.hypot(*(_reach(c.log10, c.high) for c in composites)) / k
    if sd is not None and between_sd is None:
        by_t = float(stdtrit(k - 1, confidence)) * sd / math.sqrt(k)
        low, high = mean - max(by_t, down), mean + max(by_t, up)
        return LotLimits(
            mean, low, high, sd, None, k, "estimated", False, confidence, by_plates=down > by_t
        )
    between = z * taken / math.sqrt(k)
    low, high = mean - math.hypot(between, down), mean + math.hypot(between, up)
    return LotLimits(mean, low, high, sd, taken, k, source, False, confidence)


def _reach(value: float | None, end: float | None) -> float:
    """Distance from a value to its plates' limit."""
    return 0.0 if value is None or end is None else abs(value - end)


def _widest(composites: Sequence[Composite], between: float) -> tuple[float | None, float | None]:
    """The widest of the single composites' limits: each holds, so the widest does."""

    def one(c: Composite, end: float | None, sign: int) -> float | None:
        if end is None:
            return None
        if c.log10 is None:
            return end + sign * between
        return c.log10 + sign * math.hypot(between, _reach(c.log10, end))

    lows = [one(c, c.low, -1) for c in composites]
    highs = [one(c, c.high, 1) for c in composites]
    low = min((x for x in lows if x is not None), default=None) if None not in lows else None
    high = max((x for x in highs if x is not None), default=None) if None not in highs else None
    return low, high


def decide(limits: LotLimits, guarantee: float, *, only_lowers: bool = False) -> Decision:
    """What the limits say of a guarantee.

    Parameters
    ----------
    limits : LotLimits
    guarantee : float
        Titre, > 0, linear, per the basis of the composites.
    only_lowers : bool
        Whether colonies of every kind were counted, so that the count can only lower (§1.5).

    Examples
    --------
    >>> sure = [Composite(y, y - 0.05, y + 0.05) for y in (9.48, 9.50, 9.52)]
    >>> decide(lot_limits(sure, 0.95, evidence_sd=0.25), 2e9)
    'meets'
    """
    g = log10_guarantee(guarantee)
    if limits.low is not None and limits.low >= g and not only_lowers:
        return "meets"
    if limits.high is not None and limits.high < g:
        return "does not meet"
    return "not shown"


def log10_guarantee(guarantee: float) -> float:
    """A guarantee in log10; an :class:`InputError` where it is no titre."""
    return math.log10(checked_titre("The guarantee", guarantee))


def checked_titre(name: str, titre: float) -> float:
    """A titre that may be one; an :class:`InputError` that begins with ``name`` otherwise."""
    if not LOWEST_TITRE <= titre <= HIGHEST_TITRE:
        raise InputError(
            f"{name} is {titre:g}; it is a titre above zero, from {LOWEST_TITRE:g} to "
            f"{HIGHEST_TITRE:g}. Write 2e9 for two billion."
        )
    return titre


def composites_needed(limits: LotLimits, guarantee: float) -> int | None:
    """Composites in all after which this mean and this spread would show the guarantee.

    Returns
    -------
    int or None
        None where the mean is not above the guarantee, or more than can be asked for are needed;
        then more composites are not what is missing.

    Examples
    --------
    >>> two = [Composite(9.4, 9.3, 9.5), Composite(9.5, 9.4, 9.6)]
    >>> composites_needed(lot_limits(two, 0.95, evidence_sd=0.25), 2e9)
    3
    """
    above = None if limits.mean is None else limits.mean - log10_guarantee(guarantee)
    if above is None or above <= 0:
        return None
    sd = limits.sd if limits.between_sd is None else limits.between_sd
    for k in range(limits.k + 1, MOST_COMPOSITES + 1):
        q = float(
            ndtri(limits.confidence)
            if limits.spread == "given"
            else stdtrit(k - 1, limits.confidence)
        )
        if sd is not None and q * sd / math.sqrt(k) <= above:
            return k
    return None


def chance_with(limits: LotLimits, guarantee: float, k: int) -> float | None:
    """Chance that k composites show the guarantee, if this mean and this spread are the true ones.

    Returns
    -------
    float or None
        None without a mean or without a spread.

    Notes
    -----
    One half or somewhat more with :func:`composites_needed`: that number is enough if mean and
    spread come out no worse again.

    Examples
    --------
    >>> two = [Composite(9.4, 9.3, 9.5), Composite(9.5, 9.4, 9.6)]
    >>> [round(chance_with(lot_limits(two, 0.95, evidence_sd=0.25), 2e9, k), 2) for k in (3, 5)]
    [0.75, 0.98]
    """
    sd = limits.sd if limits.between_sd is None else limits.between_sd
    if limits.mean is None or not sd:
        return None
    titre, confidence = 10.0**limits.mean, limits.confidence
    if limits.spread == "given":
        return chance_shown_known_sd(
            titre, guarantee, k, total_sd=sd, taken_sd=sd, confidence=confidence
        )
    return chance_shown(titre, guarantee, k, total_sd=sd, confidence=confidence)


def chance_shown(
    titre: float, guarantee: float, k: int, *, total_sd: float, confidence: float
) -> float:
    """P(a lot of this titre is shown to meet its guarantee) with k composites, spread estimated.

    Parameters
    ----------
    titre : float
        True geometric mean titre of the lot, > 0.
    guarantee : float
        Titre, > 0.
    k : int
        Composites, two or more.
    total_sd : float
        Standard deviation between composites as counted, plates' error in it [log10], > 0.
    confidence : float

    Notes
    -----
    §1.7. Noncentral t with k - 1 degrees of freedom, taken at minus the quantile so that it stays
    exact where it is small. That a limit is never nearer than the plates alone allow is left out.

    Examples
    --------
    At the guarantee itself the chance is one less the confidence, whatever the spread:

    >>> round(chance_shown(2e9, 2e9, 5, total_sd=0.2, confidence=0.95), 6)
    0.05
    """
    away = math.log10(titre) - log10_guarantee(guarantee)
    q = float(stdtrit(k - 1, checked_confidence(confidence)))
    return float(nctdtr(k - 1, -math.sqrt(k) * away / total_sd, -q))


def chance_shown_known_sd(
    titre: float, guarantee: float, k: int, *, total_sd: float, taken_sd: float, confidence: float
) -> float:
    """As :func:`chance_shown` where the spread is put in: true ``total_sd``, put in ``taken_sd``.

    Examples
    --------
    >>> at = dict(total_sd=0.2, taken_sd=0.2, confidence=0.95)
    >>> round(chance_shown_known_sd(2e9, 2e9, 1, **at), 6)
    0.05
    """
    away = math.log10(titre) - log10_guarantee(guarantee)
    z = float(ndtri(checked_confidence(confidence)))
    return float(ndtr((away * math.sqrt(k) - z * taken_sd) / total_sd))
