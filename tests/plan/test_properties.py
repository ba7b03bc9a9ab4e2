"""What may not change a plan, and what may change it in one direction only."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from datetime import timedelta
from functools import lru_cache
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rhizoledger.evidence import load_evidence
from rhizoledger.evidence.facts import hazard_facts, published_rules
from rhizoledger.plan.document import document
from rhizoledger.plan.season_plan import Plan, plan_season
from rhizoledger.records import Season, Stay, Trace
from rhizoledger.workflows.plan import to_text
from rhizoledger.workflows.season import load

DEMO = Path(__file__).parents[2] / "examples" / "demo"
DRAWS = 200
BATCHES = ("S01", "S07", "S08", "S11", "S12")
VERDICTS = ("stop", "not_known", "re_inoculate", "plant_and_back_up", "plant")


@lru_cache(maxsize=1)
def demo() -> Season:
    """The demo season with five of its batches: a jug changed, a rescue, heat, a closed window."""
    season = load(DEMO)
    batches = tuple(b for b in season.batches if b.batch in BATCHES)
    items = {*BATCHES, *(lot for b in batches for lot in b.lots)}
    items |= {t.lot for t in season.treatments if t.batch in BATCHES and t.lot}
    return replace(
        season,
        batches=batches,
        plantings=tuple(p for p in season.plantings if p.batch in BATCHES),
        stays=tuple(s for s in season.stays if s.item in items),
        plates=tuple(p for p in season.plates if p.item in items),
    )


def planned(season: Season) -> Plan:
    return plan_season(
        season,
        load_evidence(),
        rules=published_rules(),
        hazard_facts=hazard_facts(),
        n_draws=DRAWS,
    )


def answers(season: Season) -> dict[str, str]:
    """Every batch, planting and field as the text that plan.json would hold, by name."""
    d = document(planned(season), {})
    out = {f"batch {b['batch']}": to_text(b) for b in d["batches"]}
    out |= {f"planting {p['field']}/{p['seq']}": to_text(p) for p in d["plantings"]}
    return out | {f"field {f['field']} {f['crop']}": to_text(f) for f in d["fields"]}


@lru_cache(maxsize=1)
def demo_answers() -> dict[str, str]:
    return answers(demo())


@pytest.mark.thorough
@settings(max_examples=8, deadline=None)
@given(st.data())
def test_splitting_stays_changes_nothing(data: st.DataObject) -> None:
    def halves(stay: Stay) -> list[Stay]:
        seconds = int(((stay.end or stay.start) - stay.start).total_seconds())
        if seconds < 2 or not data.draw(st.booleans()):
            return [stay]
        middle = stay.start + timedelta(seconds=data.draw(st.integers(1, seconds - 1)))
        return [replace(stay, end=middle), replace(stay, start=middle, row=stay.row + 1000)]

    stays = tuple(half for stay in demo().stays for half in halves(stay))
    assert answers(replace(demo(), stays=stays)) == demo_answers()


@pytest.mark.parametrize("seed", range(4))
def test_shuffling_rows_changes_nothing(seed: int) -> None:
    random = Random(seed)

    def shuffled(rows: tuple[Any, ...]) -> tuple[Any, ...]:
        return tuple(random.sample(rows, len(rows)))

    tables = (
        "inoculants", "products", "recipes", "stacks", "lots", "batches", "treatments", "stays",
        "events", "plates", "tubes", "fields", "plantings", "applications",
    )  # fmt: skip
    mixed = replace(demo(), **{name: shuffled(getattr(demo(), name)) for name in tables})
    assert answers(mixed) == demo_answers()


@pytest.mark.thorough
def test_a_batch_alone_or_among_two_hundred_has_the_same_bytes() -> None:
    season = demo()
    copies: list[Any] = []
    stays: list[Stay] = []
    for i in range(195):
        model = season.batches[i % len(season.batches)]
        name = f"copy {i}"
        copies.append(replace(model, batch=name, parents=()))
        stays += [replace(s, item=name) for s in season.stays if s.item == model.batch]
    many = answers(
        replace(season, batches=(*copies, *season.batches), stays=(*stays, *season.stays))
    )
    whole = demo_answers()
    for batch in season.batches:
        alone = replace(
            season,
            batches=(batch,),
            plantings=tuple(p for p in season.plantings if p.batch == batch.batch),
        )
        key = f"batch {batch.batch}"
        assert answers(alone)[key] == whole[key] == many[key]


@pytest.mark.thorough
def test_one_thread_or_two_gives_the_same_bytes(tmp_path: Path) -> None:
    texts = []
    for threads in ("1", "2"):
        out = tmp_path / threads
        environment = {**os.environ, "OPENBLAS_NUM_THREADS": threads, "OMP_NUM_THREADS": threads}
        command = [sys.executable, "-m", "rhizoledger", "plan", str(DEMO), "--out", str(out)]
        subprocess.run(command, env=environment, check=True, capture_output=True)
        texts.append((out / "plan.json").read_bytes())
    assert texts[0] == texts[1]


def warmer(season: Season, by_c: float, top_c: float) -> Season:
    """Every recorded and every possible temperature up, and none over ``top_c``."""

    def up(x: float | None) -> float | None:
        return None if x is None else max(x, min(x + by_c, top_c))

    return replace(
        season,
        settings=replace(
            season.settings,
            ambient_low_c=up(season.settings.ambient_low_c),
            ambient_high_c=up(season.settings.ambient_high_c),
        ),
        stays=tuple(
            replace(s, temp_low_c=up(s.temp_low_c), temp_high_c=up(s.temp_high_c))
            for s in season.stays
        ),
        traces={
            n: Trace(n, t.time_s, np.maximum(t.temp_c, np.minimum(t.temp_c + by_c, top_c)))
            for n, t in season.traces.items()
        },
    )


def without_counts(season: Season) -> Season:
    return replace(season, plates=(), tubes=())


@pytest.mark.thorough
@settings(max_examples=6, deadline=None)
@given(st.floats(0.0, 12.0), st.floats(0.0, 12.0))
def test_hotter_never_raises_a_balance(first: float, second: float) -> None:
    cool, hot = sorted((first, second))
    base = without_counts(demo())
    top = 26.0  # inside the published range of seed, peat and liquid alike
    a, b = (planned(warmer(base, by, top)) for by in (cool, hot))
    compared = 0
    for cooler, hotter in zip(a.batches, b.batches, strict=True):
        x, y = cooler.at_drop.cells, hotter.at_drop.cells
        for end in ("value", "low", "high"):
            was, now = getattr(x, end), getattr(y, end)
            if was is not None and now is not None:
                assert now <= was + 1e-9, (cooler.name, end)
                compared += 1
        assert y.value is None or x.value is not None or hot > cool
    assert compared >= 6


def spoils(table: str, row: Any, plan: Plan) -> bool:
    """Whether a row tells of harm, a limit or a low count: removing it may raise a verdict."""
    if table == "events":
        return bool(row.event not in ("opened", "split"))
    if table == "stacks":
        return row.verdict not in ("label_allows", "tested_ok") or row.max_hours is not None
    if table in ("plates", "tubes"):
        counted = [e for b in plan.batches for e in b.ledger.entries if e.step == "count"]
        return any(e.start == row.sampled_at and (e.change.value or 0.0) < 0 for e in counted)
    if table == "stays":
        top = plan.context.season.settings.ambient_high_c
        trace = plan.context.season.traces.get(row.logger or "")
        peak = row.temp_high_c if trace is None else float(trace.temp_c.max())
        return top is None or (peak is not None and peak > top) or row.sun_hours is not None
    return False


@pytest.mark.thorough
@pytest.mark.parametrize("table", ["stacks", "plates", "tubes", "events", "stays", "applications"])
def test_removing_a_row_raises_no_verdict_unless_it_lowered_it(table: str) -> None:
    whole = planned(demo())
    before = {(p.planting.field, p.planting.seq): p.verdict.word for p in whole.plantings}
    for row in getattr(demo(), table):
        rest = tuple(r for r in getattr(demo(), table) if r is not row)
        after = planned(replace(demo(), **{table: rest}))
        for p in after.plantings:
            old = before[p.planting.field, p.planting.seq]
            raised = VERDICTS.index(p.verdict.word) > VERDICTS.index(old)
            assert not raised or spoils(table, row, whole), (row, old, p.verdict.word)
