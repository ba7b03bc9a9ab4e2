"""A season small enough for paper: every number of its plan.json, worked out here from scratch.

The season's own evidence fixes what is otherwise drawn, so ledger numbers are exact. The gain of a
field is still drawn (normal, mean 100, sd 50 kg/ha): those numbers are held against closed forms,
to within four Monte Carlo standard errors of 4,000 draws.
"""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from statistics import NormalDist

import pytest

from rhizoledger.workflows.plan import make_plan

HERE = Path(__file__).parent / "by_hand"
EXACT = 5e-7  # plan.json keeps six decimals
DRAWS = 4000

# From jug to furrow, on paper: titre 5e9 per mL, 2 mL per kg, 6000 seeds per kg.
APPLIED = math.log10(5e9 * 2 / 6000)
LOSS, SHARE, PERIOD_D = 1.8, 0.25, 21.0
DRYING = LOSS * (SHARE + (1 - SHARE) * (6 / 24) / PERIOD_D)  # 6 h at the reference temperature
WAITING = LOSS * (1 - SHARE) * (42 / 24) / PERIOD_D
CLOSING = APPLIED - DRYING - WAITING

# Money, on paper: 200 for 10 L, 2 mL per kg, 80 kg of seed per ha, fee 0.80; grain at 0.40 per kg.
COST = 200 / 10_000 * 2 * 80 + 0.8
BREAK_EVEN = COST / 0.4
GAIN = NormalDist(100.0, 50.0)


def p_pays(k: float) -> float:
    return 1 - GAIN.cdf(k * BREAK_EVEN)


def evsi_six_pairs() -> float:
    """Per hectare: s² = sd⁴/(sd² + σ_y² + σ²/n); price × s × unit normal loss of the distance."""
    s = math.sqrt(50.0**4 / (50.0**2 + 30.0**2 + 200.0**2 / 6))
    d = abs(100.0 - BREAK_EVEN) / s
    n = NormalDist()
    return 0.4 * s * (n.pdf(d) - d * (1 - n.cdf(d)))


def share_meeting() -> float:
    """Share of seeds with 1e5 cells or more, to a tenth: a lognormal amount, its coefficient of
    variation itself lognormal with 0.25 and 1.0 as its 5 and 95 % points."""
    normal, below = NormalDist(), 0.0
    for i in range(1000):
        u = normal.inv_cdf((i + 0.5) / 1000) / normal.inv_cdf(0.95)
        s2 = math.log1p((0.5 * 2.0**u) ** 2)
        below += normal.cdf((math.log(1e5 / 10**CLOSING) + s2 / 2) / math.sqrt(s2)) / 1000
    return round(1 - below, 1)


def estimate(path: str, value: float, *, change: bool = False) -> dict[str, float]:
    """The numbers of an estimate that nothing blurs."""
    out = {f"{path}.{end}": value for end in ("value", "low", "high")}
    return out | {f"{path}.level": 0.9} | ({} if change else {f"{path}.se": 0.0})


def expected_exact() -> dict[str, float]:
    ledger = [
        (None, APPLIED),  # the guarantee, as it reads per seed
        (0.0, APPLIED),  # stored inside the label's range
        (0.0, APPLIED),  # as applied
        (-DRYING, APPLIED - DRYING),
        (-WAITING, CLOSING),
    ]
    out: dict[str, float] = {"schema": 1, "generated.seed": 1}
    for i, (change, balance) in enumerate(ledger):
        path = f"batches[0].ledger[{i}]"
        if change is None:
            out[f"{path}.change.level"] = 0.9
        else:
            out |= estimate(f"{path}.change", change, change=True)
        out |= estimate(f"{path}.balance", balance)
    out |= estimate("batches[0].cells_per_seed_log10", CLOSING)
    out |= estimate("batches[0].applied_log10", APPLIED)
    out |= estimate("plantings[0].cells_per_seed_log10", CLOSING)
    out |= {
        "batches[0].requirement_log10": 5.0,
        "batches[0].p_meets": 1.0,
        "batches[0].share_of_seeds_meeting": share_meeting(),
        "batches[0].p_gap_ends[0]": 1.0,
        "batches[0].p_gap_ends[1]": 1.0,
        # 4,000 draws of 4,000 meet: with two standard errors of Agresti and Coull, 4002 / 4004
        # less 2 √(4002 · 2 / 4004³).
        "batches[0].p_band[0]": 0.998794,
        "batches[0].p_band[1]": 1.0,
        "plantings[0].seq": 1,
        "plantings[0].p_meets": 1.0,
        "fields[0].gain.value": 100.0,
        "fields[0].gain.se": 50.0,
        "fields[0].gain.level": 0.9,
        "fields[0].net.level": 0.9,
        "fields[0].cost_per_area": COST,
        "fields[0].break_even": BREAK_EVEN,
        "fields[0].worth_testing[0].value": round(evsi_six_pairs() * 10, 2),
        "runs[0].planned.doses[0].amount": 2000.0,
        "runs[0].planned.doses[0].per_unit_seed": 2.0,
        "runs[0].planned.liquid_ml_per_100kg": 200.0,
        "runs[0].planned.packs.INO": 1,
        "runs[0].planned.left_over.INO": 8000.0,
        "evidence[0].low": 100.0,
        "evidence[0].high": 100.0,
        "evidence[1].value": 50.0,
        "evidence[2].value": LOSS,
        "evidence[3].value": SHARE,
        "evidence[4].value": 60.0,
        "evidence[5].value": 200.0,
        "evidence[6].value": 30.0,
        "evidence[7].value": 42.0,  # days of notice for a soil count and for strips: the packaged
        "evidence[7].low": 28.0,  # rows, graded common practice
        "evidence[7].high": 56.0,
        "evidence[8].value": 14.0,
        "evidence[8].low": 7.0,
        "evidence[8].high": 21.0,
        "evidence[9].value": PERIOD_D,
        "evidence[10].value": 22.5,
        "evidence[11].value": 0.5,  # seed to seed, judged
        "evidence[11].low": 0.25,
        "evidence[11].high": 1.0,
    }
    return out


