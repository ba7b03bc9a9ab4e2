"""Figures as Vega-Lite specs: the ledger, temperature and loss, money. Data in, plain dict out.

Every place is worked out here, in units of the spec's own width, so that a figure can be counted
and looks the same whatever draws it. Text from a user only ever stands in data values.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import pairwise
from statistics import median
from typing import Any

from rhizoledger.plan.spoken import NO_BREAK, grouped

PAPER = "#fbfaf6"
INK = "#1d2a22"
PENCIL = "#625d50"
RULE = "#d9d4c7"
LEAF = "#3d6b35"
NODULE = "#a8322d"
SOIL = "#7a5c3e"
TOKENS = (PAPER, INK, PENCIL, RULE, LEAF, NODULE, SOIL, "#2f5d8a")
"""The light colours of the look; a page's dark mode replaces them one by one."""

FONT = "Liberation Sans, Arial, sans-serif"
"""The renderer carries the first; a page falls back to the others."""
SIZE = 11.0
LINE = 13.0
NARROW = 480
"""Below this width text moves into columns of its own."""

SOLID, DASHED, DOTTED = (1, 0), (6, 3), (1.5, 3)
DASHES = {"near": DASHED, "practice": DOTTED, "assumption": DOTTED}
"""Line by grade of evidence; any other grade, and no grade, is solid."""
LINE_WORDS = {
    SOLID: "own or measured",
    DASHED: "from something near",
    DOTTED: "practice, assumption",
}

CROSS = "M-1,-1L1,1M-1,1L1,-1"
LEAST_LEVEL, LARGEST_LEVEL = 0.0, 12.0
"""Ends of the axis [log10 cells/seed]; what lies beyond is drawn at the end."""
LARGEST_NET = 1e15
SHARES_LOST = (
    *(0.5, 0.9, 0.99, 0.999, 0.9999, 0.999999),
    *(0.1, 0.2, 0.3, 0.75, 0.05, 0.02, 0.01, 0.005),
)
"""Ticks of the loss rate, the most wanted first: one too near an earlier one is left out."""
MOST_POINTS = 360
"""A longer record is thinned; more points than this cannot be told apart."""
MOST_CHARACTERS = 200
PLACE = {"type": "quantitative", "scale": None, "axis": None}
CHANNELS: dict[str, dict[str, Any]] = {
    "x": {"field": "x", **PLACE},
    "y": {"field": "y", **PLACE},
    "x2": {"field": "x2"},
    "y2": {"field": "y2"},
    "fill": {"field": "colour", "type": "nominal", "scale": None},
    "stroke": {"field": "colour", "type": "nominal", "scale": None},
    "strokeWidth": {"field": "thick", "type": "quantitative", "scale": None},
    "strokeDash": {"field": "dash", "type": "nominal", "scale": None},
    "size": {"field": "size", "type": "quantitative", "scale": None},
    "detail": {"field": "run", "type": "nominal"},
    "text": {"field": "text", "type": "nominal"},
    "order": {"value": None},
}
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


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
    sheet = _Sheet(width)
    narrow = width < NARROW
    left, right = (58.0 if narrow else 86.0), width - 6.0
    cell = (right - left) / max(1, len(steps))
    levels = _levels(steps, requirement_log10)
    _only_numbers(levels)
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
    sheet = _Sheet(width)
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
    _only_numbers([*temperatures, *rates])
    warm, step = _nice(temperatures or [0.0, 1.0], upper, upper + 116)
    lower = warm.bottom + LINE + 18
    loss = _Scale(max(0.02, *rates, 0.0) * 1.08, 0.0, lower, lower + 84)

    for _, end, _ in data.bands:
        if first < _moment(end) < last:
            x = across.at(_moment(end))
            for panel in (warm, loss):
                sheet.line(x, panel.top, x, panel.bottom, RULE)
    for k in range(round(warm.low / step), round(warm.high / step) + 1):
        sheet.tick(left, right, warm.at(k * step), _signed(k * step))
    sheet.tick(left, right, loss.bottom, "0" + NO_BREAK + "%")
    taken = [loss.bottom]
    for share in SHARES_LOST:
        y = loss.at(-math.log10(1 - share))
        if y >= loss.top and all(abs(y - other) > 1.3 * SIZE for other in taken):
            sheet.tick(left, right, y, f"{100 * share:.6g}{NO_BREAK}%")
            taken.append(y)
    of = f" ({_shown(data.of)})" if data.of else ""
    sheet.text(left, upper - 5, f"temperature, {_shown(data.unit)}{of}", PENCIL)
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


