"""What a laboratory would report: two published rules, in plain forms (§1.1).

A reporting rule is a convention for one printed number. It is not an estimate with an interval, and
nothing else in the program is computed from it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_DOWN, ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from typing import Literal

from rhizoledger.counts.plates.readings import PlateReading, read_plates

Rule = Literal["bam", "iso7218"]
Sign = Literal["", "<", ">"]

BAM_LOW, BAM_HIGH = 25, 250  # exact: countable range of the rule
BAM_PER_CM2 = 100  # exact: colonies per cm² above which the rule gives a bound
ISO_LOW, ISO_HIGH = 10, 300  # exact: countable range of the rule
ISO_PRESENT = 4  # exact: below it the rule reports presence only
ISO_SHIFT, ISO_Z = 1.92, 1.96  # exact: the rule's own interval, as printed


@dataclass(frozen=True, slots=True)
class PlateReport:
    """A result as a reporting rule writes it.

    Parameters
    ----------
    text : str
        The line to print.
    value : float or None
        The number in it, rounded as the rule says; None where the rule gives no number.
    sign : {"", "<", ">"}
        Whether it is a limit.
    estimated : bool
        Whether the rule calls it estimated.
    warnings : tuple of str
        What the rule would have asked as well.
    """

    text: str
    value: float | None
    sign: Sign
    estimated: bool
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Plate:
    """One plate as a rule sees it, its drops put together."""

    colonies: float
    portion_ml: float
    plate_cm2: float | None


@dataclass(frozen=True, slots=True)
class _Full:
    """One plate called TNTC."""

    limit: float
    portion_ml: float
    plate_cm2: float | None


def report_plates(
    colonies: Sequence[int | str],
    volume_ml: float | Sequence[float],
    dilution: float | Sequence[float],
    *,
    rule: Rule = "bam",
    unit: str = "CFU/mL",
    plate_cm2: float | None = None,
) -> PlateReport:
    """The result that a reporting rule prints.

    Parameters
    ----------
    colonies, volume_ml, dilution
        As in :func:`count_plates`.
    rule : {"bam", "iso7218"}
        ``"bam"``: counts of 25-250 only; third digit 5 goes to the even second digit.
        ``"iso7218"``: counts up to 300 on two successive dilutions; third digit 5 goes up.
    unit : str
        Unit to print.
    plate_cm2 : float, optional
        Area of a plate, for the case of more than 100 colonies per cm² [cm²].

    Notes
    -----
    ``"bam"``: some plates inside the range, those alone; all below, less than 25 over the most
    sample on a plate; all above, the plates nearest 250, estimated; more than 100 per cm², greater
    than 100 × area over the least sample on a plate. ``"iso7218"``: a plate partly under a spreader
    counts in proportion; below 10 estimated; below 4 present; none, less than one; all above 300,
    more than 300. Both leave a plate out of which spreaders cover more than a quarter. Not covered:
    ISO 14461 agreement of duplicates.

    References
    ----------
    US bacteriological analytical manual, chapter 3 (from memory, checked on printed examples);
    ISO 7218:2007 10.3 (from a public summary).

    Examples
    --------
    >>> report_plates([18, 2], 1.0, [0.01, 0.001]).text
    '< 2,500 CFU/mL (estimated)'
    >>> report_plates([3], 1.0, [0.1], rule="iso7218").text
    'present, < 40 CFU/mL'
    >>> report_plates(["TNTC", 7150], 1.0, [0.01, 0.001], plate_cm2=65).text
    '> 6,500,000 CFU/mL (estimated)'
    """
    plates = read_plates(colonies, volume_ml, dilution, ISO_HIGH, plate_cm2=plate_cm2)
    return report_readings(plates, rule, unit)


def report_readings(plates: Sequence[PlateReading], rule: Rule, unit: str) -> PlateReport:
    """As :func:`report_plates`, for plates already read."""
    if all(p.colonies in ("SPR", "LA") for p in plates):
        word = "SPR" if any(p.colonies == "SPR" for p in plates) else "LA"
        return PlateReport(word, None, "", False)
    counted, full = _whole_plates(plates, rule)
    return _bam(counted, full, unit) if rule == "bam" else _iso(counted, full, unit)


def _whole_plates(plates: Sequence[PlateReading], rule: Rule) -> tuple[list[_Plate], list[_Full]]:
    """Drops put together to plates; a plate with a crowded drop is crowded."""
    parts: dict[object, list[PlateReading]] = {}
    for i, p in enumerate(plates):
        if p.colonies not in ("SPR", "LA"):
            parts.setdefault(i if p.plate is None else (p.plate, p.whole_ml), []).append(p)
    counted, full = [], []
    for drops in parts.values():
        whole_ml, area = math.fsum(p.whole_ml for p in drops), drops[0].plate_cm2
        crowded = [p for p in drops if p.colonies == "TNTC"]
        if crowded:
            full.append(_Full(math.fsum(p.tntc_limit for p in crowded), whole_ml, area))
            continue
        scale = [1 / (1 - p.spreader_share) if rule == "iso7218" else 1.0 for p in drops]
        colonies = [int(p.colonies) for p in drops if not isinstance(p.colonies, str)]
        number = math.fsum(c * s for c, s in zip(colonies, scale, strict=True))
        counted.append(_Plate(number, whole_ml, area))
    return counted, full


def _bam(counted: list[_Plate], full: list[_Full], unit: str) -> PlateReport:
    inside = [p for p in counted if BAM_LOW <= p.colonies <= BAM_HIGH]
    if inside:
        return _report(_mean(inside), "", False, unit, "bam")
    if not counted:
        return _more_than(full, BAM_HIGH, unit, "bam")
    if not full and all(p.colonies < BAM_LOW for p in counted):
        return _report(BAM_LOW / max(p.portion_ml for p in counted), "<", True, unit, "bam")
    nearest = min(counted, key=lambda p: abs(p.colonies - BAM_HIGH))
    if nearest.colonies < BAM_LOW:
        return _report(BAM_LOW / nearest.portion_ml, "<", True, unit, "bam")
    if all(p.colonies > BAM_HIGH for p in counted):
        bound = _per_cm2(counted, full)
        if bound is not None:
            return _report(bound, ">", True, unit, "bam")
    same = [p for p in counted if p.portion_ml == nearest.portion_ml]
    said = (
        "Every count is above 250: the rule gives a bound instead where plates hold more than 100 "
        "colonies per cm². Give the plates' area to have that judged."
    )
    unjudged = any(p.plate_cm2 is None for p in same)
    return _report(_mean(same), "", True, unit, "bam", (said,) if unjudged else ())


def _per_cm2(counted: list[_Plate], full: list[_Full]) -> float | None:
    """The rule's bound where the most diluted counted plates hold more than 100 per cm²."""
    least_ml = min([p.portion_ml for p in counted] + [p.portion_ml for p in full])
    last = [p for p in counted if p.portion_ml == min(q.portion_ml for q in counted)]
    areas = [p.plate_cm2 for p in last if p.plate_cm2 is not None]
    if len(areas) < len(last) or sum(p.colonies for p in last) <= BAM_PER_CM2 * sum(areas):
        return None
    return BAM_PER_CM2 * math.fsum(areas) / len(areas) / least_ml


