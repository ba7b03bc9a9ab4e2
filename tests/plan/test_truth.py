"""The truth test: seasons simulated from known parameters, planned, and held against the truth.

Every number simulated here is invented or drawn from the evidence's own distributions. The truth
is worked out by a slow integral of its own, with other random numbers than the plan's. Two
questions: do 90 % intervals cover the true balance 86 to 94 times in a hundred, and what do
verdicts lose in money against knowing the truth?
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest

from rhizoledger.evidence import load_evidence
from rhizoledger.evidence.facts import hazard_facts, published_rules
from rhizoledger.plan.season_plan import Plan, plan_season
from rhizoledger.records import (
    NEVER,
    Batch,
    Field,
    Inoculant,
    Lot,
    Planting,
    Plate,
    RecipeStep,
    Requirement,
    Season,
    Settings,
    Stay,
    Trace,
)

SEASONS = 200
SEED = 1
TREATED = datetime(2027, 5, 3, 8, tzinfo=UTC)
DRYING_H = 6
RATE_ML_PER_KG, SEEDS_PER_KG = 2.0, 6000.0
PER_SEED = RATE_ML_PER_KG / SEEDS_PER_KG
NEED = 1e5
LOSS_IF_DEAD, BACK_UP, RE_INOCULATE = 240.0, 24.0, 24.0  # money per ha, invented


@dataclass(frozen=True)
class Truth:
    """What nobody in the season knows."""

    titre_log10: float
    loss: float
    share: float
    z_c: float
    trace: Trace
    whole_trace: Trace
    planted: datetime

    def balance(self, at: datetime) -> float:
        """True log10 cells per seed at a moment, by an integral in steps of 20 s."""
        age, first = self._age(at), self._age(TREATED + timedelta(hours=DRYING_H))
        pace = first / (DRYING_H / 24)
        lost = self.loss * (self.share * pace + (1 - self.share) * age / 21)
        return self.titre_log10 + float(np.log10(PER_SEED)) - lost

    def _age(self, until: datetime) -> float:
        seconds = np.arange(TREATED.timestamp(), until.timestamp(), 20.0) + 10.0
        temp = np.interp(seconds, self.whole_trace.time_s, self.whole_trace.temp_c)
        return float(np.sum(10 ** ((np.maximum(temp, 15.0) - 22.5) / self.z_c)) * 20 / 86_400)


def weather(rng: np.random.Generator, planted: datetime) -> Trace:
    """Half-hourly readings of a shed: a daily wave, slow weather, never outside 15 to 30 °C."""
    times = np.arange(TREATED.timestamp(), planted.timestamp() + 1, 1800.0).astype(np.int64)
    hours = (times - times[0]) / 3600
    wave = rng.uniform(2, 5) * np.sin(2 * np.pi * (hours - 3) / 24)
    slow = np.cumsum(rng.normal(0, 0.12, times.size))
    temps = np.clip(rng.uniform(18, 24) + wave + slow, 15.0, 29.9)
    return Trace("shed.csv", times, np.round(temps, 1))


def plates(
    rng: np.random.Generator, item: str, at: datetime, basis: str, log10: float, sd: float
) -> tuple[Plate, ...]:
    """Three plates of one sample, with its error, at the dilution one would count."""
    sampled = 10 ** (log10 + rng.normal(0, sd))
    wash_ml, seeds = 100.0, 100.0
    per_ml = sampled if basis == "mL" else sampled * seeds / wash_ml
    dilution = 10.0 ** -max(0, round(np.log10(per_ml * 0.1 / 80)))
    counts = rng.poisson(per_ml * dilution * 0.1, 3)
    return tuple(
        Plate(
            i + 2, item, at, "mL" if basis == "mL" else "seed", dilution, 0.1, int(c),
            colonies_are="target", wash_ml=wash_ml, seeds_washed=seeds,
        )
        for i, c in enumerate(counts)
    )  # fmt: skip


def simulate(rng: np.random.Generator) -> tuple[Truth, Season]:
    """One season and its truth; sometimes with a hole in the record, sometimes with a count."""
    evidence = load_evidence()
    stem = "survival.on_seed.soybean"

    def drawn(name: str) -> float:
        p = evidence[name]
        assert p.low is not None and p.high is not None
        return float(rng.uniform(p.low, p.high))

    planted = TREATED + timedelta(hours=int(rng.integers(18, 12 * 24)))
    whole = weather(rng, planted)
    trace = whole
    if rng.random() < 0.3 and whole.time_s.size > 60:
        start = int(rng.integers(20, whole.time_s.size - 30))
        keep = np.ones(whole.time_s.size, bool)
        keep[start : start + int(rng.integers(6, 24))] = False
        trace = Trace(whole.name, whole.time_s[keep], whole.temp_c[keep])
    truth = Truth(
        float(rng.uniform(9.3, 10.4)),
        drawn(f"{stem}.log10_loss_21d"),
        drawn(f"{stem}.first_phase_share"),
        drawn(f"{stem}.z_c"),
        trace,
        whole,
        planted,
    )
    sd = drawn("count.between_sample_sd_log10")
    counted = plates(rng, "L1", TREATED, "mL", truth.titre_log10, sd)
    middle = TREATED + (planted - TREATED) / 2
    if rng.random() < 0.3 and middle > TREATED + timedelta(hours=DRYING_H):
        counted += plates(rng, "B1", middle, "seed", truth.balance(middle), sd)
    return truth, season_of(trace, planted, counted, int(rng.integers(1, 10**6)))


def season_of(trace: Trace, planted: datetime, counted: tuple[Plate, ...], seed: int) -> Season:
    dried = TREATED + timedelta(hours=DRYING_H)
    day = date(2027, 12, 31)
    inoculant = Inoculant(
        2, "INO", "soybean", "invented", "liquid", ("seed",), None, "CFU/mL", None, 2.0, "mL/kg",
        protectant="invented polymer",
    )  # fmt: skip
    batch = Batch(
        2, "B1", "soybean", "own_run", 1000.0, "kg", 1000.0, SEEDS_PER_KG,
        seed_size_how="counted", recipe="R1", lots=("L1",), treat_on=TREATED,
    )  # fmt: skip
    stay = Stay(
        2, "B1", "drying", TREATED, dried, "store", trace.name, 15.0, 30.0,
        moisture="drying", covered=True,
    )  # fmt: skip
    waiting = replace(stay, row=3, stage="on_seed", start=dried, end=planted, moisture="dry")
    return Season(
        Settings("simulated", "UTC", date(2027, 4, 1), day, seed),
        requirements=(Requirement(2, "soybean", NEED, "recovered_at_planting", "invented"),),
        inoculants=(inoculant,),
        recipes=(RecipeStep(2, "R1", 1, "A", "INO", RATE_ML_PER_KG, "mL/kg"),),
        lots=(Lot(2, "L1", "INO", day),),
        batches=(batch,),
        stays=(stay, waiting),
        plates=counted,
        fields=(Field(2, "F1", 10.0, NEVER, crop="soybean"),),
        plantings=(Planting(2, "F1", 1, "B1", "soybean", planted, 10.0, 80.0, "kg/ha"),),
        traces={trace.name: trace},
    )


def planned(season: Season) -> Plan:
    return plan_season(
        season, load_evidence(), rules=published_rules(), hazard_facts=hazard_facts(), n_draws=2000
    )


def lost(word: str, enough: bool) -> float:
    """Money per ha that a decision loses against knowing the truth."""
    best = 0.0 if enough else BACK_UP
    cost = {"plant": 0.0 if enough else LOSS_IF_DEAD, "re_inoculate": RE_INOCULATE}
    return cost.get(word, BACK_UP) - best


@pytest.mark.slow
def test_intervals_cover_and_verdicts_lose_less_than_habits() -> None:
    rng = np.random.default_rng(SEED)
    covered = 0
    money = {"the plan": 0.0, "always plant": 0.0, "always back up": 0.0}
    words: dict[str, int] = {}
    for _ in range(SEASONS):
        truth, season = simulate(rng)
        plan = planned(season)
        (batch,), (planting,) = plan.batches, plan.plantings
        cells, real = batch.at_drop.cells, truth.balance(truth.planted)
        assert cells.low is not None and cells.high is not None
        covered += cells.low <= real <= cells.high
        enough = real >= np.log10(NEED)
        word = planting.verdict.word
        words[word] = words.get(word, 0) + 1
        money["the plan"] += lost(word, enough)
        money["always plant"] += lost("plant", enough)
        money["always back up"] += lost("plant_and_back_up", enough)
    share = covered / SEASONS
    print(f"\n{SEASONS} simulated seasons: 90 % intervals cover {100 * share:.1f} %")
    print("verdicts:", ", ".join(f"{w} {n}" for w, n in sorted(words.items())))
    for name, total in money.items():
        print(f"  {name:<15} loses {total / SEASONS:6.2f} per ha against knowing the truth")
    assert 0.86 <= share <= 0.94
    assert money["the plan"] < min(money["always plant"], money["always back up"])
