"""SEASON's verdict rules and windows on small whole seasons: each rule, and what outranks it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta
from functools import lru_cache
from pathlib import Path

import pytest

from rhizoledger.evidence import load_evidence
from rhizoledger.evidence.facts import hazard_facts, published_rules
from rhizoledger.plan.season_plan import Plan, plan_season
from rhizoledger.plan.verdict import judge_field, judge_planting
from rhizoledger.records import (
    NEVER,
    Application,
    Event,
    Plate,
    Product,
    RecipeStep,
    Season,
    Stack,
    Treatment,
)
from rhizoledger.workflows.season import load

BY_HAND = Path(__file__).parent / "by_hand"
Change = Callable[[Season], Season]


@lru_cache(maxsize=1)
def season() -> Season:
    """Inoculant alone, one lot, planted after two days on ground with history."""
    return load(BY_HAND)


def planned(s: Season) -> Plan:
    return plan_season(
        s, load_evidence(), rules=published_rules(), hazard_facts=hazard_facts(), n_draws=1000
    )


def one(table: str, **changes: object) -> Change:
    """Change the first row of a table."""

    def change(s: Season) -> Season:
        rows = getattr(s, table)
        return replace(s, **{table: (replace(rows[0], **changes), *rows[1:])})

    return change


def with_fungicide(verdict: str | None, max_hours: float | None = None) -> Change:
    """Put a fungicide beside the inoculant, with or without a stacks row about it."""

    def change(s: Season) -> Season:
        step = RecipeStep(3, "R1", 2, "B", "FUN", 1.0, "mL/kg", dry_before_next=True)
        row = Stack(2, "INO", ("FUN",), "on_seed", verdict, max_hours, by="label", source="it")  # type: ignore[arg-type]
        return replace(
            s,
            recipes=(*s.recipes, step),
            products=(Product(2, "FUN", "fungicide"),),
            stacks=(row,) if verdict else (),
        )

    return change


def bought_in(s: Season) -> Season:
    batch = replace(
        s.batches[0], origin="bought_in", recipe=None, lots=(), tag_use_by=date(2027, 5, 20),
        tag_cells_per_seed=2e5, treat_on=None,
    )  # fmt: skip
    return replace(s, batches=(batch,))


def event(kind: str) -> Change:
    def change(s: Season) -> Season:
        at = s.stays[1].start + timedelta(hours=12)
        return replace(s, events=(Event(2, "B1", at, kind, 60.0),))  # type: ignore[arg-type]

    return change


def no_need(s: Season) -> Season:
    return replace(s, requirements=())


def in_one_tank(s: Season) -> Season:
    return replace(s, recipes=tuple(replace(step, tank="A") for step in s.recipes))


def used_beside_the_recipe(s: Season) -> Season:
    start = s.stays[1].start
    done = Treatment(2, "T1", "B1", "INO", "L1", 2000.0, "mL", start)
    more = replace(done, row=3, item="FUN", lot=None, amount=500.0)
    return replace(s, treatments=(done, more), products=(Product(2, "FUN", "fungicide"),))


def no_stays(s: Season) -> Season:
    return replace(s, stays=(s.stays[0],))


def counted_dead(s: Season) -> Season:
    at = s.stays[1].start + timedelta(hours=20)
    plate = Plate(2, "B1", at, "seed", 1.0, 0.1, 0, None, "target", 100.0, 100.0)
    return replace(s, plates=(plate, replace(plate, row=3), replace(plate, row=4)))


def none_used(s: Season) -> Season:
    done = Treatment(2, "T1", "B1", "INO", "L1", 0.0, "mL", s.stays[1].start)
    return replace(s, treatments=(done,))


def blended(s: Season) -> Season:
    mix = replace(
        s.batches[0], row=3, batch="MIX", origin="blend", parents=("B1",), recipe=None, lots=(),
        treat_on=None,
    )  # fmt: skip
    planting = replace(s.plantings[0], batch="MIX")
    return replace(s, batches=(*s.batches, mix), plantings=(planting,))


def second_lot_of_clover(s: Season) -> Season:
    other = replace(s.inoculants[0], row=3, inoculant="CLO", host_group="clover")
    lot = replace(s.lots[0], row=3, lot="L2", inoculant="CLO")
    batch = replace(s.batches[0], lots=("L1", "L2"))
    return replace(s, inoculants=(*s.inoculants, other), lots=(*s.lots, lot), batches=(batch,))


def alone_by_recipe(s: Season) -> Season:
    row = Stack(2, "INO", ("R1",), "on_seed", "label_allows", 24.0, by="label", source="it")
    return replace(s, stacks=(row,))


never = one("fields", years_since_group=NEVER)
unknown = one("fields", years_since_group=None)

CASES: dict[str, tuple[tuple[Change, ...], str, str]] = {
    "label open, no requirement": ((with_fungicide("label_allows", 72), no_need), "meets", "plant"),
    "label closed on history": ((with_fungicide("label_allows", 24),), "fails", "plant"),
    "label closed on first-time ground": (
        (with_fungicide("label_allows", 24), never), "fails", "re_inoculate",
    ),
    "unknown history is first-time": (
        (with_fungicide("label_allows", 24), unknown), "fails", "re_inoculate",
    ),
    "label forbids": ((with_fungicide("label_forbids"),), "not_known", "stop"),
    "untested on history": ((with_fungicide(None),), "not_known", "plant"),
    "untested on first-time ground": (
        (with_fungicide(None), never), "not_known", "plant_and_back_up",
    ),
    "lot expired, none other in date": (
        (one("lots", expires_on=date(2027, 5, 2)), never), "fails", "plant_and_back_up",
    ),
    "wrong host group": ((one("inoculants", host_group="clover"),), "unclear", "stop"),
    "over the label's rate": ((one("inoculants", label_rate_max=1.5),), "unclear", "stop"),
    "crop of unknown host group": (
        (one("plantings", crop="guar"), one("batches", crop="guar")), "not_known", "not_known",
    ),
    "tag open": ((bought_in, never), "meets", "plant"),
    "tag open but stood in the sun": (
        (bought_in, never, event("direct_sun")), "not_known", "plant_and_back_up",
    ),
    "tag past": (
        (bought_in, never, one("batches", tag_use_by=date(2027, 5, 1))),
        "fails", "plant_and_back_up",
    ),
    "far too few cells": ((one("recipes", rate=0.0002), never), "fails", "re_inoculate"),
    "allowed on seed, not known in the tank": (
        (with_fungicide("label_allows", 72), in_one_tank, never),
        "not_known", "plant_and_back_up",
    ),
    "a fungicide used that the recipe does not name": (
        (used_beside_the_recipe, never), "not_known", "plant_and_back_up",
    ),
    "planted before it is treated": (
        (one("batches", treat_on=date(2027, 6, 1)), never), "not_known", "plant_and_back_up",
    ),
    "returned seed with its tag still open": (
        (bought_in, one("batches", origin="returned"), never), "not_known", "plant_and_back_up",
    ),
    "planting and batch of two crops": (
        (one("plantings", crop="pea"),), "unclear", "not_known",
    ),
    "a label without end": ((with_fungicide("label_allows", 1e12), no_need), "meets", "plant"),
    "tag seed, sun, and no stay written down": (
        (bought_in, event("direct_sun"), no_stays, never), "not_known", "plant_and_back_up",
    ),
    "tag open and a count that finds next to nothing": (
        (bought_in, never, counted_dead), "fails", "plant_and_back_up",
    ),
    "tag that claims less than the crop needs": (
        (bought_in, never, one("batches", tag_cells_per_seed=2e4)),
        "fails", "plant_and_back_up",
    ),
    "a run that used none of the inoculant": (
        (with_fungicide("label_allows", 72), none_used, never), "not_known", "plant_and_back_up",
    ),
    "a blend of seed that a label forbids": (
        (with_fungicide("label_forbids"), blended, never), "not_known", "stop",
    ),
    "a blend of seed in its window": (
        (with_fungicide("label_allows", 72), blended, never), "not_known", "plant_and_back_up",
    ),
    "one of two lots for another host group": ((second_lot_of_clover,), "unclear", "stop"),
    "a label row that names the recipe of inoculant alone": (
        (alone_by_recipe, never), "fails", "re_inoculate",
    ),
    "a second dose would pass the label's rate": (
        (alone_by_recipe, one("inoculants", label_rate_max=3.0), never),
        "fails", "plant_and_back_up",
    ),
    "a host group spelled as a crop": (
        (one("inoculants", host_group="Soybeans"), no_need, alone_by_recipe), "fails", "plant",
    ),
    "a host group nobody knows": (
        (one("inoculants", host_group="xyz"), alone_by_recipe), "fails", "not_known",
    ),
    "seed wetted again": ((event("rewetted"), never), "not_known", "plant_and_back_up"),
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_plantings(name: str) -> None:
    changes, arrival, verdict = CASES[name]
    s = season()
    for change in changes:
        s = change(s)
    (answer,) = planned(s).plantings
    assert (answer.arrival, answer.verdict.word) == (arrival, verdict)
    assert answer.verdict.reasons and answer.verdict.actions


def test_nothing_makes_a_batch_green_on_first_time_ground_after_harm() -> None:
    for kind in ("direct_sun", "closed_vehicle", "frozen_seed", "rewetted"):
        for change in (bought_in, no_need, with_fungicide("label_allows", 72)):
            (answer,) = planned(never(event(kind)(change(season())))).plantings
            assert answer.verdict.word != "plant", (kind, change)


@pytest.mark.parametrize("consequence", ["first_time", "unknown"])
def test_skip_is_impossible_where_the_group_never_grew(consequence: str) -> None:
    word, _ = judge_field(
        consequence,  # type: ignore[arg-type]
        p_pays=0.0,
        expected_net=-100.0,
        worst_net=-200.0,
        toss_up=(0.4, 0.6),
        max_loss=1.0,
    )
    assert word == "inoculate_twice"


@pytest.mark.parametrize(
    ("p", "net", "worst", "limit", "word"),
    [
        (0.61, 1.0, -5.0, None, "inoculate"),
        (0.61, 1.0, -5.0, 4.0, "toss_up"),
        (0.61, 1.0, -5.0, 5.0, "inoculate"),
        (0.60, 1.0, -5.0, None, "toss_up"),
        (0.61, 0.0, -5.0, None, "toss_up"),
        (0.39, 0.0, -5.0, None, "skip"),
        (0.39, 0.1, -5.0, None, "toss_up"),
        (0.40, -1.0, -5.0, None, "toss_up"),
        (None, None, None, None, "not_known"),
    ],
)
def test_fields_first_match(
    p: float | None, net: float | None, worst: float | None, limit: float | None, word: str
) -> None:
    said, note = judge_field(
        "history", p_pays=p, expected_net=net, worst_net=worst, toss_up=(0.4, 0.6), max_loss=limit
    )
    assert said == word
    assert bool(note) == (limit == 4.0)


def test_a_stop_outranks_everything() -> None:
    word = judge_planting(
        "meets", "history", stop="it is forbidden", unknown_group="what?", may_re_inoculate=True
    )
    assert word == "stop"


def limits(s: Season) -> dict[str, str]:
    (batch,) = planned(s).batches
    return {x.by: x.at.isoformat(timespec="minutes")[:16] for x in batch.limits}


def test_hours_count_from_first_wetting() -> None:
    found = limits(with_fungicide("label_allows", 30)(season()))
    assert found["label"] == "2027-05-02T14:00"
    found = limits(with_fungicide("tested_ok", 30)(season()))
    assert found["stack"] == "2027-05-02T14:00"


def test_an_expiry_runs_to_the_end_of_its_day() -> None:
    assert limits(season())["expiry"] == "2028-01-01T00:00"


def test_an_opened_jug_overrun_before_treating_closes_the_window() -> None:
    s = one("inoculants", opened_life_days=5.0)(season())
    opened = Event(2, "L1", s.stays[1].start - timedelta(days=6), "opened")
    assert limits(replace(s, events=(opened,)))["opened_life"] == "2027-04-30T08:00"
    in_time = replace(opened, at=s.stays[1].start - timedelta(days=4))
    assert "opened_life" not in limits(replace(s, events=(in_time,)))


def test_a_slurry_kept_too_long_closes_the_window() -> None:
    s = one("inoculants", slurry_life_hours=4.0)(season())
    start = s.stays[1].start
    slurry = replace(s.stays[1], stage="slurry", moisture="wet", end=start + timedelta(hours=6))
    rest = replace(s.stays[1], start=start + timedelta(hours=6), end=start + timedelta(hours=9))
    late = replace(s, stays=(s.stays[0], slurry, rest, *s.stays[2:]))
    assert limits(late)["slurry_life"] == "2027-05-01T12:00"


def test_the_model_never_dates_past_the_published_series() -> None:
    s = one("requirements", cells_per_seed=10.0)(season())
    assert limits(s)["model"] <= "2027-05-22T08:00"
    (batch,) = planned(s).batches
    assert batch.plant_by is not None
    assert batch.plant_by.by == "model"


def test_a_parcel_keeps_its_own_stays_after_the_split() -> None:
    s = season()
    split_at = s.stays[1].start + timedelta(hours=10)
    split = Event(2, "B1", split_at, "split", parts=("left", "right"))
    hot = replace(s.stays[2], row=5, item="right", start=split_at, temp_high_c=44.0)
    mild = replace(s.stays[2], row=6, item="left", start=split_at)
    plantings = tuple(
        replace(s.plantings[0], row=2 + i, seq=1 + i, batch=name)
        for i, name in enumerate(("left", "right"))
    )
    left, right = planned(
        replace(s, events=(split,), stays=(*s.stays, hot, mild), plantings=plantings)
    ).plantings
    assert left.at is not None and right.at is not None
    assert left.at.cells.value is not None
    assert right.at.cells.value is None
    assert "44" in right.at.why_no_p


def test_two_crops_in_one_field_have_a_history_each() -> None:
    s = season()
    rows = (s.fields[0], replace(s.fields[0], crop="lentil", years_since_group=NEVER))
    lentil = replace(s.plantings[0], row=3, seq=2, crop="lentil", batch=None)
    soy, other = planned(replace(s, fields=rows, plantings=(*s.plantings, lentil))).plantings
    assert (soy.consequence, other.consequence) == ("history", "first_time")


def test_a_furrow_dose_is_a_back_up_only_if_it_is_right_and_in_date() -> None:
    dose = Application(2, "F1", 1, "L1", "furrow_liquid", 1.0, "L/ha")
    s = never(with_fungicide(None)(season()))
    both = replace(s.inoculants[0], placements=("seed", "furrow_liquid"))
    s = replace(s, inoculants=(both,), applications=(dose,))
    planned_text = "already planned"
    (good,) = planned(s).plantings
    assert planned_text in good.verdict.actions[0]
    wrong = replace(both, row=3, inoculant="CLO", host_group="clover")
    lot = replace(s.lots[0], row=3, lot="L2", inoculant="CLO")
    for bad in (
        replace(
            s, inoculants=(both, wrong), lots=(*s.lots, lot),
            applications=(replace(dose, lot="L2"),),
        ),
        replace(s, lots=(replace(s.lots[0], expires_on=date(2027, 5, 2)),)),
        replace(s, inoculants=(replace(both, placements=("seed",)),)),
        replace(s, applications=(replace(dose, tank_mix=("FUN",)),)),
        replace(s, applications=(replace(dose, at=s.stays[-1].start + timedelta(days=40)),)),
    ):  # fmt: skip
        (answer,) = planned(bad).plantings
        assert planned_text not in answer.verdict.actions[0]


def test_rhizobia_of_another_host_group_stop_a_planting_wherever_they_are() -> None:
    s = season()
    clover = replace(s.inoculants[0], row=3, inoculant="CLO", host_group="clover",
                     placements=("seed", "furrow_liquid"))  # fmt: skip
    lot = replace(s.lots[0], row=3, lot="L2", inoculant="CLO")
    s = replace(s, inoculants=(*s.inoculants, clover), lots=(*s.lots, lot))
    dose = Application(2, "F1", 1, "L2", "furrow_liquid", 1.0, "L/ha")
    bare = replace(s, plantings=(replace(s.plantings[0], batch=None),), applications=(dose,))
    jug = Treatment(2, "T1", "B1", "INO", "L1", 2000.0, "mL", s.stays[1].start)
    second = replace(jug, row=3, item="CLO", lot="L2")
    for wrong in (replace(s, applications=(dose,)), bare, replace(s, treatments=(jug, second))):
        (answer,) = planned(wrong).plantings
        assert answer.verdict.word == "stop", wrong
        assert "clover" in answer.verdict.reasons[0]


def test_without_a_recipe_what_else_is_on_the_seed_is_not_known() -> None:
    s = one("batches", recipe=None)(never(season()))
    (answer,) = planned(replace(s, recipes=())).plantings
    assert answer.at is not None and answer.at.p is None
    assert answer.verdict.word == "plant_and_back_up"


def test_bare_seed_is_inoculated_and_not_inoculated_again() -> None:
    s = never(season())
    (answer,) = planned(replace(s, plantings=(replace(s.plantings[0], batch=None),))).plantings
    assert answer.verdict.word == "re_inoculate"
    assert "bare seed" in answer.verdict.actions[0]


def test_temperatures_are_said_in_the_seasons_unit() -> None:
    s = season()
    f = replace(s.settings, units=replace(s.settings.units, temperature="F"))
    plan = planned(replace(s, settings=f))
    said = " ".join(e.why for b in plan.batches for e in b.ledger.entries)
    assert "°F" in said and "°C" not in said


def test_a_lot_that_froze_is_not_taken_at_its_guarantee_whatever_else_is_written_down() -> None:
    s = never(with_fungicide("label_allows", 72)(season()))
    froze = Event(2, "L1", s.stays[1].start - timedelta(days=3), "frozen")
    for stays in (s.stays, s.stays[1:]):
        (answer,) = planned(replace(s, stays=stays, events=(froze,))).plantings
        assert answer.arrival == "not_known"
        assert answer.verdict.word == "plant_and_back_up"


def test_a_tag_past_its_date_claims_nothing() -> None:
    s = one("batches", tag_use_by=date(2027, 5, 1))(bought_in(season()))
    for stays in (s.stays, s.stays[:1]):
        (answer,) = planned(replace(s, stays=stays)).plantings
        assert answer.at is not None
        assert answer.at.cells.value is None
