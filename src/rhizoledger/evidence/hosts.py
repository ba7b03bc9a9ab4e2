"""Host groups: which crops share a symbiont. History and products are matched by group (§4.1)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import cast

from rhizoledger.errors import EvidenceError
from rhizoledger.evidence.load import GRADES, Grade, packaged_rows_once, packaged_sources
from rhizoledger.evidence.read import Row, facts_from_rows


@dataclass(frozen=True, slots=True)
class HostGroup:
    """Crops that share a symbiont.

    Parameters
    ----------
    group : str
        Group id.
    crops : tuple of str
        Names and synonyms of its crops, in lower case.
    symbiont : str
        The bacteria.
    note : str
        Where the group is not uniform; may be empty.
    grade, sources, how_known
        As for a parameter.
    """

    group: str
    crops: tuple[str, ...]
    symbiont: str
    note: str
    grade: Grade
    sources: tuple[str, ...]
    how_known: str


@dataclass(frozen=True, slots=True)
class Crop:
    """A crop: its name in parameter ids, its host group, and the names people write."""

    id: str
    group: str
    names: tuple[str, ...]


@lru_cache(maxsize=1)
def host_groups() -> tuple[HostGroup, ...]:
    """All host groups, in the order of the table."""
    return facts_from_rows(packaged_rows_once(), "host_group", HostGroup, _host_group)


def host_group_of(crop: str) -> str | None:
    """The host group of a crop, or None if the crop is not in the tables.

    Case, hyphens and underscores do not matter; a name that several crops share (``"bean"``) is
    not guessed.

    Examples
    --------
    >>> host_group_of("Soybeans"), host_group_of("faba_bean"), host_group_of("bean")
    ('soybean', 'pea_lentil_faba_vetch', None)
    """
    known = _crop_by_name().get(plain_crop(crop))
    return None if known is None else known.group


def crop_id(crop: str) -> str | None:
    """A crop's name in parameter ids, or None if the crop is not in the tables.

    Examples
    --------
    >>> crop_id("Field Peas"), crop_id("groundnut"), crop_id("maize")
    ('pea', 'peanut', None)
    """
    known = _crop_by_name().get(plain_crop(crop))
    return None if known is None else known.id


@lru_cache(maxsize=1)
def crops() -> tuple[Crop, ...]:
    """All crops of the tables."""
    return facts_from_rows(packaged_rows_once(), "crop", Crop, _crop)


def plain_crop(crop: str) -> str:
    """A crop name in lower case with single blanks.

    Examples
    --------
    >>> plain_crop(" Dry-Bean ")
    'dry bean'
    """
    return " ".join(re.sub(r"[\s_-]+", " ", crop).lower().split())


def check_hosts() -> None:
    """Read the tables of groups and crops, so that a fault in them is an error now.

    Raises
    ------
    EvidenceError
        Naming file and row.
    """
    _crop_by_name()


def _host_group(row: Row) -> HostGroup:
    group = row.identifier("group")
    return HostGroup(
        group,
        tuple(name for crop in crops() if crop.group == group for name in crop.names),
        row.text("symbiont"),
        row.optional_text("note") or "",
        cast(Grade, row.choice("grade", GRADES)),
        row.sources(packaged_sources()),
        row.text("how_known"),
    )


def _crop(row: Row) -> Crop:
    names = row.texts("names", needed=True)
    for name in names:
        if name != plain_crop(name):
            raise row.fault(f"name {name!r} must be in lower case with single blanks.")
    return Crop(row.identifier(), row.identifier("group"), names)


@lru_cache(maxsize=1)
def _crop_by_name() -> Mapping[str, Crop]:
    groups = {group.group for group in host_groups()}
    found: dict[str, Crop] = {}
    for crop in crops():
        if crop.group not in groups:
            raise EvidenceError(f"crop {crop.id!r}: group {crop.group!r} is not a host group.")
        for name in crop.names:
            if found.setdefault(name, crop) is not crop:
                raise EvidenceError(f"crop name {name!r} stands for two crops. Keep one.")
    return found
