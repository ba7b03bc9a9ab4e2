"""Which item seed was part of, and when: a batch, then a parcel split from it, then a blend."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TypeVar

from rhizoledger.plan.context import Context
from rhizoledger.plan.counting import SampleCount
from rhizoledger.records import Event, Stay


@dataclass(frozen=True, slots=True)
class Leg:
    """Seed went by the name of ``item`` after ``start`` and up to ``end``; None is without end."""

    item: str
    start: datetime | None = None
    end: datetime | None = None

    def holds(self, at: datetime) -> bool:
        """Whether a moment falls into the leg."""
        return (self.start is None or at > self.start) and (self.end is None or at <= self.end)


Path = tuple[Leg, ...]
Moment = TypeVar("Moment", Event, SampleCount)


def path_of(name: str, context: Context, seen: tuple[str, ...] = ()) -> Path:
    """A batch's own path, or a parcel's: its parent's up to the split, then its own."""
    for e in context.season.events:
        if name in e.parts and e.item not in (name, *seen):
            *before, last = path_of(e.item, context, (name, *seen))
            return (*before, replace(last, end=e.at), Leg(name, e.at))
    return (Leg(name),)


def stays_on(path: Path, context: Context) -> list[Stay]:
    """The rows of ``stays`` that seed on a path went through, clipped to its legs."""
    out: list[Stay] = []
    for leg in path:
        for stay in context.stays.get(leg.item, ()):
            start = stay.start if leg.start is None else max(stay.start, leg.start)
            end = stay.end
            if leg.end is not None:
                end = leg.end if end is None else min(end, leg.end)
            if end is None or end > start:
                out.append(replace(stay, start=start, end=end))
    return out


def moments_on(path: Path, rows: Iterable[Moment]) -> list[Moment]:
    """The events or counts that seed on a path met, in time order."""
    found = [r for leg in path for r in rows if r.item == leg.item and leg.holds(r.at)]
    return sorted(found, key=lambda r: r.at)
