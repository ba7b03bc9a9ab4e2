"""Numbers as people say them: no logarithms, no needless digits, probabilities as odds in ten."""

from __future__ import annotations

import math
import re
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from rhizoledger import units
from rhizoledger.estimate import Estimate
from rhizoledger.plan.clock import spoken, spoken_day
from rhizoledger.plan.spoken import NO_BREAK, grouped

TEN = 10
HUNDRED = 100
POWER = re.compile(r"×10\^(-?\d+)")
SUPERSCRIPT = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
WRITTEN_OUT = 10_000_000
GALLON_FL_OZ = 128
POUND_OZ = 16


def cells(e: Estimate) -> str:
    r"""Cells per seed from an estimate on the log10 scale.

    Examples
    --------
    >>> e = Estimate(5.3424, 4.9, 5.78, "log10 cells/seed", "log10", 0.9)
    >>> cells(e).replace("\xa0", " ")
    'about 220 000 (79 000 to 600 000)'
    >>> cells(Estimate.not_known("log10 cells/seed", "no count", "log10"))
    'not known'
    """
    if e.value is None:
        if e.high is not None:
            return f"not known, at most {grouped(10**e.high)}"
        return "not known"
    text = f"about {grouped(10**e.value)}" if e.status != "at_limit" else (
        f"at least {grouped(10**e.value)}"
    )  # fmt: skip
    if e.low is not None and e.high is not None and e.high - e.low > 1e-9:
        text += f" ({grouped(10**e.low)} to {grouped(10**e.high)})"
    return text


def figures(x: float) -> str:
    """Three significant digits, as for a yield.

    Examples
    --------
    >>> figures(100.04), figures(0.6666), figures(1234.5)
    ('100', '0.667', '1234')
    """
    return f"{x:.0f}" if abs(x) >= HUNDRED else f"{x:.3g}"


def odds(p: float | None, *, at_least: bool = False) -> str:
    """A probability as it may be said aloud; ``at_least`` where it rests on a lower bound.

    Examples
    --------
    >>> odds(0.66, at_least=True)
    'at least 6 in 10'
    >>> odds(0.93), odds(0.5), odds(None), odds(0.004), odds(1.0)
    ('9 in 10', 'about as likely as not', 'not known', 'hardly any', 'almost certain')
    """
    if p is None:
        return "not known"
    if p < 0.05:
        return "hardly any"
    if p > 0.95:
        return "almost certain"
    if 0.45 <= p <= 0.55:
        return "about as likely as not"
    if at_least:
        return f"at least {math.floor(p * TEN)} in 10"
    return f"{round(p * TEN)} in 10"


def money(x: float | None) -> str:
    """Money per area with two decimals below ten, none above a hundred.

    Examples
    --------
    >>> money(3.456), money(-250.4), money(None)
    ('3.46', '-250', 'not known')
    """
    if x is None:
        return "not known"
    return f"{x:.2f}" if abs(x) < HUNDRED else f"{x:.0f}"


def time_left(at: datetime, now: datetime) -> str:
    """How long until a moment, in days or hours.

    Examples
    --------
    >>> from datetime import UTC
    >>> now = datetime(2027, 5, 10, tzinfo=UTC)
    >>> time_left(datetime(2027, 5, 13, 12, tzinfo=UTC), now)
    '3.5 d'
    >>> time_left(datetime(2027, 5, 9, tzinfo=UTC), now)
    'past'
    """
    left = at - now
    if left < timedelta(0):
        return "past"
    if left < timedelta(days=2):
        return f"{left / timedelta(hours=1):.0f} h"
    return f"{left / timedelta(days=1):.1f} d"


def by_interval(value: float, low: float | None, high: float | None) -> str:
    r"""A number with the digits its interval deserves: the last one is about a tenth of its width.

    Without an interval it is given to three significant digits.

    Examples
    --------
    >>> by_interval(5.2718, 2.1, 8.04), by_interval(223_456.0, 80_000.0, 600_000.0)
    ('5.3', '220\xa0000')
    >>> by_interval(0.66666, None, None), by_interval(-0.04, -0.2, 0.1)
    ('0.667', '-0.04')
    """
    if low is None or high is None or not high > low:
        return figures(value)
    step = math.floor(math.log10((high - low) / TEN))
    rounded = round(value, -step) + 0.0
    return f"{rounded:,.{max(0, -step)}f}".replace(",", NO_BREAK)


