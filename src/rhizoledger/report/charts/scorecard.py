"""Predicted against counted: one upright line for each count, and the line on which both agree."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from rhizoledger.report.charts.sheet import (
    DASHED,
    INK,
    LEAF,
    LINE,
    NODULE,
    PENCIL,
    RULE,
    SOLID,
    Scale,
    Sheet,
    key_line,
    only_numbers,
    tick_step,
)

TALL = 320
THIN, THICK = 1.0, 3.0
TICKS = 5


def scorecard_figure(found: Mapping[str, Any], *, width: int = 480) -> dict[str, Any]:
    """Counted values over the middle of what was predicted, with the limits of each prediction.

    Parameters
    ----------
    found : mapping
        As ``workflows.survival_scorecard.scorecard_folder`` returns it.
    width : int
        Of the figure [px].

    Returns
    -------
    dict
        A Vega-Lite spec. A count inside its 90 % limits is a dot, one outside a cross.
    """
    rows = [s for s in found["scores"] if s["limits_90"] is not None]
    only_numbers([x for s in rows for x in (s["counted_log10"], *s["limits_90"])])
    sheet = Sheet(width)
    top = 2 * LINE + key_line(
        sheet,
        [
            (LEAF, "inside its 90 % limits"),
            (NODULE, "outside"),
            (SOLID, "limits, 50 % thick, 90 % thin"),
            (DASHED, "count and prediction agree"),
        ],
    )
    values = [x for s in rows for x in (_middle(s), s["counted_log10"], *s["limits_90"])] or [0, 1]
    step = tick_step(max(max(values) - min(values), 1.0), TICKS)
    low, high = math.floor(min(values) / step) * step, math.ceil(max(values) / step) * step
    high = max(high, low + step)
    up = Scale(high, low, top, top + TALL)
    across = Scale(high, low, width - 14.0, 58.0)
    sheet.text(4, top - LINE, "counted, log10", PENCIL)
    for i in range(round((high - low) / step) + 1):
        at = low + i * step
        sheet.tick(58.0, width - 14.0, up.at(at), f"{at:g}")
        sheet.line(across.at(at), up.bottom, across.at(at), up.bottom + 4, PENCIL)
        sheet.text(across.at(at), up.bottom + LINE + 3, f"{at:g}", INK, "center")
    sheet.line(across.at(low), up.at(low), across.at(high), up.at(high), RULE, 1.25, DASHED)
    for s in rows:
        x = across.at(_middle(s))
        for limits, thick in ((s["limits_90"], THIN), (s["limits_50"], THICK)):
            sheet.line(x, up.at(limits[0]), x, up.at(limits[1]), PENCIL, thick)
        if s["inside_90"]:
            sheet.dot(x, up.at(s["counted_log10"]), 3.5, LEAF)
        else:
            sheet.cross(x, up.at(s["counted_log10"]), 3.5)
    bottom = up.bottom + 2 * LINE + 6
    sheet.text(58.0, bottom, "middle of what was predicted, log10", PENCIL)
    share = found["summary"]["coverage_90"]
    says = f"Predicted against counted: {share['inside']} of {share['n']} inside their 90 % limits."
    return sheet.spec(bottom, says)


def _middle(score: Mapping[str, Any]) -> float:
    return float(score["counted_log10"] - score["error_log10"])
