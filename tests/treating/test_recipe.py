"""Stops and cautions of a recipe on a batch (§3.3), one by one and together."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rhizoledger.errors import InputError, NotFoundError, UnitError
from rhizoledger.records import Batch, Inoculant, Product, Stack
from rhizoledger.treating.recipe import OnSeed, RecipeCheck, check_recipe
from tests.treating.records import BATCH, F1, GOOD, I1, INOCULANTS, P1, PRODUCTS, step


def check(
    steps: Any = GOOD,
    batch: Batch = BATCH,
    inoculants: dict[str, Inoculant] | None = None,
    products: dict[str, Product] | None = None,
    **more: Any,
) -> RecipeCheck:
    told = {"crop_group": "soybean", **more}
    return check_recipe(batch, steps, inoculants or INOCULANTS, products or PRODUCTS, **told)


def stops(got: RecipeCheck) -> list[str]:
    return [stop.code for stop in got.stops]


def warned(got: RecipeCheck) -> list[str]:
    return [caution.code for caution in got.warnings]


def test_a_good_recipe_is_quiet() -> None:
    got = check()
    assert stops(got) == [] and warned(got) == []
    assert [(d.item, d.amount) for d in got.doses] == [("F1", 1000.0), ("I1", 2500.0)]
    assert got.liquid_ml_per_100kg == pytest.approx(350.0)
    assert got.max_per_kg == {"F1": 1.5, "I1": 3.0}


def test_no_recipe_no_run() -> None:
    got = check(())
    assert (got.stops, got.warnings, got.doses, got.liquid_ml_per_100kg) == ((), (), (), 0.0)


# Rate


@pytest.mark.parametrize(
    ("item", "rate", "unit", "over"),
    [
        ("F1", 150, "mL/100 kg", False),
        ("F1", 150.01, "mL/100 kg", True),
        ("I1", 300, "mL/100 kg", False),
        ("I1", 3.01, "mL/kg", True),
        ("I1", 4.6, "fl oz/cwt", False),  # 4.6 × 65.1985 = 299.9
        ("I1", 4.7, "fl oz/cwt", True),
        ("I1", 75, "mL/unit", False),  # 25 kg in a unit: 300 mL per 100 kg
        ("I1", 76, "mL/unit", True),
    ],
)
def test_over_the_label(item: str, rate: float, unit: str, over: bool) -> None:
    got = check((step(1, item, rate, unit=unit),))
    assert ("over_label_rate" in stops(got)) is over
    assert over == any(item in stop.sentence and "label" in stop.sentence for stop in got.stops)


def test_steps_of_one_item_add_up() -> None:
    got = check((step(1, "F1", 80), step(2, "F1", 80, "B"), step(3, "I1", 250, "C")))
    assert "over_label_rate" in stops(got)


def test_below_the_label_is_a_caution() -> None:
    got = check((step(1, "I1", 150),))
    assert stops(got) == [] and warned(got) == ["below_label_rate"]
    assert "150 mL/100 kg is below the label's 200 mL/100 kg" in got.warnings[0].sentence
    assert warned(check((step(1, "I1", 200),))) == []


@pytest.mark.parametrize(
    ("rate", "unit"), [(25, "mL/kg"), (2500, "mL/100 kg"), (25, "mL/100 kg"), (2.5, "mL/100 kg")]
)
def test_a_slip_of_unit_shows(rate: float, unit: str) -> None:
    assert "rate_magnitude" in warned(check((step(1, "I1", rate, unit=unit),)))


def test_volume_is_never_compared_with_mass() -> None:
    got = check((step(1, "I1", 250, unit="g/100 kg"),))
    assert "rate_not_checked" in warned(got) and "over_label_rate" not in stops(got)
    assert "I1" not in got.max_per_kg


def test_missing_fact_is_said_and_equal_units_still_compare() -> None:
    blind = replace(BATCH, seeds_per_unit=None, quantity=40.0)
    got = check((step(1, "I1", 100, unit="mL/unit"),), blind)
    assert "rate_not_checked" in warned(got) and got.doses[0].amount is None
    by_unit = {
        "I1": replace(I1, rate=60.0, rate_unit="mL/unit", label_rate_min=50.0, label_rate_max=80.0)
    }
    assert stops(check((step(1, "I1", 100, unit="mL/unit"),), blind, by_unit)) == [
        "over_label_rate"
    ]


def test_pesticide_without_a_label_maximum_is_said() -> None:
    got = check(GOOD, products={**PRODUCTS, "F1": replace(F1, label_rate_max=None)})
    assert warned(got) == ["no_label_maximum"] and "F1" not in got.max_per_kg


def test_label_maximum_of_nothing() -> None:
    got = check(GOOD, products={**PRODUCTS, "F1": replace(F1, label_rate_max=0.0)})
    assert "over_label_rate" in stops(got)


@given(st.floats(0.01, 1e4))
def test_more_never_lifts_a_stop(rate: float) -> None:
    less, more = (check((step(1, "F1", r),)) for r in (rate, 2 * rate))
    assert set(stops(less)) <= set(stops(more))


# Crop, host group, organic


def test_crop_not_on_label() -> None:
    got = check(batch=replace(BATCH, crop="lentil"), crop_group="soybean")
    assert stops(got) == ["crop_not_on_label"]
    assert stops(check(batch=replace(BATCH, crop=" Soybean "))) == []
    assert stops(check(products={**PRODUCTS, "F1": replace(F1, label_crops=())})) == []


def test_wrong_host_group() -> None:
    assert stops(check(crop_group="chickpea")) == ["wrong_host_group"]
    assert stops(check(inoculant_groups={"I1": "chickpea"})) == ["wrong_host_group"]
    assert warned(check(crop_group=None)) == ["host_group_unknown"]
    assert warned(check(inoculant_groups={"I1": None})) == ["host_group_unknown"]


def test_inoculant_not_meant_for_seed() -> None:
    got = check(inoculants={"I1": replace(I1, placements=("furrow_liquid",))})
    assert warned(got) == ["placement"] and stops(got) == []


def test_organic() -> None:
    assert stops(check(organic=False)) == []
    got = check(organic=True, products={**PRODUCTS, "F1": replace(F1, organic_ok=False)})
    assert stops(got) == ["not_organic"]
    assert warned(check(organic=True)) == ["organic_unknown"]
    wet = (step(1, "W1", 10), step(2, "I1", 250, water_source="not"))
    assert warned(check(wet, organic=True)) == []


# What is on the seed already


@pytest.mark.parametrize("origin", ["bought_in", "carried_over", "returned"])
def test_no_pesticide_on_seed_that_came_in(origin: Any) -> None:
    got = check(batch=replace(BATCH, origin=origin))
    assert stops(got) == ["pesticide_already_on_seed"]
    assert stops(check((step(1, "I1", 250),), replace(BATCH, origin=origin))) == []


def test_no_second_dose() -> None:
    assert stops(check(on_seed=OnSeed(("F1",)))) == ["pesticide_already_on_seed"]
    got = check(on_seed=OnSeed(("P1",)))
    assert stops(got) == [] and warned(got) == ["treated_before"]
    again = check(on_seed=OnSeed(("F1", "I1"), ("R1",)))
    assert stops(again) == ["pesticide_already_on_seed", "recipe_twice"]
    only_live = check((step(1, "I1", 250),), on_seed=OnSeed(("I1",), ("R1",)))
    assert stops(only_live) == [] and warned(only_live) == ["recipe_twice"]


def test_two_products_of_one_active() -> None:
    products = {
        **PRODUCTS,
        "F1": replace(F1, active="alpha"),
        "F2": replace(F1, product="F2", active="Alpha "),
    }
    got = check((step(1, "F1", 50), step(2, "F2", 50), step(3, "I1", 250, "A")), products=products)
    assert "same_active" in warned(got)
    products["F2"] = replace(F1, product="F2", active="beta")
    got = check((step(1, "F1", 50), step(2, "F2", 50), step(3, "I1", 250, "A")), products=products)
    assert "same_active" not in warned(got)


# Stacks


def test_label_forbids_on_seed_and_in_the_tank() -> None:
    on_seed = [Stack(5, "I1", ("F1",), "on_seed", "label_forbids")]
    got = check(stacks=on_seed)
    assert stops(got) == ["label_forbids_stack"] and "row 5" in got.stops[0].sentence
    in_tank = [Stack(6, "I1", ("F1",), "tank", "label_forbids")]
    assert stops(check(stacks=in_tank)) == []  # two tanks: they never meet in one
    together = (step(1, "F1", 100), step(2, "I1", 250))
    assert stops(check(together, stacks=in_tank)) == ["label_forbids_stack"]


def test_what_is_on_the_seed_already_counts_in_the_stack() -> None:
    row = [Stack(5, "I1", ("Z9",), "on_seed", "label_forbids")]
    assert stops(check(stacks=row)) == []
    assert "label_forbids_stack" in stops(check(stacks=row, on_seed=OnSeed(("Z9",))))


# Liquid


def test_liquid_limit() -> None:
    assert stops(check(liquid_limit_ml_per_100kg=350.0)) == []
    got = check(liquid_limit_ml_per_100kg=349.0)
    assert stops(got) == ["liquid_over_limit"] and "350" in got.stops[0].sentence
    second = check(liquid_limit_ml_per_100kg=400.0, on_seed=OnSeed(liquid_ml_per_100kg=100.0))
    assert stops(second) == ["liquid_over_limit"] and "first wetting" in second.stops[0].sentence
    assert second.liquid_ml_per_100kg == pytest.approx(450.0)
    with pytest.raises(InputError, match="limit"):
        check(liquid_limit_ml_per_100kg=float("nan"))


def test_water_wets_too() -> None:
    wet = (*GOOD, step(3, "W1", 200, "B", water_source="not"))
    assert check(wet).liquid_ml_per_100kg == pytest.approx(550.0)


def test_unknown_liquid_is_said() -> None:
    blind = replace(BATCH, seeds_per_unit=None)
    got = check((step(1, "I1", 100, unit="mL/unit"),), blind, liquid_limit_ml_per_100kg=100.0)
    assert got.liquid_ml_per_100kg is None and "liquid_not_known" in warned(got)
    assert stops(got) == []
    # What is known is over the limit already.
    both = (step(1, "I1", 100, unit="mL/unit"), step(2, "P1", 101, "B"))
    got = check(both, blind, liquid_limit_ml_per_100kg=100.0)
    assert stops(got) == ["liquid_over_limit"] and "at least 101" in got.stops[0].sentence


def test_packs_of_unknown_content_still_meet_every_other_rule() -> None:
    """One item that cannot be worked out never hides a stop on another."""
    by_pack = {"I1": replace(I1, rate=1.0, rate_unit="pack/40 units", label_rate_max=1.0)}
    by_pack["I1"] = replace(by_pack["I1"], label_rate_min=None)
    steps = (step(1, "F1", 151, dry_before_next=True), step(2, "I1", 1, "B", "pack/20 units"))
    got = check(steps, inoculants=by_pack)
    assert stops(got) == ["over_label_rate", "over_label_rate"]
    assert "F1" in got.stops[0].sentence and "I1" in got.stops[1].sentence
    assert got.doses[1].unit == "packs" and got.doses[1].amount == pytest.approx(2.0)


# Order, drying, water, metals, seed size


def test_chemical_first_dried_then_inoculant() -> None:
    wet = (step(1, "F1", 100), step(2, "I1", 250, "B"))
    assert warned(check(wet)) == ["not_dried"]
    late = (step(1, "I1", 250, "B"), step(2, "F1", 100))
    assert warned(check(late)) == ["order"]
    later_dried = (
        step(1, "F1", 100),
        step(2, "P1", 50, "C", dry_before_next=True),
        step(3, "I1", 250, "B"),
    )
    assert warned(check(later_dried)) == []
    mixed = (step(1, "F1", 100), step(2, "I1", 250))
    assert warned(check(mixed)) == []  # one tank has no order; its stack is judged


def test_steps_are_taken_by_their_number() -> None:
    assert warned(check(GOOD[::-1])) == [] and check(GOOD[::-1]).doses == check().doses


@pytest.mark.parametrize(
    ("source", "code"),
    [("chlorinated", "chlorinated_water"), ("unknown", "water_unknown"), (None, "water_unknown")],
)
def test_water(source: Any, code: str) -> None:
    wet = (step(1, "W1", 200, water_source=source), step(2, "I1", 250))
    assert warned(check(wet)) == [code]
    apart = (step(1, "W1", 200, "B", water_source=source), step(2, "I1", 250))
    assert warned(check(apart)) == []


def test_metals_are_known_harmful_and_not_a_number() -> None:
    products = {**PRODUCTS, "P1": replace(P1, metals="zinc")}
    got = check((*GOOD, step(3, "P1", 50, "B")), products=products)
    assert warned(got) == ["metals"]
    assert "zinc" in got.warnings[0].sentence and "not quantified" in got.warnings[0].sentence
    without = check((step(1, "P1", 50),), products=products)
    assert warned(without) == []
    none = {**PRODUCTS, "P1": replace(P1, metals="none")}
    assert warned(check((*GOOD, step(3, "P1", 50, "B")), products=none)) == []


def test_count_seed_first() -> None:
    got = check(batch=replace(BATCH, seed_size_how="guess"))
    assert warned(got) == ["seed_size_guess"] and "COUNT SEED FIRST" in got.warnings[0].sentence
    assert "seed_size_unknown" in warned(check(batch=replace(BATCH, seeds_per_kg=None)))
    assert warned(check((), replace(BATCH, seed_size_how="guess"))) == []


# Bad input


def test_unknown_item_and_unit() -> None:
    with pytest.raises(NotFoundError, match=r"'X9' is neither.*F1, I1"):
        check((step(1, "X9", 1),))
    with pytest.raises(UnitError):
        check((step(1, "I1", 1, unit="splash/kg"),))
    with pytest.raises(InputError):
        check((step(1, "I1", float("nan")),))


def test_every_sentence_is_calm() -> None:
    got = check(
        (step(1, "I1", 2500, "B"), step(2, "F1", 900, water_source="unknown")),
        replace(BATCH, crop="lentil", origin="returned", seed_size_how="guess"),
        crop_group="chickpea",
        organic=True,
        liquid_limit_ml_per_100kg=10.0,
        on_seed=OnSeed(("P1",), ("R1",)),
        stacks=[Stack(5, "I1", ("F1",), "on_seed", "label_forbids")],
    )
    assert len(got.stops) >= 7 and len(got.warnings) >= 4
    for said in (*got.stops, *got.warnings):
        assert said.sentence.endswith((".", ")")) and "!" not in said.sentence
        assert "None" not in said.sentence and "  " not in said.sentence
