"""Where the sun stands and how strongly it shines from a clear sky.

The position follows the short formulas of Meeus, with nutation, aberration, parallax and refraction
to the size that matters outdoors. Against a far longer published algorithm, that of the reference
table in the tests, it is right within 0.01° from 1950 to 2099 at sea level.

What the sun does to live cells is not known (§2.8): nothing here is a loss, or leads to one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rhizoledger.errors import InputError

FloatArray = NDArray[np.float64]

J2000_UNIX_S = 946_728_000.0  # exact: 2000-01-01 12:00 UTC
DAY_S = 86_400.0  # exact: seconds in a day
CENTURY_D = 36_525.0  # exact: days in a Julian century
TURN = 360.0  # exact: one turn in degrees
HALF_TURN = 180.0  # exact: half a turn in degrees
RIGHT_ANGLE = 90.0  # exact: quarter of a turn in degrees
ARCMIN = 60.0  # exact: arc minutes in a degree
PARALLAX_DEG = 8.794 / 3600  # numeric: the sun's horizontal parallax, Meeus ch. 40
HORIZON_DEG = -0.8333  # numeric: half a disc and the refraction at the horizon, Meeus ch. 15
STANDARD_MBAR, STANDARD_C = 1010.0, 10.0  # numeric: air for which Meeus 16.4 is written
LOWEST_BEAM_DEG = 3.0  # numeric: below, a beam is a difference of small numbers: all is sky light


@dataclass(frozen=True, slots=True)
class SunPosition:
    """Where the sun stands at each of some moments.

    Parameters
    ----------
    elevation_deg : array of float
        Height of its centre over the level horizon, air left out [degrees].
    apparent_deg : array of float
        The same as it is seen, lifted by the air [degrees].
    azimuth_deg : array of float
        Direction from true north by east, 0 to 360 [degrees].
    distance_au : array of float
        Distance [astronomical units].
    """

    elevation_deg: FloatArray
    apparent_deg: FloatArray
    azimuth_deg: FloatArray
    distance_au: FloatArray

    @property
    def is_up(self) -> NDArray[np.bool_]:
        """Whether any of the disc is seen over a level horizon."""
        return self.elevation_deg > HORIZON_DEG


def sun_position(
    unix_s: ArrayLike,
    lat_deg: float,
    lon_deg: float,
    *,
    pressure_mbar: float = STANDARD_MBAR,
    air_c: float = STANDARD_C,
) -> SunPosition:
    """Elevation and azimuth of the sun at moments of universal time.

    Parameters
    ----------
    unix_s : array of float
        Seconds since 1970-01-01 00:00 UTC; UTC and UT1 are taken as one.
    lat_deg, lon_deg : float
        Latitude (north positive) and longitude (east positive) [degrees].
    pressure_mbar, air_c : float
        Air pressure [mbar] and temperature [°C]; they change refraction only.

    Raises
    ------
    InputError
        If the place is not on the globe, or a time is not a number.

    Notes
    -----
    Meeus, Astronomical Algorithms (1998), chapters 12, 13, 16, 22, 25 and 40. The difference of
    dynamical from universal time, about a minute, moves the sun by less than 0.001° and is left
    out.

    Examples
    --------
    Noon of an equinox where the equator meets the prime meridian: the sun is nearly overhead.

    >>> float(sun_position(1_742_472_000.0, 0.0, 0.0).elevation_deg.round())
    88.0
    """
    t_s = np.asarray(unix_s, dtype=np.float64)
    checked_place(lat_deg, lon_deg)
    if not np.isfinite(t_s).all():
        raise InputError("A time for the sun's position is not a number. Take it out.")
    days = (t_s - J2000_UNIX_S) / DAY_S
    t = days / CENTURY_D
    anomaly = np.radians(357.52911 + 35999.05029 * t - 0.0001537 * t**2)  # numeric: Meeus 25.3
    centre = (
        (1.914602 - 0.004817 * t - 0.000014 * t**2) * np.sin(anomaly)  # numeric: Meeus ch. 25
        + (0.019993 - 0.000101 * t) * np.sin(2 * anomaly)  # numeric: Meeus ch. 25
        + 0.000289 * np.sin(3 * anomaly)  # numeric: Meeus ch. 25
    )
    mean_longitude = 280.46646 + 36000.76983 * t + 0.0003032 * t**2  # numeric: Meeus 25.2
    node = np.radians(125.04 - 1934.136 * t)  # numeric: Meeus ch. 25
    nutation = -0.00478 * np.sin(node)  # numeric: Meeus ch. 25
    aberration = -0.00569  # numeric: Meeus ch. 25
    longitude = np.radians(mean_longitude + centre + aberration + nutation)
    tilt = np.radians(23.439291 - 0.0130042 * t + 0.00256 * np.cos(node))  # numeric: Meeus 22.2
    ascension = np.arctan2(np.cos(tilt) * np.sin(longitude), np.cos(longitude))
    declination = np.arcsin(np.sin(tilt) * np.sin(longitude))

    sidereal = (
        280.46061837 + 360.98564736629 * days + 0.000387933 * t**2  # numeric: Meeus 12.4
    ) + nutation * np.cos(tilt)
    hour_angle = np.radians(sidereal + lon_deg) - ascension
    lat = np.radians(lat_deg)
    south = np.cos(hour_angle) * np.sin(lat) * np.cos(declination) - np.cos(lat) * np.sin(
        declination
    )
    west = np.sin(hour_angle) * np.cos(declination)
    up = np.sin(lat) * np.sin(declination) + np.cos(lat) * np.cos(declination) * np.cos(hour_angle)
    azimuth = np.degrees(np.arctan2(west, south)) + HALF_TURN
    # From the two legs: near the zenith an arc sine alone would lose half of its digits.
    from_centre = np.degrees(np.arctan2(up, np.hypot(south, west)))
    elevation = from_centre - PARALLAX_DEG * np.cos(np.radians(from_centre))

    e = 0.016708634 - 0.000042037 * t  # numeric: Meeus 25.4
    true_anomaly = anomaly + np.radians(centre)
    distance = 1.000001018 * (1 - e**2) / (1 + e * np.cos(true_anomaly))  # numeric: Meeus 25.5
    return SunPosition(
        elevation,
        elevation + _refraction_deg(elevation, pressure_mbar, air_c),
        np.asarray(azimuth % TURN),
        np.asarray(distance),
    )


def checked_place(lat_deg: float, lon_deg: float) -> None:
    """Refuse a latitude or longitude that is not on the globe.

    Raises
    ------
    InputError
        With the number and the remedy.
    """
    if not abs(lat_deg) <= RIGHT_ANGLE:
        raise InputError(
            f"Latitude {lat_deg:g} lies outside -90 to 90. Give degrees, north positive, latitude "
            "before longitude."
        )
    if not abs(lon_deg) <= HALF_TURN:
        raise InputError(
            f"Longitude {lon_deg:g} lies outside -180 to 180. Give degrees, east positive, after "
            "the latitude."
        )


def _refraction_deg(elevation: FloatArray, pressure_mbar: float, air_c: float) -> FloatArray:
    """How far the air lifts the sun; nothing once it has set for good."""
    air = pressure_mbar / STANDARD_MBAR * 283 / (273 + air_c)  # numeric: Meeus ch. 16
    seen = np.maximum(elevation, HORIZON_DEG)
    bent = np.radians(seen + 10.3 / (seen + 5.11))  # numeric: Meeus 16.4
    lift = 1.02 / np.tan(bent) / ARCMIN * air  # numeric: Meeus 16.4
    return np.where(elevation > HORIZON_DEG, lift, 0.0)


@dataclass(frozen=True, slots=True)
class ClearSkyNumbers:
    """The constants of the clear-sky formulas, from evidence rows.

    Parameters
    ----------
    overhead_w_m2 : float
        Global light of an overhead sun without air [W/m²].
    extinction : float
        How fast it falls as the path through the air grows.
    solar_constant_w_m2 : float
        Above the air, at one astronomical unit [W/m²].
    cloudy_below, cloudy_slope : float
        Below this clearness the diffuse share is 1 less the slope times the clearness.
    clear_above, clear_share : float
        Above this clearness the diffuse share is fixed.
    between : tuple of float
        Coefficients of the diffuse share in rising powers of the clearness, between the two.
    """

    overhead_w_m2: float
    extinction: float
    solar_constant_w_m2: float
    cloudy_below: float
    cloudy_slope: float
    clear_above: float
    clear_share: float
    between: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class ClearSky:
    """Light of sun and clear sky at each of some moments [W/m²].

    Parameters
    ----------
    global_w_m2 : array of float
        Onto level ground, all together.
    direct_w_m2 : array of float
        Straight from the sun, onto a face square to it.
    diffuse_w_m2 : array of float
        From the rest of the sky, onto level ground.
    """

    global_w_m2: FloatArray
    direct_w_m2: FloatArray
    diffuse_w_m2: FloatArray


def clear_sky(sun: SunPosition, numbers: ClearSkyNumbers) -> ClearSky:
    """How strongly sun and sky shine where no cloud is.

    Parameters
    ----------
    sun : SunPosition
        Where the sun stands.
    numbers : ClearSkyNumbers
        The formulas' constants.

    Returns
    -------
    ClearSky
        ``global = direct · sin(elevation) + diffuse`` at each moment; zero while the sun is down.

    Notes
    -----
    Global light after Haurwitz 1945, a·sin h·e^(−b/sin h) with h the apparent elevation; its
    diffuse share after Erbs, Klein & Duffie 1982, equation 1. Height above sea, haze and dust are
    not in it: ``sun.clear_sky.factor`` in the evidence says how far other air may lie from it.
    Below 3° all light is counted as sky light.

    Examples
    --------
    >>> night = SunPosition(np.array(-9.0), np.array(-9.0), np.array(0.0), np.array(1.0))
    >>> row = ClearSkyNumbers(1000.0, 0.1, 1361.0, 0.2, 0.1, 0.8, 0.2, (1.0,))
    >>> float(clear_sky(night, row).global_w_m2)
    0.0
    """
    height = np.sin(np.radians(sun.apparent_deg))
    up = height > 0
    sin_h = np.where(up, height, 1.0)
    level = np.where(up, numbers.overhead_w_m2 * sin_h * np.exp(-numbers.extinction / sin_h), 0.0)
    clearness = level * sun.distance_au**2 / (numbers.solar_constant_w_m2 * sin_h)
    share = np.select(
        [clearness <= numbers.cloudy_below, clearness > numbers.clear_above],
        [1 - numbers.cloudy_slope * clearness, np.full_like(clearness, numbers.clear_share)],
        np.polynomial.polynomial.polyval(clearness, numbers.between),
    )
    share = np.where(sun.apparent_deg > LOWEST_BEAM_DEG, share, 1.0)
    diffuse = share * level
    return ClearSky(level, (level - diffuse) / sin_h, diffuse)


def brightest_face(sun: SunPosition, sky: ClearSky, ground_reflects: ArrayLike) -> FloatArray:
    """Light onto the brighter of a level lid and an upright wall that faces the sun [W/m²].

    Parameters
    ----------
    sun : SunPosition
    sky : ClearSky
        Of the same moments.
    ground_reflects : array of float, 0 to 1
        Share of the light that the ground throws back.

    Notes
    -----
    The wall gets the beam by the cosine of the elevation, half of the sky, and half of what the
    level ground throws back. Which way a box is turned is not asked for.

    Examples
    --------
    A low beam of 800 W/m², 30° up, with 100 from the sky onto level ground, and black ground:

    >>> sun = SunPosition(np.array(30.0), np.array(30.0), np.array(0.0), np.array(1.0))
    >>> sky = ClearSky(np.array(500.0), np.array(800.0), np.array(100.0))
    >>> float(brightest_face(sun, sky, 0.0).round())
    743.0
    """
    wall = (
        sky.direct_w_m2 * np.cos(np.radians(sun.apparent_deg))
        + 0.5 * sky.diffuse_w_m2
        + 0.5 * np.asarray(ground_reflects) * sky.global_w_m2
    )
    return np.maximum(sky.global_w_m2, wall)
