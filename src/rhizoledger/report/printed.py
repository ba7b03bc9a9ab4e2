"""A cell of a table as text, the same on every kind of page."""

from __future__ import annotations

import unicodedata
from datetime import date, datetime

from rhizoledger.plan.clock import spoken_day
from rhizoledger.report.blocks import Cell
from rhizoledger.report.numbers import figures, large

LONGEST = 600
"""Characters of one cell that are printed; more would push everything else off the page."""
BREAKS = {"\n": " ", "\r": " ", "\t": " "}


def printed(x: Cell) -> str:
    r"""A cell as it is read: "not known" for None, days with their weekday, numbers rounded.

    Examples
    --------
    >>> printed(None), printed(""), printed(1234567.0), printed(date(2027, 5, 14)), printed(3)
    ('not known', '', '1\xa0200\xa0000', 'Friday 14 May 2027', '3')
    """
    if x is None:
        return "not known"
    if isinstance(x, str):
        return harmless(x)
    if isinstance(x, datetime):
        return f"{printed(x.date())}, {x:%H:%M}"
    if isinstance(x, date):
        return spoken_day(x)
    if isinstance(x, int):
        return str(x)
    return large(x) if abs(x) >= 1000 else figures(x)


def harmless(text: str) -> str:
    r"""Text without what could reorder, hide or break the page around it.

    Control characters and marks that turn the direction of what follows are dropped; letters of
    any script, emoji and right-to-left words stay as they are. What is longer than a page can
    carry ends in an ellipsis.

    Examples
    --------
    >>> harmless("a\u202eb\x00c"), len(harmless("x" * 5000))
    ('abc', 600)
    """
    text = "".join(BREAKS.get(c, c) for c in text)
    kept = "".join(
        c for c in text if unicodedata.category(c) not in ("Cc", "Cs", "Co") and not _turns(c)
    )
    return shortened(kept, LONGEST)


def shortened(text: str, most: int) -> str:
    """A text of at most so many letters; what is left out is shown by an ellipsis.

    Examples
    --------
    >>> shortened("abcdef", 4), shortened("abc", 4)
    ('abc…', 'abc')
    """
    return text if len(text) <= most else text[: most - 1] + "…"


def _turns(c: str) -> bool:
    """Whether a character is an override or an embedding of direction (not a plain mark)."""
    return "\u202a" <= c <= "\u202e" or "\u2066" <= c <= "\u2069"
