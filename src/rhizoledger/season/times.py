"""Local times to UTC, with the hours that a clock change skips or repeats told apart."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from typing import Any, Literal

ISO_TIME = re.compile(
    r"(\d{4}-\d{2}-\d{2})[T ](\d{2}:\d{2}(?::\d{2}(?:\.\d{1,6})?)?)\s?(Z|z|[+-]\d{2}:?\d{2})?",
    re.ASCII,
)
ISO_DATE = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
OFFSET = re.compile(r"([+-])(\d{2}):?([0-5]\d)", re.ASCII)

LARGEST_OFFSET = timedelta(hours=14)
FIRST_YEAR, LAST_YEAR = 1900, 2199
"""A year outside is a slip; it is refused where dates and times are read."""

DAY_S = 86_400
HOUR_S = 3_600

Clock = Literal["skipped", "repeated"]


def parse_offset(text: str) -> timezone | None:
    """An offset such as ``-05:00``, ``+0930`` or ``Z``; None if it is not one.

    Examples
    --------
    >>> parse_offset("-05:00").utcoffset(None).total_seconds() / 3600
    -5.0
    """
    if text in ("Z", "z"):
        return UTC
    match = OFFSET.fullmatch(text)
    if match is None:
        return None
    sign, hours, minutes = match.groups()
    offset = timedelta(hours=int(hours), minutes=int(minutes))
    if offset > LARGEST_OFFSET:
        return None
    return timezone(-offset if sign == "-" else offset)


def parse_date(text: str) -> date | None:
    """An ISO 8601 calendar date of a believable year; None if it is not one.

    Examples
    --------
    >>> parse_date("2027-05-10")
    datetime.date(2027, 5, 10)
    """
    if ISO_DATE.fullmatch(text) is None:
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError:
        return None
    return day if FIRST_YEAR <= day.year <= LAST_YEAR else None


def parse_time(text: str) -> datetime | None:
    """An ISO 8601 date and time, aware where it carries an offset; None as for dates.

    Examples
    --------
    >>> parse_time("2027-05-10T14:30-05:00").isoformat()
    '2027-05-10T14:30:00-05:00'
    """
    match = ISO_TIME.fullmatch(text)
    if match is None:
        return None
    day, clock, offset = match.groups()
    try:
        naive = datetime.fromisoformat(f"{day}T{clock}")
    except ValueError:
        return None
    if not FIRST_YEAR <= naive.year <= LAST_YEAR:
        return None
    if offset is None:
        return naive
    zone = parse_offset(offset)
    return None if zone is None else naive.replace(tzinfo=zone)


def to_utc(local: datetime, zone: tzinfo) -> datetime | Clock:
    """A time on the wall clock of ``zone`` in UTC, or why there is no single such time.

    Parameters
    ----------
    local : datetime
        Naive local time; an aware one is converted as it is.
    zone : tzinfo
        The season's zone.

    Examples
    --------
    >>> from zoneinfo import ZoneInfo
    >>> to_utc(datetime(2027, 3, 14, 2, 30), ZoneInfo("America/Chicago"))
    'skipped'
    >>> to_utc(datetime(2027, 11, 7, 1, 30), ZoneInfo("America/Chicago"))
    'repeated'
    """
    if local.tzinfo is not None:
        return local.astimezone(UTC)
    first = local.replace(tzinfo=zone, fold=0)
    second = local.replace(tzinfo=zone, fold=1)
    if first.utcoffset() == second.utcoffset():
        return first.astimezone(UTC)
    back = first.astimezone(UTC).astimezone(zone).replace(tzinfo=None)
    return "repeated" if back == local else "skipped"


def local_seconds_to_utc(local_s: Any, zone: tzinfo) -> tuple[Any, Any, Any]:
    """Many wall-clock times to UTC at once.

    Parameters
    ----------
    local_s : array of int64, shape (n,)
        Seconds of the wall clock since 1970-01-01 00:00 on that clock.
    zone : tzinfo
        The season's zone.

    Returns
    -------
    utc_s : array of int64, shape (n,)
        Seconds UTC; meaningless where one of the masks is true.
    skipped, repeated : array of bool, shape (n,)
        Times that a clock change skips or repeats.

    Notes
    -----
    A day whose offset is the same at three-hour steps has one offset; only days of a clock change
    are looked up reading by reading.
    """
    import numpy as np

    local_s = np.asarray(local_s, dtype=np.int64)
    utc_s = local_s.copy()
    skipped = np.zeros(local_s.shape, dtype=bool)
    repeated = np.zeros(local_s.shape, dtype=bool)
    days, which = np.unique(local_s // DAY_S, return_inverse=True)
    offsets = np.zeros(days.shape, dtype=np.int64)
    changing = np.zeros(days.shape, dtype=bool)
    epoch = datetime(1970, 1, 1)
    for i, day in enumerate(days.tolist()):
        steps = [epoch + timedelta(days=day, hours=h) for h in range(0, 25, 3)]
        seen = {s.replace(tzinfo=zone, fold=f).utcoffset() for s in steps for f in (0, 1)}
        changing[i] = len(seen) != 1
        offset = steps[0].replace(tzinfo=zone).utcoffset()
        offsets[i] = int(offset.total_seconds()) if offset is not None else 0
    utc_s -= offsets[which]
    for i in np.flatnonzero(changing[which]).tolist():
        utc = to_utc(epoch + timedelta(seconds=int(local_s[i])), zone)
        if isinstance(utc, str):
            (skipped if utc == "skipped" else repeated)[i] = True
        else:
            utc_s[i] = int(utc.timestamp())
    return utc_s, skipped, repeated
