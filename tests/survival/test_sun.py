"""The sun's place and a clear sky, against a long published algorithm and an open solar library.

``sun_reference.csv`` was made with pvlib 0.16.1 and numpy, at eight places and thirteen moments::

    p = pvlib.solarposition.spa_python(t, lat, lon, altitude=0, pressure=101000, temperature=10,
                                       delta_t=None)
    ghi = pvlib.clearsky.haurwitz(p.apparent_zenith)["ghi"]
    split = pvlib.irradiance.erbs(ghi, p.apparent_zenith, t)          # dni, dhi
    am = pvlib.atmosphere.get_relative_airmass(p.apparent_zenith)
    second = pvlib.clearsky.ineichen(p.apparent_zenith, am, 3.0, 0, 1361.0)["ghi"]
"""

from __future__ import annotations

import csv
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rhizoledger.errors import InputError
from rhizoledger.evidence import load_evidence
from rhizoledger.survival.sun import (
    HORIZON_DEG,
    ClearSky,
    ClearSkyNumbers,
    SunPosition,
    brightest_face,
    clear_sky,
    sun_position,
)

DATA = Path(__file__).parents[1] / "published" / "data" / "sun_reference.csv"
EVIDENCE = load_evidence()
DAY = 86_400.0


def sky_numbers(solar_constant: float | None = None) -> ClearSkyNumbers:
    def number(key: str) -> float:
        return EVIDENCE[key].number()

    return ClearSkyNumbers(
        number("sun.clear_sky.overhead"),
        number("sun.clear_sky.extinction"),
        solar_constant or number("sun.solar_constant"),
        number("sun.diffuse.cloudy_below"),
        number("sun.diffuse.cloudy_slope"),
        number("sun.diffuse.clear_above"),
        number("sun.diffuse.clear_share"),
        tuple(number(f"sun.diffuse.c{i}") for i in range(5)),
    )


def rows() -> list[dict[str, str]]:
    with DATA.open(encoding="utf-8", newline="") as f:
        return list(csv.DictReader(f))


def moment(row: dict[str, str]) -> float:
    return datetime.fromisoformat(row["utc"]).timestamp()


def placed(row: dict[str, str]) -> SunPosition:
    return sun_position(np.array([moment(row)]), float(row["lat"]), float(row["lon"]))


def direction(elevation_deg: float, azimuth_deg: float) -> np.ndarray:
    e, a = np.radians(elevation_deg), np.radians(azimuth_deg)
    return np.array([np.cos(e) * np.sin(a), np.cos(e) * np.cos(a), np.sin(e)])


def at(year: int, month: int, day: int, hour: float = 0.0) -> float:
    return datetime(year, month, day, tzinfo=UTC).timestamp() + 3600 * hour


# --- where it stands ----------------------------------------------------------------------------


@pytest.mark.parametrize("row", rows(), ids=lambda r: f"{r['place']} {r['utc'][:13]}")
def test_place_of_the_sun_within_a_hundredth_of_a_degree(row: dict[str, str]) -> None:
    sun = placed(row)
    wanted = direction(float(row["elevation_deg"]), float(row["azimuth_deg"]))
    got = direction(sun.elevation_deg[0], sun.azimuth_deg[0])
    assert np.degrees(np.linalg.norm(got - wanted)) < 0.01
    if float(row["elevation_deg"]) > HORIZON_DEG:
        assert sun.apparent_deg[0] == pytest.approx(float(row["apparent_deg"]), abs=0.01)


def test_the_printed_example_of_the_long_algorithm() -> None:
    """Reda & Andreas, NREL/TP-560-34302 (revised 2008), table A5.1: 12:30:30 at UTC-7."""
    when = datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC).timestamp()
    sun = sun_position([when], 39.742476, -105.1786, pressure_mbar=820, air_c=11)
    assert 90 - sun.apparent_deg[0] == pytest.approx(50.11162, abs=0.01)
    assert sun.azimuth_deg[0] == pytest.approx(194.34024, abs=0.01)
    assert sun.distance_au[0] == pytest.approx(0.9965422974, abs=1e-5)


def test_solstice_noon_stands_at_the_tilt_from_the_equator() -> None:
    """In June it is overhead at 23.44° north: seen in the south beyond, in the north this side."""
    day = at(2026, 6, 21) + np.arange(0, DAY, 60)
    for lat, azimuth in ((50.0, 180.0), (-35.0, 0.0)):
        sun = sun_position(day, lat, 10.0)
        top = int(np.argmax(sun.elevation_deg))
        assert sun.elevation_deg[top] == pytest.approx(90 - abs(lat - 23.436), abs=0.01)
        off = (sun.azimuth_deg[top] - azimuth + 180) % 360 - 180
        assert abs(off) < 0.5  # a minute is a quarter of a degree


def test_rises_in_the_east_and_sets_in_the_west_of_both_hemispheres() -> None:
    day = at(2026, 3, 20) + np.arange(0, DAY, 60)
    for lat in (48.0, -31.0):
        up = np.flatnonzero(sun_position(day, lat, 0.0).is_up)
        sun = sun_position(day[up[[0, -1]]], lat, 0.0)
        assert sun.azimuth_deg == pytest.approx([90, 270], abs=1.5)
        hours = up.size / 60
        assert hours == pytest.approx(12.15, abs=0.1)  # half a disc and refraction at both ends


