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
ISO_LOW, ISO_HIGH = 10, 300  # exact: countable range of the rule
ISO_PRESENT = 4  # exact: below it the rule reports presence only


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
    """

    text: str
    value: float | None
    sign: Sign
    estimated: bool


def report_plates(
    colonies: Sequence[int | str],
    volume_ml: float | Sequence[float],
    dilution: float | Sequence[float],
    *,
    rule: Rule = "bam",
    unit: str = "CFU/mL",
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

    Notes
    -----
    Not covered: spreader area, colonies per cm², ISO 14461 agreement of duplicates.

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
    """
    return report_readings(read_plates(colonies, volume_ml, dilution, ISO_HIGH), rule, unit)


def report_readings(plates: Sequence[PlateReading], rule: Rule, unit: str) -> PlateReport:
    """As :func:`report_plates`, for plates already read."""
    if all(p.colonies in ("SPR", "LA") for p in plates):
        word = "SPR" if any(p.colonies == "SPR" for p in plates) else "LA"
        return PlateReport(word, None, "", False)
    counted = [(int(p.colonies), p.portion_ml) for p in plates if not isinstance(p.colonies, str)]
    over_ml = [p.portion_ml for p in plates if p.colonies == "TNTC"]
    return _bam(counted, over_ml, unit) if rule == "bam" else _iso(counted, over_ml, unit)


def _bam(counted: list[tuple[int, float]], over_ml: list[float], unit: str) -> PlateReport:
    inside = [(c, w) for c, w in counted if BAM_LOW <= c <= BAM_HIGH]
    if inside:
        return _report(_mean(inside), "", False, unit, "bam")
    if not counted:
        return _report(BAM_HIGH / min(over_ml), ">", True, unit, "bam")
    if not over_ml and all(c < BAM_LOW for c, _ in counted):
        return _report(BAM_LOW / max(w for _, w in counted), "<", True, unit, "bam")
    nearest, portion_ml = min(counted, key=lambda plate: abs(plate[0] - BAM_HIGH))
    if nearest < BAM_LOW:
        return _report(BAM_LOW / portion_ml, "<", True, unit, "bam")
    same = [(c, w) for c, w in counted if w == portion_ml]
    return _report(_mean(same), "", True, unit, "bam")


def _iso(counted: list[tuple[int, float]], over_ml: list[float], unit: str) -> PlateReport:
    usable = [(c, w) for c, w in counted if c <= ISO_HIGH]
    crowded_ml = over_ml + [w for c, w in counted if c > ISO_HIGH]
    if not usable:
        return _report(ISO_HIGH / min(crowded_ml), ">", True, unit, "iso7218")
    portions = sorted({w for _, w in usable}, reverse=True)[:2]
    used = [(c, w) for c, w in usable if w in portions]
    if any(c >= ISO_LOW for c, _ in used):
        return _report(_mean(used), "", False, unit, "iso7218")
    if crowded_ml:
        text = "no result by this rule: too many on some plates, fewer than 10 on the others"
        return PlateReport(text, None, "", False)
    first = [(c, w) for c, w in used if w == portions[0]]
    mean_colonies = sum(c for c, _ in first) / len(first)
    if all(c == 0 for c, _ in used):
        return _report(1 / portions[0], "<", False, unit, "iso7218")
    if mean_colonies < ISO_PRESENT:
        below = _report(ISO_PRESENT / portions[0], "<", False, unit, "iso7218")
        return PlateReport(f"present, {below.text}", below.value, "<", False)
    return _report(_mean(used), "", True, unit, "iso7218")


def _mean(plates: list[tuple[int, float]]) -> float:
    return sum(c for c, _ in plates) / math.fsum(w for _, w in plates)


def _report(value: float, sign: Sign, estimated: bool, unit: str, rule: Rule) -> PlateReport:
    rounded = two_figures(value, rule)
    lead = f"{sign} " if sign else ""
    tail = " (estimated)" if estimated else ""
    return PlateReport(f"{lead}{rounded:,f} {unit}{tail}", float(rounded), sign, estimated)


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
