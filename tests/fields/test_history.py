"""History by host group, published rules side by side, and what may be said of dose."""

from __future__ import annotations

import math
from typing import Any

import pytest

from rhizoledger.errors import EvidenceError, InputError
from rhizoledger.evidence import Parameter
from rhizoledger.evidence.facts import PublishedRule
from rhizoledger.fields.history import apply_rules, dose_statement, facts_missing, history
from rhizoledger.records import NEVER


def rule(
    *conditions: tuple[str, Any, Any], id: str = "r", group: str = "soybean", **more: Any
) -> PublishedRule:
    told = {"says": f"rule {id}", "points_to": "inoculate", "reading": None, **more}
    return PublishedRule(
        id=id, group=group, source="a page", how_known="read", conditions=conditions, **told
    )


@pytest.mark.parametrize(
    ("years", "past"),
    [(0, "history"), (3, "history"), (80.5, "history"), (NEVER, "never"), (None, "unknown")],
)
def test_history(years: float | None, past: str) -> None:
    assert history(years) == past


@pytest.mark.parametrize("years", [-1, float("nan"), -math.inf])
def test_history_refuses(years: float) -> None:
    with pytest.raises(InputError, match="years_since_group"):
        history(years)


@pytest.mark.parametrize(
    ("condition", "fact", "speaks"),
    [
        (("ph", "lt", 6.0), 5.9, True),
        (("ph", "lt", 6.0), 6.0, False),
        (("ph", "le", 6.0), 6.0, True),
        (("ph", "gt", 6.0), 6.0, False),
        (("ph", "ge", 6.0), 6.0, True),
        (("years_since_group", "ge", 4), NEVER, True),
        (("years_since_group", "le", 4), NEVER, False),
        (("years_since_group", "is_never", True), NEVER, True),
        (("years_since_group", "is_never", True), 40, False),
        (("years_since_group", "between", (3, 5)), 3, True),
        (("years_since_group", "between", (3, 5)), 5, True),
        (("years_since_group", "between", (3, 5)), 2, False),
        (("years_since_group", "between", (3, 5)), NEVER, False),
        (("eroded", "eq", True), True, True),
        (("eroded", "eq", True), False, False),
        (("previous_crop", "eq", "maize"), " Maize", True),
        (("previous_crop", "eq", "maize"), "wheat", False),
        (("ph", "lt", 6.0), None, False),
    ],
)
def test_each_operator(condition: tuple[str, Any, Any], fact: object, speaks: bool) -> None:
    facts = {"group": "soybean", condition[0]: fact}
    assert bool(apply_rules([rule(condition)], facts)) is speaks


def test_all_conditions_must_hold_and_none_means_always() -> None:
    both = rule(("ph", "lt", 6.0), ("flooded_days", "gt", 7))
    assert not apply_rules([both], {"group": "soybean", "ph": 5.0})
    assert apply_rules([both], {"group": "soybean", "ph": 5.0, "flooded_days": 8})
    assert apply_rules([rule()], {"group": "soybean"})


def test_contradictions_stand_side_by_side_in_order() -> None:
    flood = rule(("flooded_days", "gt", 7), id="a", points_to="inoculate")
    against = rule(("flooded_days", "gt", 0), id="b", points_to="skip", reading="three fields")
    got = apply_rules([flood, against], {"group": "soybean", "flooded_days": 9})
    assert [answer.points_to for answer in got] == ["inoculate", "skip"]
    assert got[1].reading == "three fields" and got[1].id == "b"
    assert got[0].to_dict() == {"says": "rule a", "source": "a page", "points_to": "inoculate"}
    assert apply_rules([against, flood], {"group": "soybean", "flooded_days": 9}) == got[::-1]


def test_a_rule_never_speaks_for_another_group() -> None:
    """Memory of one host group says nothing of another (§7)."""
    rules = [rule(id="a"), rule(id="b", group="pea_lentil_faba_vetch")]
    got = apply_rules(rules, {"group": "pea_lentil_faba_vetch"})
    assert [answer.id for answer in got] == ["b"]
    assert apply_rules(rules, {"group": None}) == ()
    with pytest.raises(InputError, match="group"):
        apply_rules(rules, {})
    assert [answer.id for answer in apply_rules(rules[:1], {})] == ["a"]  # one group: no doubt


def test_what_is_missing() -> None:
    rules = [
        rule(("ph", "lt", 6.0), ("flooded_days", "gt", 7)),
        rule(("sand_pct", "ge", 70), ("ph", "lt", 6.0)),
    ]
    assert facts_missing(rules, {"group": "soybean", "ph": 7.0}) == ()
    assert facts_missing(rules, {"group": "soybean", "ph": 5.0}) == ("flooded_days", "sand_pct")
    assert facts_missing(rules, {"group": "soybean"}) == ("ph", "flooded_days", "sand_pct")


@pytest.mark.parametrize(
    ("condition", "fact"),
    [
        (("ph", "about", 6.0), 6.0),
        (("ph", "lt", 6.0), "sour"),
        (("ph", "lt", 6.0), True),
        (("ph", "lt", 6.0), float("nan")),
    ],
)
def test_what_cannot_be_compared_is_an_error(condition: tuple[str, Any, Any], fact: object) -> None:
    with pytest.raises(EvidenceError, match="Rule r"):
        apply_rules([rule(condition)], {"group": "soybean", condition[0]: fact})


LOW = Parameter(
    "soil.low", 10, "rhizobia/g", None, None, None, "none", "linear", "fixed", "world",
    (), None, (), "near", ("a paper",), "", "read",
)  # fmt: skip


def test_dose_is_words_and_never_a_gain() -> None:
    assert dose_statement("history") == "No evidence that more cells pay here."
    assert dose_statement("history", soil_mpn_per_g=500, low_count=LOW) == dose_statement("history")
    assert dose_statement("history", soil_mpn_per_g=0) == dose_statement("history")
    low = dose_statement("history", soil_mpn_per_g=3, low_count=LOW)
    assert "low" in low and "range" in low
    assert "First-time" in dose_statement("never")
    assert "treated as first-time" in dose_statement("unknown")
    for past in ("never", "unknown", "history"):
        assert "kg" not in dose_statement(past) and "bu" not in dose_statement(past)


@pytest.mark.parametrize("count", [-1.0, float("nan"), math.inf])
def test_dose_refuses_a_bad_count(count: float) -> None:
    with pytest.raises(InputError, match="soil_mpn_per_g"):
        dose_statement("history", soil_mpn_per_g=count)