def money_figure(
    dots: Sequence[float],
    mean: float,
    cost: float,
    *,
    area: str,
    currency_word: str = "money",
    width: int = 640,
) -> dict[str, Any]:
    """Twenty equally likely nets on one axis, with how often the cost comes back.

    Parameters
    ----------
    dots : sequence of float
        Net per area after the cost.
    mean, cost : float
        Mean net, and what it costs, per area.
    area, currency_word : str
        What the money is per, and what it is called.
    width : int
        Of the figure [px].

    Returns
    -------
    dict
        A Vega-Lite spec.
    """
    sheet = _Sheet(width)
    _only_numbers([*dots, mean, cost])
    nets = [_kept(v) for v in dots]
    mean, cost = _kept(mean), _kept(cost)
    left, right = 22.0, width - 22.0
    low, high = min([*nets, mean, 0.0]), max([*nets, mean, cost, 0.0])
    spare = (high - low) * 0.04 or 1.0
    # A height axis laid on its side: the high end is the right one.
    scale = _Scale(high + spare, low - spare, right, left)
    zero = scale.at(0.0)
    pitch = 10.0
    piled = _piled([scale.at(v) for v in nets], [v < 0 for v in nets], zero, pitch, 10)
    tallest = max([3, *(many for _, _, many, _ in piled)]) * pitch
    key = _key(sheet, [(LEAF, "pays"), (NODULE, "does not pay"), (None, "each mark: 1 in 20")])
    names = key + 2 * LINE + 4
    line = names + 6 + tallest
    _zero_and_mean(sheet, zero, scale.at(mean), mean, names, line)
    for column, up, _, lost in piled:
        x, y = zero - (column + 0.5) * pitch, line - (up + 0.5) * pitch
        if lost:
            sheet.cross(x, y, pitch / 2 - 1.25)
        else:
            sheet.dot(x, y, pitch / 2 - 0.25, LEAF)
    sheet.line(left, line, right, line, INK)
    bottom = _money_ticks(sheet, scale, line, f"{_shown(currency_word)} per {_shown(area)}")
    return sheet.spec(
        _cost_ticks(sheet, scale, cost, bottom + 10),
        "Twenty equally likely amounts left after the cost, per area, "
        "with zero, the mean and multiples of the cost marked.",
    )


def _balance(
    sheet: _Sheet,
    scale: _Scale,
    dots: Sequence[float],
    requirement: float | None,
    middle: float,
    wide: float,
) -> None:
    """The dots of one step: filled where they are enough, crosses where they are too few."""
    pitch, columns = _pitch(wide)
    anchor = scale.bottom if requirement is None else scale.at(_level(requirement))
    enough = [requirement is None or v >= requirement for v in dots]
    heights = [scale.at(_level(v)) for v in dots]
    for row, place, many, is_enough in _piled(heights, enough, anchor, pitch, columns):
        x = middle + (place - (many - 1) / 2) * pitch
        y = anchor - (row + 0.5) * pitch
        if is_enough:
            sheet.dot(x, y, pitch / 2 - 0.1, PENCIL if requirement is None else LEAF)
        else:
            sheet.cross(x, y, pitch / 2 - 0.7)


