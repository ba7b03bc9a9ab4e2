"""What every figure is drawn on: colours, letters, marks placed in dots, one layer for each kind.

All places are worked out here; the renderer is given nothing to scale, measure or arrange.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any

from rhizoledger.plan.spoken import NO_BREAK

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
CROSS = "M-1,-1L1,1M-1,1L1,-1"
LARGEST_NET = 1e15
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


@dataclass(slots=True)
class Sheet:
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
        """A straight line between two places."""
        self.rules.append(
            rounded({"x": x, "y": y, "x2": x2, "y2": y2}, 1)
            | {"thick": thick, "colour": colour, "dash": list(dash)}
        )

    def dot(self, x: float, y: float, radius: float, colour: str) -> None:
        """A filled circle: enough, or pays."""
        size = (2 * radius) ** 2
        self.dots.append(rounded({"x": x, "y": y, "size": size}, 1) | {"colour": colour})

    def cross(self, x: float, y: float, radius: float) -> None:
        """A cross: too few, or does not pay."""
        self.crosses.append(
            rounded({"x": x, "y": y, "size": (2 * radius) ** 2, "thick": 0.3 + 0.45 * radius}, 1)
            | {"colour": NODULE}
        )

    def square(self, x: float, y: float, side: float) -> None:
        """An open square: a count."""
        self.squares.append(rounded({"x": x, "y": y, "size": side**2}) | {"colour": INK})

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
        """Words at a place; a user's words stand only in the data."""
        if text:
            self.texts.append(
                rounded({"x": x, "y": y, "size": size, "angle": angle}, 1)
                | {"text": text, "colour": colour, "align": align}
            )

    def is_tight(self, x: float, text: str) -> bool:
        """Whether a text has no room right of a place."""
        return x + 7 + width_of(text, SIZE) > self.width

    def tick(self, left: float, right: float, y: float, text: str) -> None:
        """A hairline across with its number at the left."""
        self.line(left, y, right, y, RULE)
        self.text(left - 6, y + 4, text, INK, "right")

    def curve(self, points: Sequence[tuple[float, float]]) -> None:
        """A line through places; one place alone becomes a short stroke."""
        if len(points) == 1:
            points = [(points[0][0] + dx, points[0][1]) for dx in (-1.5, 1.5)]
        self.runs += 1
        self.curves += [rounded({"x": x, "y": y, "run": self.runs}, 1) for x, y in points]

    def area(self, points: Sequence[tuple[float, float]], base: float) -> None:
        """All between the points and the base, as one closed outline."""
        outline = [(points[0][0], base), *points, (points[-1][0], base)]
        self.runs += 1
        self.areas += [rounded({"x": x, "y": y, "run": self.runs}, 1) for x, y in outline]

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
class Scale:
    """A straight scale: ``high`` lies at ``top``, ``low`` at ``bottom`` [px]."""

    high: float
    low: float
    top: float
    bottom: float

    def at(self, value: float) -> float:
        """Where a value stands."""
        share = (self.high - value) / (self.high - self.low)
        return self.top + share * (self.bottom - self.top)


def key_line(sheet: Sheet, items: Iterable[tuple[Any, str]]) -> float:
    """Samples with their words, in as many rows as they need; the lowest row's place."""
    x, y = 4.0, SIZE
    for sample, words in items:
        lead = 12.0 if isinstance(sample, str) else 26.0 if sample else 0.0
        wide = lead + width_of(words, SIZE)
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


def pitch_for(wide: float) -> tuple[float, int]:
    """How far apart dots stand, and how many side by side at most."""
    pitch = min(7.0, wide / 4 if wide >= 20 else wide / 3)
    return pitch, min(7, math.floor(wide / pitch + 1e-9))


def piles(
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


def nice_scale(values: Sequence[float], top: float, bottom: float) -> tuple[Scale, float]:
    """A scale from tick to tick around the values, and how far apart its ticks are."""
    low, high = min(values), max(values)
    step = tick_step(max(high - low, 4.0), 4)
    below = math.floor(low / step)
    above = max(math.ceil(high / step), below + 1)
    return Scale(above * step, below * step, top, bottom), step


def tick_step(spread: float, ticks: float) -> float:
    """A 1, 2 or 5 with zeros that divides the spread into about so many parts."""
    power = 10.0 ** math.floor(math.log10(spread / ticks))
    return next(m * power for m in (1, 2, 5, 10) if m * power >= spread / ticks * 0.999)


def kept_within(x: float) -> float:
    """A net no larger than a figure can show."""
    return min(max(x, -LARGEST_NET), LARGEST_NET)


def rounded(numbers: dict[str, float], digits: int = 2) -> dict[str, Any]:
    """Numbers to so many digits after the point."""
    return {name: round(x, digits) for name, x in numbers.items()}


def only_numbers(values: Iterable[float]) -> None:
    """Refuse what is not a number before anything is drawn."""
    if any(map(math.isnan, values)):
        raise ValueError("A figure needs numbers; one of these is none.")


def shown_text(text: str) -> str:
    """Text as one line of characters that a drawing may hold."""
    kept = (
        " " if unicodedata.category(c) in ("Cc", "Cs", "Zl", "Zp") or c in "\ufffe\uffff" else c
        for c in text[:MOST_CHARACTERS]
    )
    return " ".join("".join(kept).split(" ")).strip()


def width_of(text: str, size: float) -> float:
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


def cut_to(text: str, wide: float) -> str:
    """A text no wider than its place, with a sign that it goes on."""
    text = shown_text(text)
    if width_of(text, SIZE) <= wide:
        return text
    while text and width_of(text + "…", SIZE) > wide:
        text = text[:-1]
    return text.rstrip(" ,.;:") + "…"


def wrapped_lines(text: str, wide: float, most: int) -> list[str]:
    """A text in lines no wider than its place; the last allowed line is cut."""
    lines: list[str] = []
    rest = shown_text(text)
    while rest:
        if len(lines) == most - 1:
            return [*lines, cut_to(rest, wide)]
        head = fitting_text(rest, wide)
        lines.append(head.strip())
        rest = rest[len(head) :].strip()
    return lines


def fitting_text(text: str, wide: float) -> str:
    """As many whole words as fit, or as many characters of a word that is too long."""
    if width_of(text, SIZE) <= wide:
        return text
    n = 1
    while width_of(text[: n + 1], SIZE) <= wide:
        n += 1
    blank = text.rfind(" ", 0, n + 1)
    return text[:blank] if blank > 0 else text[:n]


def signed(x: float) -> str:
    """A number for an axis, thousands apart, with a true minus sign."""
    digits = 0 if abs(x) >= 100 else 2
    text = f"{abs(x):,.{digits}f}"
    text = text.rstrip("0").rstrip(".") if digits else text
    minus = "−" if x < 0 and text != "0" else ""
    return minus + text.replace(",", NO_BREAK)
