"""A closed vehicle is told with the temperature its air may have reached, never with a loss."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import pytest

from rhizoledger.plan.batch_answer import batch_at
from rhizoledger.plan.batch_facts import batch_facts
from rhizoledger.plan.context import Context
from rhizoledger.survival.vehicle import closed_vehicle_rise
from rhizoledger.workflows.plan import season_context

DEMO = Path(__file__).parents[2] / "examples" / "demo"


@lru_cache(maxsize=1)
def demo() -> Context:
    return season_context(DEMO)


def told(minutes: float | None, ambient_c: float | None) -> str:
    """The ledger's words on the closed vehicle of S07, with its minutes and air changed."""
    c = demo()
    events = tuple(
        replace(e, minutes=minutes, ambient_c=ambient_c) if e.event == "closed_vehicle" else e
        for e in c.season.events
    )
    c = replace(c, season=replace(c.season, events=events), kept={}, recent={})
    at = batch_at(batch_facts(c.batches["S07"], c), c.now, c)
    (entry,) = [e for e in at.book.entries if "closed vehicle" in e.why]
    assert entry.state == "not_quantified"
    assert entry.change.value is None
    return entry.why


@pytest.mark.parametrize(("minutes", "ambient_c"), [(10.0, 20.0), (60.0, 20.0), (900.0, 35.0)])
def test_the_air_is_ambient_and_the_published_rise(minutes: float, ambient_c: float) -> None:
    found = re.search(r"published rise (\d+) to (\d+) °F", told(minutes, ambient_c))
    assert found is not None
    low, high = ((float(x) - 32) / 1.8 for x in found.groups())
    slow, fast = (float(closed_vehicle_rise(minutes, *fit)) for fit in ((19.0, 27.3), (30.5, 12.6)))
    assert low == pytest.approx(ambient_c + slow, abs=0.3)
    assert high == pytest.approx(ambient_c + min(fast, 31.0), abs=0.3)


def test_without_minutes_or_air_nothing_is_worked_out() -> None:
    assert "published rise" not in told(None, 25.0)
    assert "published rise" not in told(60.0, None)