def _count(sheet: _Sheet, scale: _Scale, count: tuple[float, float, float], x: float) -> None:
    value, low, high = (scale.at(_level(v)) for v in count)
    sheet.line(x, low, x, high, INK)
    for end in (low, high):
        sheet.line(x - 2.5, end, x + 2.5, end, INK)
    sheet.square(x, value, 6)


def _at_most(sheet: _Sheet, x: float, y: float, reach: float, named_to: float) -> float:
    """A bracket open below; named unless the last name still stands there."""
    sheet.line(x - reach, y, x + reach, y, INK, 1.25)
    for end in (x - reach, x + reach):
        sheet.line(end, y, end, y + 5, INK, 1.25)
    half = _wide("at most", SIZE) / 2
    if x - half < named_to:
        return named_to
    sheet.text(x, y - 4, "at most", INK, "center")
    return x + half + 2


@dataclass(slots=True)
class _Sheet:
    """What is drawn so far, one list for each kind of mark."""

    width: int
    areas: list[dict[str, Any]] = field(default_factory=list)
    rules: list[dict[str, Any]] = field(default_factory=list)
    curves: list[dict[str, Any]] = field(default_factory=list)
    dots: list[dict[str, Any]] = field(default_factory=list)
    crosses: list[dict[str, Any]] = field(default_factory=list)
    squares: list[dict[str, Any]] = field(default_factory=list)
    texts: list[dict[str, Any]] = field(default_factory=list)
    runs: int = 0

    def line(
        self,
        x: float,
        y: float,
        x2: float,
        y2: float,
        colour: str,
        thick: float = 1,
        dash: tuple[float, float] = SOLID,
    ) -> None:
        self.rules.append(
            _rounded({"x": x, "y": y, "x2": x2, "y2": y2}, 1)
            | {"thick": thick, "colour": colour, "dash": list(dash)}
        )

    def dot(self, x: float, y: float, radius: float, colour: str) -> None:
        size = (2 * radius) ** 2
        self.dots.append(_rounded({"x": x, "y": y, "size": size}, 1) | {"colour": colour})

    def cross(self, x: float, y: float, radius: float) -> None:
        self.crosses.append(
            _rounded({"x": x, "y": y, "size": (2 * radius) ** 2, "thick": 0.3 + 0.45 * radius}, 1)
            | {"colour": NODULE}
        )

    def square(self, x: float, y: float, side: float) -> None:
        self.squares.append(_rounded({"x": x, "y": y, "size": side**2}) | {"colour": INK})

    def text(
        self,
        x: float,
        y: float,
        text: str,
        colour: str,
        align: str = "left",
        *,
        size: float = SIZE,
        angle: float = 0,
    ) -> None:
        if text:
            self.texts.append(
                _rounded({"x": x, "y": y, "size": size, "angle": angle}, 1)
                | {"text": text, "colour": colour, "align": align}
            )

    def is_tight(self, x: float, text: str) -> bool:
        """Whether a text has no room right of a place."""
        return x + 7 + _wide(text, SIZE) > self.width

    def tick(self, left: float, right: float, y: float, text: str) -> None:
        """A hairline across with its number at the left."""
        self.line(left, y, right, y, RULE)
        self.text(left - 6, y + 4, text, INK, "right")

    def curve(self, points: Sequence[tuple[float, float]]) -> None:
        if len(points) == 1:
            points = [(points[0][0] + dx, points[0][1]) for dx in (-1.5, 1.5)]
        self.runs += 1
        self.curves += [_rounded({"x": x, "y": y, "run": self.runs}, 1) for x, y in points]

    def area(self, points: Sequence[tuple[float, float]], base: float) -> None:
        """All between the points and the base, as one closed outline."""
        outline = [(points[0][0], base), *points, (points[-1][0], base)]
        self.runs += 1
        self.areas += [_rounded({"x": x, "y": y, "run": self.runs}, 1) for x, y in outline]

    def hatch(self, span: tuple[float, float], top: float, bottom: float, colour: str) -> None:
        """Slanted lines between two bounds; the bounds alone where they lie close together."""
        x0, x1 = span
        for y in (top, bottom):
            self.line(x0, y, x1, y, colour)
        if bottom - top < 3:
            return
        for k in range(math.ceil((x0 + top) / 6), math.floor((x1 + bottom) / 6) + 1):
            start, end = max(x0, 6 * k - bottom), min(x1, 6 * k - top)
            if end - start > 0.5:
                self.line(start, 6 * k - start, end, 6 * k - end, colour, 0.6)

    def spec(self, bottom: float, description: str) -> dict[str, Any]:
        """The Vega-Lite spec, with a layer for each kind of mark that occurs."""
        point = {"type": "point", "opacity": 1}
        circle = point | {"shape": "circle", "stroke": PAPER, "strokeWidth": 1}
        cross = point | {"shape": CROSS}
        square = point | {"shape": "square", "fill": PAPER, "strokeWidth": 1.25}
        text = {
            "type": "text",
            "font": FONT,
            "baseline": "alphabetic",
            "align": {"expr": "datum.align"},
            "angle": {"expr": "datum.angle"},
        }
        area = {"type": "line", "stroke": None, "fill": SOIL, "fillOpacity": 0.55}
        curve = {"type": "line", "stroke": INK, "strokeWidth": 1.25}
        rule = {"type": "rule"}
        rule_channels = ("x2", "y2", "stroke", "strokeWidth", "strokeDash")
        layers = [
            _layer("areas", self.areas, area, "detail", "order"),
            _layer("rules", self.rules, rule, *rule_channels),
            _layer("curves", self.curves, curve, "detail", "order"),
            _layer("dots", self.dots, circle, "fill", "size"),
            _layer("crosses", self.crosses, cross, "stroke", "size", "strokeWidth"),
            _layer("squares", self.squares, square, "stroke", "size"),
            _layer("texts", self.texts, text, "fill", "size", "text"),
        ]
        return {
            "$schema": "https://vega.github.io/schema/vega-lite/v5.json",
            "description": description,
            "background": None,
            "width": self.width,
            "height": math.ceil(bottom + 4),
            "padding": 0,
            "autosize": "none",
            "config": {"aria": False, "view": {"stroke": None}},
            "layer": [layer for layer in layers if layer["data"]["values"]],
        }


