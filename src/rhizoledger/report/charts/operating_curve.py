"""The operating curve: the chance that a lot passes, against what it really holds."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from rhizoledger.plan.spoken import grouped
from rhizoledger.report.charts.sheet import (
    DASHED,
    INK,
    LINE,
    PENCIL,
    RULE,
    SIZE,
    SOLID,
    Scale,
    Sheet,
    key_line,
    only_numbers,
    width_of,
)
from rhizoledger.report.numbers import raised

TALL = 230
QUARTERS = ((1.0, "certain"), (0.75, "3 in 4"), (0.5, "1 in 2"), (0.25, "1 in 4"), (0.0, "never"))
DIGITS = (1, 2, 5)
APART = 8.0


@dataclass(frozen=True, slots=True)
class Curve:
    """One line: what it stands for, and the chance at each titre."""

    words: str
    chances: tuple[float, ...]


def operating_figure(
    titres: Sequence[float],
    curves: Sequence[Curve],
    marks: Sequence[tuple[float, str]],
    *,
    basis: str,
    width: int = 640,
) -> dict[str, Any]:
    """The chance to pass against the lot's true titre, on a tenfold axis.

    Parameters
    ----------
    titres : sequence of float
        True titres, > 0, rising.
    curves : sequence of Curve
        One or two; the second is dashed.
    marks : sequence of (float, str)
        Titres that are drawn as upright lines, with their names.
    basis : str
        What the titre is per.
    width : int
        Of the figure [px].

    Returns
    -------
    dict
        A Vega-Lite spec, in ink alone.
    """
    only_numbers([*titres, *(p for c in curves for p in c.chances), *(t for t, _ in marks)])
    sheet = Sheet(width)
    left, right = 66.0, width - 14.0
    dashes = (SOLID, DASHED)
    key = key_line(sheet, [(dashes[i % 2], c.words) for i, c in enumerate(curves)])
    inside = sorted(m for m in marks if titres[0] <= m[0] <= titres[-1])
    names = key + LINE + 8
    across = Scale(math.log10(titres[-1]), math.log10(titres[0]), right, left)
    rows = _rows([(across.at(math.log10(t)), words) for t, words in inside])
    top = names + 14 + LINE * max(rows, default=0)
    up = Scale(1.0, 0.0, top, top + TALL)
    for chance, words in QUARTERS:
        sheet.tick(left, right, up.at(chance), words)
    sheet.line(left, up.bottom, right, up.bottom, PENCIL)
    sheet.text(4, names, "chance to pass", PENCIL)
    for row, (titre, words) in zip(rows, inside, strict=True):
        x, y = across.at(math.log10(titre)), names + LINE * row
        sheet.line(x, y + 4, x, up.bottom, PENCIL, 1)
        align = "right" if sheet.is_tight(x, words) else "left"
        sheet.text(x - 3 if align == "left" else x + 3, y, words, INK, align)
    for i, curve in enumerate(curves):
        places = [
            (across.at(math.log10(t)), up.at(p)) for t, p in zip(titres, curve.chances, strict=True)
        ]
        if i % 2 == 0:
            sheet.curve(places)
        else:
            _dashed(sheet, places)
    bottom = _titres(sheet, across, up.bottom)
    sheet.text(left, bottom + LINE + 3, f"what the lot really holds, CFU per {basis}", PENCIL)
    return sheet.spec(
        bottom + LINE + 3,
        "Chance that a lot passes against the titre it really holds: "
        f"{' and '.join(c.words for c in curves)}.",
    )


def _rows(names: Sequence[tuple[float, str]]) -> list[int]:
    """The row of each name, so that none stands over its neighbour."""
    out: list[int] = []
    taken = [width_of("chance to pass", SIZE) + APART, -math.inf]
    for x, words in names:
        out.append(0 if x > taken[0] else 1)
        taken[out[-1]] = x + width_of(words, SIZE) + APART
    return out


def _dashed(sheet: Sheet, places: Sequence[tuple[float, float]]) -> None:
    """A curve in strokes of even length, whatever its corners."""
    on, off = DASHED
    left, drawing = float(on), True
    for (x0, y0), (x1, y1) in pairwise(places):
        long, gone = math.hypot(x1 - x0, y1 - y0), 0.0
        while gone < long:
            step = min(left, long - gone)
            a, b = gone / long, (gone + step) / long
            if drawing:
                sheet.line(
                    x0 + a * (x1 - x0), y0 + a * (y1 - y0), x0 + b * (x1 - x0), y0 + b * (y1 - y0),
                    INK, 1.25,
                )  # fmt: skip
            gone += step
            left -= step
            if left <= 1e-9:
                drawing = not drawing
                left = on if drawing else off


def _titres(sheet: Sheet, across: Scale, y: float) -> float:
    """Ticks at 1, 2 and 5 of each power, named where there is room; the lowest place used."""
    free = -math.inf
    for power in range(math.floor(across.low), math.ceil(across.high) + 1):
        for digit in DIGITS:
            level = power + math.log10(digit)
            if not across.low - 1e-9 <= level <= across.high + 1e-9:
                continue
            x, words = across.at(level), written(digit * 10.0**power)
            sheet.line(x, y, x, y + 4, PENCIL)
            half = width_of(words, SIZE) / 2
            if x - half > free and x + half <= sheet.width:
                sheet.text(x, y + LINE + 3, words, INK, "center")
                sheet.line(x, y, x, y - TALL, RULE, 0.5)
                free = x + half + APART
    return y + LINE + 3


def written(titre: float) -> str:
    """A titre for an axis: in full below ten million, as ×10ⁿ above.

    Examples
    --------
    >>> written(2e9), written(500.0)
    ('2×10⁹', '500')
    """
    return raised(grouped(titre))
