"""How warm a closed vehicle or a box of seed may get in the sun: a temperature and a flag (§2.8).

Nothing here is a loss, and nothing here says that the cells are well.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from itertools import product
from typing import Any, Literal

import numpy as np

from rhizoledger.errors import InputError
from rhizoledger.evidence import Evidence, Parameter, load_evidence
from rhizoledger.evidence.facts import hazard_facts
from rhizoledger.evidence.load import worst_grade
from rhizoledger.survival.course import FloatArray, air_of_a_day, hours_above
from rhizoledger.survival.seed_box import SeedBox, SeedBoxRanges, seed_box_course, seed_box_range
from rhizoledger.survival.sun import (
    ClearSkyNumbers,
    SunPosition,
    brightest_face,
    clear_sky,
    sun_position,
)
from rhizoledger.survival.vehicle import closed_vehicle_air
from rhizoledger.units import degrees, temperature_c
from rhizoledger.workflows.sun_stay import SUN_TIME, Stay, stay_in_the_sun

Place = Literal["vehicle", "box"]
Colour = Literal["dark", "light"]
Range = tuple[float, float]

BOX = "survival.seed_box"
COURSES = ("low", "middle", "high")
COLDEST_AIR_C, WARMEST_AIR_C = -60.0, 60.0
STRONGEST_WIND_M_S = 5.0
"""The rows about wind were read up to here."""
DEPTHS_CM = (1.0, 200.0)


class _Rows:
    """Evidence rows, and which of them were asked for."""

    def __init__(self, evidence: Evidence) -> None:
        self.evidence = evidence
        self.used: dict[str, Parameter] = {}

    def number(self, key: str) -> float:
        return self._row(key).number()

    def ends(self, key: str) -> Range:
        row = self._row(key)
        if row.low is None or row.high is None:
            return row.number(), row.number()
        return row.low, row.high

    def _row(self, key: str) -> Parameter:
        self.used[key] = self.evidence[key]
        return self.used[key]


def sun_stay(
    at: str,
    day: str,
    *,
    place: Place,
    ambient_low: float,
    ambient_high: float,
    unit: str = "C",
    zone: str | None = None,
    start: str = "00:00",
    end: str = "24:00",
    colour: Colour | None = None,
    wind_m_s: float | None = None,
    depth_cm: float | None = None,
    above: Sequence[float] = (),
) -> dict[str, Any]:
    """The temperature along one stay in the sun, from low to high, with its flags.

    Parameters
    ----------
    at : str
        Latitude and longitude, north and east positive, as ``-31.4,-64.2`` [degrees].
    day : str
        Date at the place, as 2026-10-17.
    place : {"vehicle", "box"}
        A closed vehicle, whose air is worked out, or a box, hopper or bag of seed.
    ambient_low, ambient_high : float
        Coldest and warmest of the air outside on that day [``unit``].
    unit : {"C", "F"}
        Of temperatures that are given.
    zone : str, optional
        Time zone of ``start``, ``end`` and of what is printed; without it, mean sun time.
    start, end : str
        From and to, as 09:30; an end that is not later than the start is on the next day.
    colour : {"dark", "light"}, optional
        Of the sunlit face; both where it is not given. A box only.
    wind_m_s, depth_cm : float, optional
        Wind beside the box [m/s], and depth of the seed behind the sunlit face [cm].
    above : sequence of float
        Limits whose hours are counted [``unit``]; without any, that of practice for stores.

    Returns
    -------
    dict
        ``place``, ``of`` (air or seed), ``highest_c`` and ``hours_above`` from low to high,
        ``flags``, ``quantified`` (always False), ``sun``, ``course``, ``grade``, ``evidence``,
        ``not_given``, ``warnings``.

    Raises
    ------
    InputError
        If the place, the date, a time or a number cannot be used.
    """
    stay = stay_in_the_sun(at, day, zone, start, end)
    _only_for_a_box(place, colour=colour, wind=wind_m_s, depth=depth_cm)
    low_c, high_c = (_air_c(t, unit) for t in (ambient_low, ambient_high))
    rows = _Rows(load_evidence())
    t = stay.unix_s
    sun = sun_position(t, stay.lat, stay.lon)
    ambient = air_of_a_day(t, stay.lon, low_c, high_c, rows.number("sun.air_warmest_h"))
    courses, light = (
        _vehicle(rows, t, ambient, sun)
        if place == "vehicle"
        else _box(rows, t, ambient, sun, colour, wind_m_s, depth_cm)
    )
    limits = [temperature_c(x, unit) for x in above] or [rows.number("handling.store_below_c")]
    store_below = rows.evidence["handling.store_below_c"].number()
    given = {"colour": colour, "wind": wind_m_s, "depth": depth_cm}
    peak = int(np.argmax(courses["middle"]))
    warnings = _warnings(place, rows, unit)
    return {
        "place": place,
        "of": "air" if place == "vehicle" else "seed",
        "at": {"lat": stay.lat, "lon": stay.lon},
        "date": day,
        "clock": zone or SUN_TIME,
        "from": stay.local(t[0]),
        "to": stay.local(t[-1]),
        "unit": unit,
        "ambient_c": {"low": low_c, "high": high_c},
        "colour": colour,
        "wind_m_s": wind_m_s,
        "depth_cm": depth_cm,
        "highest_c": {name: float(courses[name].max()) for name in COURSES},
        "highest_at": stay.local(t[peak]),
        "hours_above": [
            {"limit_c": x} | {name: hours_above(t, courses[name], x) for name in COURSES}
            for x in limits
        ],
        "flags": _flags(place, bool(sun.is_up.any()), courses, store_below),
        "quantified": False,
        "sun": _sun(stay, t, sun, light),
        "grade": worst_grade(row.grade for row in rows.used.values()),
        "evidence": sorted(rows.used),
        "not_given": [k for k, v in given.items() if v is None] if place == "box" else [],
        "warnings": warnings,
        "course": [
            {
                "time": stay.local(moment),
                "utc": datetime.fromtimestamp(moment, UTC).isoformat(),
                "elevation_deg": round(float(sun.apparent_deg[i]), 2),
                "azimuth_deg": round(float(sun.azimuth_deg[i]), 2),
                "light_w_m2": round(float(light[i]), 1),
                "ambient_c": round(float(ambient[i]), 2),
                **{f"{name}_c": round(float(courses[name][i]), 2) for name in COURSES},
            }
            for i, moment in enumerate(t)
        ],
    }


def _vehicle(
    rows: _Rows, t: FloatArray, ambient: FloatArray, sun: SunPosition
) -> tuple[dict[str, FloatArray], FloatArray]:
    """Air in a closed vehicle: the slowest and weakest trial, the mean, the fastest and strongest.

    The high course has full sun as long as the sun is up at all: a low sun looks in at windows.
    """
    light = clear_sky(sun, _sky(rows)).global_w_m2
    full = rows.ends("survival.vehicle.full_sun_w_m2")
    factor = rows.ends("sun.clear_sky.factor")
    rise, tau = (rows.ends(f"survival.vehicle.fit_{k}") for k in ("rise_c", "tau_min"))
    most = max(rise[1], rows.number("survival.vehicle.rise_max_c"))
    middle = closed_vehicle_air(
        t,
        ambient,
        np.minimum(1.0, light / rows.number("survival.vehicle.full_sun_w_m2")),
        rows.number("survival.vehicle.fit_rise_c"),
        rows.number("survival.vehicle.fit_tau_min"),
    )
    weak = np.minimum(1.0, light * factor[0] / full[1])
    strong = sun.is_up.astype(np.float64)
    ends = product(((weak, rise[0]), (strong, most)), tau)
    every = [middle, *(closed_vehicle_air(t, ambient, u, a, k) for (u, a), k in ends)]
    return _envelope(every), light


def _box(
    rows: _Rows,
    t: FloatArray,
    ambient: FloatArray,
    sun: SunPosition,
    colour: Colour | None,
    wind_m_s: float | None,
    depth_cm: float | None,
) -> tuple[dict[str, FloatArray], FloatArray]:
    """Seed in a box: the heat balance at the ends of every range, and at the middling values."""
    sky = clear_sky(sun, _sky(rows))
    ground = rows.ends("sun.ground_reflects")
    light = brightest_face(sun, sky, rows.number("sun.ground_reflects"))
    colours = (colour,) if colour else ("light", "dark")
    absorbs = [rows.ends(f"{BOX}.absorbs_{c}") for c in colours]
    wind = rows.ends(f"{BOX}.wind_m_s") if wind_m_s is None else (wind_m_s, wind_m_s)
    calm, per_wind = rows.ends(f"{BOX}.calm_w_m2_k"), rows.ends(f"{BOX}.wind_w_m2_k")
    depth = rows.ends(f"{BOX}.depth_m")
    if depth_cm is not None:
        # Seed lies against the wall in a deep box too: what is given moves the far end only.
        depth = min(depth[0], depth_cm / 100), depth_cm / 100
    ranges = SeedBoxRanges(
        sun_factor=rows.ends("sun.clear_sky.factor"),
        absorbs=(absorbs[0][0], absorbs[-1][1]),
        sunlit_share=rows.ends(f"{BOX}.sunlit_share"),
        emits=rows.ends(f"{BOX}.emits"),
        convection_w_m2_k=(calm[0] + per_wind[0] * wind[0], calm[1] + per_wind[1] * wind[1]),
        surroundings_below_air_c=rows.ends(f"{BOX}.surroundings_below_air_c"),
        heat_capacity_mj_m3_k=rows.ends(f"{BOX}.heat_capacity"),
        depth_m=depth,
    )
    still = rows.number(f"{BOX}.wind_m_s") if wind_m_s is None else wind_m_s
    middling = SeedBox(
        absorbs=float(np.mean([rows.number(f"{BOX}.absorbs_{c}") for c in colours])),
        sunlit_share=rows.number(f"{BOX}.sunlit_share"),
        emits=rows.number(f"{BOX}.emits"),
        convection_w_m2_k=rows.number(f"{BOX}.calm_w_m2_k")
        + rows.number(f"{BOX}.wind_w_m2_k") * still,
        surroundings_below_air_c=rows.number(f"{BOX}.surroundings_below_air_c"),
        heat_capacity_mj_m3_k=rows.number(f"{BOX}.heat_capacity"),
        depth_m=rows.number(f"{BOX}.depth_m") if depth_cm is None else depth_cm / 100,
    )
    every = [seed_box_course(t, ambient, light, middling)]
    for reflects in ground:
        every += seed_box_range(t, ambient, brightest_face(sun, sky, reflects), ranges)
    return _envelope(every), light


def _envelope(every: Sequence[FloatArray]) -> dict[str, FloatArray]:
    """The first course as the middle one, between the lowest and highest of all."""
    return {"low": np.min(every, axis=0), "middle": every[0], "high": np.max(every, axis=0)}


def _sky(rows: _Rows) -> ClearSkyNumbers:
    split = "sun.diffuse"
    return ClearSkyNumbers(
        overhead_w_m2=rows.number("sun.clear_sky.overhead"),
        extinction=rows.number("sun.clear_sky.extinction"),
        solar_constant_w_m2=rows.number("sun.solar_constant"),
        cloudy_below=rows.number(f"{split}.cloudy_below"),
        cloudy_slope=rows.number(f"{split}.cloudy_slope"),
        clear_above=rows.number(f"{split}.clear_above"),
        clear_share=rows.number(f"{split}.clear_share"),
        between=tuple(rows.number(f"{split}.c{power}") for power in range(5)),
    )


def _flags(
    place: Place, sun_is_up: bool, courses: dict[str, FloatArray], store_below_c: float
) -> list[dict[str, Any]]:
    """What is known to harm there, each with what would settle it; never a number of cells."""
    kinds = []
    if place == "vehicle":
        kinds += ["closed_vehicle"] if sun_is_up else []
        kinds += ["frozen"] if courses["low"].min() < 0 else []
    else:
        kinds += ["sun"] if sun_is_up else []
        kinds += ["hot_seed"] if courses["high"].max() > store_below_c else []
        kinds += ["frozen_seed"] if courses["low"].min() < 0 else []
    known = hazard_facts()
    return [
        {"kind": k, "known": known[k].known, "settle": known[k].settle, "quantified": False}
        for k in kinds
    ]


def _sun(stay: Stay, t: FloatArray, sun: SunPosition, light: FloatArray) -> dict[str, Any]:
    """Where the sun is highest, and from when to when it is up; its hours to the step."""
    top = int(np.argmax(sun.apparent_deg))
    up = np.flatnonzero(sun.is_up)
    return {
        "highest_deg": float(sun.apparent_deg[top]),
        "azimuth_deg": float(sun.azimuth_deg[top]),
        "highest_at": stay.local(t[top]),
        "first_up": stay.local(t[up[0]]) if up.size else None,
        "last_up": stay.local(t[up[-1]]) if up.size else None,
        "strongest_w_m2": float(light.max()),
    }


def _air_c(value: float, unit: str) -> float:
    air = temperature_c(value, unit)
    if not COLDEST_AIR_C <= air <= WARMEST_AIR_C:
        span = degrees(unit, COLDEST_AIR_C, WARMEST_AIR_C)
        other = "F" if unit == "C" else "C"
        raise InputError(
            f"Air outside of {value:g} °{unit} lies outside {span}. Correct it, or add "
            f"--unit {other}."
        )
    return air


def _only_for_a_box(
    place: Place, *, colour: Colour | None, wind: float | None, depth: float | None
) -> None:
    given = {"--colour": colour, "--wind": wind, "--depth-cm": depth}
    named = [option for option, value in given.items() if value is not None]
    if place == "vehicle" and named:
        raise InputError(
            f"{' and '.join(named)} can be told of a box only: published rises of closed vehicles "
            "know no such thing. Leave it out, or ask for --place box."
        )
    if wind is not None and not 0 <= wind <= STRONGEST_WIND_M_S:
        raise InputError(
            f"Wind of {wind:g} m/s lies outside 0 to {STRONGEST_WIND_M_S:g}, for which the heat "
            "balance has numbers. Give the wind beside the box, not that of a weather station."
        )
    if depth is not None and not DEPTHS_CM[0] <= depth <= DEPTHS_CM[1]:
        raise InputError(
            f"A depth of {depth:g} cm lies outside {DEPTHS_CM[0]:g} to {DEPTHS_CM[1]:g}. Give the "
            "seed behind the sunlit face in centimetres."
        )


def _warnings(place: Place, rows: _Rows, unit: str) -> list[str]:
    out = ["A clear sky is taken. Under cloud or in shade it stays nearer to the air outside."]
    if place == "box":
        return [
            *out,
            "Every number of the heat balance is an assumption; no measured temperature of seed "
            "in a sunlit box was found.",
            "Seed by the sunlit wall and seed in the middle of one box lie far apart, and the "
            "middle is warmest hours later.",
        ]
    coolest, hottest = rows.ends("survival.vehicle.cabin_max_c")
    return [
        *out,
        "This is the air, not what lies in it: how a jug or bag follows was never measured, and "
        "on a seat or under glass in direct sun it may be warmer than the air.",
        "The range is that of mean rises and single trials. Single days go higher: the hottest "
        f"cabin air was {degrees(unit, coolest, hottest)} by the weather of one warm season.",
    ]