def _iso(counted: list[_Plate], full: list[_Full], unit: str) -> PlateReport:
    usable = [p for p in counted if p.colonies <= ISO_HIGH]
    crowded = full + [
        _Full(ISO_HIGH, p.portion_ml, p.plate_cm2) for p in counted if p.colonies > ISO_HIGH
    ]
    if not usable:
        return _more_than(crowded, ISO_HIGH, unit, "iso7218")
    portions = sorted({p.portion_ml for p in usable}, reverse=True)[:2]
    used = [p for p in usable if p.portion_ml in portions]
    if any(p.colonies >= ISO_LOW for p in used):
        return _report(_mean(used), "", False, unit, "iso7218")
    if crowded:
        text = "no result by this rule: too many on some plates, fewer than 10 on the others"
        return PlateReport(text, None, "", False)
    if all(p.colonies == 0 for p in used):
        return _report(1 / portions[0], "<", False, unit, "iso7218")
    if all(p.colonies < ISO_PRESENT for p in used):
        below = _report(ISO_PRESENT / portions[0], "<", False, unit, "iso7218")
        return PlateReport(f"present, {below.text}", below.value, "<", False)
    return _report(_mean(used), "", True, unit, "iso7218")


def _more_than(full: list[_Full], high: float, unit: str, rule: Rule) -> PlateReport:
    """More than the range on the most diluted plate, as far as its TNTC limit carries."""
    least_ml = min(p.portion_ml for p in full)
    carried = max(min(p.limit, high) for p in full if p.portion_ml == least_ml)
    return _report(carried / least_ml, ">", True, unit, rule)


def _mean(plates: list[_Plate]) -> float:
    return math.fsum(p.colonies for p in plates) / math.fsum(p.portion_ml for p in plates)


def _report(
    value: float,
    sign: Sign,
    estimated: bool,
    unit: str,
    rule: Rule,
    warnings: tuple[str, ...] = (),
) -> PlateReport:
    rounded = two_figures(value, rule)
    lead = f"{sign} " if sign else ""
    tail = " (estimated)" if estimated else ""
    text = f"{lead}{rounded:,f} {unit}{tail}"
    return PlateReport(text, float(rounded), sign, estimated, warnings)


def iso7218_limits(colonies: int, plated_ml: float) -> tuple[float, float]:
    """The 95 % interval that the second rule prints with its weighted mean.

    Parameters
    ----------
    colonies : int
        Colonies on all plates used.
    plated_ml : float
        Undiluted sample on them [mL].

    Notes
    -----
    (Σc + 1.92 ± 1.96 √Σc)/Σ(v·d), an approximation: without a colony both ends are 1.92 colonies,
    and with one the lower end is above what one colony allows. Exact limits are
    :func:`rhizoledger.stats.poisson.poisson_limits`.

    References
    ----------
    ISO 7218:2007 10.3 (from memory).

    Examples
    --------
    >>> [round(x, 1) for x in iso7218_limits(422, 0.022)]
    [17438.9, 21099.3]
    """
    reach = ISO_Z * math.sqrt(colonies)
    middle = colonies + ISO_SHIFT
    return (middle - reach) / plated_ml, (middle + reach) / plated_ml


def two_figures(value: float, rule: Rule) -> Decimal:
    """A positive number with two significant figures, as the rule rounds.

    Examples
    --------
    >>> int(two_figures(24553, "bam")), int(two_figures(24553, "iso7218"))
    (24000, 25000)
    """
    # Eleven digits first: 14500 must not become 14499.999 on its way here.
    number = Decimal(f"{value:.11e}")
    if rule == "bam":  # looks at the third digit alone
        number = _figures(number, 3, ROUND_DOWN)  # exact: the third digit decides
        return _figures(number, 2, ROUND_HALF_EVEN)
    return _figures(number, 2, ROUND_HALF_UP)


def _figures(number: Decimal, figures: int, rounding: str) -> Decimal:
    step = Decimal(1).scaleb(number.adjusted() - figures + 1)
    rounded = (number / step).quantize(Decimal(1), rounding=rounding) * step
    return rounded.quantize(Decimal(1)) if step >= 1 else rounded
