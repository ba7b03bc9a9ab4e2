"""A window in sentences: the new batch first, then the mean of those at hand, then what to mind."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rhizoledger.report.charts.window import window_figure
from rhizoledger.report.figure_file import write_figure
from rhizoledger.report.listing import counted, wrapped
from rhizoledger.survival.batches import FEWEST_BATCHES
from rhizoledger.survival.window import POOLED_FROM
from rhizoledger.workflows.survival_window import CURVED_BELOW
from rhizoledger.workflows.survival_window_rows import in_words

COUNTS = "log10_count"
LEAST = 0.01
"""A probability below it is said as "less than"."""
ALONE = "What follows holds for the batches counted, not for another."
UNSEEN = {
    "common": " That the tests see no difference does not show that there is none.",
    "common_slope": " That no difference of slopes is seen does not show that there is none.",
}


def window_text(found: Mapping[str, Any], written: Sequence[Path] = ()) -> str:
    """The two windows, how series were pooled, each crossing, then what to mind.

    Parameters
    ----------
    found : mapping
        As ``workflows.survival_window.window_file`` returns it.
    written : sequence of Path
        Files that were written.
    """
    lines = [new_batch_sentence(found), mean_sentence(found), pooling_sentence(found)]
    if found["model"] != "common":
        lines += [f"  {line}" for line in _by_series(found)]
    lines += [_shape(found), *found["warnings"]]
    if written:
        lines.append(f"Written: {', '.join(str(path) for path in written)}")
    return "\n".join(line if line.startswith(" ") else wrapped(line) for line in lines if line)


def new_batch_sentence(found: Mapping[str, Any]) -> str:
    """How long a batch not counted yet keeps the limit, or why that is not known."""
    status, chance = found["new_batch_status"], found["new_batch"]
    batches = len(found["lines"])
    keeps = f"its true mean is {_kept(found)}"
    if status == "too_few_batches":
        return (
            f"New batch: not known. It takes {FEWEST_BATCHES} batches to say, and {batches} "
            f"{'was' if batches == 1 else 'were'} counted. {ALONE}"
        )
    if status == "not_fitted":
        return f"New batch: not known, since its spread cannot be told from the scatter. {ALONE}"
    if status == "not_held":
        p = found["new_batch_probability"]
        odds = _down(p) if p >= LEAST else f"less than {LEAST:g}"
        return (
            f"New batch: no window. Already at the start {keeps} with a probability of {odds}, "
            f"below {chance:g}."
        )
    window = in_words(found["new_batch_window"], found["unit"])
    end = ", the last sampled" if found["new_batch_is_cut"] else ""
    return (
        f"New batch: {window}{end}. To then {keeps} with a "
        f"probability of at least {chance:g}, as far as {batches} batches tell."
    )


def mean_sentence(found: Mapping[str, Any]) -> str:
    """How long the mean of the batches at hand keeps the limit, and where the limit is met."""
    who, side = ("These batches" if len(found["lines"]) > 1 else "This batch"), found["facing"]
    kind = "two-sided" if found["side"] == "two" else "one-sided"
    of = "one more count" if found["interval"] == "prediction" else "the mean"
    limit = f"{kind} {100 * found['confidence']:g} % {side} limit of {of}"
    wanted = f"{found['limit']:g}"
    named = found["worst_series"] if len(found["lines"]) > 1 else ""
    worst = f", {named} first" if named and found["model"] != "common" else ""
    if found["status"] == "not_held":
        beyond = "below" if side == "lower" else "above"
        return f"{who}: no window. The {limit} is {beyond} {wanted} at the start."
    window = in_words(found["window"], found["unit"])
    if found["status"] == "never_meets":
        return (
            f"{who}: {window}, the last sampled. The {limit} does not meet {wanted} along the line."
        )
    crossing = _cut(found["crossing"], found["unit"])
    if found["window"] < math.floor(found["crossing"]):
        return (
            f"{who}: {window}, the last sampled. The {limit} meets {wanted} only later, at "
            f"{crossing}{worst}."
        )
    return f"{who}: {window}. The {limit} meets {wanted} at {crossing}{worst}."


def pooling_sentence(found: Mapping[str, Any]) -> str:
    """Which lines were drawn, and the tests that let them be pooled or not."""
    series = len(found["lines"])
    rows = sum(len(part) for part in found["rows"].values())
    at = "" if found["temp_c"] is None else f", all at {found['temp_c']:g} °C"
    if series == 1:
        return f"One series, {counted(rows, 'count')}{at}."
    lines = {
        "common": f"One line for all {series} series",
        "common_slope": f"One slope for {series} series, each with its own start",
        "separate": f"A line for each of {series} series",
    }[found["model"]]
    if found["model"] == "separate":
        own = found["error"] == "individual"
        lines += ", each with its own scatter" if own else ", with one scatter for all"
    tests = _tests(found)
    held = f" ({tests}; pooled where p is {POOLED_FROM:g} or more)" if tests else ""
    unseen = UNSEEN.get(found["model"], "") if tests and found["pool"] == "auto" else ""
    return f"{lines}, {counted(rows, 'count')}{at}{held}.{unseen}"


def _tests(found: Mapping[str, Any]) -> str:
    parts = []
    for name in ("slopes", "intercepts"):
        test = found["poolability"][name]
        if test["p"] is None:
            return ""
        f = "beyond measure" if test["f"] is None else f"{test['f']:.3g}"
        parts.append(f"{name} F = {f}, p = {test['p']:.2g}")
    return "; ".join(parts)


def _by_series(found: Mapping[str, Any]) -> list[str]:
    said = []
    for name, at in found["crossing_by_series"].items():
        status = found["status_by_series"][name]
        if status == "not_held":
            words = "not held at the start"
        else:
            words = "never met" if at is None else _cut(at, found["unit"])
        said.append(f"{name}: {words}")
    return said


def _shape(found: Mapping[str, Any]) -> str:
    p = found["curvature"]["p"]
    if p is None or p < CURVED_BELOW:
        return ""  # the warnings say it
    return f"No bend is told from the scatter (p = {p:.2g})."


def _kept(found: Mapping[str, Any]) -> str:
    at = "at least" if found["facing"] == "lower" else "at most"
    return f"{at} {found['limit']:g}{' log10' if found['response'] == COUNTS else ''}"


def _cut(time: float, unit: str) -> str:
    """A time to two digits after the point, cut and not rounded, so that none looks longer.

    Examples
    --------
    >>> _cut(25.996, "month")
    '25.99 months'
    """
    return in_words(time, unit).replace(f"{time:g}", _down(time), 1)


def _down(x: float) -> str:
    return f"{math.floor(x * 100) / 100:.2f}"


def write_window_figure(found: Mapping[str, Any], path: Path) -> Path:
    """Draw the counts, lines, limits and windows into a file, as ``write_figure``.

    Parameters
    ----------
    found : mapping
        As ``workflows.survival_window.window_file`` returns it, with curves.
    path : Path
        Ends in .png, .svg or .pdf.
    """
    return write_figure(window_figure(found), path)
