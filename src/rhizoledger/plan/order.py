"""In which order, on which days and hours, the batches still to be treated are run (§3.6)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

from rhizoledger.draws import FloatArray
from rhizoledger.errors import InputError
from rhizoledger.plan.clock import spoken
from rhizoledger.plan.order_bound import Ordered, best_order
from rhizoledger.plan.order_cost import HOUR_S, StartCost, start_cost
from rhizoledger.plan.order_runs import Ahead
from rhizoledger.plan.order_search import IntArray, Line, mended, timed
from rhizoledger.plan.work_time import Shifts, WorkTime, free_days, work_time

FARTHEST_D = 120  # numeric: days looked ahead at most
ROOM = 2  # numeric: working time looked at, against what all runs need
MINUTE_S = 60.0  # exact: s in a minute
HOUR_MIN = 60.0  # exact: minutes in an hour

Changes = Mapping[tuple[str, str], float]
"""Minutes of cleaning out from one recipe to another, where a table gives them."""


@dataclass(frozen=True, slots=True)
class Cleanouts:
    """Minutes between recipes.

    Parameters
    ----------
    given : mapping of (str, str) to float
        From a table.
    otherwise : float
        Between recipes of different items that the table does not name.
    items : mapping of str to frozenset of str
        What each recipe puts on seed; recipes of the same items need no cleaning out.
    """

    given: Changes
    otherwise: float
    items: Mapping[str, frozenset[str]]

    def minutes(self, before: str | None, after: str) -> float:
        """Minutes from one recipe to another; none from a clean machine (None)."""
        if before is None or before == after:
            return 0.0
        if (before, after) in self.given:
            return self.given[before, after]
        left, wanted = self.items.get(before), self.items.get(after)
        return 0.0 if left is not None and left == wanted else self.otherwise


@dataclass(frozen=True, slots=True)
class Placed:
    """One run with its place in the order."""

    ahead: Ahead
    start: datetime
    end: datetime
    cleanout_min: float
    cleanout_from: str | None
    cleanout_cost: float
    late_cost: float
    again_cost: float
    hours_late: float
    chance_late: float
    chance_closed: float


@dataclass(frozen=True, slots=True)
class Overrun:
    """A run that no order ends in time."""

    batch: str
    end: datetime
    deadline: datetime
    says: str
    alone: bool
    """Whether it overruns even if it is run first."""

    @property
    def hours(self) -> float:
        """By how much [h]."""
        return (self.end - self.deadline).total_seconds() / HOUR_S


@dataclass(frozen=True, slots=True)
class RunOrder:
    """The order found, or why there is none."""

    placed: tuple[Placed, ...]
    overruns: tuple[Overrun, ...]
    result: Ordered
    time: WorkTime
    last_day: date
    sure: bool
    """Whether it is certain that no order keeps every last day, where none was found."""

    @property
    def cost(self) -> float:
        """Expected cost of the order."""
        return sum(p.cleanout_cost + p.late_cost + p.again_cost for p in self.placed)


def run_order(
    runs: Sequence[Ahead],
    shifts: Shifts,
    cleanouts: Cleanouts,
    *,
    first: datetime,
    zone: ZoneInfo,
    in_machine: str | None,
    per_min: float,
    step_min: int,
) -> RunOrder:
    """The order of runs with the least expected cost.

    Parameters
    ----------
    runs : sequence of Ahead
        At least one.
    shifts : Shifts
        Working days and hours; a run does not stop over a night, a clean-out may.
    cleanouts : Cleanouts
        Minutes between recipes.
    first : datetime
        Nothing is run before.
    zone : ZoneInfo
        Of working hours.
    in_machine : str or None
        The recipe that was run last.
    per_min : float
        Cost of a minute of cleaning out.
    step_min : int
        Runs start on steps of so many minutes and hold the machine for whole steps.

    Raises
    ------
    InputError
        If nobody works in the days ahead, or a run is longer than any stretch of work.

    Notes
    -----
    §3.6. Where a lot's last day cannot be kept by any order, ``placed`` is empty and ``overruns``
    names the runs that overrun in the order that overruns least.
    """
    recipes = list(dict.fromkeys([*(r.recipe for r in runs)]))
    kinds: list[str | None] = [*recipes]
    if in_machine not in kinds:
        kinds.append(in_machine)
    minutes = np.array([[cleanouts.minutes(a, b or "") for b in kinds] for a in kinds])
    time, last_day = _axis(runs, shifts, minutes, first, zone, step_min)
    line, costs = _line(runs, kinds, kinds.index(in_machine), minutes, per_min, time)
    result = best_order(line)
    if not result.found.order:
        late, soft = _least_overrun(runs, line, time)
        if soft.found.cost > 0:
            over = _overruns(runs, line, late, soft, time)
            return RunOrder((), over, result, time, last_day, soft.least > 0)
        kept = mended(line, timed(line, soft.found.order))
        result = Ordered(kept, kept.cost, max(0.0, result.least), False)
    placed = []
    before = in_machine
    for j, t in zip(result.found.order, result.found.starts, strict=True):
        r, c = runs[j], costs[j]
        clean = cleanouts.minutes(before, r.recipe)
        start = time.at(t)
        placed.append(
            Placed(
                r,
                start,
                start + timedelta(minutes=r.minutes),
                clean,
                before if clean else None,
                clean * per_min,
                float(c.late[t]),
                float(c.again[t]),
                float(c.hours_late[t]),
                float(c.chance_late[t]),
                float(c.chance_closed[t]),
            )
        )
        before = r.recipe
    return RunOrder(tuple(placed), (), result, time, last_day, True)


def _axis(
    runs: Sequence[Ahead],
    shifts: Shifts,
    cleanouts: FloatArray,
    first: datetime,
    zone: ZoneInfo,
    step_min: int,
) -> tuple[WorkTime, date]:
    """Working time to the end of what matters: past the last date, with room for every run."""
    today = first.astimezone(zone).date()
    dues = [d.at + timedelta(hours=d.sd_h) for r in runs for d in r.dues]
    latest = max([first, *(r.release for r in runs), *dues]).astimezone(zone).date()
    needed = sum(r.minutes for r in runs) + len(runs) * (float(cleanouts.max()) + step_min)
    days = min(FARTHEST_D, max(1, (latest - today).days + 2))
    while True:
        time = work_time(shifts, first, free_days(today, days), zone, step_min)
        after = time.start_s >= max(r.release for r in runs).timestamp()
        enough = int(after.sum()) * step_min >= ROOM * needed
        if enough or days >= FARTHEST_D:
            break
        days = min(FARTHEST_D, days + 1)
    if not len(time):
        raise InputError(
            f"Nobody works in the {days} days from {today}: --days, --hours and --closed leave no "
            "working time. Give longer hours or more days."
        )
    for r in runs:
        if time.steps(r.minutes) > time.longest:
            takes, longest = r.minutes / HOUR_MIN, time.longest * step_min / HOUR_MIN
            raise InputError(
                f"{r.batch.batch} takes {takes:.1f} h, and the longest stretch of work is "
                f"{longest:.1f} h. Give longer --hours, or split the batch in two."
            )
    return time, today + timedelta(days=days - 1)


def _line(
    runs: Sequence[Ahead],
    kinds: Sequence[str | None],
    in_machine: int,
    minutes: FloatArray,
    per_min: float,
    time: WorkTime,
) -> tuple[Line, list[StartCost]]:
    costs = [start_cost(time.start_s, r.minutes, r.dues, r.window.hours) for r in runs]
    length = np.array([max(1, time.steps(r.minutes)) for r in runs], np.int64)
    table = np.stack([c.whole for c in costs])
    here = np.arange(len(time))
    for j, r in enumerate(runs):
        table[j, here + length[j] > time.ends] = np.inf
        table[j, time.start_s < r.release.timestamp()] = np.inf
        if r.deadline is not None:
            table[j, _end_s(r, time) > r.deadline.at.timestamp()] = np.inf
    gap: IntArray = np.array([[time.steps(m) for m in row] for row in minutes], np.int64)
    kind = np.array([kinds.index(r.recipe) for r in runs], np.int64)
    return Line(table, length, kind, in_machine, gap, minutes * per_min), costs


def _end_s(run: Ahead, time: WorkTime) -> FloatArray:
    out: FloatArray = time.start_s + run.minutes * MINUTE_S
    return out


def _least_overrun(runs: Sequence[Ahead], line: Line, time: WorkTime) -> tuple[FloatArray, Ordered]:
    """Hours that each start overruns a last moment, and the order that overruns least.

    Raises
    ------
    InputError
        If the runs do not fit into the working hours at all.
    """
    late = np.zeros_like(line.cost)
    here = np.arange(len(time))
    for j, r in enumerate(runs):
        if r.deadline is not None:
            over = _end_s(r, time) - r.deadline.at.timestamp()
            late[j] = np.maximum(0.0, over) / HOUR_S
        late[j, here + line.length[j] > time.ends] = np.inf
        late[j, time.start_s < r.release.timestamp()] = np.inf
    soft = best_order(replace(line, cost=late, price=np.zeros_like(line.price)))
    if not soft.found.order:
        raise InputError(
            f"The runs do not fit into the working hours of the {FARTHEST_D} days ahead. "
            "Give longer --hours or more --days."
        )
    return late, soft


def _overruns(
    runs: Sequence[Ahead], line: Line, late: FloatArray, soft: Ordered, time: WorkTime
) -> tuple[Overrun, ...]:
    """The runs that overrun their last moment in that order."""
    out = []
    for j, t in zip(soft.found.order, soft.found.starts, strict=True):
        r = runs[j]
        if r.deadline is None or late[j, t] <= 0:
            continue
        end = time.at(t) + timedelta(minutes=r.minutes)
        gap = line.gap[line.first, line.kind[j]]
        alone = bool(np.min(late[j, gap:], initial=np.inf) > 0)
        out.append(Overrun(r.batch.batch, end, r.deadline.at, r.deadline.says, alone))
    return tuple(out)


def first_moment(day: date, zone: ZoneInfo) -> datetime:
    """The start of a local day."""
    return datetime(day.year, day.month, day.day, tzinfo=zone)


def refuse_past(day: date, now: datetime, zone: ZoneInfo) -> None:
    """Refuse a first day that is over already.

    Raises
    ------
    InputError
        If the day ended before, or with, the as-of day.
    """
    if first_moment(day, zone) < now:
        raise InputError(
            f"--from {day} is past: the season's facts reach to {spoken(now, zone)}. "
            "Give a later day, or ask as of an earlier one with --as-of."
        )
