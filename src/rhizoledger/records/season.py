"""A whole season, read and checked."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

from rhizoledger.records.ground import Application, Disposition, Field, Planting, RootDig
from rhizoledger.records.happened import Batch, Event, Lot, Plate, Stay, Treatment, Tubes
from rhizoledger.records.setup import Inoculant, Product, RecipeStep, Requirement, Settings, Stack


def _nothing() -> Mapping[str, Any]:
    """An empty mapping nobody can write to; Python 3.11 does not take one as a default."""
    return MappingProxyType({})


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


@dataclass(frozen=True, slots=True)
class Season:
    """Everything a season folder says, read and checked.

    ``extra`` keeps, per table, the unknown columns as they stood (row number → column → text).
    ``digests`` maps each input file to its SHA-256, ``traces`` logger names to readings
    (:class:`Trace`), ``trials`` file names to their rows as text, ``labels`` label files to their
    text. ``problems`` holds the warnings; a season with errors does not exist. ``tables`` names the
    tables that were there.
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
    labels: Mapping[str, str] = field(default_factory=_nothing)
    extra: Mapping[str, Any] = field(default_factory=_nothing)
    problems: tuple[Any, ...] = ()
