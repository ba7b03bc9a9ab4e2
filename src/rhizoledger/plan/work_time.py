"""Working hours laid end to end: the one time axis on which runs follow one another."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, tzinfo
from itertools import pairwise

import numpy as np

from rhizoledger.draws import FloatArray
from rhizoledger.errors import InputError
from rhizoledger.plan.clock import DAYS

LETTERS = 3  # exact: mon, tue, ... as options spell them
WEEK = tuple(name[:LETTERS].lower() for name in DAYS)
CLOCK = re.compile(r"(\d{1,2})(?::([0-5]\d))?")
HOURS_REMEDY = "Write working hours as 8-18, 7:30-17:00, or 8-12,13-18 with a break."
DAYS_REMEDY = "Write working days as mon-sat, or mon,wed,fri."

Span = tuple[int, int]


@dataclass(frozen=True, slots=True)
class Shifts:
    """When the shop treats.

    ``hours`` are stretches in minutes after local midnight, in order and apart; ``weekdays`` count
    from Monday = 0; on ``closed`` days nobody works.
    """

    hours: tuple[Span, ...]
    weekdays: frozenset[int]
    closed: frozenset[date] = frozenset()


def parse_hours(text: str) -> tuple[Span, ...]:
    """Stretches of a working day, in minutes after midnight.

    Raises
    ------
    InputError
        If a stretch is none, ends before it starts, or overlaps another.

    Examples
    --------
    >>> parse_hours("8-12,13:30-18")
    ((480, 720), (810, 1080))
    """
    spans = []
    for part in text.split(","):
        ends = [CLOCK.fullmatch(end.strip()) for end in part.split("-")]
        start, end = (_minutes(m) if m else None for m in ends) if len(ends) == 2 else (None, None)
        if start is None or end is None:
            raise InputError(f"--hours {text!r}: {part.strip()!r} is no span. {HOURS_REMEDY}")
        if end <= start:
            raise InputError(
                f"--hours {text!r}: {part.strip()!r} ends before it starts. {HOURS_REMEDY} "
                "A shift past midnight is two stretches: 0-2,18-24."
            )
        spans.append((start, end))
    spans.sort()
    if any(after[0] < before[1] for before, after in pairwise(spans)):
        raise InputError(f"--hours {text!r}: stretches overlap. {HOURS_REMEDY}")
    return tuple(spans)


def _minutes(m: re.Match[str]) -> int | None:
    minutes = int(m[1]) * 60 + int(m[2] or 0)  # exact: minutes in an hour
    return minutes if minutes <= 24 * 60 else None  # exact: minutes in a day


def parse_days(text: str) -> frozenset[int]:
    """Weekdays, Monday = 0; a span may cross the week's end.

    Raises
    ------
    InputError
        If a day is not known.

    Examples
    --------
    >>> sorted(parse_days("mon-wed,sat")), sorted(parse_days("sat-mon"))
    ([0, 1, 2, 5], [0, 5, 6])
    """
    days: set[int] = set()
    for part in text.lower().split(","):
        ends = [end.strip()[:LETTERS] for end in part.split("-")]
        if len(ends) > 2 or any(end not in WEEK for end in ends):
            raise InputError(f"--days {text!r}: {part.strip()!r} is no day. {DAYS_REMEDY}")
        first, last = WEEK.index(ends[0]), WEEK.index(ends[-1])
        days |= {(first + k) % len(WEEK) for k in range((last - first) % len(WEEK) + 1)}
    return frozenset(days)


@dataclass(frozen=True, slots=True)
class WorkTime:
    """Steps of working time, numbered without the nights between.

    Parameters
    ----------
    start_s : array of float, shape (T,)
        When each step starts [s since 1970 UTC].
    ends : array of int, shape (T,)
        The first step after the stretch that each step lies in.
    step_min : int
        Length of a step [min].
    """

    start_s: FloatArray
    ends: np.ndarray[tuple[int, ...], np.dtype[np.int64]]
    step_min: int

    def __len__(self) -> int:
        return len(self.start_s)

    def steps(self, minutes: float) -> int:
        """How many whole steps hold so many minutes."""
        return int(np.ceil(round(minutes / self.step_min, 9)))  # numeric: digits of float noise

    @property
    def longest(self) -> int:
        """Steps of the longest stretch; 0 where nobody works."""
        here = np.arange(len(self))
        return int(np.max(self.ends - here, initial=0))

    def at(self, step: int) -> datetime:
        """The moment a step starts."""
        return datetime.fromtimestamp(float(self.start_s[step]), UTC)


def work_time(
    shifts: Shifts, first: datetime, days: Iterable[date], zone: tzinfo, step_min: int
) -> WorkTime:
    """The working steps of some days, none before ``first``.

    Parameters
    ----------
    shifts : Shifts
        When the shop treats, by the wall clock.
    first : datetime
        Nothing is treated before this moment.
    days : iterable of date
        In order.
    zone : tzinfo
        Of the wall clock; a day of a clock change has an hour more or less, as it has.
    step_min : int
        Length of a step [min].
    """
    starts: list[float] = []
    ends: list[int] = []
    step = step_min * 60  # exact: s in a minute
    earliest = first.timestamp()
    for day in days:
        if day.weekday() not in shifts.weekdays or day in shifts.closed:
            continue
        for opens, closes in shifts.hours:
            begin, end = _wall(day, opens, zone), _wall(day, closes, zone)
            if begin < earliest:
                begin += np.ceil((earliest - begin) / step) * step
            count = max(0, int((end - begin) // step))
            starts += [begin + k * step for k in range(count)]
            ends += [len(ends) + count] * count if count else []
    return WorkTime(np.array(starts, float), np.array(ends, np.int64), step_min)


def _wall(day: date, minutes: int, zone: tzinfo) -> float:
    """Seconds since 1970 UTC of a wall-clock time; one that is skipped is moved as clocks are."""
    whole, rest = divmod(minutes, 24 * 60)  # exact: minutes in a day
    hour, minute = divmod(rest, 60)  # exact: minutes in an hour
    local = datetime.combine(day + timedelta(days=whole), time(hour, minute), tzinfo=zone)
    return local.timestamp()


def free_days(first: date, count: int) -> Sequence[date]:
    """Consecutive days from a first one."""
    return [first + timedelta(days=k) for k in range(count)]
