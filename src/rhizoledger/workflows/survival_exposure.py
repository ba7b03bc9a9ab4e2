"""How long a lot was how warm, from records of any length, and how much older that made it."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from rhizoledger.errors import InputError
from rhizoledger.season.logger_stream import LoggerFile
from rhizoledger.season.loggers import SUSPECT_MEDIAN_C, SUSPECT_READING_C
from rhizoledger.season.readings import clock_text, count_of
from rhizoledger.season.times import HOUR_S
from rhizoledger.survival.equivalent_age import equivalent_days
from rhizoledger.survival.exposure import Exposure, held
from rhizoledger.survival.readings import MS_PER_H, UC_PER_C, micro_degrees
from rhizoledger.survival.stream import ExposureStream, Silence, bin_error
from rhizoledger.workflows.exposure_reading import stream_file


def exposure_of(
    path: Path,
    *,
    z_c: float | None = None,
    t_ref_c: float = 20.0,
    d_ref_d: float | None = None,
    max_gap_h: float | None = None,
    gap_low_c: float | None = None,
    gap_high_c: float | None = None,
    fahrenheit: bool = False,
) -> dict[str, Any]:
    """Exposure of every record in a file or a folder.

    Parameters
    ----------
    path : Path
        A CSV or Parquet file with ``time`` and ``temp_c`` or ``temp_f``, and ``item`` where it
        holds several records; or a folder of such files.
    z_c : float, optional
        Rise that makes the loss ten times faster [°C]. There is none by default (§2.6).
    t_ref_c : float
        Temperature that equivalent days are at [°C].
    d_ref_d : float, optional
        Days for a tenfold loss at that temperature [d].
    max_gap_h : float, optional
        Longest spacing that is joined by a line [h]; by default two hours, or three times the
        record's median spacing where that is longer.
    gap_low_c, gap_high_c : float, optional
        The temperatures between which gaps lie [°C], both or neither.
    fahrenheit : bool
        Temperatures are °F whatever the header says.

    Returns
    -------
    dict
        One record as it is; several in ``records``. JSON-ready.

    Raises
    ------
    InputError
        If a file or an option cannot be used.
    """
    bounds = _bounds(gap_low_c, gap_high_c)
    for name, value in (("z", z_c), ("d-ref-d", d_ref_d), ("max-gap", max_gap_h)):
        if value is not None and not 0 < value < math.inf:
            raise InputError(f"--{name} is {value:g}. Give a number above zero.")
    micro_degrees(t_ref_c)
    records = [
        _record(file, item, stream, bounds, z_c, t_ref_c, d_ref_d)
        for file, streams in _streams(path, fahrenheit, max_gap_h)
        for item, stream in streams.items()
    ]
    return records[0] if len(records) == 1 else {"records": records}


def _streams(
    path: Path, fahrenheit: bool, max_gap_h: float | None
) -> Iterator[tuple[LoggerFile, dict[str | None, ExposureStream]]]:
    longest_s = None if max_gap_h is None else max(1, round(max_gap_h * HOUR_S))
    paths = [path]
    if path.is_dir():
        paths = sorted(p for p in path.iterdir() if _is_record(p))
        if not paths:
            raise InputError(f"{path.name} holds neither CSV nor Parquet. Name another folder.")
    for one in paths:
        file = LoggerFile(one, fahrenheit=fahrenheit)
        yield file, stream_file(file, longest_s)


def _is_record(path: Path) -> bool:
    return path.suffix.casefold() in (".csv", ".parquet") and not path.name.startswith(".")


def _bounds(low_c: float | None, high_c: float | None) -> tuple[float, float] | None:
    if low_c is None and high_c is None:
        return None
    if low_c is None or high_c is None:
        raise InputError("A gap has two bounds. Give both --gap-low and --gap-high, or neither.")
    if low_c > high_c:
        raise InputError(
            f"--gap-low {low_c:g} is above --gap-high {high_c:g}. Give the lower one first."
        )
    micro_degrees(low_c)
    micro_degrees(high_c)
    return low_c, high_c


def _record(
    file: LoggerFile,
    item: str | None,
    stream: ExposureStream,
    bounds: tuple[float, float] | None,
    z_c: float | None,
    t_ref_c: float,
    d_ref_d: float | None,
) -> dict[str, Any]:
    stream.watch.end(stream.last_s)
    found = stream.exposure(bounds)
    days = _equivalent(found, z_c, t_ref_c)
    return {
        "file": file.file,
        "item": item,
        "hours": found.hours,
        "equivalent_days": days,
        "log10_reduction": {
            name: None if d_ref_d is None or x is None else x / d_ref_d for name, x in days.items()
        },
        "gaps": [_gap(gap, bounds) for gap in stream.longest_gaps()],
        "min_c": found.min_c,
        "max_c": found.max_c,
        "mean_c": found.mean_c,
        "zero_crossings": stream.frost.zero_crossings,
        "hours_below_0": stream.hours_below_zero(),
        "longest_hours_below_0": stream.frost.longest_below_ms / MS_PER_H,
        "histogram": {
            "edges_c": found.edges_c.tolist() if found.ticks.size else [],
            "hours": (found.ticks / MS_PER_H).tolist(),
            "ticks_ms": found.ticks.tolist(),
            "degree_ticks_uc_ms": found.degree_ticks.tolist(),
        },
        "z_c": z_c,
        "t_ref_c": t_ref_c,
        "d_ref_d": d_ref_d,
        "gap_range_c": list(bounds) if bounds else None,
        "gap_hours": found.gap_hours,
        "gap_count": stream.gap_count,
        "longest_line_h": stream.longest_s / HOUR_S,
        "covered": {
            "hours": found.hours - found.gap_hours,
            "equivalent_days": _equivalent(_without_gaps(stream), z_c, t_ref_c),
        },
        "readings": stream.readings,
        "first": clock_text(stream.first_s),
        "last": clock_text(stream.last_s),
        "clock": "as it stands" if file.is_local else "UTC",
        "warnings": _warnings(file, stream, found),
        "input": {"file": file.file, "sha256": _sha256(file.path)},
    }


def _without_gaps(stream: ExposureStream) -> Exposure:
    return replace(stream.exposure(), gaps=())


def _equivalent(found: Exposure, z_c: float | None, t_ref_c: float) -> dict[str, float | None]:
    """Days at the reference temperature, and between which they lie; None where not known.

    With gaps ``value`` is the larger end, since the worse decides (§2.4).
    """
    if z_c is None or found.has_unbounded_gap:
        return {"value": None, "low": None, "high": None}
    ends = [held(found, "low"), held(found, "high")]
    low, high = (float(d) for d in equivalent_days(ends, np.array([z_c]), t_ref_c)[:, 0])
    return {"value": high, "low": low / (1 + bin_error(z_c)), "high": high}


def _gap(gap: Silence, bounds: tuple[float, float] | None) -> dict[str, Any]:
    low, high = bounds or (None, None)
    return {
        "start": clock_text(gap.start_s),
        "end": clock_text(gap.end_s),
        "hours": gap.seconds / HOUR_S,
        "from_c": gap.from_c,
        "to_c": gap.to_c,
        "low_c": low,
        "high_c": high,
    }


def _warnings(file: LoggerFile, stream: ExposureStream, found: Exposure) -> list[str]:
    watch = stream.watch
    said = []
    if stream.readings == 1:
        said.append("There is one reading, so no time lies between two. Nothing can be summed.")
    if file.left_out:
        said.append(
            f"Left out of the file, for want of a temperature: {count_of(file.left_out)}. The time "
            "around is a line if it is short and a gap if it is long."
        )
    if watch.repeated.times:
        said.append(
            f"At the same moment as the row before: {count_of(watch.repeated.times)}, first at "
            f"{clock_text(watch.repeated.first_s)}. Nothing is dropped; it adds no time."
        )
    if watch.skipped.times and file.is_local:
        said.append(
            f"The record skips an hour, {_times(watch.skipped.times)}, first after "
            f"{clock_text(watch.skipped.first_s)}. If clocks went forward, there is an hour too "
            "much each time: export in UTC or with offsets."
        )
    if watch.jumps.times:
        said.append(
            f"A change of 10 °C or more within half an hour, {_times(watch.jumps.times)}, first at "
            f"{clock_text(watch.jumps.first_s)}: was the logger moved? Nothing is dropped."
        )
    if watch.stuck.times:
        value = (watch.longest_stuck_uc or 0) / UC_PER_C
        said.append(
            f"The very same reading for a day or more, {_times(watch.stuck.times)}, first from "
            f"{clock_text(watch.stuck.first_s)}; the longest stands for "
            f"{watch.longest_stuck_s / HOUR_S:.0f} h at {value:g} °C: does the sensor hang? "
            "Nothing is dropped."
        )
    if not file.fahrenheit and found.max_c is not None:
        mean = found.mean_c
        if found.max_c > SUSPECT_READING_C or (mean is not None and mean > SUSPECT_MEDIAN_C):
            said.append(
                f"Up to {found.max_c:g} under a °C header looks like °F. If it is, give "
                "--fahrenheit."
            )
    return said


def _times(n: int) -> str:
    return "once" if n == 1 else "twice" if n == 2 else f"{n} times"


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
