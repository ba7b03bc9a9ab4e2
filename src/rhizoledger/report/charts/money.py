"""Twenty equally likely nets on one axis, with multiples of the cost under it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from rhizoledger.plan.spoken import NO_BREAK
from rhizoledger.report.charts.sheet import (
    DASHED,
    INK,
    LEAF,
    LINE,
    NODULE,
    PENCIL,
    SIZE,
    SOLID,
    Scale,
    Sheet,
    cut_to,
    kept_within,
    key_line,
    only_numbers,
    piles,
    shown_text,
    signed,
    tick_step,
    width_of,
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
    sheet = Sheet(width)
    only_numbers([*dots, mean, cost])
    nets = [kept_within(v) for v in dots]
    mean, cost = kept_within(mean), kept_within(cost)
    left, right = 22.0, width - 22.0
    low, high = min([*nets, mean, 0.0]), max([*nets, mean, cost, 0.0])
    spare = (high - low) * 0.04 or 1.0
    # A height axis laid on its side: the high end is the right one.
    scale = Scale(high + spare, low - spare, right, left)
    zero = scale.at(0.0)
    pitch = 10.0
    piled = piles([scale.at(v) for v in nets], [v < 0 for v in nets], zero, pitch, 10)
    tallest = max([3, *(many for _, _, many, _ in piled)]) * pitch
    key = key_line(sheet, [(LEAF, "pays"), (NODULE, "does not pay"), (None, "each mark: 1 in 20")])
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
    bottom = _money_ticks(sheet, scale, line, f"{shown_text(currency_word)} per {shown_text(area)}")
    return sheet.spec(
        _cost_ticks(sheet, scale, cost, bottom + 10),
        "Twenty equally likely amounts left after the cost, per area, "
        "with zero, the mean and multiples of the cost marked.",
    )


def _zero_and_mean(
    sheet: Sheet, zero: float, at_mean: float, mean: float, names: float, line: float
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


def _money_ticks(sheet: Sheet, scale: Scale, y: float, title: str) -> float:
    step = tick_step(scale.high - scale.low, max(2.0, (scale.top - scale.bottom) / 60))
    free = 0.0
    for k in range(math.ceil(scale.low / step), math.floor(scale.high / step) + 1):
        x = scale.at(k * step)
        sheet.line(x, y, x, y + 4, INK)
        half = width_of(_money(k * step), SIZE) / 2
        if x - half >= free and x + half <= sheet.width:
            sheet.text(x, y + LINE + 3, _money(k * step), INK, "center")
            free = x + half + 6
    sheet.text(scale.bottom, y + 2 * LINE + 4, cut_to(title, scale.top - scale.bottom), PENCIL)
    return y + 2 * LINE + 4


def _cost_ticks(sheet: Sheet, scale: Scale, cost: float, y: float) -> float:
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
            return f"{signed(x / unit)}{NO_BREAK}{word}"
    return signed(x)
