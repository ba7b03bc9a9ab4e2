"""Area of a field boundary given in longitude and latitude.

Areas are taken on the WGS 84 ellipsoid through its authalic (equal-area) latitude: in the
coordinates (longitude, sine of authalic latitude) a plain shoelace is an exact area for edges that
are straight there, and for a field such an edge is a hand's breadth from the geodesic.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rhizoledger.errors import InputError

SEMI_MAJOR_M = 6_378_137.0  # exact: WGS 84 defining constant
FLATTENING = 1 / 298.257223563  # exact: WGS 84 defining constant
M2_PER_HA = 10_000.0  # exact: definition of the hectare

MAX_LON = 180.0  # exact: half a turn in degrees
MAX_LAT = 90.0  # exact: quarter of a turn in degrees
TURN = 360.0  # exact: one turn in degrees
SMALLEST_HA = 1e-4  # exact: one square metre; less is a line, not a field
MIN_CORNERS = 3  # exact: a triangle is the smallest ring
MAX_CORNERS = 5000  # numeric: crossing edges are looked for pair by pair
MAX_RINGS = 200  # numeric: a field has few parts; more is a map of something else

_E2 = FLATTENING * (2 - FLATTENING)
_E = math.sqrt(_E2)

FloatArray = NDArray[np.float64]


def _q(sin_lat: Any) -> Any:
    """Twice the area, per a² and radian of longitude, between the equator and a latitude."""
    return (1 - _E2) * (sin_lat / (1 - _E2 * sin_lat**2) + np.arctanh(_E * sin_lat) / _E)


def ring_area_ha(lon: Sequence[float], lat: Sequence[float]) -> float:
    """Area inside one ring of longitudes and latitudes [ha].

    Parameters
    ----------
    lon, lat : sequence of float, shape (n,) [degrees, WGS 84]
        Corners in order, either way round; the last may repeat the first. The ring may cross the
        180th meridian but not enclose a pole.

    Returns
    -------
    float
        Unsigned area on the ellipsoid [ha]; slopes are not counted.

    Raises
    ------
    InputError
        If a coordinate is not a number or out of range, the ring has fewer than three corners or
        too many, touches or crosses itself, encloses nothing, or goes round a pole.

    Notes
    -----
    Authalic shoelace: A = ½ Σ Δλ_i (s_i + s_{i+1}) a² q_p / 2, s the sine of authalic latitude.

    References
    ----------
    Snyder, Map Projections: A Working Manual (1987), equations 3-11 and 3-12.

    Examples
    --------
    A square of 0.001° at the equator is 111.32 m by 110.57 m:

    >>> round(ring_area_ha([0, 0.001, 0.001, 0], [0, 0, 0.001, 0.001]), 2)
    1.23
    """
    x, y = _checked(lon, lat)
    step = np.diff(x, append=x[0])
    step -= TURN * np.round(step / TURN)  # the short way round, also across the 180th meridian
    if abs(step.sum()) > 1:
        raise InputError("The boundary goes round a pole. Check the order of its corners.")
    unrolled = x[0] + np.concatenate(([0.0], np.cumsum(step[:-1])))
    crossing = _first_crossing(unrolled, y)
    if crossing is not None:
        i, j = crossing
        raise InputError(
            f"The boundary crosses itself (the edge after corner {i + 1} and the edge after corner "
            f"{j + 1}). Put the corners in order, or split it into two boundaries."
        )
    half_q = 0.5 * _q(np.sin(np.radians(y)))
    height = half_q - half_q[0]  # relative to a corner: no digits are lost on a small field
    strips = np.radians(step) * 0.5 * (height + np.roll(height, -1))
    area_ha = float(abs(strips.sum()) * SEMI_MAJOR_M**2 / M2_PER_HA)
    if area_ha < SMALLEST_HA:
        raise InputError("The boundary encloses less than one square metre. Check its corners.")
    return area_ha


def _checked(lon: Sequence[float], lat: Sequence[float]) -> tuple[FloatArray, FloatArray]:
    try:
        x, y = np.asarray(lon, dtype=float), np.asarray(lat, dtype=float)
    except (TypeError, ValueError):
        raise InputError("A boundary corner is not a number. Write longitude, latitude.") from None
    if x.ndim != 1 or x.shape != y.shape:
        raise InputError("Longitudes and latitudes differ in number. Give a pair for each corner.")
    if x.size > MAX_CORNERS:
        raise InputError(
            f"The boundary has {x.size} corners; at most {MAX_CORNERS} are taken. Simplify it."
        )
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise InputError("A boundary corner is not a finite number. Remove or correct it.")
    if (abs(x) > MAX_LON).any() or (abs(y) > MAX_LAT).any():
        raise InputError(
            "A boundary corner lies outside longitude ±180 and latitude ±90. "
            "Export the boundary in degrees (WGS 84), longitude first."
        )
    repeated = (np.diff(x, append=x[:1]) == 0) & (np.diff(y, append=y[:1]) == 0)
    x, y = x[~repeated], y[~repeated]
    if x.size < MIN_CORNERS:
        raise InputError("A boundary needs at least three different corners. Add the others.")
    if np.unique(np.column_stack((x, y)), axis=0).shape[0] < x.size:
        raise InputError(
            "The boundary comes back to a corner before its end. Split it into two boundaries."
        )
    return x, y


def _first_crossing(x: FloatArray, y: FloatArray) -> tuple[int, int] | None:
    """The first two edges that cross at an inner point, or None (touching is allowed)."""
    end_x, end_y = np.roll(x, -1), np.roll(y, -1)
    for i in range(x.size - 1):
        # Sides of edge i on which the later edges begin and end, and the other way round.
        dx, dy = end_x[i] - x[i], end_y[i] - y[i]
        begins = dx * (y[i + 1 :] - y[i]) - dy * (x[i + 1 :] - x[i])
        ends = dx * (end_y[i + 1 :] - y[i]) - dy * (end_x[i + 1 :] - x[i])
        other_dx, other_dy = end_x[i + 1 :] - x[i + 1 :], end_y[i + 1 :] - y[i + 1 :]
        mine = other_dx * (y[i] - y[i + 1 :]) - other_dy * (x[i] - x[i + 1 :])
        mine_end = other_dx * (end_y[i] - y[i + 1 :]) - other_dy * (end_x[i] - x[i + 1 :])
        crosses = (np.sign(begins) * np.sign(ends) < 0) & (np.sign(mine) * np.sign(mine_end) < 0)
        if crosses.any():
            return i, i + 1 + int(np.argmax(crosses))
    return None


def boundary_area_ha(geojson: Mapping[str, Any]) -> float:
    """Area of a GeoJSON boundary, holes taken out [ha].

    Parameters
    ----------
    geojson : mapping
        A Polygon or MultiPolygon, alone, as a Feature, or as a FeatureCollection whose areas are
        added. Heights are ignored. Overlap between parts is not looked for.

    Raises
    ------
    InputError
        On anything else, on a broken ring, or on holes larger than their polygon.

    Examples
    --------
    >>> ring = [[0, 0], [0.001, 0], [0.001, 0.001], [0, 0.001], [0, 0]]
    >>> round(boundary_area_ha({"type": "Polygon", "coordinates": [ring]}), 2)
    1.23
    """
    polygons = _polygons(geojson)
    if sum(len(rings) for rings in polygons) > MAX_RINGS:
        raise InputError(f"The boundary has more than {MAX_RINGS} rings. Give one field at a time.")
    return sum(_polygon_area_ha(rings) for rings in polygons)


def _polygon_area_ha(rings: list[Any]) -> float:
    if not rings:
        raise InputError("A polygon in the boundary is empty. Remove it or draw it.")
    outer, *holes = (ring_area_ha(*_lon_lat(ring)) for ring in rings)
    if sum(holes) >= outer:
        raise InputError("The holes in the boundary are larger than the field. Check the rings.")
    return outer - sum(holes)


def _lon_lat(ring: Any) -> tuple[list[float], list[float]]:
    corners = _list(ring, "ring")
    for corner in corners:
        numbers = _list(corner, "corner")[:2]
        if len(numbers) < 2 or any(
            isinstance(n, bool) or not isinstance(n, int | float) for n in numbers
        ):
            raise InputError("A boundary corner is not a pair of numbers. Write [lon, lat].")
    return [corner[0] for corner in corners], [corner[1] for corner in corners]


def _list(value: Any, what: str) -> list[Any]:
    if not isinstance(value, list | tuple):
        raise InputError(f"A {what} of the boundary is not a list. Export it as GeoJSON again.")
    return list(value)


def _polygons(geojson: Any) -> list[list[Any]]:
    """Every polygon as its list of rings; the nesting of GeoJSON is followed no further."""
    kind = geojson.get("type") if isinstance(geojson, Mapping) else None
    if kind == "FeatureCollection":
        features = _list(geojson.get("features"), "collection")
        if not features:
            raise InputError("The boundary has no features. Draw the field and export it again.")
        return [rings for feature in features for rings in _geometry(_feature(feature))]
    return _geometry(_feature(geojson) if kind == "Feature" else geojson)


def _feature(feature: Any) -> Any:
    if not isinstance(feature, Mapping) or feature.get("type") != "Feature":
        raise InputError("A member of the boundary is not a Feature. Export it as GeoJSON again.")
    return feature.get("geometry")


def _geometry(geometry: Any) -> list[list[Any]]:
    kind = geometry.get("type") if isinstance(geometry, Mapping) else None
    if kind == "Polygon":
        return [_list(geometry.get("coordinates"), "polygon")]
    if kind == "MultiPolygon":
        parts = _list(geometry.get("coordinates"), "polygon")
        if not parts:
            raise InputError("The boundary has no polygons. Draw the field and export it again.")
        return [_list(part, "polygon") for part in parts]
    shown = kind if isinstance(kind, str) else "nothing"
    raise InputError(
        f"The boundary holds {shown[:40]}, not a field outline. "  # numeric: enough to recognise
        "Give a GeoJSON Polygon or MultiPolygon."
    )
