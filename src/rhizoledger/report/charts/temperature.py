"""Temperature above, loss rate below, on one axis of time; what is filled is what is lost."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Any

from rhizoledger.plan.spoken import NO_BREAK
from rhizoledger.report.charts.sheet import (
    INK,
    LINE,
    NARROW,
    PENCIL,
    RULE,
    SIZE,
    SOIL,
    Scale,
    Sheet,
    cut_to,
    nice_scale,
    only_numbers,
    shown_text,
    signed,
    width_of,
)

SHARES_LOST = (
    *(0.5, 0.9, 0.99, 0.999, 0.9999, 0.999999),
    *(0.1, 0.2, 0.3, 0.75, 0.05, 0.02, 0.01, 0.005),
)
"""Ticks of the loss rate, the most wanted first: one too near an earlier one is left out."""
MOST_POINTS = 360
"""A longer record is thinned; more points than this cannot be told apart."""
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True, slots=True)
class TemperatureFigure:
    """Temperature and loss rate over time, where it was, and what the record leaves open.

    Parameters
    ----------
    series : tuple of (str, float)
        Local time without zone (ISO), and the temperature in ``unit``.
    gaps : tuple of (str, str, float, float)
        Start, end, and the bounds of the temperature between them.
    rate : tuple of (str, float)
        Local time, and the loss rate [log10/d].
    rate_gaps : tuple of (str, str, float, float)
        Start, end, and the bounds of the rate between them.
    bands : tuple of (str, str, str)
        Start, end, and the place.
    unit : str
        "°C" or "°F".
    of : str
        "product" or "air".
    """

    series: tuple[tuple[str, float], ...]
    gaps: tuple[tuple[str, str, float, float], ...]
    rate: tuple[tuple[str, float], ...]
    rate_gaps: tuple[tuple[str, str, float, float], ...]
    bands: tuple[tuple[str, str, str], ...]
    unit: str = "°C"
    of: str = "product"


def temperature_figure(data: TemperatureFigure, *, width: int = 640) -> dict[str, Any]:
    """Temperature above and loss rate below on one time axis; the filled area is the loss.

    Parameters
    ----------
    data : TemperatureFigure
    width : int
        Of the figure [px].

    Returns
    -------
    dict
        A Vega-Lite spec.
    """
    sheet = Sheet(width)
    left, right = (44.0 if width < NARROW else 52.0), width - 8.0
    moments = [t for t, _ in (*data.series, *data.rate)]
    for start, end, *_ in (*data.gaps, *data.rate_gaps):
        moments += [start, end]
    for start, end, _ in data.bands:
        moments += [start, end]
    times = [_moment(t) for t in moments]
    first = min(times, default=datetime(2000, 1, 1))
    last = max(max(times, default=first), first + timedelta(hours=1))
    across = _Across(first, last, left, right)

    below_bands = _bands(sheet, data.bands, across)
    upper = below_bands + LINE + 4
    temperatures = [v for _, v in data.series] + [v for *_, lo, hi in data.gaps for v in (lo, hi)]
    rates = [v for _, v in data.rate] + [v for *_, v in data.rate_gaps]
    only_numbers([*temperatures, *rates])
    warm, step = nice_scale(temperatures or [0.0, 1.0], upper, upper + 116)
    lower = warm.bottom + LINE + 18
    loss = Scale(max(0.02, *rates, 0.0) * 1.08, 0.0, lower, lower + 84)

    for _, end, _ in data.bands:
        if first < _moment(end) < last:
            x = across.at(_moment(end))
            for panel in (warm, loss):
                sheet.line(x, panel.top, x, panel.bottom, RULE)
    for k in range(round(warm.low / step), round(warm.high / step) + 1):
        sheet.tick(left, right, warm.at(k * step), signed(k * step))
    sheet.tick(left, right, loss.bottom, "0" + NO_BREAK + "%")
    taken = [loss.bottom]
    for share in SHARES_LOST:
        y = loss.at(-math.log10(1 - share))
        if y >= loss.top and all(abs(y - other) > 1.3 * SIZE for other in taken):
            sheet.tick(left, right, y, f"{100 * share:.6g}{NO_BREAK}%")
            taken.append(y)
    of = f" ({shown_text(data.of)})" if data.of else ""
    sheet.text(left, upper - 5, f"temperature, {shown_text(data.unit)}{of}", PENCIL)
    sheet.text(left, lower - 5, "share lost per day; the filled area is the loss", PENCIL)

    for start, end, low, high in data.gaps:
        sheet.hatch(across.span(start, end), warm.at(high), warm.at(low), PENCIL)
    for start, end, low, high in data.rate_gaps:
        x0, x1 = across.span(start, end)
        if low > 0:
            sheet.area([(x0, loss.at(low)), (x1, loss.at(low))], loss.bottom)
        sheet.hatch((x0, x1), loss.at(high), loss.at(low), SOIL)
    for run in _runs(data.series, data.gaps):
        sheet.curve([(across.at(t), warm.at(v)) for t, v in _thin_extremes(run)])
    for run in _runs(data.rate, data.rate_gaps):
        tops = [(across.at(t), loss.at(max(0.0, v))) for t, v in _thin_area(run)]
        sheet.area(tops, loss.bottom)
    for scale, nothing in ((warm, not temperatures), (loss, not rates)):
        if nothing:
            y = (scale.top + scale.bottom) / 2
            sheet.text((left + right) / 2, y, "not known", PENCIL, "center")
    bottom = _dates(sheet, across, loss.bottom)
    if data.gaps or data.rate_gaps:
        bottom += LINE + 4
        sheet.hatch((left, left + 18), bottom - 9, bottom, PENCIL)
        sheet.text(left + 24, bottom, "no record: somewhere between these bounds", PENCIL)
        bottom += 4
    return sheet.spec(
        bottom,
        "Temperature above and share of cells lost per day below, over time; "
        "hatched where there is no record.",
    )


@dataclass(frozen=True, slots=True)
class _Across:
    """A time axis."""

    first: datetime
    last: datetime
    left: float
    right: float

    def at(self, t: datetime) -> float:
        share = (t - self.first) / (self.last - self.first)
        return self.left + share * (self.right - self.left)

    def span(self, start: str, end: str) -> tuple[float, float]:
        return self.at(_moment(start)), self.at(_moment(end))


def _bands(sheet: Sheet, bands: Sequence[tuple[str, str, str]], across: _Across) -> float:
    """Places along the top, each named at its start; names that would meet stand in more rows."""
    if not bands:
        return 0.0
    named = [(*across.span(start, end), cut_to(place, 150)) for start, end, place in sorted(bands)]
    turn = across.left + 0.55 * (across.right - across.left)
    # Names left of the turn begin at their place's start, the others stop at its end: so the
    # thin lines down from higher rows meet no name.
    early = [n for n in reversed(named) if n[0] < turn]
    late = [n for n in named if n[0] >= turn]
    rows: list[list[tuple[float, float]]] = []
    placed = []
    for x0, x1, words in (*early, *late):
        wide = width_of(words, SIZE)
        starts = x0 < turn
        ends = (x0 + 3, x0 + 3 + wide) if starts else (x1 - 3 - wide, x1 - 3)
        row = next((r for r, taken in enumerate(rows) if _free(taken, ends)), len(rows))
        rows[row : row + 1] = [[*(rows[row] if row < len(rows) else ()), ends]]
        placed.append((row, x0, x1, words, starts))
    y = LINE * len(rows) + 5
    for row, x0, x1, words, starts in placed:
        base, x = y - 5 - LINE * row, x0 if starts else x1
        if row:
            sheet.line(x, base - SIZE + 2, x, y, RULE)
        sheet.text(x0 + 3 if starts else x1 - 3, base, words, INK, "left" if starts else "right")
        sheet.line(x0, y, max(x0 + 1, x1 - 2), y, PENCIL, 2.5)
    return y


def _free(taken: Iterable[tuple[float, float]], ends: tuple[float, float]) -> bool:
    return all(ends[1] + 6 < start or ends[0] - 6 > end for start, end in taken)


def _dates(sheet: Sheet, across: _Across, y: float) -> float:
    """Midnights, or hours where the whole lasts less than two days."""
    hours = (across.last - across.first) / timedelta(hours=1)
    most = max(2.0, (across.right - across.left) / 56)
    steps = (1, 2, 3, 6, 12, 24, 48, 96, 168, 336, 672, 1344, 2688, 5376)
    step = next((h for h in steps if hours / h <= most), 10752)
    midnight = across.first.replace(hour=0, minute=0, second=0, microsecond=0)
    sheet.line(across.left, y, across.right, y, PENCIL)
    for k in range(math.ceil((hours + 24) / step) + 1):
        t = midnight + timedelta(hours=k * step)
        if not across.first <= t <= across.last:
            continue
        x = across.at(t)
        sheet.line(x, y, x, y + 4, PENCIL)
        day = f"{t.day}{NO_BREAK}{MONTHS[t.month - 1]}"
        words = day if step >= 24 or t.hour == 0 else f"{t.hour:02d}:00"
        half = width_of(words, SIZE) / 2
        sheet.text(min(x, sheet.width - half), y + LINE + 3, words, INK, "center")
    return y + LINE + 3


def _runs(
    points: Sequence[tuple[str, float]], gaps: Sequence[tuple[str, str, float, float]]
) -> list[list[tuple[datetime, float]]]:
    """The stretches of a record between which there is a gap."""
    holes = [(_moment(start), _moment(end)) for start, end, _, _ in gaps]
    runs: list[list[tuple[datetime, float]]] = []
    for t, v in sorted((_moment(t), v) for t, v in points):
        last = runs[-1][-1][0] if runs else None
        if last is None or any(start < t and end > last for start, end in holes):
            runs.append([])
        runs[-1].append((t, v))
    return runs


def _thin_extremes(run: list[tuple[datetime, float]]) -> list[tuple[datetime, float]]:
    """A long record by the lowest and highest of each few points, its ends kept."""
    if len(run) <= MOST_POINTS:
        return run
    many = math.ceil(2 * len(run) / MOST_POINTS)
    out = run[:1]
    for i in range(0, len(run), many):
        few = run[i : i + many]
        out += sorted({min(few, key=lambda p: p[1]), max(few, key=lambda p: p[1])})
    return [*out, run[-1]]


def _thin_area(run: list[tuple[datetime, float]]) -> list[tuple[datetime, float]]:
    """A long record as steps, each as high as its mean over time, so that the area is kept."""
    if len(run) <= MOST_POINTS:
        return run
    many = math.ceil(2 * len(run) / MOST_POINTS)
    out = []
    for i in range(0, len(run) - 1, many):
        few = run[i : i + many + 1]
        lasts = [(b[0] - a[0]) / timedelta(hours=1) for a, b in pairwise(few)]
        total = sum(lasts)
        areas = (h * (a[1] + b[1]) / 2 for h, (a, b) in zip(lasts, pairwise(few), strict=True))
        mean = sum(areas) / total if total else few[0][1]
        out += [(few[0][0], mean), (few[-1][0], mean)]
    return out


def _moment(iso: str) -> datetime:
    return datetime.fromisoformat(iso).replace(tzinfo=None)
