"""What happened to lots and seed, and what is planned for them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal


@dataclass(frozen=True, slots=True)
class Lot:
    """One production lot of an inoculant."""

    row: int
    lot: str
    inoculant: str
    expires_on: date
    made_on: date | None = None
    received_on: date | None = None
    packs: float | None = None


@dataclass(frozen=True, slots=True)
class Batch:
    """A batch of seed.

    ``seeds_per_kg`` and ``mass_kg`` are derived from whatever basis the row gave; either is None
    where it cannot be known.
    """

    row: int
    batch: str
    crop: str
    origin: Literal["own_run", "custom", "bought_in", "blend", "returned", "carried_over"]
    quantity: float
    quantity_unit: str
    mass_kg: float | None
    seeds_per_kg: float | None
    seeds_per_unit: float | None = None
    kg_per_bag: float | None = None
    seed_size_how: Literal["tag", "counted", "guess"] | None = None
    owner: str | None = None
    needed_by: date | None = None
    parents: tuple[str, ...] = ()
    recipe: str | None = None
    lots: tuple[str, ...] = ()
    treat_on: date | datetime | None = None
    tag_use_by: date | datetime | None = None
    tag_cells_per_seed: float | None = None


@dataclass(frozen=True, slots=True)
class Treatment:
    """One item of a treating run as it was done."""

    row: int
    run: str
    batch: str
    item: str
    lot: str | None
    amount: float
    unit: str
    started_at: datetime
    finished_at: datetime | None = None
    seed_temp_c: float | None = None
    operator: str | None = None
    sample_bag: str | None = None


@dataclass(frozen=True, slots=True)
class Stay:
    """An item somewhere for a while: ``item`` is a lot, batch or parcel."""

    row: int
    item: str
    stage: Literal["package", "slurry", "drying", "on_seed", "planter"]
    start: datetime
    end: datetime | None
    place: Literal["store", "vehicle_closed", "yard", "tender", "planter"] | None = None
    logger: str | None = None
    temp_low_c: float | None = None
    temp_high_c: float | None = None
    sensor_at: Literal["product", "air"] | None = None
    moisture: Literal["wet", "drying", "dry"] | None = None
    covered: bool | None = None
    sun_hours: float | None = None
    packaging: Literal["breathable", "airtight"] | None = None


@dataclass(frozen=True, slots=True)
class Event:
    """Something that happened to an item at a moment."""

    row: int
    item: str
    at: datetime
    event: Literal[
        "frozen", "closed_vehicle", "direct_sun", "rewetted", "opened", "frozen_seed", "split"
    ]
    minutes: float | None = None
    ambient_c: float | None = None
    parts: tuple[str, ...] = ()
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Plate:
    """One plate; ``colonies`` is a whole number, or TNTC, SPR or LA."""

    row: int
    item: str
    sampled_at: datetime
    basis: Literal["mL", "g", "seed"]
    dilution: float
    volume_ml: float
    colonies: int | Literal["TNTC", "SPR", "LA"]
    medium: str | None = None
    colonies_are: Literal["target", "total", "contaminant"] | None = None
    wash_ml: float | None = None
    seeds_washed: float | None = None
    day_read: float | None = None


@dataclass(frozen=True, slots=True)
class Tubes:
    """One dilution of a most-probable-number count; ``item`` may be a field."""

    row: int
    item: str
    sampled_at: datetime
    basis: Literal["mL", "g", "seed"]
    amount: float
    tubes: int
    positive: int
    host_plant: str | None = None
    control_positive: int | None = None