def test_polar_night_and_polar_day() -> None:
    minutes = np.arange(0, DAY, 300)
    assert not sun_position(at(2026, 12, 21) + minutes, 75.0, 20.0).is_up.any()
    assert sun_position(at(2026, 6, 21) + minutes, 75.0, 20.0).is_up.all()
    assert not sun_position(at(2026, 6, 21) + minutes, -75.0, 20.0).is_up.any()


@given(
    when=st.floats(at(1950, 1, 1), at(2100, 1, 1)),
    lat=st.floats(-90, 90),
    lon=st.floats(-180, 180),
)
def test_a_place_has_one_sun(when: float, lat: float, lon: float) -> None:
    sun = sun_position([when], lat, lon)
    assert -90.01 <= sun.elevation_deg[0] <= 90
    assert 0 <= sun.azimuth_deg[0] < 360
    assert 0.983 < sun.distance_au[0] < 1.017
    # Opposite points of the globe see it on opposite sides, but for parallax.
    far = sun_position([when], -lat, lon - 180 if lon > 0 else lon + 180)
    assert far.elevation_deg[0] == pytest.approx(-sun.elevation_deg[0], abs=0.006)


def test_nothing_jumps_at_the_date_line() -> None:
    t = at(2026, 10, 17) + np.arange(0, DAY, 1800)
    west, east = sun_position(t, -17.8, 180.0), sun_position(t, -17.8, -180.0)
    assert west.elevation_deg == pytest.approx(east.elevation_deg, abs=1e-9)


def test_a_row_alone_is_the_row_in_a_column() -> None:
    t = at(2026, 10, 17) + np.arange(0, DAY, 3600)
    whole = sun_position(t, 12.0, 34.0)
    for i in (0, 7, 23):
        assert sun_position(t[i], 12.0, 34.0).azimuth_deg == pytest.approx(whole.azimuth_deg[i])


@pytest.mark.parametrize(
    ("t", "lat", "lon"),
    [(0.0, 90.1, 0.0), (0.0, 0.0, 180.5), (0.0, np.nan, 0.0), (0.0, 0.0, np.nan), (np.nan, 0, 0)],
)
def test_refuses_what_is_no_place_or_time(t: float, lat: float, lon: float) -> None:
    with pytest.raises(InputError):
        sun_position([t], lat, lon)


# --- how strongly it shines ---------------------------------------------------------------------


@pytest.mark.parametrize("row", rows(), ids=lambda r: f"{r['place']} {r['utc'][:13]}")
def test_clear_sky_is_that_of_the_library(row: dict[str, str]) -> None:
    """The library takes 1366.1 W/m² and Spencer's distance: the second leaves 1.3 W/m²."""
    sun = placed(row)
    sky = clear_sky(sun, sky_numbers(1366.1))
    assert sky.global_w_m2[0] == pytest.approx(float(row["global_w_m2"]), abs=0.3)
    if sun.apparent_deg[0] > 4:  # below, the library floors the clearness and drops the beam
        assert sky.direct_w_m2[0] == pytest.approx(float(row["direct_w_m2"]), abs=1.5)
        assert sky.diffuse_w_m2[0] == pytest.approx(float(row["diffuse_w_m2"]), abs=1.0)


def test_a_second_clear_sky_lies_within_the_factor_we_give() -> None:
    factor = EVIDENCE["sun.clear_sky.factor"]
    high = [r for r in rows() if float(r["elevation_deg"]) > 30]
    assert len(high) > 15
    for row in high:
        ratio = float(row["second_global_w_m2"]) / float(row["global_w_m2"])
        assert factor.low is not None and factor.high is not None
        assert factor.low < ratio < factor.high


def test_light_adds_up_and_is_gone_at_night() -> None:
    t = at(2026, 10, 17) + np.arange(0, DAY, 300)
    sun = sun_position(t, -31.4, -64.2)
    sky = clear_sky(sun, sky_numbers())
    level = np.sin(np.radians(sun.apparent_deg)) * sky.direct_w_m2 + sky.diffuse_w_m2
    down = sun.apparent_deg <= 0
    assert level[~down] == pytest.approx(sky.global_w_m2[~down])
    for light in (sky.global_w_m2, sky.direct_w_m2, sky.diffuse_w_m2):
        assert (light[down] == 0).all() and (light >= 0).all()
    assert sky.global_w_m2.max() < 1098


def test_the_wall_wins_in_the_morning_and_the_lid_at_noon() -> None:
    t = at(2026, 6, 21) + np.arange(0, DAY, 300)
    sun = sun_position(t, 45.0, 0.0)
    sky = clear_sky(sun, sky_numbers())
    face = brightest_face(sun, sky, 0.2)
    assert (face >= sky.global_w_m2).all()
    top = int(np.argmax(sun.apparent_deg))
    assert face[top] == sky.global_w_m2[top]
    low = (sun.apparent_deg > 10) & (sun.apparent_deg < 20)
    assert (face[low] > 1.3 * sky.global_w_m2[low]).all()


def test_brighter_ground_lights_a_wall_only() -> None:
    one = SunPosition(np.array(20.0), np.array(20.0), np.array(0.0), np.array(1.0))
    sky = ClearSky(np.array(300.0), np.array(600.0), np.array(95.0))
    dark, bright = brightest_face(one, sky, 0.0), brightest_face(one, sky, 0.4)
    assert float(bright - dark) == pytest.approx(0.5 * 0.4 * 300)