def _layer(
    name: str, values: list[dict[str, Any]], mark: dict[str, Any], *channels: str
) -> dict[str, Any]:
    return {
        "name": name,
        "data": {"values": values},
        "mark": mark,
        "encoding": {channel: CHANNELS[channel] for channel in ("x", "y", *channels)},
    }


@dataclass(frozen=True, slots=True)
class _Scale:
    """A straight scale: ``high`` lies at ``top``, ``low`` at ``bottom`` [px]."""

    high: float
    low: float
    top: float
    bottom: float

    def at(self, value: float) -> float:
        share = (self.high - value) / (self.high - self.low)
        return self.top + share * (self.bottom - self.top)


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


def _level(log10: float) -> float:
    return min(max(log10, LEAST_LEVEL), LARGEST_LEVEL)


def _levels(steps: Sequence[LedgerStep], requirement: float | None) -> list[float]:
    out = [v for s in steps for v in (*s.dots, *(s.count or ()))]
    out += [s.at_most_log10 for s in steps if s.at_most_log10 is not None]
    return out if requirement is None else [*out, requirement]


def _ledger_scale(levels: Sequence[float], top: float, bottom: float) -> _Scale:
    """At least one tenfold step, with room for a pile at either end."""
    low = min(map(_level, levels), default=3.0)
    high = max(map(_level, levels), default=6.0)
    wider = max(0.0, 1.0 - (high - low)) / 2
    room = 0.1 * (high - low + 2 * wider)
    return _Scale(high + wider + room, low - wider - room, top, bottom)


