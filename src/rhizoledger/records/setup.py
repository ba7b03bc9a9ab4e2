"""What a season is set up with: units, markets, labels, recipes and what is known of stacks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from types import MappingProxyType
from typing import Any, Literal

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
