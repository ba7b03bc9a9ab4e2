"""Dates and moments: what a date means when a moment is needed, and the reverse."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from rhizoledger.records import Season

NOON = time(12)  # exact: a planting dated without an hour is taken at local noon
MORNING = time(8)  # exact: a treating day dated without an hour is taken to start at eight
MIDNIGHT = time(0)
DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip
DAY_S = 86_400  # exact: seconds in a day
CENTURY_H = 876_600.0  # exact: hours in a hundred years of 365.25 days


def moment(when: date | datetime, zone: ZoneInfo, at: time) -> datetime:
    """The UTC moment of a date (at local time ``at``) or of a moment that is one already.

    Examples
    --------
    >>> moment(date(2027, 5, 10), ZoneInfo("UTC"), NOON).isoformat()
    '2027-05-10T12:00:00+00:00'
    """
    if isinstance(when, datetime):
        return when.astimezone(UTC) if when.tzinfo else when.replace(tzinfo=zone).astimezone(UTC)
    return datetime.combine(when, at, tzinfo=zone).astimezone(UTC)


def hours_after(start: datetime, hours: float) -> datetime:
    """A moment some hours later; a span no season can hold counts as a century.

    Examples
    --------
    >>> hours_after(datetime(2027, 5, 1, tzinfo=UTC), 1.5).isoformat()
    '2027-05-01T01:30:00+00:00'
    """
    return start + timedelta(hours=min(hours, CENTURY_H))


def day_end(when: date | datetime, zone: ZoneInfo) -> datetime:
    """The last moment of a local day (next midnight); a moment stands as it is.

    Examples
    --------
    >>> day_end(date(2027, 5, 10), ZoneInfo("UTC")).isoformat()
    '2027-05-11T00:00:00+00:00'
    """
    if isinstance(when, datetime):
        return moment(when, zone, MIDNIGHT)
    return moment(when + timedelta(days=1), zone, MIDNIGHT)


def local_text(when: datetime, zone: ZoneInfo) -> str:
    """ISO text in the season's zone, to the minute, as plan.json prints it."""
    return when.astimezone(zone).isoformat(timespec="minutes")


def spoken(when: datetime, zone: ZoneInfo, *, starts: bool = False) -> str:
    """Day and hour in the season's zone, as a person would say it.

    Midnight ends a day, except where something ``starts`` then: that day is said alone.

    Examples
    --------
    >>> spoken(datetime(2027, 5, 14, 23, tzinfo=UTC), ZoneInfo("America/Chicago"))
    'Friday 14 May 2027, 18:00'
    >>> spoken(datetime(2027, 5, 15, tzinfo=UTC), ZoneInfo("UTC"))
    'the end of Friday 14 May 2027'
    """
    local = when.astimezone(zone)
    if local.time() == MIDNIGHT and starts:
        return spoken_day(local.date())
    if local.time() == MIDNIGHT:
        return f"the end of {spoken_day(local.date() - timedelta(days=1))}"
    return f"{spoken_day(local.date())}, {local:%H:%M}"


def spoken_day(day: date) -> str:
    """A day with its weekday, the same in every locale.

    Examples
    --------
    >>> spoken_day(date(2027, 5, 14))
    'Friday 14 May 2027'
    """
    return f"{DAYS[day.weekday()]} {day.day} {MONTHS[day.month - 1]} {day.year}"


def seconds(when: datetime) -> int:
    """Whole seconds since 1970 UTC."""
    return int(when.timestamp())


def as_of_date(season: Season) -> date:
    """The day the season's facts reach to: never a stay, plan or expiry date, never the clock.

    The latest of treatments, events, counts, roots, dispositions, lots received, plantings done
    and logger readings; ``starts_on`` where there is none of these.
    """
    zone = ZoneInfo(season.settings.timezone)
    moments: list[datetime] = []
    for t in season.treatments:
        moments += [t.started_at, t.finished_at or t.started_at]
    moments += [e.at for e in season.events]
    moments += [p.sampled_at for p in season.plates]
    moments += [t.sampled_at for t in season.tubes]
    for p in season.plantings:
        moments += [m for m in (p.planted_from, p.planted_to) if m is not None]
    for trace in season.traces.values():
        if len(trace.time_s):
            moments.append(datetime.fromtimestamp(int(trace.time_s[-1]), UTC))
    days = [m.astimezone(zone).date() for m in moments]
    days += [r.sampled_on for r in season.roots] + [d.on for d in season.dispositions]
    days += [lot.received_on for lot in season.lots if lot.received_on is not None]
    return max(days, default=season.settings.starts_on)
