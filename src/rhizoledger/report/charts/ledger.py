"""The ledger as falling steps: twenty dots at each, so that a chance can be counted."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median
from typing import Any

from rhizoledger.plan.spoken import NO_BREAK, grouped
from rhizoledger.report.charts.sheet import (
    DASHED,
    DOTTED,
    INK,
    LEAF,
    LINE,
    NARROW,
    NODULE,
    PENCIL,
    RULE,
    SIZE,
    SOLID,
    Scale,
    Sheet,
    cut_to,
    key_line,
    only_numbers,
    piles,
    pitch_for,
    width_of,
    wrapped_lines,
)

DASHES = {"near": DASHED, "practice": DOTTED, "assumption": DOTTED}
"""Line by grade of evidence; any other grade, and no grade, is solid."""
LINE_WORDS = {
    SOLID: "own or measured",
    DASHED: "from something near",
    DOTTED: "practice, assumption",
}
LEAST_LEVEL, LARGEST_LEVEL = 0.0, 12.0
"""Ends of the axis [log10 cells/seed]; what lies beyond is drawn at the end."""


@dataclass(frozen=True, slots=True)
class LedgerStep:
    """One step of a ledger as it is drawn.

    Parameters
    ----------
    label, elapsed : str
        What happened, and the time since the start as people say it.
    dots : tuple of float
        Equally likely balances after it [log10 cells/seed]; empty where not known.
    at_most_log10 : float or None
        A limit from above, where that is what is known.
    grade : str or None
        Grade of the evidence that leads here; None where none is needed.
    count : tuple of float or None
        A count at this step: value, low, high [log10 cells/seed].
    """

    label: str
    elapsed: str
    dots: tuple[float, ...] = ()
    at_most_log10: float | None = None
    grade: str | None = None
    count: tuple[float, float, float] | None = None


def ledger_figure(
    steps: Sequence[LedgerStep], requirement_log10: float | None, *, width: int = 640
) -> dict[str, Any]:
    """The ledger of live cells a seed: steps along the bottom, twenty dots at each.

    Parameters
    ----------
    steps : sequence of LedgerStep
        In time order; drawn at equal spacing.
    requirement_log10 : float or None
        What the crop needs [log10 cells/seed].
    width : int
        Of the figure [px].

    Returns
    -------
    dict
        A Vega-Lite spec.
    """
    sheet = Sheet(width)
    narrow = width < NARROW
    left, right = (58.0 if narrow else 86.0), width - 6.0
    cell = (right - left) / max(1, len(steps))
    levels = _levels(steps, requirement_log10)
    only_numbers(levels)
    top = _ledger_key(sheet, steps, requirement_log10) + LINE + 10
    scale = _ledger_scale(levels, top, top + 236)
    sheet.text(left, top - 5, "live cells a seed", PENCIL)
    _ledger_axis(sheet, scale, levels, requirement_log10, left, right)
    room = min(12.0, cell * 0.25) if any(s.count for s in steps) else 0.0
    before: float | None = None
    named_to = -math.inf
    for i, step in enumerate(steps):
        x0, x1 = left + i * cell, left + (i + 1) * cell
        middle = (x0 + x1 - room) / 2
        after = scale.at(median(map(_level, step.dots))) if step.dots else None
        if after is not None:
            dash = DASHES.get(step.grade or "", SOLID)
            if before is not None:
                sheet.line(x0, before, x0, after, PENCIL, 1.25, dash)
            sheet.line(x0, after, x1, after, PENCIL, 1.25, dash)
        before = after
        _balance(sheet, scale, step.dots, requirement_log10, middle, cell * 0.94 - room)
        if step.count is not None:
            _count(sheet, scale, step.count, x1 - room / 2)
        if step.at_most_log10 is not None:
            y = scale.at(_level(step.at_most_log10))
            named_to = _at_most(sheet, middle, y, cell * 0.32, named_to)
        elif not step.dots:
            y = (scale.top + scale.bottom) / 2
            sheet.text(middle + 4, y + 26, "not known", PENCIL, angle=-90)
    bottom = _step_names(sheet, steps, left, cell, scale.bottom)
    return sheet.spec(
        bottom,
        "Live rhizobia a seed after each step, each dot one chance in twenty, "
        "with the requirement as a line.",
    )


def _balance(
    sheet: Sheet,
    scale: Scale,
    dots: Sequence[float],
    requirement: float | None,
    middle: float,
    wide: float,
) -> None:
    """The dots of one step: filled where they are enough, crosses where they are too few."""
    pitch, columns = pitch_for(wide)
    anchor = scale.bottom if requirement is None else scale.at(_level(requirement))
    enough = [requirement is None or v >= requirement for v in dots]
    heights = [scale.at(_level(v)) for v in dots]
    for row, place, many, is_enough in piles(heights, enough, anchor, pitch, columns):
        x = middle + (place - (many - 1) / 2) * pitch
        y = anchor - (row + 0.5) * pitch
        if is_enough:
            sheet.dot(x, y, pitch / 2 - 0.1, PENCIL if requirement is None else LEAF)
        else:
            sheet.cross(x, y, pitch / 2 - 0.7)


def _count(sheet: Sheet, scale: Scale, count: tuple[float, float, float], x: float) -> None:
    value, low, high = (scale.at(_level(v)) for v in count)
    sheet.line(x, low, x, high, INK)
    for end in (low, high):
        sheet.line(x - 2.5, end, x + 2.5, end, INK)
    sheet.square(x, value, 6)


def _at_most(sheet: Sheet, x: float, y: float, reach: float, named_to: float) -> float:
    """A bracket open below; named unless the last name still stands there."""
    sheet.line(x - reach, y, x + reach, y, INK, 1.25)
    for end in (x - reach, x + reach):
        sheet.line(end, y, end, y + 5, INK, 1.25)
    half = width_of("at most", SIZE) / 2
    if x - half < named_to:
        return named_to
    sheet.text(x, y - 4, "at most", INK, "center")
    return x + half + 2


def _level(log10: float) -> float:
    return min(max(log10, LEAST_LEVEL), LARGEST_LEVEL)


def _levels(steps: Sequence[LedgerStep], requirement: float | None) -> list[float]:
    out = [v for s in steps for v in (*s.dots, *(s.count or ()))]
    out += [s.at_most_log10 for s in steps if s.at_most_log10 is not None]
    return out if requirement is None else [*out, requirement]


def _ledger_scale(levels: Sequence[float], top: float, bottom: float) -> Scale:
    """At least one tenfold step, with room for a pile at either end."""
    low = min(map(_level, levels), default=3.0)
    high = max(map(_level, levels), default=6.0)
    wider = max(0.0, 1.0 - (high - low)) / 2
    room = 0.1 * (high - low + 2 * wider)
    return Scale(high + wider + room, low - wider - room, top, bottom)


def _ledger_axis(
    sheet: Sheet,
    scale: Scale,
    levels: Sequence[float],
    requirement: float | None,
    left: float,
    right: float,
) -> None:
    """Tenfold steps as people say them, and the requirement with its name."""
    need = None if requirement is None else scale.at(_level(requirement))
    powers = range(math.ceil(scale.low - 1e-9), math.floor(scale.high + 1e-9) + 1)
    between = (1, 2, 5) if len(powers) < 3 else (1,)
    marks = [k + math.log10(m) for k in range(powers.start - 1, powers.stop) for m in between]
    for level in marks:
        y = scale.at(level)
        if not scale.low <= level <= scale.high or level < LEAST_LEVEL:
            continue
        if need is not None and abs(y - need) < 2 * LINE:
            sheet.line(left, y, right, y, RULE)
            continue
        beyond = " or fewer" if level == LEAST_LEVEL and min(levels, default=1.0) < level else ""
        sheet.tick(left, right, y, _cells(level) + beyond)
    sheet.line(left, scale.bottom, right, scale.bottom, PENCIL)
    if need is None or requirement is None:
        return
    sheet.line(left, need, right, need, INK, 1.75)
    said = _cells(requirement)
    if left > width_of(f"needs {said}", SIZE) + 6:
        sheet.text(left - 6, need + 4, f"needs {said}", INK, "right")
    else:
        sheet.text(left - 6, need - 2, "needs", INK, "right")
        sheet.text(left - 6, need + LINE - 3, said, INK, "right")


def _cells(log10: float) -> str:
    """Cells as people say them: words from a million on."""
    x = 10.0 ** _level(log10)
    for unit, word in ((1e9, "billion"), (1e6, "million")):
        if x >= unit * 0.9995:
            return f"{grouped(x / unit).removesuffix('.0')}{NO_BREAK}{word}"
    return grouped(x).removesuffix(".0")


def _ledger_key(sheet: Sheet, steps: Sequence[LedgerStep], requirement: float | None) -> float:
    items: list[tuple[Any, str]] = []
    if any(s.dots for s in steps):
        if requirement is None:
            items.append((PENCIL, "one chance in 20"))
        else:
            items += [(LEAF, "enough"), (NODULE, "too few"), (None, "each mark: one chance in 20")]
        dashes = [DASHES.get(s.grade or "", SOLID) for s in steps[1:] if s.dots]
        items += [(dash, words) for dash, words in LINE_WORDS.items() if dash in dashes]
    if any(s.count for s in steps):
        items.append(("count", "counted"))
    return key_line(sheet, items)


def _step_names(
    sheet: Sheet, steps: Sequence[LedgerStep], left: float, cell: float, y: float
) -> float:
    """Names under the steps, or slanted where they are many; the lowest place used."""
    for i in range(1, len(steps)):
        sheet.line(left + i * cell, y, left + i * cell, y + 4, PENCIL)
    if cell < 60:
        return _slanted_names(sheet, steps, left, cell, y)
    lowest = y
    for i, step in enumerate(steps):
        x, row = left + (i + 0.5) * cell, y + LINE + 2
        for words in wrapped_lines(step.label, cell - 6, 3):
            sheet.text(x, row, words, INK, "center")
            row += LINE
        for words in wrapped_lines(step.elapsed, cell - 6, 2):
            sheet.text(x, row, words, PENCIL, "center")
            row += LINE
        lowest = max(lowest, row - LINE)
    return lowest


def _slanted_names(
    sheet: Sheet, steps: Sequence[LedgerStep], left: float, cell: float, y: float
) -> float:
    angle = -45 if cell > 34 else -60
    two_lines = cell > 34
    turn = math.radians(angle)
    lowest = y
    for i, step in enumerate(steps):
        x = left + (i + 0.5) * cell + 4
        longest = min(150.0, (x - 4) / math.cos(turn))
        elapsed = cut_to(step.elapsed, 60)
        if two_lines:
            lines = [(cut_to(step.label, longest), INK), (elapsed, PENCIL)]
        else:
            kept = cut_to(step.label, longest - width_of(f", {elapsed}", SIZE))
            lines = [(f"{kept}, {elapsed}" if elapsed else kept, INK)]
        for n, (words, colour) in enumerate(lines):
            down = n * LINE
            sheet.text(
                x - down * math.sin(turn), y + 12 + down * math.cos(turn), words, colour, "right",
                angle=angle,
            )  # fmt: skip
            end = y + 12 + down * math.cos(turn) - math.sin(turn) * width_of(words, SIZE)
            lowest = max(lowest, end + 4)
    return lowest
