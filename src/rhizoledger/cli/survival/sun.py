"""``rhizoledger survival sun``: how warm it may get in a closed vehicle or a sunlit box."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from rhizoledger.cli.console import say, say_json


def sun(
    *,
    at: str,
    date: str,
    place: Literal["vehicle", "box"],
    ambient_low: float,
    ambient_high: float,
    start: str = "00:00",
    end: str = "24:00",
    zone: str | None = None,
    colour: Literal["dark", "light"] | None = None,
    wind: float | None = None,
    depth_cm: float | None = None,
    above: list[float] | None = None,
    unit: Literal["C", "F"] = "C",
    out: Path | None = None,
    json: bool = False,
) -> int:
    """Show how warm it may get in the sun: a temperature and a flag, never a loss.

    Parameters
    ----------
    at
        Latitude and longitude in degrees, north and east positive: -31.4,-64.2
    date
        The day, as 2026-10-17.
    place
        A closed vehicle (its air), or a box, hopper or bag of seed (the seed).
    ambient_low
        Coldest of the air outside on that day.
    ambient_high
        Warmest of the air outside on that day.
    start
        From when it stands there, as 09:30; 00:00 unless told.
    end
        Until when; not later than the start is the next day. 24:00 unless told.
    zone
        Time zone of these times, such as America/Chicago; sun time unless told.
    colour
        Of the sunlit face of a box; either where it is not told.
    wind
        Wind beside a box in metres per second; a range where it is not told.
    depth_cm
        Seed behind the sunlit face in centimetres; a range where it is not told.
    above
        Temperatures whose hours are counted; the limit of storage unless told.
    unit
        Unit of temperatures.
    out
        A folder for sun.svg, sun.png and sun.csv.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.survival_sun import sun_text, write_sun
    from rhizoledger.workflows.survival_sun import sun_stay

    found = sun_stay(
        at,
        date,
        place=place,
        ambient_low=ambient_low,
        ambient_high=ambient_high,
        unit=unit,
        zone=zone,
        start=start,
        end=end,
        colour=colour,
        wind_m_s=wind,
        depth_cm=depth_cm,
        above=above or (),
    )
    written = () if out is None else write_sun(found, out)
    if json:
        say_json(found)
    else:
        say(sun_text(found, written))
    return 0