def expected_drawn() -> dict[str, tuple[float, float]]:
    """Value and Monte Carlo standard error of what is drawn."""

    def quantile(q: float, scale: float, shift: float) -> tuple[float, float]:
        x = GAIN.inv_cdf(q)
        return scale * x + shift, scale * math.sqrt(q * (1 - q) / DRAWS) / GAIN.pdf(x)

    def chance(k: float) -> tuple[float, float]:
        p = p_pays(k)
        return p, math.sqrt(p * (1 - p) / DRAWS) + 0.0005 / 4

    return {
        "fields[0].gain.low": quantile(0.05, 1.0, 0.0),
        "fields[0].gain.high": quantile(0.95, 1.0, 0.0),
        "fields[0].net.value": (0.4 * 100 - COST, 0.4 * 50 / math.sqrt(DRAWS)),
        "fields[0].net.low": quantile(0.05, 0.4, -COST),
        "fields[0].net.high": quantile(0.95, 0.4, -COST),
        "fields[0].p_pays": chance(1),
        "fields[0].p_pays_k.2": chance(2),
        "fields[0].p_pays_k.3": chance(3),
        "fields[0].p_pays_k.5": chance(5),
    }


def numbers(value: object, path: str = "") -> Iterator[tuple[str, float]]:
    """Every number of a document with its path."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from numbers(inner, f"{path}.{key}" if path else key)
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            yield from numbers(inner, f"{path}[{i}]")
    elif isinstance(value, (int, float)) and not isinstance(value, bool):
        yield path, value


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory) -> dict[str, object]:
    folder = tmp_path_factory.mktemp("hand") / "season"
    shutil.copytree(HERE, folder)
    result = make_plan(folder)
    written, _ = result.written
    document = json.loads(written.read_text(encoding="utf-8"))
    assert document == result.document
    return document


def test_no_number_is_left_out(document: dict[str, object]) -> None:
    assert {p for p, _ in numbers(document)} == {*expected_exact(), *expected_drawn()}


@pytest.mark.parametrize(("path", "value"), expected_exact().items())
def test_exact_numbers(document: dict[str, object], path: str, value: float) -> None:
    assert dict(numbers(document))[path] == pytest.approx(value, abs=EXACT)


@pytest.mark.parametrize(("path", "value"), expected_drawn().items())
def test_drawn_numbers(document: dict[str, object], path: str, value: tuple[float, float]) -> None:
    assert dict(numbers(document))[path] == pytest.approx(value[0], abs=4 * value[1])


def test_words(document: dict[str, object]) -> None:
    (batch,), (planting,) = document["batches"], document["plantings"]  # type: ignore[misc]
    # 1.8·(0.25 + 0.75·t/21) = APPLIED - 5 at t = 12.0 d, to the whole hour before.
    margin_d = ((APPLIED - 5) / LOSS - SHARE) / (1 - SHARE) * PERIOD_D
    treated = datetime(2027, 5, 1, 8)
    last = treated + timedelta(hours=math.floor(margin_d * 24))
    assert batch["plant_by"] == f"{last.isoformat(timespec='minutes')}+00:00"
    assert (batch["limited_by"], batch["basis"]) == ("model", "recovered_at_planting")
    assert [e["step"] for e in batch["ledger"]] == [
        "package", "package", "as applied", "drying", "on_seed",
    ]  # fmt: skip
    assert batch["worst_grade"] == "measured"
    assert (planting["arrival"], planting["consequence"]) == ("meets", "history")
    assert planting["verdict"] == "plant"
    first, second = document["fields"]  # type: ignore[misc]
    assert (first["verdict"], second["verdict"]) == ("inoculate", "inoculate_twice")
    assert second["gain"]["status"] == "not_known"
    assert document["as_of"] == "2027-04-01"
    assert document["problems"] == []
