"""Numbers as people say them: no logarithms, no needless digits, probabilities as odds in ten."""

from __future__ import annotations

import math
from datetime import datetime, timedelta

from rhizoledger.estimate import Estimate
from rhizoledger.plan.spoken import grouped

TEN = 10
HUNDRED = 100


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
