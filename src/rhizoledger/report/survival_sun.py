"""A stay in the sun in sentences: how warm, how long, what harms, what would settle it (§2.8)."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

from rhizoledger.plan.clock import spoken_day
from rhizoledger.report.charts.sunlit import SunlitFigure, sunlit_figure
from rhizoledger.report.draw import png, svg
from rhizoledger.report.files import write_file
from rhizoledger.report.listing import wrapped
from rhizoledger.units import degrees, from_celsius

HARMFUL = "Known harmful, not quantified."
NO_VERDICT = (
    "This is a temperature and a flag. No loss is worked out from it, and it does not say that the "
    "cells are alive."
)
WINDS = ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"]
OPTIONS = {
    "colour": "the colour of the sunlit face (--colour)",
    "wind": "the wind beside it (--wind)",
    "depth": "the depth of seed behind it (--depth-cm)",
}
SHARPNESS = 2.0
"""Dots of the picture for one unit of the drawing."""


def sun_text(found: Mapping[str, Any], written: Sequence[Path] = ()) -> str:
    """How warm first, then how long, the flags, the sun, and what to mind.

    Parameters
    ----------
    found : mapping
        As ``workflows.survival_sun.sun_stay`` returns it.
    written : sequence of Path
        Files that were written.
    """
    lines = [_highest(found), *_hours(found), "", *_flags(found), "", _sun(found)]
    if found["not_given"]:
        named = [OPTIONS[name] for name in found["not_given"]]
        lines.append(f"The range would be narrower with {_listed(named)}.")
    lines += found["warnings"]
    if written:
        lines.append(f"Written: {', '.join(str(p) for p in written)}")
    return "\n".join(wrapped(line) for line in lines)


def _highest(found: Mapping[str, Any]) -> str:
    unit, highest = found["unit"], found["highest_c"]
    when = datetime.fromisoformat(found["highest_at"])
    span = degrees(unit, highest["low"], highest["high"])
    return (
        f"{_what(found)}, {spoken_day(date.fromisoformat(found['date']))}, {_place(found['at'])}: "
        f"about {degrees(unit, highest['middle'])} at its warmest, near {when:%H:%M} "
        f"{found['clock']}; {span} by the range of the assumptions. "
        f"Air outside {degrees(unit, *found['ambient_c'].values())}; clear sky."
    )


def _what(found: Mapping[str, Any]) -> str:
    if found["place"] == "vehicle":
        return "Air in a closed vehicle in the sun"
    colour = f"{found['colour']} " if found["colour"] else ""
    return f"Seed in a {colour}box in the sun"


def _hours(found: Mapping[str, Any]) -> list[str]:
    unit = found["unit"]
    end = "24:00" if found["to"].endswith("T00:00") else found["to"][11:]
    lines = [
        f"Above {degrees(unit, row['limit_c'])}: about {_half(row['middle'])} h "
        f"({_half(row['low'])} to {_half(row['high'])} h) from {found['from'][11:]} to {end}."
        for row in found["hours_above"]
    ]
    if found["highest_at"] == found["to"]:
        lines.append("It is still getting warmer when the stay ends.")
    return lines


def _flags(found: Mapping[str, Any]) -> list[str]:
    lines = []
    if found["flags"]:
        lines.append(" ".join([HARMFUL, *(flag["known"] for flag in found["flags"])]))
        settles = dict.fromkeys(flag["settle"] for flag in found["flags"])
        said = [a for a in settles if not any(b != a and b.startswith(a[:-1]) for b in settles)]
        lines.append(f"What would settle it: {' '.join(said)}")
    return [*lines, NO_VERDICT]


def _sun(found: Mapping[str, Any]) -> str:
    sun = found["sun"]
    if sun["first_up"] is None:
        return "The sun is not up during this stay."
    wind = WINDS[round(sun["azimuth_deg"] / 45) % 8]
    return (
        f"The sun is highest at {sun['highest_at'][11:]}, {sun['highest_deg']:.0f}° up in the "
        f"{wind}; during this stay it is up from {sun['first_up'][11:]} to {sun['last_up'][11:]}, "
        f"over level ground."
    )


def _place(at: Mapping[str, float]) -> str:
    """A place on the globe as it is said.

    Examples
    --------
    >>> _place({"lat": -31.4, "lon": 0.0})
    '31.4° S 0.0° E'
    """
    lat, lon = at["lat"], at["lon"]
    return f"{abs(lat):.1f}° {'S' if lat < 0 else 'N'} {abs(lon):.1f}° {'W' if lon < 0 else 'E'}"


def _half(hours: float) -> str:
    """Hours to the half: nothing here is known better.

    Examples
    --------
    >>> _half(9.86), _half(0.3), _half(0.0), _half(0.1)
    ('10', '0.5', '0', 'less than 0.5')
    """
    rounded = round(2 * hours) / 2
    return "less than 0.5" if hours > 0 and rounded == 0 else f"{rounded:g}"


def _listed(words: Sequence[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def write_sun(found: Mapping[str, Any], folder: Path) -> tuple[Path, ...]:
    """Write sun.svg, sun.png and sun.csv.

    Parameters
    ----------
    found : mapping
        As ``workflows.survival_sun.sun_stay`` returns it.
    folder : Path
        Made where it is not there.

    Raises
    ------
    InputError
        If a file cannot be written.
    """
    spec = sun_figure(found)
    return (
        write_file(folder / "sun.svg", svg(spec, "sun").encode()),
        write_file(folder / "sun.png", png({**spec, "background": "white"}, SHARPNESS)),
        write_file(folder / "sun.csv", _csv(found).encode()),
    )


def sun_figure(found: Mapping[str, Any]) -> dict[str, Any]:
    """The stay as a drawing: range, middle, air outside, limits, light."""
    unit, course = found["unit"], found["course"]

    def temps(name: str) -> tuple[float, ...]:
        return tuple(from_celsius(row[name], unit) for row in course)

    of = "air inside" if found["of"] == "air" else "seed"
    return sunlit_figure(
        SunlitFigure(
            times=tuple(row["time"] for row in course),
            low=temps("low_c"),
            middle=temps("middle_c"),
            high=temps("high_c"),
            ambient=temps("ambient_c"),
            light=tuple(row["light_w_m2"] for row in course),
            limits=tuple(from_celsius(row["limit_c"], unit) for row in found["hours_above"]),
            of=of,
            unit=f"°{unit}",
            onto="the sunlit face" if found["place"] == "box" else "level ground",
            clock=found["clock"],
        )
    )


def _csv(found: Mapping[str, Any]) -> str:
    out = io.StringIO()
    table = csv.DictWriter(out, list(found["course"][0]), lineterminator="\n")
    table.writeheader()
    table.writerows(found["course"])
    return out.getvalue()
