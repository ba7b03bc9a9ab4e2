"""Where and when something stands in the sun, as a person says it."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np

from rhizoledger.errors import InputError
from rhizoledger.season.times import parse_date
from rhizoledger.survival.course import DEG_PER_H, FloatArray
from rhizoledger.survival.sun import checked_place

STEP_S = 300.0
SUN_TIME = "sun time"
FIRST_YEAR, LAST_YEAR = 1950, 2099
"""The years over which the sun's place was checked."""
CLOCK = re.compile(r"([01]?\d|2[0-4]):([0-5]\d)", re.ASCII)


@dataclass(frozen=True, slots=True)
class Stay:
    """A place on the globe, a clock, and two moments.

    Parameters
    ----------
    lat, lon : float
        North and east positive [degrees].
    clock : tzinfo
        What local times are said in.
    start, end : datetime
        Aware, in UTC; the end is later.
    """

    lat: float
    lon: float
    clock: tzinfo
    start: datetime
    end: datetime

    @property
    def unix_s(self) -> FloatArray:
        """Every five minutes from start to end, both included [s since 1970, UTC]."""
        first, last = self.start.timestamp(), self.end.timestamp()
        return np.append(np.arange(first, last, STEP_S), last)

    def local(self, unix_s: float) -> str:
        """A moment on the stay's clock, to the minute, without its offset."""
        when = datetime.fromtimestamp(round(unix_s), UTC).astimezone(self.clock)
        return when.replace(tzinfo=None).isoformat(timespec="minutes")


def stay_in_the_sun(at: str, day: str, zone: str | None, start: str, end: str) -> Stay:
    """Read a stay from what was typed.

    Parameters
    ----------
    at : str
        Latitude and longitude with a comma between, north and east positive [degrees].
    day : str
        Date at the place.
    zone : str or None
        Time zone; None is the mean sun time of the longitude, noon when the sun is highest give
        or take a quarter of an hour.
    start, end : str
        Hours and minutes. An end that is not later than the start is on the next day.

    Raises
    ------
    InputError
        If one of them cannot be used; the text names it.

    Examples
    --------
    >>> stay = stay_in_the_sun("0,90", "2026-10-17", None, "12:00", "13:00")
    >>> stay.start.isoformat(), stay.local(stay.unix_s[-1])
    ('2026-10-17T06:00:00+00:00', '2026-10-17T13:00')
    """
    lat, lon = _place(at)
    when = parse_date(day)
    if when is None:
        raise InputError(f"{day!r} is no date. Write year, month and day, as 2026-10-17.")
    if not FIRST_YEAR <= when.year <= LAST_YEAR:
        raise InputError(
            f"{day} lies outside {FIRST_YEAR} to {LAST_YEAR}, where the sun's place was checked. "
            "Give a date within."
        )
    clock = _clock(zone, lon)
    first, last = _minutes(start, "from"), _minutes(end, "to")
    if last <= first:
        last += 24 * 60
    return Stay(lat, lon, clock, _moment(when, first, clock), _moment(when, last, clock))


def _place(at: str) -> tuple[float, float]:
    parts = at.split(",")
    try:
        lat, lon = (float(part) for part in parts)
    except ValueError:
        raise InputError(
            f"{at!r} is no place. Give latitude and longitude in degrees with a comma between, "
            "north and east positive: --at -31.4,-64.2"
        ) from None
    checked_place(lat, lon)
    return lat, lon


def _clock(zone: str | None, lon: float) -> tzinfo:
    if zone is None:
        return timezone(timedelta(seconds=round(lon / DEG_PER_H * 3600)))
    try:
        return ZoneInfo(zone)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise InputError(
            f"{zone!r} is no time zone. Write its name, as America/Argentina/Cordoba, or leave "
            "--zone out for sun time."
        ) from None


def _minutes(said: str, option: str) -> int:
    match = CLOCK.fullmatch(said.strip())
    minutes = int(match[1]) * 60 + int(match[2]) if match else -1
    if not 0 <= minutes <= 24 * 60:
        raise InputError(f"--{option} {said!r} is no time of day. Write hours and minutes: 09:30")
    return minutes


def _moment(day: date, minutes: int, clock: tzinfo) -> datetime:
    """A moment of the clock in UTC; one that a clock change skips is refused."""
    later, minutes = divmod(minutes, 24 * 60)
    local = datetime(day.year, day.month, day.day) + timedelta(days=later, minutes=minutes)
    utc = local.replace(tzinfo=clock).astimezone(UTC)
    if utc.astimezone(clock).replace(tzinfo=None) != local:
        raise InputError(
            f"{local:%Y-%m-%d %H:%M} does not occur: the clock change skips it. Take a time before "
            "or after, or leave --zone out for sun time."
        )
    return utc
