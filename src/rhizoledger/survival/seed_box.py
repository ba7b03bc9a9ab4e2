"""Seed in a box, hopper or bag in the sun: a temperature with a wide range, never a loss (§2.8).

A heat balance for each square metre through which the seed loses heat. Every constant is an
assumption with a range; no measured temperature of such seed was found, so that what comes out is
where a sensor should be put, and when, not what it will read.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from itertools import product

import numpy as np
from numpy.typing import ArrayLike, NDArray

from rhizoledger.errors import InputError
from rhizoledger.survival.course import one_step
from rhizoledger.units import KELVIN_AT_0_C

FloatArray = NDArray[np.float64]
Range = tuple[float, float]

STEFAN_BOLTZMANN = 5.670374419e-8  # exact: defined constants of 2019, W/m²/K⁴, rounded
J_PER_MJ = 1e6  # exact: mega


@dataclass(frozen=True, slots=True)
class SeedBox:
    """What the heat balance of one box rests on; fields may be arrays of one shape.

    Parameters
    ----------
    absorbs : float, 0 to 1
        Share of sunlight that the sunlit face takes up.
    sunlit_share : float, 0 to 1
        Sunlit area over the area through which the same seed loses heat.
    emits : float, 0 to 1
        How well the faces give off heat rays.
    convection_w_m2_k : float, > 0
        Heat taken by moving air [W/m²/K].
    surroundings_below_air_c : float, ≥ 0
        How much colder than the air the surroundings are that it trades heat rays with [°C].
    heat_capacity_mj_m3_k : float, > 0
        Of loose seed [MJ/m³/K].
    depth_m : float, > 0
        Seed that warms as one, for each square metre that loses heat [m].
    """

    absorbs: ArrayLike
    sunlit_share: ArrayLike
    emits: ArrayLike
    convection_w_m2_k: ArrayLike
    surroundings_below_air_c: ArrayLike
    heat_capacity_mj_m3_k: ArrayLike
    depth_m: ArrayLike


@dataclass(frozen=True, slots=True)
class SeedBoxRanges:
    """The lowest and highest of each field of :class:`SeedBox`, and of the light of a clear sky.

    Parameters
    ----------
    sun_factor : (float, float)
        Light over what the clear-sky formula says.
    absorbs, sunlit_share, emits, convection_w_m2_k, surroundings_below_air_c : (float, float)
    heat_capacity_mj_m3_k, depth_m : (float, float)
        As in :class:`SeedBox`.
    """

    sun_factor: Range
    absorbs: Range
    sunlit_share: Range
    emits: Range
    convection_w_m2_k: Range
    surroundings_below_air_c: Range
    heat_capacity_mj_m3_k: Range
    depth_m: Range


def seed_box_course(
    unix_s: ArrayLike,
    ambient_c: ArrayLike,
    sun_w_m2: ArrayLike,
    box: SeedBox,
    start_c: ArrayLike | None = None,
) -> FloatArray:
    """Temperature of the seed along a stay in the sun [°C].

    Parameters
    ----------
    unix_s : array of float, shape (n,), rising
        Moments of the stay [s]; between them air and sun are straight lines.
    ambient_c : array of float, shape (n,)
        Air outside [°C].
    sun_w_m2 : array of float, shape (n,) or (n, k), ≥ 0
        Light onto the sunlit face [W/m²].
    box : SeedBox
        Its fields are numbers, or arrays of shape (k,) for k boxes at once.
    start_c : float, optional
        Seed at the first moment [°C]; the air outside where it is not given.

    Returns
    -------
    array of float, shape (n,) or (n, k)
        The mean of the seed that warms as one; never a loss.

    Raises
    ------
    InputError
        If the columns do not match, time does not rise, or a number is out of its range.

    Notes
    -----
    C·d·T' = share·α·G − h(T − T_a) − εσ(T⁴ − T_s⁴), T_s the surroundings. Each step is the exact
    answer of the balance with its heat rays as a straight line through both temperatures; the
    line is drawn anew once with the temperature that the step led to. With steps of five minutes
    the numerical solution of the balance itself is met within 0.02 °C for seed 2 cm deep or more.

    Examples
    --------
    No sun, and surroundings as warm as the air: the seed is as warm as the air.

    >>> shade = SeedBox(0.9, 1.0, 0.9, 6.0, 0.0, 1.4, 0.1)
    >>> seed_box_course([0.0, 300.0], [20.0, 20.0], [0.0, 0.0], shade).tolist()
    [20.0, 20.0]
    """
    t, ambient, sun = _columns(unix_s, ambient_c, sun_w_m2)
    _checked_box(box)
    absorbed = np.asarray(box.absorbs) * np.asarray(box.sunlit_share) * sun
    air = ambient[:, None] + KELVIN_AT_0_C
    around = air - np.asarray(box.surroundings_below_air_c)
    emits = np.asarray(box.emits) * STEFAN_BOLTZMANN
    by_air = np.asarray(box.convection_w_m2_k)
    stored = np.asarray(box.heat_capacity_mj_m3_k) * J_PER_MJ * np.asarray(box.depth_m)
    seed = np.empty(np.broadcast_shapes(absorbed.shape, around.shape, stored.shape, emits.shape))
    seed[0] = air[0] if start_c is None else np.asarray(start_c) + KELVIN_AT_0_C
    for i in range(1, t.size):
        middle = 0.5 * (around[i - 1] + around[i])
        after = seed[i - 1]
        for _ in range(2):
            warm = 0.5 * (seed[i - 1] + after)
            by_rays = emits * (warm**2 + middle**2) * (warm + middle)
            loses = by_air + by_rays
            before, then = (
                (absorbed[j] + by_air * air[j] + by_rays * around[j]) / loses for j in (i - 1, i)
            )
            after = one_step(seed[i - 1], before, then, t[i] - t[i - 1], stored / loses)
        seed[i] = after
    out = seed - KELVIN_AT_0_C
    several = np.ndim(sun_w_m2) > 1 or any(np.ndim(getattr(box, f.name)) for f in fields(box))
    return out if several else out[:, 0]


def seed_box_range(
    unix_s: ArrayLike,
    ambient_c: ArrayLike,
    sun_w_m2: ArrayLike,
    ranges: SeedBoxRanges,
) -> tuple[FloatArray, FloatArray]:
    """The coldest and the warmest that the seed may be at each moment, within the ranges [°C].

    Parameters
    ----------
    unix_s, ambient_c : array of float, shape (n,)
        As :func:`seed_box_course` takes them; the seed starts at the air's temperature.
    sun_w_m2 : array of float, shape (n,)
        Light onto the sunlit face by the clear-sky formula, ``sun_factor`` left out [W/m²].
    ranges : SeedBoxRanges

    Returns
    -------
    tuple of (array of float, array of float), each shape (n,)
        Low and high. Different moments may have different boxes behind them.

    Notes
    -----
    More light taken up and warmer surroundings make every moment warmer, so only their ends are
    run, together; loss by air, heat rays and the heat stored may turn either way and are run at
    their ends and middles.

    Examples
    --------
    >>> point = SeedBoxRanges((1, 1), (1, 1), (1, 1), (1, 1), (6, 6), (0, 0), (1, 1), (1, 1))
    >>> low, high = seed_box_range([0.0, 300.0], [20.0, 20.0], [0.0, 0.0], point)
    >>> low.tolist(), high.tolist()
    ([20.0, 20.0], [20.0, 20.0])
    """
    heat = [
        (
            ranges.sun_factor[i] * ranges.absorbs[i] * ranges.sunlit_share[i],
            ranges.surroundings_below_air_c[1 - i],
        )
        for i in (0, 1)
    ]
    capacity, depth = ranges.heat_capacity_mj_m3_k, ranges.depth_m
    stored = capacity[0] * depth[0], capacity[1] * depth[1]  # only their product counts
    rows = np.array(
        [
            (*sun, air, rays, kept)
            for sun, air, rays, kept in product(
                heat, _spread(ranges.convection_w_m2_k), _spread(ranges.emits), _spread(stored)
            )
        ]
    )
    taken_up, below, air, rays, kept = rows.T
    boxes = SeedBox(1.0, 1.0, rays, air, below, kept, 1.0)
    sun = np.asarray(sun_w_m2, dtype=np.float64)[:, None] * taken_up
    courses = seed_box_course(unix_s, ambient_c, sun, boxes)
    return courses.min(axis=1), courses.max(axis=1)


def _spread(ends: Range) -> tuple[float, ...]:
    """Both ends and what lies between them on a ratio scale; one number where they are one."""
    low, high = ends
    return (low,) if low == high else (low, float(np.sqrt(low * high)), high)


def _columns(
    unix_s: ArrayLike, ambient_c: ArrayLike, sun_w_m2: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    t, ambient, sun = (
        np.asarray(column, dtype=np.float64) for column in (unix_s, ambient_c, sun_w_m2)
    )
    if t.ndim != 1 or not t.size or t.shape != ambient.shape or sun.shape[:1] != t.shape:
        raise InputError(
            "A box in the sun needs a time, an air temperature and a strength of sun for each "
            "moment. Give three columns of one length."
        )
    if not np.isfinite(t).all() or not (np.diff(t) > 0).all():
        raise InputError("The moments of a stay in the sun do not rise. Put them in order.")
    if not (ambient > -KELVIN_AT_0_C).all() or not np.isfinite(ambient).all():
        raise InputError("An air temperature is not a number that air can have. Correct it.")
    if not (sun >= 0).all() or not np.isfinite(sun).all():
        raise InputError("A strength of sun is negative or not a number. Give W/m², 0 at night.")
    return t, ambient, sun if sun.ndim > 1 else sun[:, None]


def _checked_box(box: SeedBox) -> None:
    shares = ("absorbs", "sunlit_share", "emits")
    for name in (f.name for f in fields(box)):
        value = np.asarray(getattr(box, name), dtype=np.float64)
        least = 0.0 if name in (*shares, "surroundings_below_air_c") else np.nextafter(0.0, 1.0)
        most = 1.0 if name in shares else np.inf
        if not ((value >= least) & (value <= most) & np.isfinite(value)).all():
            said = "0 to 1" if name in shares else "0 or more" if least == 0 else "above 0"
            raise InputError(f"{name} of a box in the sun must be {said}. Correct it.")
