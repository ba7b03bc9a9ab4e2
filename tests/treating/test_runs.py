"""A run as planned and as done."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from rhizoledger.errors import UnitError
from rhizoledger.records import Treatment
from rhizoledger.treating.recipe import OnSeed, RecipeCheck, check_recipe
from rhizoledger.treating.runs import DoneRun, RunSheet, done_run, planned_run
from tests.treating.records import BATCH, F1, GOOD, I1, P1, PRODUCTS, step

I1_PACK = replace(I1, pack_size=1.0, pack_unit="L")
INOCULANTS = {"I1": I1_PACK}
AT = datetime(2027, 5, 3, 8, tzinfo=UTC)


def checked(steps: Any = GOOD, **more: Any) -> RecipeCheck:
    return check_recipe(BATCH, steps, INOCULANTS, PRODUCTS, crop_group="soybean", **more)


def used(
    item: str, amount: float, unit: str = "mL", run: str = "T1", lot: str | None = None, **more: Any
) -> Treatment:
    told = {"batch": "B1", "started_at": AT, "finished_at": AT + timedelta(hours=1), **more}
    return Treatment(row=2, run=run, item=item, lot=lot, amount=amount, unit=unit, **told)


def done(*rows: Treatment, products: Any = PRODUCTS, steps: Any = GOOD) -> DoneRun:
    got = done_run(BATCH, rows, checked(steps), INOCULANTS, products)
    assert got is not None
    return got


def test_planned() -> None:
    """2.5 L of I1 from 1 L packs: three packs, half a litre left."""
    got = planned_run(
        BATCH, checked(liquid_limit_ml_per_100kg=500.0), INOCULANTS, PRODUCTS
    ).to_dict()
    assert got == {
        "doses": [
            {"item": "F1", "amount": 1000.0, "unit": "mL", "per_unit_seed": 1.0},
            {"item": "I1", "amount": 2500.0, "unit": "mL", "per_unit_seed": 2.5},
        ],
        "liquid_ml_per_100kg": 350.0,
        "liquid_limit": 500.0,
        "packs": {"I1": 3},
        "left_over": {"I1": 500.0},
    }


def test_a_pack_of_another_measure_is_not_counted() -> None:
    by_mass = {"I1": replace(I1, pack_size=1.0, pack_unit="kg")}
    assert planned_run(BATCH, checked(), by_mass, PRODUCTS).packs == {}
    by_seed = {"I1": replace(I1, pack_size=50.0, pack_unit="unit")}
    assert planned_run(BATCH, checked(), by_seed, PRODUCTS).packs == {}
    # A rate in packs needs no more to say how many to open: 40 units at a pack per 25.
    counted = checked((step(1, "P1", 1, unit="pack/25 units"),))
    got = planned_run(BATCH, counted, INOCULANTS, PRODUCTS)
    assert got.packs == {"P1": 2} and got.left_over == {"P1": pytest.approx(0.4)}


def test_unknown_amount_stays_unknown() -> None:
    steps = (step(1, "I1", 100, unit="mL/bu"),)
    got = planned_run(BATCH, checked(steps), INOCULANTS, PRODUCTS)
    assert got.doses[0].amount is None and got.doses[0].per_unit_seed is None
    assert got.packs == {} and got.liquid_ml_per_100kg is None


def test_jug_changed_in_mid_run() -> None:
    got = done(used("F1", 1.0, "L"), used("I1", 1500, lot="L1"), used("I1", 875, lot="L2"))
    assert [(d.item, d.lot, d.amount) for d in got.doses] == [
        ("F1", None, 1000.0),
        ("I1", "L1", 1500.0),
        ("I1", "L2", 875.0),
    ]
    f1, i1 = got.deviations
    assert (f1.pct, i1.planned, i1.done, i1.pct) == (0.0, 2500.0, 2375.0, -5.0)
    assert got.liquid_ml_per_100kg == pytest.approx(337.5)
    assert got.stops == () and got.warnings == () and got.runs == ("T1",)


def test_packs_used_are_turned_into_amounts() -> None:
    assert done(used("I1", 2.5, "packs")).deviations[0].pct == 0.0
    got = done(used("F1", 1, "pack"))  # what a pack of F1 holds is not known
    assert got.deviations == () and got.warnings[0].code == "deviation_not_known"
    assert got.liquid_ml_per_100kg is None and got.doses[0].unit == "packs"
    with pytest.raises(UnitError):
        done(used("F1", 1, "splash"))


def test_mass_used_against_volume_planned_needs_a_density() -> None:
    got = done(used("F1", 1200, "g"))
    assert got.deviations == () and got.warnings[0].code == "deviation_not_known"
    dense = {**PRODUCTS, "F1": replace(F1, density_g_per_ml=1.2)}
    got = done(used("F1", 1200, "g"), products=dense)
    assert got.deviations[0].pct == pytest.approx(0.0)
    assert got.liquid_ml_per_100kg == pytest.approx(100.0)


def test_over_the_label_as_done() -> None:
    assert done(used("F1", 1500)).stops == ()
    got = done(used("F1", 900), used("F1", 601, lot="L2"))
    assert [stop.code for stop in got.stops] == ["over_label_rate"]
    assert "1501" in got.stops[0].sentence and "1500" in got.stops[0].sentence


def test_a_pesticide_twice_as_done() -> None:
    free = {**PRODUCTS, "F1": replace(F1, label_rate_max=None)}
    check = check_recipe(BATCH, GOOD, INOCULANTS, free, crop_group="soybean")

    def codes(*rows: Treatment) -> list[str]:
        got = done_run(BATCH, rows, check, INOCULANTS, free)
        assert got is not None
        return [stop.code for stop in got.stops]

    assert codes(used("F1", 1000), used("F1", 1000, run="T2")) == ["pesticide_already_on_seed"]
    assert codes(used("F1", 500), used("F1", 500, run="T2")) == []  # half the seed in each run
    assert codes(used("I1", 2500), used("I1", 2500, run="T2")) == []  # re-inoculated


def test_item_that_was_not_planned() -> None:
    got = done(used("P1", 100))
    assert got.warnings[0].code == "not_in_recipe"
    assert (got.deviations[0].planned, got.deviations[0].pct) == (None, None)


def test_times_and_other_batches() -> None:
    later = AT + timedelta(hours=5)
    got = done(
        used("F1", 1), used("I1", 1, started_at=later, finished_at=None), used("I1", 9, batch="B2")
    )
    assert (got.started_at, got.finished_at) == (AT, None)
    assert sum(d.amount or 0 for d in got.doses) == 2
    assert done_run(BATCH, [used("I1", 9, batch="B2")], checked(), INOCULANTS, PRODUCTS) is None


def test_run_sheet_is_json() -> None:
    check = checked(on_seed=OnSeed(("F1",)))
    sheet = RunSheet(
        "B1",
        planned_run(BATCH, check, INOCULANTS, PRODUCTS),
        done(used("I1", 2500, lot="L1")),
        {"hours": 24},
        check.stops,
        check.warnings,
    )
    out = json.loads(json.dumps(sheet.to_dict(), allow_nan=False))
    assert set(out) == {"batch", "planned", "done", "window", "stops", "warnings"}
    assert out["stops"] == ["F1 is on this seed already."]
    assert out["done"]["doses"][0]["lot"] == "L1"
    assert out["done"]["started_at"] == "2027-05-03T08:00:00+00:00"
    empty = RunSheet("B1", planned_run(BATCH, checked(()), INOCULANTS, PRODUCTS)).to_dict()
    assert empty["done"] is None and empty["window"] == {} and empty["planned"]["doses"] == []


def test_polymer_is_no_pesticide() -> None:
    assert P1.kind == "polymer"
    got = done(used("P1", 100), used("P1", 100, run="T2"), steps=(*GOOD, step(3, "P1", 10, "C")))
    assert got.stops == () and got.deviations[0].pct == pytest.approx(100.0)
