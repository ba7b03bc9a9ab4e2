"""The nouns of a season, as frozen records.

Records carry what the user wrote, converted to the units inside the program (named in the field),
and nothing computed. None means unknown, never zero. Times are aware datetimes in UTC; dates are
local. ``row`` is the row a spreadsheet shows, for messages.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from types import MappingProxyType
from typing import Any, Literal

NEVER = float("inf")
"""``years_since_group`` where the host group never grew."""

Contact = Literal["tank", "on_seed", "furrow_tank"]


def _nothing() -> Mapping[str, Any]:
    """An empty mapping nobody can write to; Python 3.11 does not take one as a default."""
    return MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Units:
    """The units the user reads and writes."""

    seed_mass: str = "lb"
    area: str = "ac"
    temperature: str = "F"
    yield_: str = "bu/ac"


@dataclass(frozen=True, slots=True)
class Market:
    """What one crop sells for, per its price unit (``bu``, ``kg``, ``t``)."""

    crop: str
    price: float
    unit: str
    price_sd: float | None = None


@dataclass(frozen=True, slots=True)
class Settings:
    """``season.toml``: the season's name, place, units, decisions and costs.

    Money is per area in the season's own area unit; nothing here is converted.
    """

    name: str
    timezone: str
    starts_on: date
    ends_on: date
    seed: int
    country: str | None = None
    state: str | None = None
    lat: float | None = None
    lon: float | None = None
    units: Units = field(default_factory=Units)
    probability: float = 0.9  # exact: the default that SEASON promises
    toss_up: tuple[float, float] = (0.4, 0.6)  # exact: the default that SEASON promises
    max_loss_per_area: float | None = None
    as_of: date | datetime | None = None
    markets: Mapping[str, Market] = field(default_factory=_nothing)
    treating_fee: float | None = None
    freight: float | None = None
    furrow_pass: float | None = None
    product_per_area: float | None = None
    delay_loss_per_day: Mapping[str, float] = field(default_factory=_nothing)
    delay_source: Mapping[str, str] = field(default_factory=_nothing)
    ambient_low_c: float | None = None
    ambient_high_c: float | None = None
    tank_l: float | None = None
    seed_flow: str | None = None
    max_liquid: Mapping[str, str] = field(default_factory=_nothing)
    celsius_confirmed: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Requirement:
    """Cells per seed a crop needs, on which basis, and who says so."""

    row: int
    crop: str
    cells_per_seed: float
    basis: Literal["nominal_applied", "recovered_at_planting"]
    source: str


@dataclass(frozen=True, slots=True)
class Inoculant:
    """A live product as its label describes it."""

    row: int
    inoculant: str
    host_group: str
    species: str
    form: Literal["liquid", "peat", "granule", "dry"]
    placements: tuple[str, ...]
    guaranteed_titre: float | None
    titre_unit: Literal["CFU/mL", "CFU/g"]
    guarantee_holds: Literal["to_expiry", "at_manufacture"] | None
    rate: float | None
    rate_unit: str | None
    label_rate_min: float | None = None
    label_rate_max: float | None = None
    pack_size: float | None = None
    pack_unit: str | None = None
    pack_price: float | None = None
    opened_life_days: float | None = None
    slurry_life_hours: float | None = None
    protectant: str | None = None
    store_min_c: float | None = None
    store_max_c: float | None = None
    organic_ok: bool | None = None
    label_file: str | None = None


@dataclass(frozen=True, slots=True)
class Product:
    """Anything else that goes on seed or into a tank."""

    row: int
    product: str
    kind: str
    metals: str | None = None
    active: str | None = None
    formulation: str | None = None
    density_g_per_ml: float | None = None
    pack_size: float | None = None
    pack_unit: str | None = None
    pack_price: float | None = None
    label_rate_max: float | None = None
    label_crops: tuple[str, ...] = ()
    organic_ok: bool | None = None
    label_file: str | None = None
    label_rate_unit: str | None = None


@dataclass(frozen=True, slots=True)
class RecipeStep:
    """One step of a recipe; steps that share a ``tank`` letter are mixed together."""

    row: int
    recipe: str
    step: int
    tank: str
    item: str
    rate: float
    rate_unit: str
    wait_minutes: float | None = None
    dry_before_next: bool | None = None
    water_source: Literal["chlorinated", "not", "unknown"] | None = None


@dataclass(frozen=True, slots=True)
class Stack:
    """What is known of an inoculant together with other items (§3.2)."""

    row: int
    inoculant: str
    with_: tuple[str, ...]
    contact: Contact
    verdict: Literal["label_allows", "label_forbids", "tested_ok", "tested_harmful", "not_tested"]
    max_hours: float | None = None
    log10_loss: float | None = None
    loss_hours: float | None = None
    loss_basis: Literal["over_check", "total"] | None = None
    by: Literal["label", "maker", "independent", "own"] | None = None
    source: str | None = None


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


@dataclass(frozen=True, slots=True)
class Season:
    """Everything a season folder says, read and checked.

    ``extra`` keeps, per table, the unknown columns as they stood (row number → column → text).
    ``digests`` maps each input file to its SHA-256, ``traces`` logger names to readings
    (:class:`Trace`), ``trials`` file names to their rows as text. ``problems`` holds the warnings;
    a season with errors does not exist. ``tables`` names the tables that were there.
    """

    settings: Settings
    requirements: tuple[Requirement, ...] = ()
    inoculants: tuple[Inoculant, ...] = ()
    products: tuple[Product, ...] = ()
    recipes: tuple[RecipeStep, ...] = ()
    stacks: tuple[Stack, ...] = ()
    lots: tuple[Lot, ...] = ()
    batches: tuple[Batch, ...] = ()
    treatments: tuple[Treatment, ...] = ()
    stays: tuple[Stay, ...] = ()
    events: tuple[Event, ...] = ()
    plates: tuple[Plate, ...] = ()
    tubes: tuple[Tubes, ...] = ()
    fields: tuple[Field, ...] = ()
    plantings: tuple[Planting, ...] = ()
    applications: tuple[Application, ...] = ()
    roots: tuple[RootDig, ...] = ()
    dispositions: tuple[Disposition, ...] = ()
    tables: tuple[str, ...] = ()
    traces: Mapping[str, Trace] = field(default_factory=_nothing)
    trials: Mapping[str, tuple[Mapping[str, str], ...]] = field(default_factory=_nothing)
    digests: Mapping[str, str] = field(default_factory=_nothing)
    extra: Mapping[str, Any] = field(default_factory=_nothing)
    problems: tuple[Any, ...] = ()


@dataclass(frozen=True, slots=True)
class Trace:
    """Readings of one logger, in time order.

    Parameters
    ----------
    name : str
        File name in ``loggers/``.
    time_s : array of int64, shape (n,)
        Seconds since 1970-01-01 UTC, strictly increasing.
    temp_c : array of float64, shape (n,)
        Temperature [°C].
    """

    name: str
    time_s: Any
    temp_c: Any
