"""What is known of a stack: whole, in parts, or not at all (§3.2)."""

from __future__ import annotations

from itertools import permutations
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rhizoledger.records import Product, RecipeStep, Stack
from rhizoledger.treating.stacks import StackJudgement, judge_stack, stack_members


def row(
    n: int, with_: str, verdict: Any = "tested_ok", hours: float | None = None, **more: Any
) -> Stack:
    names = tuple(with_.split("+")) if with_ else ()
    told = {"contact": "on_seed", "inoculant": "I1", **more}
    return Stack(row=n, with_=names, verdict=verdict, max_hours=hours, **told)


def judged(
    stacks: list[Stack], others: str, recipe: str | None = None, **more: Any
) -> StackJudgement:
    return judge_stack(
        stacks, "I1", tuple(others.split("+")) if others else (), recipe, "on_seed", **more
    )


def test_whole_by_its_items_in_any_order() -> None:
    got = judged([row(2, "F1+P1", hours=48)], "P1+F1")
    assert (got.state, got.max_hours, got.rows) == ("whole", 48, (2,))


def test_whole_by_its_recipe() -> None:
    named = [row(2, "R1", "label_allows", 72)]
    assert judged(named, "F1+P1", "R1").state == "whole"
    assert judged(named, "F1+P1", "R2").state == "untested"
    assert judged(named, "F1+P1").state == "untested"
    # More is on the seed than the recipe put there: the row does not describe it.
    assert judged(named, "F0+F1+P1", "R1", recipe_items=("F1", "P1")).state == "untested"
    assert judged(named, "F1+P1", "R1", recipe_items=("I1", "F1", "P1")).state == "whole"


def test_more_or_less_than_the_row_is_not_the_row() -> None:
    stacks = [row(2, "F1+P1", hours=48)]
    assert judged(stacks, "F1").state == "untested"
    assert judged(stacks, "F1+P1+C1").state == "untested"


def test_one_untested_member_leaves_no_number() -> None:
    got = judged([row(2, "F1", hours=48, log10_loss=0.5), row(3, "P1", hours=24)], "F1+P1+C1")
    assert got.state == "untested" and "C1" in got.why and "F1" not in got.why
    assert (got.rows, got.max_hours, got.log10_loss, got.by) == ((), None, None, None)


def test_pairs_take_the_shortest_hours_and_the_largest_loss() -> None:
    stacks = [
        row(2, "F1", hours=48, log10_loss=0.5, loss_hours=24, loss_basis="total", by="maker"),
        row(3, "P1", hours=24, log10_loss=0.2, loss_hours=48, by="independent"),
        row(4, "C1", hours=None),
    ]
    got = judged(stacks, "F1+P1+C1")
    assert (got.state, got.max_hours, got.by) == ("pairs", 24, "independent")
    assert (got.log10_loss, got.loss_hours, got.loss_basis) == (0.5, 24, "total")
    assert got.rows == (2, 3, 4)
    assert (
        "assumption" in got.why and "never whole" in got.why and "row 4: hours not given" in got.why
    )


def test_a_part_of_several_members_covers_them() -> None:
    got = judged([row(2, "F1+P1", hours=48), row(3, "C1", hours=72)], "F1+P1+C1")
    assert (got.state, got.max_hours) == ("pairs", 48)


def test_whole_rows_that_agree() -> None:
    stacks = [
        row(2, "F1", "label_allows", 72),
        row(3, "F1", "tested_ok", 24, by="own", log10_loss=0.3, loss_hours=24),
        row(4, "F1", "tested_ok", 48, by="maker", log10_loss=0.4, loss_hours=96),
    ]
    got = judged(stacks, "F1")
    assert (got.state, got.max_hours, got.by) == ("whole", 24, "own")
    assert (got.log10_loss, got.loss_hours) == (0.4, 96)
    assert "different hours" in got.why and "different losses" in got.why
    alone = judged(stacks[:1], "F1")
    assert alone.by == "label" and "different" not in alone.why
    assert "different" not in judged(stacks[1:2], "F1").why


def test_equal_losses_take_the_faster() -> None:
    stacks = [
        row(2, "F1", log10_loss=0.4, loss_hours=96),
        row(3, "F1", log10_loss=0.4, loss_hours=24),
    ]
    assert judged(stacks, "F1").loss_hours == 24


def test_forbidden_outranks_everything_and_names_the_contradiction() -> None:
    stacks = [row(2, "F1", "tested_ok", 48), row(3, "F1", "label_forbids")]
    got = judged(stacks, "F1")
    assert (got.state, got.rows, got.max_hours, got.by) == ("forbidden", (3,), None, "label")
    assert "row 2, a test found no harm" in got.why
    # A label that forbids one member forbids what contains it.
    assert (
        judged([row(2, "F1+P1", hours=48), row(3, "F1", "label_forbids")], "F1+P1").state
        == "forbidden"
    )


