"""Temperature in the sun along one stay: a range, its middle, the air outside, and the light."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

import numpy as np

from rhizoledger.report.charts.sheet import (
    DASHED,
    INK,
    LINE,
    NODULE,
    PENCIL,
    SIZE,
    SOIL,
    SOLID,
    Scale,
    Sheet,
    key_line,
    nice_scale,
    only_numbers,
    shown_text,
    signed,
    tick_step,
    width_of,
)

TALL, LIGHT_TALL = 190.0, 64.0
HOURS_APART = (1, 2, 3, 6)
ROOM_FOR_AN_HOUR = 52.0
ON, OFF = 7.0, 4.0
TICKS = 7


@dataclass(frozen=True, slots=True)
class SunlitFigure:
    """One stay in the sun, a number for each moment in every column.

    Parameters
    ----------
    times : tuple of str
        Local times without zone (ISO), rising.
    low, middle, high, ambient : tuple of float
        Temperatures in ``unit``.
    light : tuple of float
        Light of a clear sky [W/m²].
    limits : tuple of float
        Temperatures drawn across, in ``unit``.
    of : str
        What the range is the temperature of.
    unit : str
        "°C" or "°F".
    onto : str
        What the light falls on.
    clock : str
        What the times are said in.
    """

    times: tuple[str, ...]
    low: tuple[float, ...]
    middle: tuple[float, ...]
    high: tuple[float, ...]
    ambient: tuple[float, ...]
    light: tuple[float, ...]
    limits: tuple[float, ...]
    of: str
    unit: str
    onto: str
    clock: str


def sunlit_figure(data: SunlitFigure, *, width: int = 640) -> dict[str, Any]:
    """The range of a temperature along a stay, and under it the light of a clear sky.

    Parameters
    ----------
    data : SunlitFigure
    width : int
        Of the figure [px].

    Returns
    -------
    dict
        A Vega-Lite spec.
    """
    only_numbers(
        [*data.low, *data.middle, *data.high, *data.ambient, *data.light, *data.limits],
    )
    sheet = Sheet(width)
    left, right = 52.0, width - 12.0
    moments = [datetime.fromisoformat(t) for t in data.times]
    across = Scale((moments[-1] - moments[0]) / timedelta(hours=1), 0.0, right, left)
    xs = [across.at((m - moments[0]) / timedelta(hours=1)) for m in moments]

    of = shown_text(data.of)
    key = key_line(
        sheet,
        [
            (SOIL, f"{of}, the range of the assumptions"),
            (SOLID, f"{of}, middle"),
            (DASHED, "air outside"),
        ],
    )
    sheet.text(left, key + LINE + 8, f"temperature, {data.unit}, if the sky is clear", PENCIL)
    top = key + LINE + 14
    values = [*data.low, *data.high, *data.ambient, *data.limits]
    step = tick_step(max(max(values) - min(values), 4.0), TICKS)
    low, high = math.floor(min(values) / step), math.floor(max(values) / step) + 1
    warm = Scale(high * step, low * step, top, top + TALL)
    for k in range(low, high + 1):
        sheet.tick(left, right, warm.at(k * step), signed(k * step))
    highs = [(x, warm.at(v)) for x, v in zip(xs, data.high, strict=True)]
    lows = [(x, warm.at(v)) for x, v in zip(xs, data.low, strict=True)]
    sheet.area([*highs, *reversed(lows)], lows[0][1])
    sheet.curve([(x, warm.at(v)) for x, v in zip(xs, data.middle, strict=True)])
    _dashes(sheet, [(x, warm.at(v)) for x, v in zip(xs, data.ambient, strict=True)])
    for limit in data.limits:
        sheet.line(left, warm.at(limit), right, warm.at(limit), NODULE, 1)
        words = f"{signed(limit)} {data.unit}"
        sheet.text(left + 3, warm.at(limit) - 4, words, INK)

    lower = warm.bottom + LINE + 12
    sheet.text(left, lower - 5, f"light of a clear sky onto {data.onto}, W/m²", PENCIL)
    bright, every = nice_scale([0.0, max(*data.light, 100.0)], lower, lower + LIGHT_TALL)
    for k in range(0, round(bright.high / every) + 1, 2):
        sheet.tick(left, right, bright.at(k * every), signed(k * every))
    sheet.curve([(x, bright.at(v)) for x, v in zip(xs, data.light, strict=True)])
    bottom = _hours(sheet, moments, across, bright.bottom)
    sheet.text(left, bottom + LINE + 2, shown_text(data.clock), PENCIL)
    return sheet.spec(
        bottom + LINE + 2,
        f"Temperature of the {of} along a stay in the sun, from low to high, with the air outside "
        "and the light of a clear sky.",
    )


def _dashes(sheet: Sheet, places: Sequence[tuple[float, float]]) -> None:
    """A line through places in strokes of even width."""
    xs, ys = zip(*places, strict=True)
    for k in range(math.ceil((xs[-1] - xs[0]) / (ON + OFF))):
        start = xs[0] + k * (ON + OFF)
        end = min(start + ON, xs[-1])
        y0, y1 = np.interp([start, end], xs, ys).tolist()
        sheet.line(start, y0, end, y1, INK, 1.25)


def _hours(sheet: Sheet, moments: Sequence[datetime], across: Scale, y: float) -> float:
    """Full hours along the bottom; the lowest place used."""
    most = (across.top - across.bottom) / ROOM_FOR_AN_HOUR
    apart = next((h for h in HOURS_APART if across.high / h <= most), 6)
    sheet.line(across.bottom, y, across.top, y, PENCIL)
    midnight = moments[0].replace(hour=0, minute=0)
    for k in range(math.ceil(48 / apart) + 1):
        at = midnight + timedelta(hours=k * apart)
        if not moments[0] <= at <= moments[-1]:
            continue
        x = across.at((at - moments[0]) / timedelta(hours=1))
        words = f"{at:%H:%M}"
        half = width_of(words, SIZE) / 2
        sheet.line(x, y, x, y + 4, PENCIL)
        sheet.text(min(x, sheet.width - half), y + LINE + 3, words, INK, "center")
    return y + LINE + 3
