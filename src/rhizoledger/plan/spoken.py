"""Numbers inside the plan's own sentences; ``report`` prints its numbers by the same rules."""

from __future__ import annotations

import math

NO_BREAK = "\u00a0"
LARGEST_WRITTEN_OUT = 10_000_000  # numeric: beyond it zeros are no longer read, they are counted


def grouped(x: float) -> str:
    """Two significant digits, thousands apart by a blank that does not break.

    Examples
    --------
    >>> grouped(223456).replace(NO_BREAK, " "), grouped(0.0432), grouped(0), grouped(5.04e9)
    ('220 000', '0.043', '0', '5×10^9')
    """
    if x == 0:
        return "0"
    if not math.isfinite(x):
        return "very large"
    power = math.floor(math.log10(abs(x)))
    if abs(x) >= LARGEST_WRITTEN_OUT:
        return f"{x / 10.0**power:.2g}×10^{power}"
    rounded = round(x, 1 - power)
    if power < 1:
        return f"{rounded:.{1 - power}f}"
    return f"{rounded:,.0f}".replace(",", NO_BREAK)
