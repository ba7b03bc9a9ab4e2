"""Hazards are words, one for each kind, and never a loss (§2.8)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import UTC, datetime
from typing import Any

import pytest

from rhizoledger.records import Event, Stay
from rhizoledger.survival.hazards import HAZARD_KINDS, PLAIN_WORDS, Hazard, hazards_of

NOON = datetime(2027, 5, 1, 12, tzinfo=UTC)


@dataclass(frozen=True)
class Words:
    known: str
    settle: str


FACTS: Mapping[str, Words] = {k: Words(f"known of {k}", f"settles {k}") for k in HAZARD_KINDS}


def stay(stage: str = "on_seed", **more: Any) -> Stay:
    return Stay(2, "B1", stage, NOON, None, **more)  # type: ignore[arg-type]


def event(name: str, **more: Any) -> Event:
    return Event(3, "B1", NOON, name, **more)  # type: ignore[arg-type]


def kinds(stage: str, stays: list[Stay], events: list[Event], **more: Any) -> list[str]:
    return [h.kind for h in hazards_of(stage, stays, events, facts=FACTS, **more)]


@pytest.mark.parametrize(
    ("stage", "stays", "events", "more", "expected"),
    [
        ("on_seed", [stay()], [], {}, []),
        ("on_seed", [stay(sun_hours=2.0)], [], {}, ["sun"]),
        ("on_seed", [stay(sun_hours=2.0, covered=True)], [], {}, []),
        ("on_seed", [stay(sun_hours=0.0)], [], {}, []),
        ("on_seed", [], [event("direct_sun", minutes=20)], {}, ["sun"]),
        ("package", [], [event("frozen")], {}, ["frozen"]),
        ("on_seed", [], [event("frozen_seed")], {}, ["frozen_seed"]),
        ("package", [], [], {"min_c": -0.1, "form": "liquid"}, ["frozen"]),
        ("package", [], [], {"min_c": -0.1, "form": "dry"}, []),
        ("package", [], [], {"min_c": 0.0, "form": "liquid"}, []),
        ("slurry", [], [], {"min_c": -1.0}, ["frozen"]),
        ("planter", [], [], {"min_c": -1.0}, ["frozen_seed"]),
        ("on_seed", [], [event("rewetted")], {}, ["rewetted"]),
        ("on_seed", [stay(moisture="dry"), stay(moisture="wet")], [], {}, ["rewetted"]),
        ("on_seed", [stay(moisture="wet"), stay(moisture="dry")], [], {}, []),
        ("on_seed", [stay(moisture="dry"), stay(), stay(moisture="dry")], [], {}, []),
        ("on_seed", [stay(place="vehicle_closed")], [], {}, ["closed_vehicle"]),
        (
            "on_seed",
            [stay(place="vehicle_closed", logger="a.csv", sensor_at="product")],
            [event("closed_vehicle", minutes=60)],
            {},
            [],
        ),
        (
            "on_seed",
            [stay(place="vehicle_closed", logger="a.csv", sensor_at="air")],
            [],
            {},
            ["closed_vehicle"],
        ),
        ("on_seed", [], [event("closed_vehicle", ambient_c=25.0)], {}, ["closed_vehicle"]),
        ("on_seed", [], [], {"metals": ("zinc",)}, ["metals"]),
        ("slurry", [], [], {"water_sources": ("not", "chlorinated")}, ["chlorinated_water"]),
        ("slurry", [], [], {"water_sources": ("not", "unknown", None)}, []),
        ("package", [stay("package", packaging="airtight")], [], {}, ["airtight"]),
        ("package", [], [], {"form": "peat", "max_c": 27.0, "grows_above_c": 26.0}, ["warm_peat"]),
        ("package", [], [], {"form": "peat", "max_c": 26.0, "grows_above_c": 26.0}, []),
        ("package", [], [], {"form": "liquid", "max_c": 27.0, "grows_above_c": 26.0}, []),
        ("package", [], [], {"max_c": 26.0, "store_max_c": 25.0}, ["above_range"]),
        ("package", [], [], {"max_c": 25.0, "store_max_c": 25.0}, []),
        ("on_seed", [], [], {"max_c": 26.0, "store_max_c": 25.0}, []),
        ("package", [], [], {"min_c": 1.0, "store_min_c": 4.0}, ["below_range"]),
        ("package", [], [], {"unbounded_hours": 3.0}, ["unbounded_gap"]),
        ("on_seed", [], [event("opened"), event("split", parts=("P1",))], {}, []),
    ],
)
def test_rules(
    stage: str, stays: list[Stay], events: list[Event], more: dict[str, Any], expected: list[str]
) -> None:
    assert kinds(stage, stays, events, **more) == expected


def test_every_kind_can_occur_together_once_each_and_in_order() -> None:
    found = kinds(
        "package",
        [
            stay("package", place="vehicle_closed", packaging="airtight", sun_hours=1.0),
            stay("on_seed", moisture="dry", sun_hours=2.0),
            stay("on_seed", moisture="wet"),
        ],
        [event("frozen_seed"), event("frozen"), event("frozen"), event("direct_sun")],
        form="peat",
        min_c=-2.0,
        max_c=40.0,
        unbounded_hours=1.0,
        metals=("zinc", "copper"),
        water_sources=("chlorinated",),
        store_min_c=4.0,
        store_max_c=25.0,
        grows_above_c=26.0,
    )
    assert tuple(found) == HAZARD_KINDS


def test_words_come_from_the_evidence_and_what_was_seen_is_shown() -> None:
    (sun,) = hazards_of(
        "on_seed",
        [stay(sun_hours=1.5)],
        [event("direct_sun", minutes=20, ambient_c=31.0), event("direct_sun", minutes=20)],
        facts=FACTS,
    )
    assert (sun.what, sun.settle) == ("known of sun", "settles sun")
    assert sun.seen == "20 min, ambient 31 °C; 20 min; 1.5 h"
    (cold,) = hazards_of("package", [], [], facts=FACTS, min_c=1.04, store_min_c=4.0)
    assert cold.seen == "down to 1 °C, label 4 °C"


def test_without_words_the_flag_stands_all_the_same() -> None:
    (sun,) = hazards_of("on_seed", [], [event("direct_sun")], facts={})
    assert sun.what == "Known harmful, not quantified."
    (peat,) = hazards_of("package", [], [], facts={}, form="peat", max_c=30.0, grows_above_c=26.0)
    assert peat.what == PLAIN_WORDS["warm_peat"][0]


def test_a_hazard_has_no_place_for_a_loss() -> None:
    assert [f.name for f in fields(Hazard)] == ["kind", "what", "settle", "seen"]
