"""What would arrive after a longer wait, in another store, under another recipe."""

from __future__ import annotations

import csv
import json
import shutil
from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import pytest

from rhizoledger.cli.app import main
from rhizoledger.errors import InputError, NotFoundError
from rhizoledger.plan.batch_answer import batch_at
from rhizoledger.plan.batch_facts import batch_facts
from rhizoledger.plan.context import Context
from rhizoledger.plan.season_plan import plan_season
from rhizoledger.plan.what_if import Question, WhatIf, what_if
from rhizoledger.workflows.plan import season_context
from rhizoledger.workflows.survival_what_if import what_if_folder

EXAMPLES = Path(__file__).parents[2] / "examples"
DEMO = EXAMPLES / "demo"


@lru_cache(maxsize=1)
def demo() -> Context:
    return season_context(DEMO)


@lru_cache(maxsize=1)
def counted() -> WhatIf:
    return what_if("S07", Question(delay_days=2.5, store_c=18.0), demo())


@pytest.mark.thorough
def test_no_change_is_the_plan() -> None:
    c = demo()
    plan = plan_season(c.season, c.evidence, rules=c.rules, hazard_facts=c.hazard_facts)
    for planting in plan.plantings:
        name, at = planting.planting.batch, planting.at
        if name not in c.batches or at is None or planting.planted:
            continue
        found = what_if(name, Question(), c)
        if found.base == at.moment:
            assert found.planned.at.p == found.asked.at.p == at.p
            assert found.planned.at.cells == at.cells
            assert found.planned.arrival == planting.arrival


def test_the_answer_stands_in_its_table() -> None:
    found = counted()
    assert found.question.delay_days in found.delays_days
    store = next(s for s in found.stores if s.temp_c == found.question.store_c)
    cell = store.outcomes[found.delays_days.index(found.question.delay_days)]
    assert cell.at.p == found.asked.at.p
    assert cell.arrival == found.asked.arrival


def test_waiting_longer_or_warmer_is_never_better() -> None:
    found = counted()
    rows = [[o.at.p for o in s.outcomes] for s in found.stores]
    for row in rows:
        told = [p for p in row if p is not None]
        assert told == sorted(told, reverse=True)
        assert all(p is None for p in row[len(told) :])  # once not known, later is not known
    for column in zip(*rows, strict=True):
        told = [p for p in column if p is not None]
        assert told == sorted(told, reverse=True)
    assert len({p for row in rows for p in row}) > 8


@pytest.mark.thorough
def test_the_longest_wait_is_where_the_chance_falls_below_the_wanted() -> None:
    found = counted()
    c = demo()
    told = [s for s in found.stores if s.latest_days is not None and not s.open]
    assert len({s.latest_days for s in told}) > 2
    for store in (told[0], told[-1]):
        assert store.latest_days is not None
        for hours, meets in ((0, True), (1, False)):
            asked = Question(store.latest_days + hours / 24, store.temp_c)
            p = what_if("S07", asked, c).asked.at.p
            assert (p is not None and p >= found.wanted) == meets


def test_a_store_is_what_a_row_of_stays_would_be() -> None:
    """The same wait written down as a row in the season gives the same cells."""
    c, found = demo(), counted()
    stay = next(s for s in c.season.stays if s.item == "S07")
    rest = [
        s if s.end is not None and s.end <= found.waits_from else replace(s, end=found.waits_from)
        for s in c.season.stays
        if s.item == "S07" and s.start < found.waits_from
    ]
    wait = replace(
        stay, row=999, stage="on_seed", start=found.waits_from, end=None, place="store",
        logger=None, temp_low_c=18.0, temp_high_c=18.0, sensor_at=None, moisture="dry",
        covered=None, sun_hours=None, packaging=None,
    )  # fmt: skip
    own = replace(c, stays={**c.stays, "S07": (*rest, wait)}, kept={}, recent={})
    at = batch_at(batch_facts(c.batches["S07"], c), found.asked.drop, own)
    assert at.cells.value == pytest.approx(found.asked.at.cells.value, abs=1e-12)
    assert at.p == found.asked.at.p


def test_another_recipe_is_what_the_season_would_say_of_it(tmp_path: Path) -> None:
    folder = tmp_path / "season"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("plan"))
    with (folder / "batches.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    for row in rows:
        if row["batch"] == "S08":
            row["recipe"] = "R-NOGO"
    with (folder / "batches.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, rows[0])
        writer.writeheader()
        writer.writerows(rows)
    named = season_context(folder)
    undone = tuple(t for t in named.season.treatments if t.batch != "S08")
    named = replace(named, season=replace(named.season, treatments=undone))
    told = what_if("S08", Question(recipe="R-NOGO"), demo())
    facts = batch_facts(
        replace(named.batches["S08"], treat_on=told.facts.treated_at),
        named,
    )
    assert told.asked.at.why_no_p == batch_at(facts, told.asked.drop, named).why_no_p
    assert told.asked.at.why_no_p != told.planned.at.why_no_p


@pytest.mark.parametrize(
    ("name", "question", "error", "words"),
    [
        ("NOPE", Question(), NotFoundError, "There are: S01"),
        ("S07", Question(recipe="R-NONE"), NotFoundError, "no recipe of this season"),
        ("S07", Question(delay_days=-1), InputError, "no wait of seed"),
        ("S07", Question(delay_days=float("nan")), InputError, "no wait of seed"),
        ("S07", Question(delay_days=1e6), InputError, "no wait of seed"),
        ("S07", Question(store_c=5000.0), InputError, "--store-f"),
        ("S07", Question(store_c=float("nan")), InputError, "--store-f"),
    ],
)
def test_what_cannot_be_asked_is_said(
    name: str, question: Question, error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=words):
        what_if(name, question, demo())


def test_seed_in_the_ground_is_no_question() -> None:
    c = demo()
    planted = replace(next(p for p in c.season.plantings if p.batch == "S07"), planted_to=c.now)
    others = tuple(p for p in c.season.plantings if p.batch != "S07")
    later = replace(c, season=replace(c.season, plantings=(*others, planted)))
    with pytest.raises(InputError, match="written down as planted"):
        what_if("S07", Question(), later)


@pytest.mark.thorough
def test_both_temperatures_are_one_too_many() -> None:
    with pytest.raises(InputError, match="one of the two"):
        what_if_folder(DEMO, "S07", store_c=5, store_f=41)
    celsius = what_if_folder(DEMO, "S07", store_c=5)
    fahrenheit = what_if_folder(DEMO, "S07", store_f=41)
    assert celsius == fahrenheit


@pytest.mark.thorough
def test_the_command_answers_first_and_writes_its_map(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["survival", "what-if", str(DEMO), "--batch", "S07", "--delay-days", "7"]
    assert main([*words, "--store-c", "5", "--out", str(tmp_path)]) == 0
    text = capsys.readouterr().out
    assert text.startswith("S07, 7 days later, kept at 41 °F: ")
    assert all(len(line) <= 80 for line in text.splitlines() if str(tmp_path) not in line)
    assert "longest" in text
    assert {p.name for p in tmp_path.iterdir()} == {"what-if.svg", "what-if.png", "what-if.csv"}
    svg = (tmp_path / "what-if.svg").read_text()
    assert "longest wait with 9 in 10" in svg
    assert main([*words, "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    with (tmp_path / "what-if.csv").open(newline="") as file:
        cells = list(csv.DictReader(file))
    assert len(cells) == len(found["stores"]) * len(found["delays_days"])
    assert found["what_if"]["arrival"] in ("meets", "unclear", "fails", "not_known")
