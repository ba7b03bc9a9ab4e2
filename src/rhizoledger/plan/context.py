"""What every part of a plan looks at: the season, the evidence, the draws, the day it is."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Any, TypeVar
from zoneinfo import ZoneInfo

from rhizoledger.draws import OTHER_PRIORS, Draws, Moved
from rhizoledger.evidence import Evidence, Parameter
from rhizoledger.evidence.facts import (
    HazardFact,
    PublishedRule,
    crop_id,
    host_group_of,
    host_groups,
)
from rhizoledger.plan.counting import SampleCount
from rhizoledger.records import Batch, Event, Inoculant, Lot, Product, Season, Stay

T = TypeVar("T")

RECENT = 48  # numeric: answers kept for a while; a batch asks for about eight again and again


@dataclass(frozen=True, slots=True)
class Context:
    """The season with its facts up to ``as_of``, looked up by name, and what is known elsewhere.

    Rows dated after ``as_of`` are left out, stays excepted: those are plans.
    """

    season: Season
    evidence: Evidence
    rules: tuple[PublishedRule, ...]
    hazard_facts: Mapping[str, HazardFact]
    draws: Draws
    other_priors: tuple[Draws, ...]
    as_of: date
    now: datetime
    zone: ZoneInfo
    counts: tuple[SampleCount, ...]
    lots: Mapping[str, Lot]
    inoculants: Mapping[str, Inoculant]
    products: Mapping[str, Product]
    batches: Mapping[str, Batch]
    stays: Mapping[str, tuple[Stay, ...]]
    events: Mapping[str, tuple[Event, ...]]
    kept: dict[tuple[str, ...], Any] = field(default_factory=dict)
    """Answers worked out once and asked for often; a key names all that an answer depends on."""
    recent: dict[tuple[str, ...], Any] = field(default_factory=dict)

    def once(self, key: tuple[str, ...], work: Callable[[], T]) -> T:
        """The answer to ``key`` under the draws in use, worked out at the first asking."""
        key = (self.draws.prior, *key)
        if key not in self.kept:
            self.kept[key] = work()
        answer: T = self.kept[key]
        return answer

    def lately(self, key: tuple[str, ...], work: Callable[[], T]) -> T:
        """:meth:`once` for answers asked for again soon and too large to keep for the season."""
        key = (self.draws.prior, *key)
        answer: T = self.recent.pop(key) if key in self.recent else work()
        self.recent[key] = answer
        while len(self.recent) > RECENT:
            self.recent.pop(next(iter(self.recent)))
        return answer

    def with_draws(self, n: int, moved: Moved | None = None) -> Context:
        """The same context with ``n`` draws; nothing worked out with others is kept."""
        draws = Draws(self.draws.seed, n, moved=moved)
        return replace(self, draws=draws, other_priors=other_priors(draws), kept={}, recent={})

    def counts_of(self, item: str, *bases: str) -> tuple[SampleCount, ...]:
        """Samples of one item on the given bases, in time order."""
        return tuple(c for c in self.counts if c.item == item and c.basis in bases)

    def parameter(self, key: str) -> Parameter | None:
        """An evidence row, or None where there is none."""
        return self.evidence.get(key)

    def crop_row(self, crop: str | None, name: str) -> Parameter | None:
        """The evidence row ``crop.CROP.name``, however the crop is spelled."""
        return self.parameter(f"crop.{crop_slug(crop)}.{name}") if crop else None

    def group_served(self, inoculant: Inoculant) -> str | None:
        """Host group an inoculant serves: a group's id, or the name of a crop in it."""
        text = inoculant.host_group.strip()
        known = {g.group for g in host_groups()}
        return text if text in known else host_group_of(text)

    def group_of(self, crop: str) -> str | None:
        """Host group of a crop, or None where the tables do not know it."""
        return host_group_of(crop)


def other_priors(draws: Draws) -> tuple[Draws, ...]:
    """The same draws under every other reading of the evidence."""
    return tuple(draws.read(prior) for prior in OTHER_PRIORS)


Row = TypeVar("Row", Stay, Event)


def crop_slug(crop: str) -> str:
    """The name by which the evidence knows a crop; an unknown crop keeps its own."""
    return crop_id(crop) or crop


def same_crop(first: str, second: str) -> bool:
    """Whether two names mean one crop, however they are spelled."""
    a, b = crop_slug(first), crop_slug(second)
    return a == b or a.casefold() == b.casefold()


def by_item(rows: Iterable[Row]) -> dict[str, tuple[Row, ...]]:
    """Rows grouped by the item they are about, in time order."""
    groups: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        groups[row.item].append(row)
    return {name: tuple(sorted(group, key=_moment)) for name, group in groups.items()}


def _moment(row: Stay | Event) -> tuple[datetime, int]:
    return (row.start if isinstance(row, Stay) else row.at, row.row)
