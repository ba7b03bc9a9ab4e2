"""How long lots may wait: the window of a new batch first, then that of the mean at hand."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from rhizoledger.errors import FitError, InputError
from rhizoledger.survival.window import (
    FARTHEST,
    POOLED_FROM,
    Error,
    Interval,
    NewBatch,
    Pool,
    Side,
    Window,
    mean_window,
    new_batch_window,
)
from rhizoledger.survival.window_lines import FTest
from rhizoledger.workflows.survival_counts import LARGEST_LOG10
from rhizoledger.workflows.survival_window_rows import COUNT, WindowRows, read_window_rows

CURVED_BELOW = 0.05
POINTS = 49
"""Places along time at which the limits are given for a drawing."""
BEYOND = 1.05
"""How far a drawing goes past what it shows."""


def window_file(
    path: Path,
    *,
    limit: float,
    side: Side = "lower",
    confidence: float = 0.95,
    new_batch: float = 0.9,
    pool: Pool = "auto",
    error: Error = "individual",
    interval: Interval = "confidence",
    extrapolate: bool = False,
    response: str | None = None,
    time: str | None = None,
    series: str | None = None,
    with_curves: bool = False,
) -> dict[str, Any]:
    """State the window of a file of counts along time.

    Parameters
    ----------
    path : Path
        As :func:`rhizoledger.workflows.survival_window_rows.read_window_rows` takes it.
    limit : float
        The requirement, in the response's unit; log10 for counts.
    side, confidence, pool, error, interval, extrapolate
        As :func:`rhizoledger.survival.window.mean_window` takes them.
    new_batch : float
        Wanted probability that a new batch's true mean keeps the limit.
    response, time, series : str or None
        Columns of a file of other things than counts.
    with_curves : bool
        Whether to give the limits along time for a drawing.

    Returns
    -------
    dict
        ``window`` (whole) and ``crossing`` (real; null where the limit is never met, 0 where it is
        not held at the start), ``status``, ``unit``, ``model``, ``crossing_by_series``,
        ``status_by_series``, ``poolability``, ``curvature``, ``new_batch_window``,
        ``new_batch_status``, ``new_batch_probability``, ``last_sampled``, ``lines``, ``rows``, the
        options, ``warnings``.

    Raises
    ------
    InputError
        If a cell, a column or an option cannot be used.
    FitError
        If there is no line, or nothing to judge scatter by.
    """
    rows = read_window_rows(path, response=response, time=time, series=series)
    if rows.response == COUNT and limit > LARGEST_LOG10:
        raise InputError(
            f"--limit {limit:g} is too large for a log10 count. Write its logarithm: "
            f"{math.log10(limit):.2f}."
        )
    # Past a count that had no number the line is known to be no guide.
    extrapolate, asked = extrapolate and not rows.left_out, extrapolate
    try:
        found = mean_window(
            rows.series,
            limit,
            side=side,
            confidence=confidence,
            pool=pool,
            error=error,
            interval=interval,
            extrapolate=extrapolate,
        )
    except FitError as wrong:
        raise FitError(f"{rows.file}: {wrong}") from wrong
    new = new_batch_window(
        rows.series, limit, side=found.side, probability=new_batch, extrapolate=extrapolate
    )
    said = [
        *rows.warnings,
        *_of_left_out(rows, found, limit, asked),
        *_of_shape(rows, found),
        *_of_times(rows, found, extrapolate, new),
        *_of_limit(rows, found, limit),
        *_of_pooling(found, pool),
        *new.said,
    ]
    out: dict[str, Any] = {
        "window": found.window,
        "crossing": found.crossing,
        "unit": rows.unit,
        "model": found.model,
        "crossing_by_series": {name: at for name, (at, _) in found.by_series.items()},
        "poolability": {"slopes": _test(found.slopes), "intercepts": _test(found.intercepts)},
        "new_batch_window": new.window,
        "new_batch_status": new.status,
        "last_sampled": found.last_sampled,
        "warnings": said,
        "status": found.status,
        "status_by_series": {name: status for name, (_, status) in found.by_series.items()},
        "worst_series": found.worst,
        "new_batch_probability": new.probability,
        "new_batch_is_cut": new.is_cut,
        "curvature": _test(found.curvature),
        "lines": {
            name: {
                "start": line.mean(0.0),
                "slope": line.slope,
                "sigma": math.sqrt(line.mean_square),
                "df": line.df,
            }
            for name, line in found.lines.items()
        },
        "rows": {name: np.column_stack(part).tolist() for name, part in rows.series.items()},
        "response": rows.response,
        "limit": limit,
        "side": side,
        "facing": found.side,
        "confidence": confidence,
        "interval": interval,
        "error": error,
        "pool": pool,
        "new_batch": new_batch,
        "extrapolate": extrapolate,
        "temp_c": rows.temp_c,
        "input": {"file": rows.file, "sha256": rows.sha256},
    }
    return out | ({"curves": _curves(found, new, interval, new_batch)} if with_curves else {})


def _test(test: FTest | None) -> dict[str, float | None]:
    """F and p; null where there is no test, and F null where it is beyond all numbers."""
    if test is None:
        return {"f": None, "p": None}
    return {"f": test.f if math.isfinite(test.f) else None, "p": test.p}


def _of_shape(rows: WindowRows, found: Window) -> list[str]:
    if found.curvature is None:
        return ["Times are too few to see whether the counts bend, so a line is taken on trust."]
    if found.curvature.p >= CURVED_BELOW:
        return []
    look = (
        "See which curve they follow with rhizoledger survival fit."
        if rows.response == COUNT
        else "Look at them with --figure."
    )
    return [
        f"The counts bend (F = {found.curvature.f:.3g}, p = {found.curvature.p:.2g}): a line is "
        "not their shape, and between or past the counts the window may be too long or too short. "
        + look
    ]


def _of_times(rows: WindowRows, found: Window, extrapolate: bool, new: NewBatch) -> list[str]:
    last = found.last_sampled
    said = []
    first = min(float(t[0]) for t, _ in rows.series.values())
    if first > 0:
        said.append(
            f"The first count is at {rows.said(first)}; before it the line is carried back."
        )
    ends = {name: float(t[-1]) for name, (t, _) in rows.series.items()}
    if min(ends.values()) < max(ends.values()):
        short = min(ends, key=lambda name: ends[name])
        rests = (
            "its own line ends there, and the window with it"
            if found.model == "separate"
            else "later times rest on the other series"
        )
        said.append(
            f"Series were counted for different times: {short} to {rows.said(ends[short])}, others "
            f"to {max(ends.values()):g}; {rests}."
        )
    if rows.unit == "d" and last < 2:
        said.append(
            f"The counts end at {rows.said(last)}, for which whole days are coarse: --time time_h "
            "states hours where the file has that column."
        )
    latest = max(ends.values())
    past = [
        name
        for name, w, end in (
            ("the mean's window", found.window, last),
            ("the new-batch window", new.window, latest),
        )
        if w is not None and w > end
    ]
    if past:
        said.append(
            f"No count was made past {rows.said(latest)}: {' and '.join(past)} "
            f"{'rests' if len(past) == 1 else 'rest'} on the line alone. Count again before "
            "relying on it."
        )
    if extrapolate and found.status == "never_meets":
        said.append("The limit is never met along the line, so the last sampled time is stated.")
    if extrapolate and new.is_cut and new.window is not None:
        said.append(
            f"For a new batch no end is seen within {FARTHEST} times the last sampled time, so "
            "that time is stated."
        )
    return said


def _of_left_out(rows: WindowRows, found: Window, limit: float, asked: bool) -> list[str]:
    said = []
    if asked and rows.left_out:
        said.append("--extrapolate is not followed past counts that were left out.")
    for name, (time, value) in rows.left_out.items():
        crossing = found.by_series[name][0]
        late = crossing is None or crossing > time
        if found.side == "lower" and value <= limit and late:
            said.append(
                f"{f'{name}: ' if name else ''}The line keeps {limit:g} past {rows.said(time)}, "
                "where the count was below it: the crossing is too late, the window is not."
            )
    return said


def _of_limit(rows: WindowRows, found: Window, limit: float) -> list[str]:
    low = min(float(y.min()) for _, y in rows.series.values())
    high = max(float(y.max()) for _, y in rows.series.values())
    beyond = "above" if found.side == "lower" else "below"
    if (found.side == "lower" and limit > high) or (found.side == "upper" and limit < low):
        return [
            f"The limit, {limit:g}, lies {beyond} every count ({low:g} to {high:g}). See that it "
            f"is in the unit of {rows.response}, and that --side {found.side} is meant."
        ]
    return []


def _of_pooling(found: Window, pool: Pool) -> list[str]:
    if len(found.lines) < 2 or pool == "auto":
        return []
    if found.slopes is None or found.intercepts is None:
        return [f"Whether series may be pooled was not tested; --pool {pool} decides."]
    said = []
    if found.slopes.p < POOLED_FROM and pool != "separate":
        said.append(f"Slopes differ (p = {found.slopes.p:.2g}), yet --pool {pool} was asked.")
    elif found.intercepts.p < POOLED_FROM and pool == "common":
        said.append(f"Starts differ (p = {found.intercepts.p:.2g}), yet --pool common was asked.")
    return said


def _curves(
    found: Window, new: NewBatch, interval: str, probability: float
) -> dict[str, list[float] | dict[str, list[float]]]:
    """Limits of the mean by series, and that of a new batch, at even times past both windows."""
    latest = max(found.last_sampled, new.window or 0)
    # A crossing far off would leave no room for the counts.
    end = BEYOND * max(latest, min(found.crossing or 0.0, 2 * latest))
    times = np.linspace(0, end, POINTS).tolist()
    sign = 1.0 if found.side == "lower" else -1.0
    limits = {}
    for name, line in found.lines.items():
        half = [
            line.mean(t) - line.limit(t, found.probability, one_more=interval == "prediction")
            for t in times
        ]
        limits[name] = [line.mean(t) - sign * h for t, h in zip(times, half, strict=True)]
    out: dict[str, list[float] | dict[str, list[float]]] = {"time": times, "limits": limits}
    if new.fit is not None:
        fit = new.fit
        out["new_batch"] = [sign * fit.new_batch(t).limit(probability) for t in times]
    return out
