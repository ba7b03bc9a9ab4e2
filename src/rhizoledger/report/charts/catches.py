"""Catches along a day: each value with its limits, and below it how far neighbours lie apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from rhizoledger.report.charts.sheet import (
    DASHED,
    DOTTED,
    INK,
    LEAF,
    LINE,
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
    tick_step,
    width_of,
)

TALL, LOW_TALL = 150.0, 56.0
LEFT, RIGHT = 62.0, 84.0
APART = 10.0
"""Least room between two words."""


@dataclass(frozen=True, slots=True)
class Series:
    """One group of catches.

    Parameters
    ----------
    name : str
        What it is called; empty where there is one group only.
    values : sequence of float
        In order.
    marks : sequence of str
        What stands under each: its time, or its place.
    signals : sequence of bool
        Whether a rule begins to speak there.
    middle, low, high, range_high : float or None
        Mean and control limits; None where there is no chart.
    """

    name: str
    values: Sequence[float]
    marks: Sequence[str]
    signals: Sequence[bool]
    middle: float | None = None
    low: float | None = None
    high: float | None = None
    range_high: float | None = None


def catches_figure(
    series: Sequence[Series],
    *,
    unit: str,
    target: float | None = None,
    tolerance: float = 0.0,
    width: int = 640,
) -> dict[str, Any]:
    """A pair of panels for each group, one below the other.

    Parameters
    ----------
    series : sequence of Series
        One or more, each with a value.
    unit : str
        Of all values.
    target : float, optional
        Drawn dashed, with its tolerance hatched.
    tolerance : float
        Share of the target.
    width : int
        Of the figure [px].

    Returns
    -------
    dict
        A Vega-Lite spec.
    """
    band = [] if target is None else [target * (1 - tolerance), target * (1 + tolerance)]
    only_numbers([*band, *(v for s in series for v in s.values)])
    sheet = Sheet(width)
    key: list[tuple[Any, str]] = [(LEAF, "a catch")]
    if any(any(s.signals) for s in series):
        key.append((NODULE, "a rule speaks"))
    if any(s.middle is not None for s in series):
        key += [(SOLID, "mean"), (DOTTED, "control limit")]
    if target is not None:
        key += [(DASHED, "target"), (None, "hatched: its tolerance")]
    y = key_line(sheet, key) + LINE
    for s in series:
        y = _panels(sheet, s, y, unit, target, band)
    groups = f" of {len(series)} groups" if len(series) > 1 else ""
    return sheet.spec(
        y,
        f"Catch tests{groups} in {unit} along the day, with control limits, and the moving range.",
    )


def _panels(
    sheet: Sheet, s: Series, y: float, unit: str, target: float | None, band: Sequence[float]
) -> float:
    """Both panels of one group; the lowest place used."""
    left, right = LEFT, sheet.width - RIGHT
    title = f"{s.name}, {unit}" if s.name else unit
    sheet.text(4, y + SIZE, cut_to(title, sheet.width - 8), PENCIL)
    top = y + SIZE + 12
    n = len(s.values)
    places = [left + (right - left) * (i + 0.5) / n for i in range(n)]
    limits = [x for x in (s.low, s.high) if x is not None]
    up = _scale([*s.values, *limits, *band], top, top + TALL)
    step = tick_step(max(up.high - up.low, 1e-9), 4)
    _ticks(sheet, up, step, left, right)
    if target is not None:
        sheet.hatch((left, right), up.at(band[1]), up.at(band[0]), RULE)
        sheet.line(left, up.at(target), right, up.at(target), PENCIL, 1.25, DASHED)
    names = [(target, "target")] if target is not None else []
    if s.middle is not None and s.low is not None and s.high is not None:
        sheet.line(left, up.at(s.middle), right, up.at(s.middle), INK, 0.75)
        for limit in (s.low, s.high):
            sheet.line(left, up.at(limit), right, up.at(limit), PENCIL, 1.25, DOTTED)
        names += [(s.middle, "mean"), (s.low, "lower limit"), (s.high, "upper limit")]
    _named(sheet, up, names, right + 6)
    sheet.curve([(x, up.at(v)) for x, v in zip(places, s.values, strict=True)])
    for x, v, speaks in zip(places, s.values, s.signals, strict=True):
        if speaks:
            sheet.cross(x, up.at(v), 4)
        else:
            sheet.dot(x, up.at(v), 3.5, LEAF)
    bottom = up.bottom
    if s.range_high is not None:
        bottom = _ranges(sheet, s, places, bottom + LINE + 8, right)
    free = -1.0
    for x, words in zip(places, s.marks, strict=True):
        half = width_of(words, SIZE) / 2
        if x - half > free:
            sheet.text(x, bottom + LINE + 2, words, INK, "center")
            free = x + half + APART
    return bottom + 2 * LINE


def _ranges(sheet: Sheet, s: Series, places: Sequence[float], top: float, right: float) -> float:
    """How far each catch lies from the one before."""
    assert s.range_high is not None
    steps = [abs(b - a) for a, b in zip(s.values, s.values[1:], strict=False)]
    sheet.text(4, top, "from the one before", PENCIL)
    up = _scale([0.0, *steps, s.range_high], top + 8, top + 8 + LOW_TALL)
    _ticks(sheet, up, tick_step(max(up.high - up.low, 1e-9), 2), LEFT, right)
    sheet.line(LEFT, up.at(s.range_high), right, up.at(s.range_high), PENCIL, 1.25, DOTTED)
    _named(sheet, up, [(s.range_high, "limit")], right + 6)
    sheet.curve([(x, up.at(v)) for x, v in zip(places[1:], steps, strict=True)])
    for x, v in zip(places[1:], steps, strict=True):
        if v > s.range_high:
            sheet.cross(x, up.at(v), 3)
        else:
            sheet.dot(x, up.at(v), 2.5, LEAF)
    return up.bottom


def _scale(values: Sequence[float], top: float, bottom: float) -> Scale:
    low, high = min(values), max(values)
    room = 0.06 * (high - low) or 0.05 * max(abs(high), 1e-9)
    return Scale(high + room, low - room if low != 0 else 0.0, top, bottom)


def _ticks(sheet: Sheet, up: Scale, step: float, left: float, right: float) -> None:
    first = -int(-up.low // step)
    for i in range(first, int(up.high // step) + 1):
        sheet.tick(left, right, up.at(i * step), f"{i * step:.10g}")


def _named(sheet: Sheet, up: Scale, names: Sequence[tuple[float, str]], x: float) -> None:
    """Names of lines at the right, moved apart where they would stand on one another."""
    free = -1e9
    for value, words in sorted(names, key=lambda n: -n[0]):
        y = max(up.at(value) + 4, free)
        sheet.text(x, y, words, PENCIL)
        free = y + LINE
