"""The run strip: a row for each day, a numbered box for each run, hatching where one cleans out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rhizoledger.report.charts.sheet import (
    INK,
    LINE,
    NODULE,
    PENCIL,
    RULE,
    SIZE,
    Sheet,
    cut_to,
    key_line,
    only_numbers,
    width_of,
)

TALL = 44.0
BOX = 22.0
LEFT = 92.0
ROW = LINE + 4
HOUR = 60
NOTCH = 4


@dataclass(frozen=True, slots=True)
class Box:
    """One run on its day; times in minutes after local midnight.

    Parameters
    ----------
    day : str
        As the row says it.
    start, end : float
        Of the run.
    cleanout : float
        Minutes of cleaning out that end where the run starts.
    name, words : str
        The batch, and what the list says beside it.
    doubtful : str
        Why planting is more likely than not to find this seed late or past its window, or nothing.
    """

    day: str
    start: float
    end: float
    cleanout: float
    name: str
    words: str
    doubtful: str


def strip_figure(boxes: Sequence[Box], *, width: int = 640) -> dict[str, Any]:
    """Days down, hours across, and below them what each number stands for.

    Parameters
    ----------
    boxes : sequence of Box
        In the order of the runs; at least one.
    width : int
        Of the figure [px].

    Returns
    -------
    dict
        A Vega-Lite spec.
    """
    only_numbers([x for b in boxes for x in (b.start, b.end, b.cleanout)])
    sheet = Sheet(width)
    first = int(min(b.start - b.cleanout for b in boxes) // HOUR)
    last = max(-int(-max(b.end for b in boxes) // HOUR), first + 1)
    first = max(0, first)

    def at(minutes: float) -> float:
        share = (minutes / HOUR - first) / (last - first)
        return LEFT + share * (width - LEFT - 24)

    items: list[tuple[Any, str]] = [(None, "number: run, in order"), (None, "hatched: clean-out")]
    if any(b.doubtful for b in boxes):
        items.append((NODULE, "more likely than not late, or waiting too long"))
    top = key_line(sheet, items) + 2 * LINE
    days = list(dict.fromkeys(b.day for b in boxes))
    bottom = top + TALL * len(days)
    every = 1 if (width - LEFT) / (last - first) >= 34 else 2
    for hour in range(first, last + 1):
        x = at(hour * HOUR)
        for i, day in enumerate(days):
            if not any(b.day == day and b.start < hour * HOUR < b.end for b in boxes):
                sheet.line(x, top + TALL * i, x, top + TALL * (i + 1), RULE, 0.5)
        if (hour - first) % every == 0:
            sheet.text(x, top - 5, f"{hour}:00", PENCIL, "center")
    for i, day in enumerate(days):
        y = top + TALL * (i + 0.5)
        sheet.line(4, y + TALL / 2, width - 4, y + TALL / 2, RULE, 0.5)
        sheet.text(4, y + 4, day, INK)
    sheet.line(4, top, width - 4, top, PENCIL)
    for n, b in enumerate(boxes, 1):
        y = top + TALL * (days.index(b.day) + 0.5)
        _box(sheet, n, b, at, y)
    y = bottom + LINE + 4
    names = max(width_of(b.name, SIZE) for b in boxes)
    names = min(names, width / 4)
    for n, b in enumerate(boxes, 1):
        sheet.text(22, y, f"{n}", INK, "right")
        sheet.text(30, y, cut_to(b.name, names), INK)
        x = 30 + names + 12
        words = b.words if not b.doubtful else f"{b.words}; {b.doubtful}"
        sheet.text(x, y, cut_to(words, width - x - 8), PENCIL)
        if b.doubtful:
            sheet.cross(8, y - 4, 2.6)
        y += ROW
    return sheet.spec(
        y - ROW + 6,
        "Runs in their order by day and hour, with the clean-outs between them: "
        + ", ".join(f"{n} {b.name}" for n, b in enumerate(boxes, 1))
        + ".",
    )


def _box(sheet: Sheet, n: int, b: Box, at: Any, y: float) -> None:
    """The outline of a run with its number, and hatching for the clean-out before it."""
    x0, x1 = at(b.start), max(at(b.end), at(b.start) + 3)
    up, down = y - BOX / 2, y + BOX / 2
    for ends in ((x0, up, x1, up), (x0, down, x1, down), (x0, up, x0, down), (x1, up, x1, down)):
        sheet.line(*ends, INK, 1.25)
    if b.cleanout > 0:
        begin = max(LEFT, at(b.start - b.cleanout))
        if x0 - begin > 1:
            sheet.hatch((begin, x0), up + NOTCH, down - NOTCH, PENCIL)
    text = f"{n}"
    wide = width_of(text, SIZE)
    if wide + 4 <= x1 - x0:
        whole = f"{n} {b.name}"
        fits = width_of(whole, SIZE) + 8 <= x1 - x0
        sheet.text((x0 + x1) / 2, y + 4, whole if fits else text, INK, "center")
    else:
        sheet.text((x0 + x1) / 2, up - 2, text, INK, "center")
