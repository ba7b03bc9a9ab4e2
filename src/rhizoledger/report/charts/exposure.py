"""How long it was how warm: a bar for each degree, lying under the temperatures it stands for."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from rhizoledger.report.charts.sheet import (
    INK,
    LINE,
    NODULE,
    PENCIL,
    SIZE,
    Scale,
    Sheet,
    only_numbers,
    signed,
    tick_step,
    width_of,
)

TALL = 220
MOST_BARS = 60


def exposure_figure(
    edges_c: Sequence[float],
    hours: Sequence[float],
    *,
    gap_hours: float = 0.0,
    t_ref_c: float | None = None,
    width: int = 640,
) -> dict[str, Any]:
    """Hours at each temperature, bars of whole degrees or of the bins where few were visited.

    Parameters
    ----------
    edges_c : sequence of float, length n + 1
        Edges of the bins [°C], rising, a quarter degree apart.
    hours : sequence of float, length n
        Time in each [h].
    gap_hours : float
        Time without a temperature, said beside [h].
    t_ref_c : float or None
        Reference temperature, drawn as an upright line where it lies inside [°C].
    width : int
        Of the figure [px].

    Returns
    -------
    dict
        A Vega-Lite spec.
    """
    only_numbers([*edges_c, *hours])
    sheet = Sheet(width)
    left, right = 58.0, width - 12.0
    bars, wide = _bars(edges_c, hours)
    low, high = (bars[0][0], bars[-1][0] + wide) if bars else (0.0, 1.0)
    top = SIZE + LINE + 8
    most = max((h for _, h in bars), default=1.0) or 1.0
    step = tick_step(most, 4)
    up = Scale(math.ceil(most / step - 1e-9) * step, 0.0, top, top + TALL)
    across = Scale(high, low, right, left)
    said = "hours at each temperature"
    if gap_hours:
        said += f"; {gap_hours:,.1f} h without a temperature are not shown"
    sheet.text(4, SIZE, said, PENCIL)
    for k in range(round(up.high / step) + 1):
        sheet.tick(left, right, up.at(k * step), signed(k * step))
    for at, h in bars:
        if h:
            x0, x1, y = across.at(at), across.at(at + wide), up.at(h)
            inset = min(1.0, (x1 - x0) / 8)
            sheet.area([(x0 + inset, y), (x1 - inset, y)], up.bottom)
    for mark, words, colour in ((0.0, "0 °C", NODULE), (t_ref_c, "reference", PENCIL)):
        if mark is not None and low < mark < high:
            x = across.at(mark)
            sheet.line(x, top - 2, x, up.bottom, colour)
            align = "right" if sheet.is_tight(x, words) else "left"
            sheet.text(x - 4 if align == "right" else x + 4, top - 4, words, colour, align)
    sheet.line(left, up.bottom, right, up.bottom, PENCIL)
    each = tick_step(high - low, (right - left) / 60)
    for k in range(math.ceil(low / each - 1e-9), math.floor(high / each + 1e-9) + 1):
        x, words = across.at(k * each), signed(k * each)
        sheet.line(x, up.bottom, x, up.bottom + 4, PENCIL)
        half = width_of(words, SIZE) / 2
        sheet.text(min(x, width - half), up.bottom + LINE + 3, words, INK, "center")
    bottom = up.bottom + 2 * LINE + 5
    sheet.text(left, bottom, f"temperature, °C; a bar is {wide:g} °C wide", PENCIL)
    return sheet.spec(bottom, f"Hours at each temperature from {low:g} to {high:g} °C.")


def _bars(
    edges_c: Sequence[float], hours: Sequence[float]
) -> tuple[list[tuple[float, float]], float]:
    """Left edge and height of each bar, and how wide one is: as few degrees as can be drawn."""
    if not hours:
        return [], 1.0
    spread = edges_c[-1] - edges_c[0]
    wide = next(w for w in (0.25, 0.5, 1.0, 2.0, 5.0) if spread / w <= MOST_BARS or w == 5.0)
    first = math.floor(edges_c[0] / wide)
    bars = [0.0] * (math.ceil(edges_c[-1] / wide) - first)
    for edge, h in zip(edges_c, hours, strict=False):
        bars[math.floor(edge / wide) - first] += h
    return [((first + i) * wide, h) for i, h in enumerate(bars)], wide
