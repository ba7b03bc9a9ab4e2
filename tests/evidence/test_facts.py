"""Facts that are not numbers: host groups, published rules, hazards, cautions, gaps."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from typing import Any

import pytest

from rhizoledger.errors import EvidenceError
from rhizoledger.evidence import load_evidence
from rhizoledger.evidence.facts import (
    PublishedRule,
    cautions,
    check_facts,
    crop_id,
    crops,
    gaps,
    hazard_facts,
    host_group_of,
    host_groups,
    published_rules,
    rule_from_row,
    used_for,
)
from rhizoledger.evidence.read import facts_from_rows, parse_rows
from rhizoledger.records import NEVER, Field

GROUPS = {
    "soybean",
    "cowpea_peanut",
    "pea_lentil_faba_vetch",
    "clover",
    "common_bean",
    "alfalfa_medic",
    "lupin_serradella",
    "chickpea",
    "trefoil",
}
RULES = {rule.id: rule for rule in published_rules()}


def test_every_fact_table_reads() -> None:
    check_facts()


def test_the_groups_are_the_ones_everybody_uses() -> None:
    assert {g.group for g in host_groups()} == GROUPS
    for group in host_groups():
        assert group.crops and group.symbiont and group.sources
        if "memory" in group.how_known:
            assert group.grade == "near"


@pytest.mark.parametrize(
    ("crop", "group", "name"),
    [
        ("soybean", "soybean", "soybean"),
        ("Soya", "soybean", "soybean"),
        (" SOYBEANS ", "soybean", "soybean"),
        ("field pea", "pea_lentil_faba_vetch", "pea"),
        ("Lentil", "pea_lentil_faba_vetch", "lentil"),
        ("faba", "pea_lentil_faba_vetch", "faba_bean"),
        ("faba_bean", "pea_lentil_faba_vetch", "faba_bean"),
        ("hairy vetch", "pea_lentil_faba_vetch", "vetch"),
        ("chickpea", "chickpea", "chickpea"),
        ("dry bean", "common_bean", "dry_bean"),
        ("Common-Bean", "common_bean", "dry_bean"),
        ("peanut", "cowpea_peanut", "peanut"),
        ("groundnuts", "cowpea_peanut", "peanut"),
        ("cowpea", "cowpea_peanut", "cowpea"),
        ("mung  bean", "cowpea_peanut", "mung_bean"),
        ("lucerne", "alfalfa_medic", "alfalfa"),
        ("sweetclover", "alfalfa_medic", "sweetclover"),
        ("red clover", "clover", "clover"),
        ("lupin", "lupin_serradella", "lupin"),
        ("birdsfoot trefoil", "trefoil", "birdsfoot_trefoil"),
    ],
)
def test_a_crop_is_found_by_any_of_its_names(crop: str, group: str, name: str) -> None:
    assert host_group_of(crop) == group
    assert crop_id(crop) == name


@pytest.mark.parametrize("crop", ["", "bean", "field bean", "maize", "soybean seed", "none"])
def test_a_crop_that_is_not_known_or_not_clear_is_not_guessed(crop: str) -> None:
    assert host_group_of(crop) is None
    assert crop_id(crop) is None


def test_bushel_rows_are_named_by_crop_ids() -> None:
    known = {crop.id for crop in crops()}
    weights = {k.split(".")[1] for k in load_evidence() if k.endswith(".lb_per_bu")}
    assert weights <= known
    assert "peanut" not in weights, "a bushel of peanut is not one mass"


def test_names_of_crops_are_used_once() -> None:
    names = [name for crop in crops() for name in crop.names]
    assert len(names) == len(set(names))
    for crop in crops():
        assert crop_id(crop.id) == crop.id


def test_every_rule_is_about_something_a_field_can_say() -> None:
    attributes = {f.name for f in dataclasses.fields(Field)}
    for rule in published_rules():
        assert rule.group == "soybean", "no source here speaks of another crop"
        assert rule.says.endswith(".")
        assert rule.source in {s.citation for s in load_evidence().sources.values()}
        for attribute, _, _ in rule.conditions:
            assert attribute in attributes


MEANS: dict[str, Callable[[Any, Any], bool]] = {
    "lt": lambda fact, value: fact < value,
    "le": lambda fact, value: fact <= value,
    "gt": lambda fact, value: fact > value,
    "ge": lambda fact, value: fact >= value,
    "eq": lambda fact, value: fact == value,
    "between": lambda fact, value: value[0] <= fact <= value[1],
    "is_never": lambda fact, value: fact == NEVER,
}


def _holds(rule: PublishedRule, **facts: Any) -> bool:
    """The meaning of the operators, written the slow way."""
    for attribute, operator, value in rule.conditions:
        fact = facts.get(attribute)
        if fact is None:
            return False
        if not MEANS[operator](fact, value):
            return False
    return True


@pytest.mark.parametrize(
    ("facts", "inoculate", "skip", "neither"),
    [
        # checks of inoculation rules by source: years, pH, flood, drought, sand, organic matter
        ({"years_since_group": 1.0}, set(), {"mississippi.years", "nebraska.rotation"}, set()),
        (
            {"years_since_group": 4.0},
            {"kansas.years", "missouri.years", "iowa.years", "wisconsin.years"},
            {"iowa_1994.years"},
            {"nebraska.middle", "narozna_2015.years"},
        ),
        (
            {"years_since_group": NEVER},
            {"iowa.never", "kansas.never", "nebraska.never", "manitoba.never", "purdue.years"},
            set(),
            set(),
        ),
        ({"ph": 5.8}, {"iowa.ph", "missouri.ph", "wisconsin.ph"}, set(), set()),
        ({"ph": 8.6}, {"kansas.ph_high", "soil_page.ph_high"}, set(), set()),
        (
            {"flooded_days": 8.0},
            {"iowa.flood", "missouri.flood", "purdue.flood", "mississippi.flood_long"},
            {"furseth_2011.flood"},
            {"weaver_1987.flood", "illinois.flood"},
        ),
        ({"flooded_days": 1.0}, set(), {"mississippi.flood_short"}, {"weaver_1987.flood"}),
        ({"drought_weeks": 9.0}, {"kansas.drought"}, set(), {"illinois.drought"}),
        ({"organic_matter_pct": 0.8}, {"kansas.organic_matter"}, set(), set()),
        ({"eroded": True}, {"kansas.eroded"}, set(), set()),
        ({"sand_pct": 80.0}, {"missouri.sand", "wisconsin.sand", "iowa.sand"}, set(), set()),
        ({"soil_mpn_per_g": 50.0}, set(), {"singleton_tavares_1986.count"}, set()),
    ],
)
def test_rules_speak_where_their_sources_do(
    facts: dict[str, Any], inoculate: set[str], skip: set[str], neither: set[str]
) -> None:
    said = {
        p: {r.id for r in RULES.values() if r.points_to == p and _holds(r, **facts)} for p in POINTS
    }
    assert inoculate <= said["inoculate"]
    assert skip <= said["skip"]
    assert neither <= said["neither"]


POINTS = ("inoculate", "skip", "neither")


@pytest.mark.parametrize(
    ("rule", "facts"),
    [
        ("kansas.years", {"years_since_group": 3.9}),
        ("purdue.years", {"years_since_group": 5.0}),
        ("mississippi.years", {"years_since_group": 3.1}),
        ("mississippi.years", {"years_since_group": NEVER}),
        ("iowa.ph", {"ph": 6.0}),
        ("kansas.ph_low", {"ph": 5.5}),
        ("iowa.flood", {"flooded_days": 7.0}),
        ("mississippi.flood_short", {"flooded_days": 3.0}),
        ("kansas.organic_matter", {"organic_matter_pct": 1.0}),
        ("kansas.eroded", {"eroded": False}),
        ("iowa.never", {"years_since_group": 30.0}),
        ("narozna_2015.years", {"years_since_group": 18.0}),
        ("iowa.ph", {}),
    ],
)
def test_rules_are_silent_past_their_edges(rule: str, facts: dict[str, Any]) -> None:
    assert not _holds(RULES[rule], **facts)


def test_rules_that_always_speak() -> None:
    always = {rule.id for rule in published_rules() if not rule.conditions}
    assert always == {"michigan.always", "ohio.always"}


HEAD = '[[rule]]\nid = "r"\ngroup = "soybean"\nsays = "S."\nsource = "weaver_1987"\n'
HEAD += 'how_known = "read"\npoints_to = "skip"\n'


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (HEAD + "conditions = [['ph', 'lt']]", "must be [attribute, operator, value]"),
        (HEAD + "conditions = ['ph']", "must be [attribute, operator, value]"),
        (HEAD + "conditions = [['acidity', 'lt', 6]]", "'acidity' is not known of a field"),
        (HEAD + "conditions = [['ph', 'below', 6]]", "do not go together"),
        (HEAD + "conditions = [['ph', 'lt', 'six']]", "do not go together"),
        (HEAD + "conditions = [['ph', 'lt', true]]", "do not go together"),
        (HEAD + "conditions = [['ph', 'between', [6]]]", "do not go together"),
        (HEAD + "conditions = [['years_since_group', 'is_never', false]]", "do not go together"),
        (HEAD + "conditions = 3", "is not a list"),
        (HEAD.replace("skip", "maybe"), "points_to = 'maybe'"),
        (HEAD.replace('"soybean"', '"maize"'), "not a host group"),
        (HEAD.replace("weaver_1987", "nobody"), "source 'nobody' is not in the source tables"),
        (HEAD + "score = 3", "unknown key score"),
        (HEAD + HEAD, "id already stands in"),
    ],
)
def test_a_wrong_rule_is_refused(text: str, says: str) -> None:
    with pytest.raises(EvidenceError, match=r"t\.toml, rule 'r'") as caught:
        facts_from_rows(parse_rows(text, "t.toml"), "rule", PublishedRule, rule_from_row)
    assert says in str(caught.value)


def test_hazards_say_what_is_known_and_what_would_settle_it() -> None:
    wanted = {
        "sun",
        "ultraviolet",
        "frozen",
        "frozen_seed",
        "rewetted",
        "closed_vehicle",
        "metals",
        "chlorinated_water",
        "airtight",
        "warm_peat",
        "untested_stack",
    }
    assert wanted <= set(hazard_facts())
    for fact in hazard_facts().values():
        assert fact.known.endswith(".") and fact.settle.endswith(".") and fact.sources


def test_cautions_put_the_label_first() -> None:
    assert cautions()[0].id == "label_first"
    said = {caution.id for caution in cautions()}
    assert said >= {"not_food", "gloves", "dust", "hands", "spills", "leftovers", "expiry"}
    for caution in cautions():
        assert "safe to" not in caution.says and caution.source


def test_crops_without_evidence_are_gaps() -> None:
    known = {gap.id for gap in gaps()}
    for crop in ("lentil", "pea", "chickpea", "dry_bean", "peanut", "alfalfa"):
        assert {f"gain.{crop}", f"on_seed.{crop}"} <= known
    for gap in gaps():
        assert gap.missing and gap.until_then and gap.would_settle and gap.sources


def test_every_parameter_says_what_it_is_used_for() -> None:
    for key in load_evidence():
        assert used_for(key) != "Not said.", key
    assert used_for("nothing.of.the.kind") == "Not said."
