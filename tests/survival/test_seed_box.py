"""Seed in a sunlit box and air in a closed vehicle along a stay: temperatures, never a loss."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp
from scipy.optimize import brentq

from rhizoledger.errors import InputError
from rhizoledger.survival.course import air_of_a_day, hours_above, lag_behind
from rhizoledger.survival.seed_box import (
    STEFAN_BOLTZMANN,
    SeedBox,
    SeedBoxRanges,
    seed_box_course,
    seed_box_range,
)
from rhizoledger.survival.vehicle import closed_vehicle_air, closed_vehicle_rise

K = 273.15
T = np.arange(0.0, 86_401.0, 300.0)
AIR = air_of_a_day(T, 0.0, 12.0, 31.0, 15.0)
SUN = np.clip(900 * np.sin(np.pi * (T / 3600 - 6) / 12), 0, None)
BOX = SeedBox(0.85, 0.5, 0.9, 10.0, 5.0, 1.4, 0.1)
RANGES = SeedBoxRanges(
    (0.82, 1.13), (0.2, 0.95), (0.3, 0.75), (0.8, 0.95), (5, 24), (0, 10), (1.1, 1.6), (0.02, 0.4)
)


def loss_w_m2(seed_c: float, air_c: float, box: SeedBox) -> float:
    """Heat lost, by its definition."""
    around = air_c + K - float(np.asarray(box.surroundings_below_air_c))
    rays = float(np.asarray(box.emits)) * STEFAN_BOLTZMANN * ((seed_c + K) ** 4 - around**4)
    return float(np.asarray(box.convection_w_m2_k)) * (seed_c - air_c) + rays


def capacity(box: SeedBox) -> float:
    return 1e6 * float(np.asarray(box.heat_capacity_mj_m3_k)) * float(np.asarray(box.depth_m))


def taken(box: SeedBox) -> float:
    return float(np.asarray(box.absorbs)) * float(np.asarray(box.sunlit_share))


# --- the box ------------------------------------------------------------------------------------


@pytest.mark.parametrize("depth_m", [0.02, 0.1, 0.4])
@pytest.mark.parametrize("convection", [5.0, 20.0])
def test_twin_that_solves_the_balance(depth_m: float, convection: float) -> None:
    box = replace(BOX, depth_m=depth_m, convection_w_m2_k=convection, sunlit_share=1.0)

    def rate(t: float, seed: np.ndarray) -> float:
        air, sun = np.interp(t, T, AIR), np.interp(t, T, SUN)
        return (taken(box) * sun - loss_w_m2(float(seed[0]), air, box)) / capacity(box)

    twin = solve_ivp(
        rate, (0, T[-1]), [AIR[0]], t_eval=T, method="LSODA", rtol=1e-8, atol=1e-8, max_step=600
    )
    fast = seed_box_course(T, AIR, SUN, box)
    assert fast.max() > 45 or depth_m == 0.4
    assert fast == pytest.approx(twin.y[0], abs=0.02)


def test_closed_form_where_nothing_changes_and_no_heat_is_rayed() -> None:
    """T = T_a + (αG/h)(1 − e^(−ht/Cd)): after one time constant 63 % of the way."""
    box = SeedBox(0.8, 0.5, 0.0, 8.0, 0.0, 1.4, 0.1)
    t = np.linspace(0, 5 * capacity(box) / 8.0, 41)
    got = seed_box_course(t, np.full_like(t, 20.0), np.full_like(t, 700.0), box)
    wanted = 20 + 0.8 * 0.5 * 700 / 8.0 * -np.expm1(-8.0 * t / capacity(box))
    assert got == pytest.approx(wanted, abs=1e-9)


def test_ends_where_gain_and_loss_are_equal() -> None:
    t = np.arange(0, 30 * 86_400.0, 600.0)
    got = seed_box_course(t, np.full_like(t, 25.0), np.full_like(t, 800.0), BOX)
    even = brentq(lambda s: taken(BOX) * 800.0 - loss_w_m2(s, 25.0, BOX), 0.0, 200.0)
    assert got[-1] == pytest.approx(even, abs=1e-6)
    assert (np.diff(got) >= -1e-9).all()


def test_energy_is_neither_made_nor_lost() -> None:
    t = np.linspace(0, 86_400.0, 2881)
    air, sun = np.interp(t, T, AIR), np.interp(t, T, SUN)
    seed = seed_box_course(t, air, sun, BOX)
    lost = np.array([loss_w_m2(s, a, BOX) for s, a in zip(seed, air, strict=True)])
    came = np.trapezoid(taken(BOX) * sun, t)
    kept = capacity(BOX) * (seed[-1] - seed[0])
    assert came > 1e6
    assert kept == pytest.approx(came - np.trapezoid(lost, t), abs=1e-4 * came)


def test_no_sun_and_no_colder_surroundings_is_the_air() -> None:
    shade = replace(BOX, surroundings_below_air_c=0.0)
    still = seed_box_course(T, np.full_like(T, 17.0), 0 * T, shade)
    assert still == pytest.approx(17.0, abs=1e-9)
    thin = replace(shade, depth_m=0.001)
    assert seed_box_course(T, AIR, 0 * T, thin) == pytest.approx(AIR, abs=0.3)


def test_half_the_step_gives_the_same_course() -> None:
    fine = np.arange(0.0, 86_401.0, 150.0)
    coarse = seed_box_course(T, AIR, SUN, replace(BOX, depth_m=0.02))
    got = seed_box_course(
        fine, np.interp(fine, T, AIR), np.interp(fine, T, SUN), replace(BOX, depth_m=0.02)
    )
    assert got[::2] == pytest.approx(coarse, abs=0.01)


@pytest.mark.parametrize(
    ("change", "warmer"),
    [
        ({"absorbs": 0.95}, True),
        ({"sunlit_share": 0.9}, True),
        ({"surroundings_below_air_c": 0.0}, True),
        ({"absorbs": 0.3}, False),
    ],
)
def test_order_at_every_moment(change: dict[str, float], warmer: bool) -> None:
    """What the range takes for granted: these make all moments warmer, or all cooler."""
    gap = seed_box_course(T, AIR, SUN, replace(BOX, **change)) - seed_box_course(T, AIR, SUN, BOX)
    assert (gap >= -1e-9).all() if warmer else (gap <= 1e-9).all()
    assert abs(gap).max() > 0.5


def test_boxes_side_by_side_are_boxes_alone() -> None:
    depths = np.array([0.02, 0.1, 0.4])
    beside = seed_box_course(T, AIR, SUN, replace(BOX, depth_m=depths))
    assert beside.shape == (T.size, 3)
    for i, depth in enumerate(depths):
        assert beside[:, i] == pytest.approx(
            seed_box_course(T, AIR, SUN, replace(BOX, depth_m=depth)), abs=1e-9
        )


def test_no_box_within_the_ranges_leaves_the_range() -> None:
    """Two thousand boxes drawn evenly from the ranges, on one day: half a degree is the room."""
    rng = np.random.default_rng(20261017)

    def drawn(ends: tuple[float, float]) -> np.ndarray:
        return rng.uniform(*ends, 2000)

    boxes = SeedBox(
        drawn(RANGES.absorbs),
        drawn(RANGES.sunlit_share),
        drawn(RANGES.emits),
        drawn(RANGES.convection_w_m2_k),
        drawn(RANGES.surroundings_below_air_c),
        drawn(RANGES.heat_capacity_mj_m3_k),
        drawn(RANGES.depth_m),
    )
    sun = SUN[:, None] * drawn(RANGES.sun_factor)
    every = seed_box_course(T, AIR, sun, boxes)
    low, high = seed_box_range(T, AIR, SUN, RANGES)
    assert (every >= low[:, None] - 0.5).all() and (every <= high[:, None] + 0.5).all()
    assert (high - low).max() < 80


def test_a_range_of_one_box_is_its_course() -> None:
    ends = [(1.0, 1.0)] + [
        (float(np.asarray(v)),) * 2
        for v in (BOX.absorbs, BOX.sunlit_share, BOX.emits, BOX.convection_w_m2_k)
    ]
    point = SeedBoxRanges(*ends, (5.0, 5.0), (1.4, 1.4), (0.1, 0.1))
    low, high = seed_box_range(T, AIR, SUN, point)
    alone = seed_box_course(T, AIR, SUN, BOX)
    assert low == pytest.approx(alone, abs=1e-9) and high == pytest.approx(alone, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("absorbs", 1.1),
        ("emits", -0.1),
        ("sunlit_share", np.nan),
        ("convection_w_m2_k", 0.0),
        ("depth_m", 0.0),
        ("heat_capacity_mj_m3_k", np.inf),
        ("surroundings_below_air_c", -1.0),
    ],
)
def test_refuses_a_box_that_cannot_be(name: str, value: float) -> None:
    with pytest.raises(InputError, match=name):
        seed_box_course(T, AIR, SUN, replace(BOX, **{name: value}))


@pytest.mark.parametrize(
    ("t", "air", "sun"),
    [
        ([0.0, 0.0], [20.0, 20.0], [0.0, 0.0]),
        ([0.0, 300.0], [20.0], [0.0, 0.0]),
        ([0.0, 300.0], [20.0, np.nan], [0.0, 0.0]),
        ([0.0, 300.0], [20.0, 20.0], [0.0, -5.0]),
        ([], [], []),
    ],
)
def test_refuses_columns_that_cannot_be(t: list[float], air: list[float], sun: list[float]) -> None:
    with pytest.raises(InputError):
        seed_box_course(t, air, sun, BOX)
    with pytest.raises(InputError):
        closed_vehicle_air(t, air, sun, 25.0, 20.0)


# --- the vehicle --------------------------------------------------------------------------------


def test_full_sun_from_the_start_is_the_published_rise() -> None:
    t = np.array([0.0, 600.0, 1200.0, 1800.0, 3600.0])
    air = closed_vehicle_air(t, np.full(5, 30.0), np.ones(5), 24.6, 19.0)
    assert air - 30 == pytest.approx(closed_vehicle_rise(t / 60, 24.6, 19.0))


def test_vehicle_follows_sun_and_air_as_the_equation_says() -> None:
    share = SUN / 900

    def rate(t: float, rise: np.ndarray) -> float:
        return (24.6 * np.interp(t, T, share) - float(rise[0])) / (19.0 * 60)

    twin = solve_ivp(rate, (0, T[-1]), [0.0], t_eval=T, rtol=1e-9, atol=1e-9, max_step=300)
    got = closed_vehicle_air(T, AIR, share, 24.6, 19.0)
    assert got - AIR == pytest.approx(twin.y[0], abs=1e-5)
    assert got.max() - AIR.max() < 24.6


def test_vehicle_at_night_is_the_air_outside() -> None:
    assert (closed_vehicle_air(T, AIR, 0 * T, 31.0, 12.6) == AIR).all()


def test_vehicle_refuses_more_than_full_sun() -> None:
    with pytest.raises(InputError):
        closed_vehicle_air(T, AIR, np.full_like(T, 1.2), 24.6, 19.0)
    with pytest.raises(InputError):
        closed_vehicle_air(T, AIR, 0 * T, -1.0, 19.0)


# --- along time ---------------------------------------------------------------------------------


def test_air_of_a_day_touches_both_ends_at_its_hours() -> None:
    for lon in (-179.9, -64.2, 0.0, 120.0):
        minutes = np.arange(0, 86_400.0, 60.0)
        air = air_of_a_day(minutes, lon, 4.0, 22.0, 15.0)
        assert (air.min(), air.max()) == (pytest.approx(4, abs=1e-3), pytest.approx(22, abs=1e-3))
        warmest = (minutes[int(np.argmax(air))] / 3600 + lon / 15) % 24
        assert warmest == pytest.approx(15, abs=0.02)


@pytest.mark.parametrize(("low", "high"), [(10.0, 5.0), (np.nan, 5.0), (0.0, np.inf)])
def test_air_of_a_day_refuses_no_range(low: float, high: float) -> None:
    with pytest.raises(InputError):
        air_of_a_day([0.0], 0.0, low, high, 15.0)


@given(st.lists(st.floats(-20, 60), min_size=2, max_size=12), st.floats(-30, 70))
def test_hours_above_is_what_a_fine_grid_counts(temps: list[float], limit: float) -> None:
    t = 3600.0 * np.arange(len(temps))
    fine = np.linspace(0, t[-1], 20_001)
    counted = float(np.mean(np.interp(fine, t, temps) > limit) * t[-1] / 3600)
    assert hours_above(t, temps, limit) == pytest.approx(counted, abs=2e-3 * len(temps))


def test_a_split_step_changes_nothing() -> None:
    whole = lag_behind([0.0, 10.0], [0.0, 5.0], 3.0, 1.0)
    split = lag_behind([0.0, 4.0, 10.0], [0.0, 2.0, 5.0], 3.0, 1.0)
    assert split[-1] == pytest.approx(whole[-1], abs=1e-12)