def with_interval(e: Estimate) -> str:
    """An estimate on its own scale, with its interval; a bound alone reads "< 3.0" or "> 250".

    Examples
    --------
    >>> with_interval(Estimate(5.27, 2.1, 8.04, "bu/ac", level=0.9))
    '5.3 (90 %: 2.1 to 8.0)'
    >>> with_interval(Estimate(None, None, 3.0, "CFU/mL"))
    '< 3.0'
    >>> with_interval(Estimate.not_known("bu/ac", "no trial"))
    'not known'
    """
    if e.value is None:
        if e.high is not None:
            return f"< {e.high:.1f}" if 1 <= e.high < TEN else f"< {figures(e.high)}"
        return f"> {figures(e.low)}" if e.low is not None else "not known"
    said = by_interval(e.value, e.low, e.high)
    if e.low is None or e.high is None or not e.high > e.low:
        return said
    ends = f"{by_interval(e.low, e.low, e.high)} to {by_interval(e.high, e.low, e.high)}"
    level = "" if e.level is None else f"{HUNDRED * e.level:.0f} %: "
    return f"{said} ({level}{ends})"


def large(x: float) -> str:
    r"""A number written out to ten million, and as ×10ⁿ beyond it, to two digits.

    Examples
    --------
    >>> large(223_456), large(5.04e9), large(0.0)
    ('220\xa0000', '5.0×10⁹', '0')
    """
    if not math.isfinite(x):
        return "very large"
    if abs(x) < WRITTEN_OUT:
        return grouped(x)
    mantissa, power = f"{x:.1e}".split("e")
    return f"{mantissa}×10{str(int(power)).translate(SUPERSCRIPT)}"


def chance(p: float | None, grade: str | None) -> str:
    """A probability for print: in words alone where it rests on an assumption, else in hundredths.

    Examples
    --------
    >>> chance(0.934, "near"), chance(0.934, "assumption"), chance(None, None), chance(1.0, "own")
    ('0.93', '9 in 10', 'not known', '> 0.99')
    """
    if p is None:
        return "not known"
    if grade in (None, "assumption"):
        return odds(p)
    if p > 0.99:
        return "> 0.99"
    return "< 0.01" if p < 0.01 else f"{p:.2f}"


def day(when: date | datetime, zone: ZoneInfo) -> str:
    """A day with its weekday, and the hour where there is one.

    Examples
    --------
    >>> from datetime import UTC
    >>> day(datetime(2027, 5, 14, 23, tzinfo=UTC), ZoneInfo("America/Chicago"))
    'Friday 14 May 2027, 18:00'
    >>> day(date(2027, 5, 14), ZoneInfo("UTC"))
    'Friday 14 May 2027'
    """
    return spoken(when, zone) if isinstance(when, datetime) else spoken_day(when)


def amount(x: float | None, unit: str, written_in: str) -> str:
    """An amount of mL, g or packs in the measure the shop wrote its rate in, as it is poured.

    Examples
    --------
    >>> amount(13_248.94, "mL", "fl oz"), amount(350.0, "mL", "fl oz"), amount(350.0, "mL", "mL")
    ('3 gal 64 fl oz', '11.8 fl oz', '350 mL')
    >>> amount(11_339.8, "g", "oz"), amount(11_339.8, "g", "g"), amount(3, "packs", "pack")
    ('25 lb 0.0 oz', '11.3 kg', '3 packs')
    >>> amount(None, "mL", "mL")
    'not known'
    """
    if x is None:
        return "not known"
    if unit == "packs":
        return f"{figures(x)} pack{'' if x == 1 else 's'}"
    if unit == "mL" and written_in == "fl oz":
        return _in_two(x / units.volume_ml(1, "fl oz"), GALLON_FL_OZ, "gal", "fl oz")
    if unit == "g" and written_in in ("oz", "lb"):
        return _in_two(x / units.mass_g(1, "oz"), POUND_OZ, "lb", "oz")
    if abs(x) >= HUNDRED * TEN:
        return f"{figures(x / 1000)} {'L' if unit == 'mL' else 'kg'}"
    return f"{figures(x)} {unit}"


def _in_two(small: float, per_large: int, large_unit: str, small_unit: str) -> str:
    """Whole large units and the rest in small ones, the rest to what a measure can show."""
    decimals = 1 if small < HUNDRED or large_unit == "lb" else 0
    small = round(small, decimals)
    whole, rest = divmod(small, per_large)
    head = f"{whole:.0f} {large_unit} " if whole else ""
    return f"{head}{rest:.{decimals}f} {small_unit}"


def raised(text: str) -> str:
    """A sentence whose powers of ten are raised, for paper and screens that can.

    Examples
    --------
    >>> raised("about 5×10^9 CFU/mL")
    'about 5×10⁹ CFU/mL'
    """
    return POWER.sub(lambda m: f"×10{m.group(1).translate(SUPERSCRIPT)}", text)
