"""What the plan says of the example seasons: each verdict there is, and why it comes out so.

The words are worked out by SEASON's rules from what docs/demo.md tells of each row.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

from rhizoledger.estimate import Estimate
from rhizoledger.evidence import load_evidence
from rhizoledger.evidence.facts import hazard_facts, published_rules
from rhizoledger.plan.season_plan import Plan, plan_season
from rhizoledger.workflows.plan import plan_only
from rhizoledger.workflows.season import load

EXAMPLES = Path(__file__).parents[2] / "examples"

PLANTINGS = {
    "demo": {
        "A1/1": ("plant", "unclear", "history"),
        "A1/2": ("plant", "unclear", "history"),
        "A2/1": ("plant_and_back_up", "unclear", "first_time"),
        "B1/1": ("plant_and_back_up", "not_known", "unknown"),
        "B2/1": ("plant", "not_known", "history"),
        "B3/1": ("plant", "meets", "history"),
        "B3/2": ("plant", "meets", "history"),
        "C1/1": ("plant_and_back_up", "not_known", "first_time"),
        "C2/1": ("plant", "meets", "history"),
        "C3/1": ("stop", "not_known", "history"),
        "D1/1": ("plant", "fails", "history"),
        "D2/1": ("plant", "meets", "first_time"),
        "E1/1": ("plant_and_back_up", "not_known", "first_time"),
        "E2/1": ("plant", "not_known", "history"),
        "E3/1": ("not_known", "meets", "unknown"),
        "F1/1": ("re_inoculate", "fails", "first_time"),
        "F2/1": ("re_inoculate", "fails", "unknown"),
        "F3/1": ("plant", "fails", "history"),
    },
    "southern": {
        "Lote 1/1": ("plant", "meets", "history"),
        "Lote 2/1": ("plant", "meets", "history"),
        "Lote 3/1": ("plant", "meets", "first_time"),
    },
    "canada": {
        "NE 1/1": ("plant_and_back_up", "not_known", "first_time"),
        "SW 2/1": ("plant", "not_known", "history"),
    },
}

FIELDS = {
    "demo": {
        "A1 soybean": "inoculate",
        "A2 soybean": "inoculate_twice",
        "B1 soybean": "inoculate_twice",
        "B2 soybean": "toss_up",
        "B3 soybean": "not_known",
        "C1 soybean": "inoculate_twice",
        "C2 soybean": "skip",
        "C3 soybean": "inoculate",
        "D1 soybean": "toss_up",
        "D2 soybean": "inoculate_twice",
        "E1 soybean": "inoculate_twice",
        "E2 lentil": "not_known",
        "E3 guar": "inoculate_twice",
        "F1 soybean": "inoculate_twice",
        "F2 soybean": "inoculate_twice",
        "F3 soybean": "inoculate",
    },
    "southern": {
        "Lote 1 soybean": "inoculate",
        "Lote 2 soybean": "inoculate",
        "Lote 3 soybean": "inoculate_twice",
    },
    "canada": {"NE 1 soybean": "inoculate_twice", "SW 2 pea": "not_known"},
}

LIMITED_BY = {"S01": "label", "S03": "tag", "S07": "model", "S11": "label"}


@cache
def plan(name: str) -> Plan:
    return plan_only(EXAMPLES / name)


@pytest.mark.parametrize("name", PLANTINGS)
def test_plantings(name: str) -> None:
    said = {
        f"{p.planting.field}/{p.planting.seq}": (p.verdict.word, p.arrival, p.consequence)
        for p in plan(name).plantings
    }
    assert said == PLANTINGS[name]


@pytest.mark.parametrize("name", FIELDS)
def test_fields(name: str) -> None:
    said = {f"{f.field.field} {f.crop}": f.verdict.word for f in plan(name).fields}
    assert said == FIELDS[name]


def test_every_verdict_there_is_occurs_in_the_demo() -> None:
    words = {p.verdict.word for p in plan("demo").plantings}
    assert words == {"plant", "plant_and_back_up", "re_inoculate", "stop", "not_known"}
    words = {f.verdict.word for f in plan("demo").fields}
    assert words == {"inoculate_twice", "inoculate", "toss_up", "skip", "not_known"}


@pytest.mark.parametrize(("batch", "by"), LIMITED_BY.items())
def test_what_sets_the_hour(batch: str, by: str) -> None:
    found = next(b for b in plan("demo").batches if b.name == batch)
    assert found.plant_by is not None
    assert found.plant_by.by == by


@pytest.mark.parametrize("name", PLANTINGS)
def test_no_chance_is_printed_on_an_assumption_or_an_unknown_stack(name: str) -> None:
    for b in plan(name).batches:
        if b.at_drop.p is not None:
            assert b.worst_grade in ("own", "standard", "measured", "near")
            assert b.facts.stack is not None
            assert b.facts.stack.state in ("alone", "whole", "harmful")
        elif b.facts.requirement is not None:
            assert b.at_drop.why_no_p


def test_shares_of_the_spread_sum_to_one() -> None:
    shares = [b.ledger.spread_from for b in plan("demo").batches]
    known = [s for s in shares if s]
    assert len(known) >= 5
    for s in known:
        assert sum(s.values()) == pytest.approx(1.0, abs=1e-9)


def test_the_afternoon_whose_mean_looks_harmless_is_not_quantified() -> None:
    s08 = next(b for b in plan("demo").batches if b.name == "S08")
    lost = [e for e in s08.ledger.entries if e.state != "quantified"]
    assert len(lost) == 1
    assert "103 °F" in lost[0].why


def test_a_count_rescues_what_a_closed_vehicle_had_spoiled() -> None:
    s07 = next(b for b in plan("demo").batches if b.name == "S07")
    states = [(e.step, e.state) for e in s07.ledger.entries]
    spoiled = states.index(("on_seed", "not_quantified"))
    assert states[spoiled + 1] == ("count", "quantified")
    assert s07.at_drop.p is not None


def test_a_count_outranks_a_guarantee_and_says_so() -> None:
    s12 = next(b for b in plan("demo").batches if b.name == "S12")
    count = next(e for e in s12.ledger.entries if e.step == "count")
    assert "guarantee" in count.why
    assert not s12.at_drop.book.worse.at_least


def test_an_uncertain_price_widens_the_net_and_leaves_its_mean() -> None:
    season = load(EXAMPLES / "demo")
    markets = season.settings.markets
    assert markets["soybean"].price_sd

    def net(price_sd: float | None) -> Estimate:
        changed = {**markets, "soybean": replace(markets["soybean"], price_sd=price_sd)}
        moved = replace(season, settings=replace(season.settings, markets=changed))
        plan = plan_season(
            moved, load_evidence(), rules=published_rules(), hazard_facts=hazard_facts()
        )
        return next(f.net for f in plan.fields if f.field.field == "A1")

    exact, wide = net(None), net(4.0)
    assert None not in (exact.value, exact.high, wide.value, wide.high)
    assert wide.high > exact.high  # type: ignore[operator]
    assert wide.value == pytest.approx(exact.value, rel=0.08)
