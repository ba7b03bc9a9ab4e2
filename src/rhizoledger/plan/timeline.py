"""Where an item was, when, and how warm: stays turned into runs that a model can be applied to.

Contiguous rows of one item, stage and moisture state form one **run** (§2.5): splitting a row
changes nothing. Runs are cut at every change of stage or moisture and at every count. Time that no
row tells of is a gap; it is held at both ends of what could have been (§2.4).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise

import numpy as np

from rhizoledger.plan.clock import seconds
from rhizoledger.records import Settings, Stay, Trace
from rhizoledger.survival.exposure import Exposure, exposure, merge

Range = tuple[float, float]

NO_TIMES = np.empty(0, np.int64)
NO_TEMPS = np.empty(0, np.float64)


@dataclass(frozen=True, slots=True)
class Wait:
    """Time spent at a temperature known only as a range: one draw serves the whole of it."""

    seconds: int
    low_c: float
    high_c: float


@dataclass(frozen=True, slots=True)
class Run:
    """A stretch of one stage and one moisture state with no count inside.

    ``recorded`` holds what loggers tell, its gaps included; ``waits`` holds time known by a range;
    ``unknown_s`` is time about which nothing bounds the temperature, ``untold_s`` time that no row
    of ``stays`` tells of.
    """

    stage: str
    moisture: str
    start: datetime
    end: datetime
    recorded: Exposure | None
    waits: tuple[Wait, ...]
    unknown_s: int
    untold_s: int
    stays: tuple[Stay, ...]

    @property
    def seconds(self) -> int:
        """Length of the run [s]."""
        return seconds(self.end) - seconds(self.start)

    @property
    def span_c(self) -> Range | None:
        """Coldest and warmest temperature the run can have had, gaps and ranges included."""
        lows: list[float] = []
        highs: list[float] = []
        if self.recorded is not None:
            if self.recorded.min_c is not None and self.recorded.max_c is not None:
                lows.append(self.recorded.min_c)
                highs.append(self.recorded.max_c)
            if self.recorded.gap_ticks and self.recorded.gap_range_c is not None:
                lows.append(self.recorded.gap_range_c[0])
                highs.append(self.recorded.gap_range_c[1])
        lows += [w.low_c for w in self.waits]
        highs += [w.high_c for w in self.waits]
        return (min(lows), max(highs)) if lows else None

    @property
    def untold(self) -> str:
        """A remark where part of the run is bounded only because no row tells of it."""
        if not self.untold_s:
            return ""
        hours = self.untold_s / 3600  # exact: seconds in an hour
        air = "the air of [ambient] in season.toml is taken"
        return f" (no row of stays tells of {hours:.0f} h of it; {air})"

    @property
    def has_gap(self) -> bool:
        """Whether part of the run is bounded on two sides rather than recorded."""
        return self.recorded is not None and self.recorded.gap_ticks > 0


@dataclass(frozen=True, slots=True)
class _Piece:
    """A clipped stay, or a hole between stays (``stay`` None)."""

    stay: Stay | None
    stage: str
    moisture: str
    start: datetime
    end: datetime

    def same_place(self, other: _Piece) -> bool:
        """Whether the two differ in nothing but their times: then they are one row split."""
        if self.stay is None or other.stay is None:
            return self.stay is other.stay and self.stage == other.stage
        moved = replace(other.stay, row=self.stay.row, start=self.stay.start, end=self.stay.end)
        return moved == self.stay


def build_runs(
    stays: Iterable[Stay],
    start: datetime,
    until: datetime,
    *,
    cuts: Sequence[datetime],
    traces: Mapping[str, Trace],
    settings: Settings,
    vehicle_rise_c: float,
    default_stage: str,
    default_moisture: str,
) -> tuple[Run, ...]:
    """Turn the stays of one item between two moments into runs.

    Parameters
    ----------
    stays : iterable of Stay
        Rows of the item (and of the parcel it came from), any order.
    start, until : datetime
        Where the ledger opens and ends.
    cuts : sequence of datetime
        Moments of counts: a run never spans one.
    traces : mapping of str to Trace
        Logger readings by file name.
    settings : Settings
        For the ``[ambient]`` range that bounds time no row tells of.
    vehicle_rise_c : float
        Largest published rise over ambient in a closed vehicle [°C].
    default_stage, default_moisture : str
        Stage and moisture of time that no row tells of and of rows that do not say.

    Returns
    -------
    tuple of Run
        In time order, covering ``start`` to ``until`` without a hole.
    """
    if until <= start:
        return ()
    pieces = _coalesce(_cover(stays, start, until, default_stage, default_moisture))
    edges = sorted({c for c in cuts if start < c < until})
    runs: list[Run] = []
    for group in _grouped(pieces):
        moments = [group[0].start, *edges, group[-1].end]
        moments = [m for m in moments if group[0].start <= m <= group[-1].end]
        for a, b in pairwise(moments):
            inside = [_clip(p, a, b) for p in group if p.start < b and p.end > a]
            if a < b and inside:
                runs.append(_run(inside, traces, settings, vehicle_rise_c))
    return tuple(runs)


def _cover(
    stays: Iterable[Stay], start: datetime, until: datetime, stage: str, moisture: str
) -> list[_Piece]:
    """Clip the rows to the interval and fill what they leave open; a later row ends an earlier."""
    rows = sorted(stays, key=lambda s: (s.start, s.row))
    pieces: list[_Piece] = []
    now = start
    for i, s in enumerate(rows):
        end = s.end or until
        if i + 1 < len(rows):
            end = min(end, rows[i + 1].start)
        a, b = max(s.start, now), min(end, until)
        if b <= a:
            continue
        kind = s.moisture or (moisture if s.stage != "drying" else "drying")
        if a > now:
            before = pieces[-1] if pieces else None
            pieces.append(
                _Piece(
                    None,
                    before.stage if before else stage,
                    before.moisture if before else moisture,
                    now,
                    a,
                )
            )
        pieces.append(_Piece(s, s.stage, kind, a, b))
        now = b
    if now < until:
        last = pieces[-1] if pieces else None
        pieces.append(
            _Piece(
                None, last.stage if last else stage, last.moisture if last else moisture, now, until
            )
        )
    return pieces


def _coalesce(pieces: list[_Piece]) -> list[_Piece]:
    """Join neighbours that are one row split, so that a split cannot even change a rounding."""
    out: list[_Piece] = []
    for p in pieces:
        if out and out[-1].same_place(p) and out[-1].moisture == p.moisture:
            out[-1] = replace(out[-1], end=p.end)
        else:
            out.append(p)
    return out


def _grouped(pieces: list[_Piece]) -> list[list[_Piece]]:
    groups: list[list[_Piece]] = []
    for p in pieces:
        if groups and (groups[-1][0].stage, groups[-1][0].moisture) == (p.stage, p.moisture):
            groups[-1].append(p)
        else:
            groups.append([p])
    return groups


def _clip(piece: _Piece, start: datetime, end: datetime) -> _Piece:
    return replace(piece, start=max(piece.start, start), end=min(piece.end, end))


def _run(
    pieces: list[_Piece],
    traces: Mapping[str, Trace],
    settings: Settings,
    vehicle_rise_c: float,
) -> Run:
    recorded: Exposure | None = None
    waits: list[Wait] = []
    unknown = untold = 0
    for p in pieces:
        a, b = seconds(p.start), seconds(p.end)
        bound = temperature_bound(p.stay, settings, vehicle_rise_c)
        untold += b - a if p.stay is None else 0
        named_range = p.stay is not None and p.stay.temp_low_c is not None
        trace = traces.get(p.stay.logger) if p.stay is not None and p.stay.logger else None
        if trace is None and named_range and bound is not None:
            waits.append(Wait(b - a, *bound))
            continue
        if bound is None and trace is None:
            unknown += b - a
            continue
        times, temps = (trace.time_s, trace.temp_c) if trace is not None else (NO_TIMES, NO_TEMPS)
        one = exposure(times, temps, a, b, gap_range_c=bound)
        if one.gap_ticks and bound is None:
            unknown += round(one.gap_ticks / 1000)  # exact: milliseconds in a second
        recorded = one if recorded is None else merge(recorded, one)
    return Run(
        pieces[0].stage,
        pieces[0].moisture,
        pieces[0].start,
        pieces[-1].end,
        recorded,
        tuple(waits),
        unknown,
        untold,
        tuple(p.stay for p in pieces if p.stay is not None),
    )


def temperature_bound(stay: Stay | None, settings: Settings, vehicle_rise_c: float) -> Range | None:
    """The two temperatures that time without a reading lies between; None where nothing bounds it.

    The row's own range comes first. ``[ambient]`` bounds a shaded place; a closed vehicle runs up
    to ``vehicle_rise_c`` over it; nothing bounds a box that stands in the sun (§2.4).
    """
    if stay is not None and stay.temp_low_c is not None and stay.temp_high_c is not None:
        return (stay.temp_low_c, stay.temp_high_c)
    if settings.ambient_low_c is None or settings.ambient_high_c is None:
        return None
    low, high = settings.ambient_low_c, settings.ambient_high_c
    if stay is not None:
        if stay.covered is False or (stay.sun_hours or 0) > 0:
            return None
        if stay.place == "vehicle_closed":
            return (low, high + vehicle_rise_c)
    return (low, high)
