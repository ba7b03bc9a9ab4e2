"""The wait map: chances in ten for each delay and store temperature, a number in every cell.

The line is the longest wait that still has the wanted chance, worked out to the hour.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rhizoledger.report.charts.sheet import (
    INK,
    LINE,
    PENCIL,
    RULE,
    SIZE,
    Sheet,
    only_numbers,
    width_of,
)

TALL = 26.0
LEFT = 84.0
NUMBER_SIZE = 13.0
THICK = 1.75
TITLE = "chances in ten that enough live cells arrive"


@dataclass(frozen=True, slots=True)
class Column:
    """One store temperature: words above it, a text for each delay, and where the line crosses.

    Parameters
    ----------
    words : str
        The temperature as it is said.
    numbers : sequence of str
        Chances in ten, one for each delay; a dash where none may be stated.
    closed : sequence of bool
        Whether a label, tag, test or date is past there: drawn as a cross beside the number.
    latest : float or None
        Longest wait that still meets [d]; None where none does.
    open : bool
        Whether even the longest wait asked about meets.
    """

    words: str
    numbers: Sequence[str]
    closed: Sequence[bool]
    latest: float | None
    open: bool


def wait_figure(
    delays_days: Sequence[float],
    columns: Sequence[Column],
    *,
    wanted: str,
    width: int = 640,
) -> dict[str, Any]:
    """Delays down, store temperatures across.

    Parameters
    ----------
    delays_days : sequence of float
        Rising; the rows.
    columns : sequence of Column
        From cold to warm.
    wanted : str
        The wanted chance in words, for the key.
    width : int
        Of the figure [px].

    Returns
    -------
    dict
        A Vega-Lite spec, in ink alone.
    """
    only_numbers([*delays_days, *(c.latest for c in columns if c.latest is not None)])
    sheet = Sheet(width)
    wide = (width - LEFT - 8) / len(columns)
    sheet.text(4, SIZE, f"{TITLE}, by days of delay and store temperature", PENCIL)
    sheet.line(4, SIZE + LINE, 25, SIZE + LINE, INK, THICK)
    sheet.text(30, SIZE + LINE + 4, f"longest wait with {wanted}", PENCIL)
    x = 44 + width_of(f"longest wait with {wanted}", SIZE)
    if any(any(c.closed) for c in columns):
        sheet.cross(x, SIZE + LINE, 2.6)
        sheet.text(x + 8, SIZE + LINE + 4, "past label, tag, test or date", PENCIL)
    top = SIZE + 4 * LINE
    sheet.text(4, top - 4, "delay", PENCIL)
    rows = [top + TALL * (i + 0.5) for i in range(len(delays_days))]
    for i, c in enumerate(columns):
        sheet.text(LEFT + wide * (i + 0.5), top - 4, c.words, INK, "center")
    for y, d in zip(rows, delays_days, strict=True):
        sheet.line(4, y + TALL / 2, width - 4, y + TALL / 2, RULE, 0.5)
        sheet.text(LEFT - 14, y + 4, said_days(d), INK, "right")
    sheet.line(4, top, width - 4, top, PENCIL)
    for i, c in enumerate(columns):
        middle = LEFT + wide * (i + 0.5)
        for y, number, closed in zip(rows, c.numbers, c.closed, strict=True):
            colour = INK if number[:1].isdigit() else PENCIL
            sheet.text(middle, y + 4.5, number, colour, "center", size=NUMBER_SIZE)
            if closed:
                sheet.cross(middle + width_of(number, NUMBER_SIZE) / 2 + 9, y, 2.4)
    heights = [_height(c, delays_days, rows) for c in columns]
    for i, here in enumerate(heights):
        x = LEFT + wide * i
        sheet.line(x, here, x + wide, here, INK, THICK)
        if i:
            sheet.line(x, heights[i - 1], x, here, INK, THICK)
    bottom = rows[-1] + TALL / 2
    return sheet.spec(
        bottom + 4,
        "Chances in ten that enough live cells arrive, for each delay and each store temperature, "
        f"with the longest wait that still has {wanted}.",
    )


def _height(column: Column, delays: Sequence[float], rows: Sequence[float]) -> float:
    """Where the line stands in a column: between the rows that the wait lies between."""
    if column.latest is None:
        return rows[0] - TALL / 2
    if column.open:
        return rows[-1] + TALL / 2
    i = max(k for k, d in enumerate(delays) if d <= column.latest)
    share = (column.latest - delays[i]) / (delays[i + 1] - delays[i])
    return rows[i] + TALL * (0.25 + 0.5 * share)


def said_days(days: float) -> str:
    """A delay as a row says it.

    Examples
    --------
    >>> said_days(0.0), said_days(1.0), said_days(2.5)
    ('none', '1 day', '2.5 days')
    """
    if days == 0:
        return "none"
    return f"{days:g} day" if days == 1 else f"{days:g} days"
