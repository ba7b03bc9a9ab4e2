"""The window: counts, their lines, the limit of the mean, the requirement and where they meet."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from itertools import pairwise
from typing import Any

from rhizoledger.report.charts.sheet import (
    DASHED,
    DOTTED,
    INK,
    LINE,
    PENCIL,
    SIZE,
    SOLID,
    Scale,
    Sheet,
    cut_to,
    key_line,
    only_numbers,
    shown_text,
    signed,
    tick_step,
    width_of,
)
from rhizoledger.workflows.survival_window_rows import in_words

TALL = 260
STROKE, PERIOD = 6.0, 9.0
DOT, SPACE = 1.5, 4.5
MOST_NAMES = 8
"""Of more series than these the lines are drawn and not named."""
NAMES_WIDE = 96
Place = tuple[float, float]


def window_figure(found: Mapping[str, Any], *, width: int = 640) -> dict[str, Any]:
    """Counts along time with what ends the window.

    Parameters
    ----------
    found : mapping
        As ``workflows.survival_window.window_file`` returns it, with curves.
    width : int
        Of the figure [px].

    Returns
    -------
    dict
        A Vega-Lite spec. Solid lines are fitted, the dashed one is the limit of the mean of the
        series that decides, the dotted one that of a new batch.
    """
    curves = found["curves"]
    times: list[float] = curves["time"]
    worst: list[float] = curves["limits"][found["worst_series"]]
    new: list[float] = curves.get("new_batch", [])
    points = [(t, y) for rows in found["rows"].values() for t, y in rows]
    only_numbers([*times, *worst, *new, found["limit"], *(x for p in points for x in p)])
    sheet = Sheet(width)
    named = found["model"] != "common" and len(found["lines"]) <= MOST_NAMES
    left, right = 58.0, width - (NAMES_WIDE if named else 14.0)
    key = key_line(sheet, _key(found, bool(new)))
    across = Scale(times[-1], 0.0, right, left)
    marks = _marks(found, times[-1])
    names = _placed([(across.at(t), words) for t, words in marks], width)
    first = key + LINE + 8
    label = cut_to(found["response"], left + 40)
    # The lowest row holds the name of the axis, and the last of the others if that leaves room.
    is_free = all(x - width_of(words, SIZE) > 4 + width_of(label, SIZE) for x, words, _ in names)
    last = first + LINE * max(len(names) - is_free, 0)
    top = last + 14
    levels = _levels(found, points)
    up = Scale(levels[1], levels[0], top, top + TALL)
    _axes(sheet, across, up, levels[2])
    sheet.text(4, last, label, PENCIL)
    for row, (x, words, align) in enumerate(names):
        y = first + LINE * row
        sheet.line(x, y + 4, x, up.bottom, PENCIL)
        sheet.text(x + 4 if align == "left" else x - 4, y, words, INK, align)
    _limit(sheet, across, up, found)
    ends = []
    for name, line in found["lines"].items():
        places = [(t, line["start"] + line["slope"] * t) for t in (times[0], times[-1])]
        drawn = list(_inside([(across.at(t), up.at(y)) for t, y in places], up))
        if drawn:
            sheet.curve(drawn)
            ends.append((drawn[-1], name))
        if found["model"] == "common":
            break
    if named:
        _named(sheet, ends, right, up.bottom)
    for curve, on, off in ((worst, STROKE, PERIOD), (new, DOT, SPACE)):
        places = [(across.at(t), up.at(y)) for t, y in zip(times, curve, strict=False)]
        _broken(sheet, list(_inside(places, up)), on, off)
    for t, y in points:
        sheet.square(across.at(t), up.at(y), 6)
    bottom = up.bottom + LINE + 3
    unit = in_words(2, found["unit"]).removeprefix("2 ")
    sheet.text(left, bottom + LINE + 3, f"time, {unit}", PENCIL)
    return sheet.spec(bottom + LINE + 3, _description(found))


def _key(found: Mapping[str, Any], has_new: bool) -> list[tuple[Any, str]]:
    level = f"{100 * found['confidence']:g} % {found['facing']} limit"
    several = found["model"] != "common"
    of = f" of {cut_to(found['worst_series'], NAMES_WIDE)}" if several else ""
    key: list[tuple[Any, str]] = [("count", "count"), (SOLID, "lines" if several else "line")]
    key.append((DASHED, f"{level}{of}"))
    if has_new:
        key.append((DOTTED, f"new batch, {100 * found['new_batch']:g} %"))
    return key


def _marks(found: Mapping[str, Any], end: float) -> list[tuple[float, str]]:
    """Both windows and the crossing, each with its words, as far as they lie in the figure."""
    unit = found["unit"]
    windows = (("new batch", found["new_batch_window"]), ("window", found["window"]))
    marks = [(float(w), f"{name} {in_words(w, unit)}") for name, w in windows if w is not None]
    if found["crossing"] and found["crossing"] <= end:
        cut = math.floor(100 * found["crossing"]) / 100
        marks.append((found["crossing"], f"limit met {cut:.2f}"))
    return sorted(marks)


def _placed(marks: Sequence[tuple[float, str]], width: int) -> list[tuple[float, str, str]]:
    """Each mark with the side its words stand on, from the highest row down.

    Words stand left of marks near the right edge, the last of these highest, and right of others:
    so no upright line runs through any words.
    """
    right: list[tuple[float, str, str]] = []
    edge = width - 4.0
    for x, words in reversed(marks):
        if x + 4 + width_of(words, SIZE) > edge:
            right.append((x, words, "right"))
            edge = min(edge, x)
    standing = {words for _, words, _ in right}
    return right + [(x, words, "left") for x, words in marks if words not in standing]


def _levels(found: Mapping[str, Any], points: Sequence[Place]) -> tuple[float, float, float]:
    """Lowest and highest tick around counts and limit, and how far apart ticks are."""
    seen = [y for _, y in points] + [found["limit"]]
    low, high = min(seen), max(seen)
    room = max(high - low, 1e-9) / 20
    step = tick_step(high - low + 2 * room, 5)
    return math.floor((low - room) / step) * step, math.ceil((high + room) / step) * step, step


def _axes(sheet: Sheet, across: Scale, up: Scale, step: float) -> None:
    left, right = across.bottom, across.top
    for i in range(round((up.high - up.low) / step) + 1):
        value = up.low + i * step
        sheet.tick(left, right, up.at(value), signed(round(value, 12)))
    sheet.line(left, up.bottom, right, up.bottom, PENCIL)
    apart = tick_step(across.high, 8)
    for i in range(math.floor(across.high / apart) + 1):
        x = across.at(i * apart)
        sheet.line(x, up.bottom, x, up.bottom + 4, PENCIL)
        sheet.text(x, up.bottom + LINE + 3, signed(i * apart), INK, "center")


def _limit(sheet: Sheet, across: Scale, up: Scale, found: Mapping[str, Any]) -> None:
    """The requirement, named where counts that keep it are not: early on the far side, or late."""
    y, words = up.at(found["limit"]), f"limit {found['limit']:g}"
    sheet.line(across.bottom, y, across.top, y, INK, 2)
    falls = found["facing"] == "lower"
    late = (y < (up.top + up.bottom) / 2) == falls
    below = falls != late
    x, align = (across.top - 4, "right") if late else (across.bottom + 4, "left")
    sheet.text(x, y + (LINE if below else -5), words, INK, align)


def _named(sheet: Sheet, ends: Sequence[tuple[Place, str]], right: float, lowest: float) -> None:
    """Names of the lines at their ends, moved apart where they would touch."""
    ends = sorted(ends, key=lambda end: end[0][1])
    ys: list[float] = []
    for (_, y), _ in ends:
        ys.append(max(y + 4, ys[-1] + LINE if ys else -math.inf))
    for i in range(len(ys) - 1, -1, -1):
        ys[i] = min(ys[i], lowest - LINE * (len(ys) - 1 - i))
    for y, (_, name) in zip(ys, ends, strict=True):
        sheet.text(right + 6, y, cut_to(name, NAMES_WIDE - 12), INK)


def _inside(places: Sequence[Place], up: Scale) -> Iterable[Place]:
    """A line as far as it lies between the lowest and the highest tick."""
    for (x0, y0), (x1, y1) in pairwise(places):
        shares = [0.0, 1.0]
        for edge in (up.top, up.bottom):
            if (y0 - edge) * (y1 - edge) < 0:
                shares.append((edge - y0) / (y1 - y0))
        cut = [(x0 + s * (x1 - x0), y0 + s * (y1 - y0)) for s in sorted(shares)]
        yield from (p for p in cut if up.top - 1e-6 <= p[1] <= up.bottom + 1e-6)


def _broken(sheet: Sheet, places: Sequence[Place], on: float, period: float) -> None:
    """A line in strokes that begin at even distances across."""
    if len(places) < 2:
        return
    xs = [x for x, _ in places]

    def at(x: float) -> Place:
        i = min(max(sum(1 for one in xs if one < x), 1), len(xs) - 1)
        (x0, y0), (x1, y1) = places[i - 1], places[i]
        return x, y0 if x1 == x0 else y0 + (x - x0) / (x1 - x0) * (y1 - y0)

    for n in range(math.ceil((xs[-1] - xs[0]) / period)):
        x = xs[0] + n * period
        start, end = at(x), at(min(x + on, xs[-1]))
        sheet.line(*start, *end, INK, 1.5)


def _description(found: Mapping[str, Any]) -> str:
    unit = found["unit"]
    window = "none" if found["window"] is None else in_words(found["window"], unit)
    new = found["new_batch_window"]
    said = "not known" if new is None else in_words(new, unit)
    return (
        f"{shown_text(found['response'])} along time with fitted lines; limit "
        f"{found['limit']:g}; window of the mean {window}; window of a new batch {said}."
    )