def _ledger_axis(
    sheet: _Sheet,
    scale: _Scale,
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
    if left > _wide(f"needs {said}", SIZE) + 6:
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


def _ledger_key(sheet: _Sheet, steps: Sequence[LedgerStep], requirement: float | None) -> float:
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
    return _key(sheet, items)


def _key(sheet: _Sheet, items: Iterable[tuple[Any, str]]) -> float:
    """Samples with their words, in as many rows as they need; the lowest row's place."""
    x, y = 4.0, SIZE
    for sample, words in items:
        lead = 12.0 if isinstance(sample, str) else 26.0 if sample else 0.0
        wide = lead + _wide(words, SIZE)
        if x > 4 and x + wide > sheet.width - 4:
            x, y = 4.0, y + LINE + 2
        if sample == NODULE:
            sheet.cross(x + 4, y - 4, 2.6)
        elif sample == "count":
            sheet.square(x + 4, y - 4, 6)
        elif isinstance(sample, str):
            sheet.dot(x + 4, y - 4, 3.25, sample)
        elif isinstance(sample, tuple):
            sheet.line(x, y - 4, x + 21, y - 4, PENCIL, 1.25, sample)
        sheet.text(x + lead, y, words, PENCIL)
        x += wide + 14
    return y


def _pitch(wide: float) -> tuple[float, int]:
    """How far apart dots stand, and how many side by side at most."""
    pitch = min(7.0, wide / 4 if wide >= 20 else wide / 3)
    return pitch, min(7, math.floor(wide / pitch + 1e-9))


def _piled(
    heights: Sequence[float], above: Sequence[bool], anchor: float, pitch: float, columns: int
) -> list[tuple[int, int, int, bool]]:
    """Each dot in a row near its height, on its own side of the anchor, so that all can be counted.

    Returns
    -------
    list of (int, int, int, bool)
        Row (0 is the first above the anchor), place in the row, dots in that row, and the side.
    """
    taken: dict[int, int] = {}
    placed = []
    for y, is_above in sorted(zip(heights, above, strict=True), reverse=True):
        wanted = math.floor((anchor - y) / pitch)
        wanted = max(0, wanted) if is_above else min(-1, wanted)
        away = range(len(heights) + 1)
        rows = (row for d in away for row in (wanted + d, wanted - d) if (row >= 0) == is_above)
        row = next(row for row in rows if taken.get(row, 0) < columns)
        placed.append((row, taken.get(row, 0), is_above))
        taken[row] = taken.get(row, 0) + 1
    return [(row, place, taken[row], is_above) for row, place, is_above in placed]


def _step_names(
    sheet: _Sheet, steps: Sequence[LedgerStep], left: float, cell: float, y: float
) -> float:
    """Names under the steps, or slanted where they are many; the lowest place used."""
    for i in range(1, len(steps)):
        sheet.line(left + i * cell, y, left + i * cell, y + 4, PENCIL)
    if cell < 60:
        return _slanted_names(sheet, steps, left, cell, y)
    lowest = y
    for i, step in enumerate(steps):
        x, row = left + (i + 0.5) * cell, y + LINE + 2
        for words in _wrapped(step.label, cell - 6, 3):
            sheet.text(x, row, words, INK, "center")
            row += LINE
        for words in _wrapped(step.elapsed, cell - 6, 2):
            sheet.text(x, row, words, PENCIL, "center")
            row += LINE
        lowest = max(lowest, row - LINE)
    return lowest


def _slanted_names(
    sheet: _Sheet, steps: Sequence[LedgerStep], left: float, cell: float, y: float
) -> float:
    angle = -45 if cell > 34 else -60
    two_lines = cell > 34
    turn = math.radians(angle)
    lowest = y
    for i, step in enumerate(steps):
        x = left + (i + 0.5) * cell + 4
        longest = min(150.0, (x - 4) / math.cos(turn))
        elapsed = _cut(step.elapsed, 60)
        if two_lines:
            lines = [(_cut(step.label, longest), INK), (elapsed, PENCIL)]
        else:
            kept = _cut(step.label, longest - _wide(f", {elapsed}", SIZE))
            lines = [(f"{kept}, {elapsed}" if elapsed else kept, INK)]
        for n, (words, colour) in enumerate(lines):
            down = n * LINE
            sheet.text(
                x - down * math.sin(turn), y + 12 + down * math.cos(turn), words, colour, "right",
                angle=angle,
            )  # fmt: skip
            end = y + 12 + down * math.cos(turn) - math.sin(turn) * _wide(words, SIZE)
            lowest = max(lowest, end + 4)
    return lowest


def _bands(sheet: _Sheet, bands: Sequence[tuple[str, str, str]], across: _Across) -> float:
    """Places along the top, each named at its start; names that would meet stand in more rows."""
    if not bands:
        return 0.0
    named = [(*across.span(start, end), _cut(place, 150)) for start, end, place in sorted(bands)]
    turn = across.left + 0.55 * (across.right - across.left)
    # Names left of the turn begin at their place's start, the others stop at its end: so the
    # thin lines down from higher rows meet no name.
    early = [n for n in reversed(named) if n[0] < turn]
    late = [n for n in named if n[0] >= turn]
    rows: list[list[tuple[float, float]]] = []
    placed = []
    for x0, x1, words in (*early, *late):
        wide = _wide(words, SIZE)
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


def _dates(sheet: _Sheet, across: _Across, y: float) -> float:
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
        half = _wide(words, SIZE) / 2
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


def _nice(values: Sequence[float], top: float, bottom: float) -> tuple[_Scale, float]:
    """A scale from tick to tick around the values, and how far apart its ticks are."""
    low, high = min(values), max(values)
    step = _step(max(high - low, 4.0), 4)
    below = math.floor(low / step)
    above = max(math.ceil(high / step), below + 1)
    return _Scale(above * step, below * step, top, bottom), step


def _step(spread: float, ticks: float) -> float:
    """A 1, 2 or 5 with zeros that divides the spread into about so many parts."""
    power = 10.0 ** math.floor(math.log10(spread / ticks))
    return next(m * power for m in (1, 2, 5, 10) if m * power >= spread / ticks * 0.999)


def _zero_and_mean(
    sheet: _Sheet, zero: float, at_mean: float, mean: float, names: float, line: float
) -> None:
    """Two lines with their names, in such an order that neither line runs through a name."""
    marks = [
        (zero, "0: the cost is back", INK, SOLID),
        (at_mean, f"mean {_money(mean)}", PENCIL, DASHED),
    ]
    first, second = sorted(marks)
    upper = second if sheet.is_tight(second[0], second[1]) else first
    for x, words, colour, dash in marks:
        y = names - LINE if words == upper[1] else names
        sheet.line(x, y - SIZE + 2, x, line, colour, 1.25, dash)
        side = -5 if sheet.is_tight(x, words) else 5
        sheet.text(x + side, y, words, colour, "left" if side > 0 else "right")


def _money_ticks(sheet: _Sheet, scale: _Scale, y: float, title: str) -> float:
    step = _step(scale.high - scale.low, max(2.0, (scale.top - scale.bottom) / 60))
    free = 0.0
    for k in range(math.ceil(scale.low / step), math.floor(scale.high / step) + 1):
        x = scale.at(k * step)
        sheet.line(x, y, x, y + 4, INK)
        half = _wide(_money(k * step), SIZE) / 2
        if x - half >= free and x + half <= sheet.width:
            sheet.text(x, y + LINE + 3, _money(k * step), INK, "center")
            free = x + half + 6
    sheet.text(scale.bottom, y + 2 * LINE + 4, _cut(title, scale.top - scale.bottom), PENCIL)
    return y + 2 * LINE + 4


def _cost_ticks(sheet: _Sheet, scale: _Scale, cost: float, y: float) -> float:
    """How often the cost comes back: once at a net of zero, twice at a net of the cost."""
    if cost <= 0:
        sheet.text(scale.bottom, y + LINE, "no cost to compare with", PENCIL)
        return y + LINE
    sheet.line(scale.bottom, y, scale.top, y, PENCIL)
    free = -math.inf
    for times in (1, 2, 3, 5):
        net = (times - 1) * cost
        x = scale.at(net)
        if scale.low <= net <= scale.high and x >= free:
            sheet.line(x, y, x, y + 4, PENCIL)
            sheet.text(x, y + LINE + 3, f"{times}×", INK, "center")
            free = x + 24
    sheet.text(scale.bottom, y + 2 * LINE + 4, "times the cost comes back", PENCIL)
    return y + 2 * LINE + 4


def _money(x: float) -> str:
    """Money with no more digits than it takes; words from a million on."""
    for unit, word in ((1e9, "billion"), (1e6, "million")):
        if abs(x) >= unit:
            return f"{_signed(x / unit)}{NO_BREAK}{word}"
    return _signed(x)


def _signed(x: float) -> str:
    """A number for an axis, thousands apart, with a true minus sign."""
    digits = 0 if abs(x) >= 100 else 2
    text = f"{abs(x):,.{digits}f}"
    text = text.rstrip("0").rstrip(".") if digits else text
    minus = "−" if x < 0 and text != "0" else ""
    return minus + text.replace(",", NO_BREAK)


def _kept(x: float) -> float:
    return min(max(x, -LARGEST_NET), LARGEST_NET)


def _moment(iso: str) -> datetime:
    return datetime.fromisoformat(iso).replace(tzinfo=None)


def _rounded(numbers: dict[str, float], digits: int = 2) -> dict[str, Any]:
    return {name: round(x, digits) for name, x in numbers.items()}


def _only_numbers(values: Iterable[float]) -> None:
    if any(map(math.isnan, values)):
        raise ValueError("A figure needs numbers; one of these is none.")


def _shown(text: str) -> str:
    """Text as one line of characters that a drawing may hold."""
    kept = (
        " " if unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") or c in "\ufffe\uffff" else c
        for c in text[:MOST_CHARACTERS]
    )
    return " ".join("".join(kept).split(" ")).strip()


def _wide(text: str, size: float) -> float:
    """About how wide a text is drawn, rather too much than too little."""
    return size * sum(_em(c) for c in text)


def _em(c: str) -> float:
    if unicodedata.combining(c) or unicodedata.category(c) in ("Mn", "Me", "Cf"):
        return 0.0
    if unicodedata.east_asian_width(c) in "WF":
        return 1.1
    if c in "mwMW@%×":
        return 0.9
    return 0.7 if c.isupper() else 0.3 if c in "ijlt.,:;'|! ()" else 0.56


def _cut(text: str, wide: float) -> str:
    """A text no wider than its place, with a sign that it goes on."""
    text = _shown(text)
    if _wide(text, SIZE) <= wide:
        return text
    while text and _wide(text + "…", SIZE) > wide:
        text = text[:-1]
    return text.rstrip(" ,.;:") + "…"


def _wrapped(text: str, wide: float, most: int) -> list[str]:
    """A text in lines no wider than its place; the last allowed line is cut."""
    lines: list[str] = []
    rest = _shown(text)
    while rest:
        if len(lines) == most - 1:
            return [*lines, _cut(rest, wide)]
        head = _fitting(rest, wide)
        lines.append(head.strip())
        rest = rest[len(head) :].strip()
    return lines


def _fitting(text: str, wide: float) -> str:
    """As many whole words as fit, or as many characters of a word that is too long."""
    if _wide(text, SIZE) <= wide:
        return text
    n = 1
    while _wide(text[: n + 1], SIZE) <= wide:
        n += 1
    blank = text.rfind(" ", 0, n + 1)
    return text[:blank] if blank > 0 else text[:n]
