"""The scorecard in sentences: how predictions fared against counts, then count by count."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from rhizoledger.plan.spoken import grouped
from rhizoledger.report.charts.scorecard import scorecard_figure
from rhizoledger.report.figure_file import write_figure
from rhizoledger.report.listing import counted, wrapped
from rhizoledger.report.numbers import odds

WIDE = 2.0
"""Limits of the bias wider than a factor of a hundred are not worth printing."""
NONE = (
    "Nothing to score yet: no count of a lot or of treated seed has met a prediction with a number."
)
FROM_FACTS = (
    "Predictions worked out again use only what was written down of the time before the count, "
    "with the evidence as it is today; only kept ones were made before the count was known."
)


def scorecard_text(found: Mapping[str, Any], written: Sequence[Path] = ()) -> str:
    """The answer first, then each count, then why some are not scored."""
    s = found["summary"]
    lines = [wrapped(text) for text in _summary(s)]
    for score in found["scores"]:
        lines += ["", wrapped(_head(score)), *(wrapped(t, "  ") for t in _told(score))]
    if any(x["prediction"] == "worked_out" for x in found["scores"]):
        lines += ["", wrapped(FROM_FACTS)]
    if written:
        lines += ["", *map(str, written)]
    return "\n".join(lines)


def _summary(s: Mapping[str, Any]) -> list[str]:
    n = s["scored"]
    if n == 0:
        return [NONE]
    most, half = s["coverage_90"], s["coverage_50"]
    out = [
        f"{most['inside']} of {counted(n, 'count')} lay inside their 90 % limits "
        f"(so the share is {_percent(most['low'])} to {_percent(most['high'])} %), "
        f"{half['inside']} of {n} inside the 50 % limits."
    ]
    if s["too_few"]:
        out.append(
            f"That is too few to say whether the limits hold: from {s['few_below']} counts on the "
            "share begins to tell."
        )
    elif most["high"] < 0.9:
        out.append("The limits are too narrow: fewer counts lie inside than should.")
    else:
        out.append("Nothing here speaks against the limits.")
    out.append(_bias(s["bias_log10"]))
    if s["brier"] is not None:
        out.append(
            f"The chance of enough, against whether the count was enough: Brier score "
            f"{s['brier']:.2f} over {counted(s['brier_counts'], 'count')} "
            "(0 is perfect, 0.25 is as good as a coin)."
        )
    return out


def _bias(e: Mapping[str, Any] | None) -> str:
    if e is None:
        return "No scored count has a value, so a bias cannot be told."
    middle = _factor(e["value"])
    if e["low"] is None or e["high"] - e["low"] > WIDE:
        return f"On average counts are {middle} what was predicted: too few to tell a bias."
    span = f"on average counts are {middle} what was predicted (95 %: {_factor(e['low'])} to "
    span += f"{_factor(e['high'])})"
    if e["low"] <= 0 <= e["high"]:
        return f"No bias is seen: {span}."
    word = "higher" if e["value"] > 0 else "lower"
    return f"Counts come out {word} than predicted: {span}."


def _factor(log10: float) -> str:
    """A difference of log10 as a factor.

    Examples
    --------
    >>> _factor(0.30103), _factor(-1.0)
    ('2 times', '0.1 times')
    """
    return f"{10**log10:.2g} times"


def _percent(share: float) -> str:
    return f"{100 * share:.0f}"


def _head(s: Mapping[str, Any]) -> str:
    at = datetime.fromisoformat(s["at"]).strftime("%Y-%m-%d %H:%M")
    value = s["counted_log10"]
    text = "nothing found" if value is None else f"about {grouped(10**value)} per {s['basis']}"
    if s["why_not"] and value is None:
        text = "no value"
    return f"{s['item']}, {at}, {s['counted_by']}: {text}."


def _told(s: Mapping[str, Any]) -> list[str]:
    how = "worked out again from the facts before it"
    if s["prediction"] == "kept":
        how = f"kept by the plan of {s['as_of']}"
    out = []
    p = s["predicted_log10"]
    if p is not None:
        floor = "at least " if p["status"] == "at_limit" else ""
        out.append(
            f"Predicted, {how}: {floor}{grouped(10 ** p['value'])} "
            f"({grouped(10 ** p['low'])} to {grouped(10 ** p['high'])})."
        )
    if not s["scored"]:
        return [*out, f"Not scored: {s['why_not']}."]
    if s["limits_90"] is None:
        place = "inside" if s["inside_90"] else "outside"
        out.append(f"Finding nothing lies {place} what was predicted (90 %).")
    else:
        low, high = (grouped(10**x) for x in s["limits_90"])
        place = "inside" if s["inside_90"] else "outside"
        out.append(
            f"A count was to lie between about {low} and {high} (90 %): it lies {place}, "
            f"{_factor(s['error_log10'])} the middle."
        )
    if s["p_meets"] is not None and s["meets"] is not None:
        met = "it was" if s["meets"] else "it was not"
        out.append(f"Chance of enough: {odds(s['p_meets'])}; by the count {met}.")
    return out


def write_scorecard_figure(found: Mapping[str, Any], path: Path) -> Path:
    """Draw predicted against counted into a file, as ``write_figure``."""
    return write_figure(scorecard_figure(found), path)