def test_harm_outranks_no_harm() -> None:
    stacks = [row(2, "F1", "label_allows", 48), row(3, "F1", "tested_harmful", 4, log10_loss=2.0)]
    got = judged(stacks, "F1")
    assert (got.state, got.max_hours, got.log10_loss) == ("harmful", None, 2.0)
    assert "row 2, the label allows it" in got.why


def test_a_harmful_pair_decides_where_the_whole_is_not_known() -> None:
    parts = [row(2, "F1", "tested_harmful"), row(3, "P1", hours=24)]
    assert judged(parts, "F1+P1").state == "harmful"
    whole = judged([*parts, row(4, "F1+P1", hours=12)], "F1+P1")
    assert (whole.state, whole.max_hours) == ("whole", 12)
    assert "row 2, a test found harm" in whole.why


def test_written_down_as_not_tested_is_not_tested() -> None:
    assert judged([row(2, "F1", "not_tested", 48)], "F1").state == "untested"
    assert judged([row(2, "F1", "not_tested"), row(3, "F1", hours=24)], "F1").state == "whole"


def test_contact_matters() -> None:
    tank = [row(2, "F1", hours=4, contact="tank")]
    got = judged(tank, "F1")
    assert got.state == "untested" and "another contact (stacks, row 2)" in got.why
    assert judge_stack(tank, "I1", ("F1",), None, "tank").max_hours == 4


def test_alone() -> None:
    assert judged([], "").state == "alone" and judged([], "").max_hours is None
    for written in ("", "alone", "Alone"):
        got = judged([row(2, written, "label_allows", 120), row(3, "F1", hours=4)], "")
        assert (got.state, got.max_hours, got.rows, got.by) == ("alone", 120, (2,), "label")
    assert judged([row(2, "", "label_allows", 120)], "F1").state == "untested"


def test_another_inoculant_lends_nothing_and_counts_as_a_member() -> None:
    assert judged([row(2, "F1", hours=48, inoculant="I2")], "F1").state == "untested"
    assert judged([row(2, "F1", hours=48)], "F1+I2").state == "untested"
    assert judged([row(2, "F1+I2", hours=48)], "F1+I2").state == "whole"


def test_case_and_blanks_do_not_matter() -> None:
    assert judged([row(2, " f1 + p1 ", hours=48, inoculant=" i1 ")], "F1+P1").state == "whole"


def test_the_inoculant_itself_is_no_member() -> None:
    assert judged([row(2, "I1+F1", hours=48)], "I1+F1").state == "whole"


def test_members_of_a_recipe() -> None:
    steps = [
        RecipeStep(2, "R1", n, "A", item, 1.0, "mL/kg")
        for n, item in enumerate(("W1", "F1", "I1", "C1", "I2", "F1"), start=1)
    ]
    products = {
        name: Product(2, name, kind)
        for name, kind in (("W1", "water"), ("F1", "fungicide"), ("C1", "colourant"))
    }
    assert stack_members(steps, products, "I1") == ("F1", "C1", "I2")


verdicts = st.sampled_from(
    ["label_allows", "tested_ok", "tested_harmful", "label_forbids", "not_tested"]
)
some_rows = st.lists(
    st.builds(
        row,
        st.integers(2, 99),
        st.sampled_from(["", "A", "B", "C", "A+B", "B+C", "A+B+C"]),
        verdicts,
        st.none() | st.integers(1, 200),
        log10_loss=st.none() | st.floats(0, 4),
    ),
    max_size=6,
)
SEVERITY = {"forbidden": 0, "harmful": 1, "untested": 2, "pairs": 3, "whole": 4}


@given(some_rows)
def test_order_of_rows_does_not_matter(stacks: list[Stack]) -> None:
    a, b = judged(stacks, "A+B"), judged(stacks[::-1], "A+B")
    assert (a.state, a.max_hours, a.log10_loss) == (b.state, b.max_hours, b.log10_loss)


@given(some_rows)
def test_an_open_window_rests_on_rows_that_allow(stacks: list[Stack]) -> None:
    got = judged(stacks, "A+B+C")
    if got.max_hours is not None:
        assert got.state in ("whole", "pairs")
        hours = [r.max_hours for r in stacks if r.max_hours is not None and r.row in got.rows]
        assert got.max_hours >= min(hours)
        assert not any(r.verdict == "label_forbids" and set(r.with_) for r in stacks)


@given(some_rows)
def test_a_further_member_never_makes_more_known(stacks: list[Stack]) -> None:
    """Adding an item nobody tested turns any answer into forbidden, harmful or untested."""
    assert SEVERITY[judged(stacks, "A+B+Z").state] <= SEVERITY["untested"]


@pytest.mark.parametrize("order", list(permutations("ABC")))
def test_whole_in_each_order(order: tuple[str, ...]) -> None:
    assert judged([row(2, "+".join(order), hours=6)], "A+B+C").max_hours == 6
