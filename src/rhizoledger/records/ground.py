"""Fields, what is planted in them, and what became of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal

NEVER = float("inf")
"""``years_since_group`` where the host group never grew."""


@dataclass(frozen=True, slots=True)
class Field:
    """A field and what is known of its history and soil."""

    row: int
    field: str
    area: float
    years_since_group: float | None
    crop: str | None = None
    grower: str | None = None
    group_crops_grown: float | None = None
    last_nodulation: str | None = None
    ph: float | None = None
    organic_matter_pct: float | None = None
    sand_pct: float | None = None
    flooded_days: float | None = None
    drought_weeks: float | None = None
    eroded: bool | None = None
    nitrate_kg_ha: float | None = None
    irrigated: bool | None = None
    organic: bool | None = None
    previous_crop: str | None = None
    soil_mpn_per_g: float | None = None
    region: str | None = None
    boundary: str | None = None


@dataclass(frozen=True, slots=True)
class Planting:
    """One planting of one batch (or of bare seed, ``batch`` None) in one field."""

    row: int
    field: str
    seq: int
    batch: str | None
    crop: str
    planned_on: date | datetime
    area: float
    seeding_rate: float
    seeding_unit: str
    spread_days: float | None = None
    planted_from: datetime | None = None
    planted_to: datetime | None = None
    row_spacing: float | None = None
    soil: Literal["moist", "dry", "wet"] | None = None
    reason: Literal["first", "replant", "double_crop", "fill"] | None = None
    row_spacing_m: float | None = None


@dataclass(frozen=True, slots=True)
class Application:
    """Inoculant put in the furrow, not on seed."""

    row: int
    field: str
    seq: int
    lot: str
    placement: Literal["furrow_liquid", "furrow_granule"]
    rate: float
    rate_unit: str
    water_rate: str | None = None
    tank_mix: tuple[str, ...] = ()
    at: datetime | None = None


@dataclass(frozen=True, slots=True)
class RootDig:
    """One plant dug (or pulled) and looked at."""

    row: int
    field: str
    seq: int
    stage: str
    sampled_on: date
    plant: int
    nodules: int
    strip: Literal["treated", "check"] | None = None
    crown: int | None = None
    cut: int | None = None
    pink_of_cut: int | None = None
    size_mm: float | None = None
    dug: Literal["spaded", "pulled"] | None = None


@dataclass(frozen=True, slots=True)
class Disposition:
    """What became of an item in the end."""

    row: int
    item: str
    on: date
    quantity: float
    unit: str
    fate: str
    to: str | None = None
