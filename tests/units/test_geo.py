"""Field areas: a slow twin on the ellipsoid, invariants, and hostile boundaries."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from rhizoledger.errors import InputError
from rhizoledger.geo import boundary_area_ha, ring_area_ha

A_M, F = 6_378_137.0, 1 / 298.257223563
E2 = F * (2 - F)


def cell_ha(south: float, north: float, width_deg: float) -> float:
    """Area of a cell between two parallels, by integrating both radii of curvature."""

    def strip(lat_deg: float) -> float:
        lat = math.radians(lat_deg)
        w2 = 1 - E2 * math.sin(lat) ** 2
        meridional = A_M * (1 - E2) / w2**1.5
        parallel = A_M * math.cos(lat) / w2**0.5
        return meridional * parallel

    integral, _ = quad(strip, south, north, epsabs=0, epsrel=1e-12)
    return integral * math.radians(1) * math.radians(width_deg) / 1e4


def square(lon: float, lat: float, size: float) -> tuple[list[float], list[float]]:
    return [lon, lon + size, lon + size, lon], [lat, lat, lat + size, lat + size]


@pytest.mark.parametrize("lat", [-60.0, -1.0, 0.0, 20.0, 44.7, 70.0])
@pytest.mark.parametrize("size", [0.002, 0.05, 1.0])
def test_twin_integrates_the_ellipsoid(lat: float, size: float) -> None:
    assert ring_area_ha(*square(12.0, lat, size)) == pytest.approx(
        cell_ha(lat, lat + size, size), rel=2e-9
    )


def test_whole_earth() -> None:
    """Published area of the WGS 84 ellipsoid: 510,065,621.7 km² (from memory)."""
    band = ring_area_ha([0, 90, 90, 0], [-90, -90, 90, 90]) * 4
    assert band / 100 == pytest.approx(510_065_621.7, abs=0.05)


@given(
    lon=st.floats(-180, 180),
    lat=st.floats(-80, 80),
    radius=st.floats(1e-4, 0.02),
    corners=st.integers(3, 40),
    shift=st.integers(0, 39),
)
def test_order_start_and_place_do_not_matter(
    lon: float, lat: float, radius: float, corners: int, shift: int
) -> None:
    turn = np.linspace(0, 2 * np.pi, corners, endpoint=False) + 0.1
    x, y = radius * np.cos(turn), lat + radius * np.sin(turn)

    def wrapped(at: float) -> list[float]:
        return [float((v + 180) % 360 - 180) for v in x + at]

    area = ring_area_ha(wrapped(0.0), list(y))
    assert ring_area_ha(wrapped(0.0)[::-1], list(y)[::-1]) == pytest.approx(area, rel=1e-9)
    rolled = list(np.roll(y, shift))
    assert ring_area_ha(list(np.roll(wrapped(lon), shift)), rolled) == pytest.approx(area, rel=1e-6)
    closed_x, closed_y = [*wrapped(0.0), wrapped(0.0)[0]], [*y, y[0]]
    assert ring_area_ha(closed_x, closed_y) == pytest.approx(area, rel=1e-12)


def test_across_the_180th_meridian() -> None:
    there = ring_area_ha([179.99, -179.99, -179.99, 179.99], [10, 10, 10.02, 10.02])
    here = ring_area_ha([-0.01, 0.01, 0.01, -0.01], [10, 10, 10.02, 10.02])
    assert there == pytest.approx(here, rel=1e-9)


def test_a_quarter_section_on_the_plane() -> None:
    """Half a mile square is 160 acres; laid out on local radii at 42 ° north."""
    lat, side_m = 42.0, 804.672
    w2 = 1 - E2 * math.sin(math.radians(lat)) ** 2
    dy = math.degrees(side_m / (A_M * (1 - E2) / w2**1.5))
    dx = math.degrees(side_m / (A_M * math.cos(math.radians(lat)) / w2**0.5))
    area = ring_area_ha([0, dx, dx, 0], [lat - dy / 2, lat - dy / 2, lat + dy / 2, lat + dy / 2])
    assert area / 0.40468564224 == pytest.approx(160, abs=1e-3)


SQUARE = [[0, 0], [0.01, 0], [0.01, 0.01], [0, 0.01], [0, 0]]
HOLE = [[0.002, 0.002], [0.004, 0.002], [0.004, 0.004], [0.002, 0.004], [0.002, 0.002]]


def test_holes_parts_and_collections() -> None:
    whole = boundary_area_ha({"type": "Polygon", "coordinates": [SQUARE]})
    holed = boundary_area_ha({"type": "Polygon", "coordinates": [SQUARE, HOLE]})
    assert holed == pytest.approx(whole * (1 - 0.04), rel=1e-6)
    geometry = {"type": "MultiPolygon", "coordinates": [[SQUARE], [SQUARE]]}
    feature = {"type": "Feature", "geometry": geometry, "properties": {}}
    assert boundary_area_ha(feature) == pytest.approx(2 * whole, rel=1e-12)
    collection = {"type": "FeatureCollection", "features": [feature, feature]}
    assert boundary_area_ha(collection) == pytest.approx(4 * whole, rel=1e-12)
    with_height = [[*corner, 250.0] for corner in SQUARE]
    assert boundary_area_ha({"type": "Polygon", "coordinates": [with_height]}) == whole


@pytest.mark.parametrize(
    ("lon", "lat", "says"),
    [
        ([0, 1, 1, 0], [0, 1, 0, 1], "crosses itself"),
        ([0, 1, 2, 2, 1, 0], [0, 1, 0, 2, 1, 2], "comes back"),
        ([0, 1], [0, 1], "three"),
        ([], [], "three"),
        ([0, 0, 0], [0, 0, 0], "three"),
        ([0, 1, 2], [5, 5, 5], "encloses"),
        ([0, 1, 1], [0, 0], "differ in number"),
        ([0, math.nan, 1], [0, 0, 1], "finite"),
        ([0, math.inf, 1], [0, 0, 1], "finite"),
        ([500_000, 500_100, 500_000], [4_600_000, 4_600_000, 4_600_100], "WGS 84"),
        ([0, 120, -120], [80, 80, 80], "pole"),
        (["a", "b", "c"], [0, 1, 1], "not a number"),
        (list(range(6000)), [0] * 6000, "at most"),
    ],
)
def test_broken_rings(lon: list[Any], lat: list[Any], says: str) -> None:
    with pytest.raises(InputError, match=says):
        ring_area_ha(lon, lat)


@pytest.mark.parametrize(
    "geojson",
    [
        None,
        [],
        {},
        {"type": "Point", "coordinates": [0, 0]},
        {"type": "Polygon"},
        {"type": "Polygon", "coordinates": []},
        {"type": "Polygon", "coordinates": "0 0"},
        {"type": "Polygon", "coordinates": [[[0], [1], [2]]]},
        {"type": "Polygon", "coordinates": [[["0", "0"], [1, 0], [1, 1]]]},
        {"type": "Polygon", "coordinates": [[[True, False], [1, 0], [1, 1]]]},
        {"type": "Polygon", "coordinates": [HOLE, SQUARE]},
        {"type": "Polygon", "coordinates": [SQUARE] + [HOLE] * 500},
        {"type": "MultiPolygon", "coordinates": []},
        {"type": "Feature", "geometry": None},
        {"type": "FeatureCollection", "features": []},
        {"type": "FeatureCollection", "features": [None]},
        {"type": "GeometryCollection", "geometries": []},
        {"type": ["Polygon"], "coordinates": [SQUARE]},
        {"type": "x" * 10_000},
    ],
)
def test_broken_boundaries(geojson: Any) -> None:
    with pytest.raises(InputError) as caught:
        boundary_area_ha(geojson)
    assert len(str(caught.value)) < 300
