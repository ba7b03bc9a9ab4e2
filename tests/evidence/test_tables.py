"""The packaged rows: valid, sourced, honest, and derived as they say."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from rhizoledger.draws import OTHER_PRIORS, Draws, quantile_function
from rhizoledger.evidence import GRADES, load_evidence
from rhizoledger.evidence.load import packaged_rows_once
from rhizoledger.evidence.read import source_key

KG_HA_PER_BU_AC = 60 * 0.45359237 / 0.40468564224  # 60 lb; international pound and acre
EVIDENCE = load_evidence()
IDS = sorted(EVIDENCE)


def _row(key: str) -> tuple[float | None, float | None, float | None]:
    p = EVIDENCE[key]
    return p.value, p.low, p.high


@pytest.mark.parametrize("key", IDS)
def test_a_row_is_whole_and_can_be_drawn(key: str) -> None:
    p = EVIDENCE[key]
    assert p.id == key
    assert p.grade in GRADES and p.grade != "own"
    assert p.conditions and p.how_known and p.unit
    assert p.conditions[-1] in ".)", "conditions are sentences"
    ends = np.array([1e-12, 0.5, 1 - 1e-12])
    for prior in ("stated", *OTHER_PRIORS):
        draws = Draws(1, 200, prior).parameter(p, "strain")
        assert np.isfinite(draws).all()
        if p.draw in ("uniform", "triangular") and p.low is not None and p.low > 0:
            assert (quantile_function(p, prior)(ends) > 0).all(), "no reading changes the sign"
        if prior == "stated" and p.draw in ("uniform", "triangular", "fixed"):
            low = p.value if p.low is None else p.low
            high = p.value if p.high is None else p.high
            assert low is not None and high is not None
            assert low <= draws.min() and draws.max() <= high


def test_every_source_is_used_and_every_reference_leads_somewhere() -> None:
    cited = set()
    for row in packaged_rows_once():
        texts = list(row.data.get("sources", ()))
        texts += [row.data["source"]] if "source" in row.data else []
        cited |= {source_key(text) for text in texts}
    assert cited == set(EVIDENCE.sources)
    for source in EVIDENCE.sources.values():
        assert source.citation and source.locator and source.how_known


def test_nothing_from_memory_or_judgement_is_graded_better_than_near() -> None:
    near = GRADES.index("near")
    for p in EVIDENCE.values():
        words = " ".join([p.how_known, *p.sources])
        if any(w in words for w in ("memory", "own_judgement", "common_practice")):
            assert GRADES.index(p.grade) >= near, p.id
        unread = [EVIDENCE.sources[source_key(s)].how_known for s in p.sources]
        if any("not read" in how for how in unread):
            assert GRADES.index(p.grade) >= near, p.id


def test_judged_spreads_say_so() -> None:
    judged = [p for p in EVIDENCE.values() if p.interval_kind == "judgement"]
    assert judged
    for p in judged:
        said = " ".join([p.how_known, p.conditions, *p.sources])
        assert "judge" in said or "practice" in said or "memory" in said, p.id
        assert p.level == 0.9, p.id


@pytest.mark.parametrize(
    ("key", "value", "low", "high", "draw", "grade"),
    [
        ("survival.on_seed.soybean.log10_loss_21d", None, 1.14, 2.30, "uniform", "measured"),
        ("survival.on_seed.soybean.z_c", None, 46, 90, "uniform", "near"),
        ("survival.on_seed.soybean.t_ref_c", 22.5, None, None, "fixed", "measured"),
        ("survival.on_seed.soybean.period_d", 21, None, None, "fixed", "measured"),
        ("survival.on_seed.soybean.first_phase_share", None, 0, 1, "uniform", "near"),
        ("survival.on_seed.soybean.edge_down_to_c", 0, None, None, "fixed", "near"),
        ("survival.package.peat.log10_loss_per_day", 0.0005, 0.00027, 0.00083, "uniform", "near"),
        ("survival.package.peat.grows_above_c", 26, None, None, "fixed", "near"),
        ("survival.package.liquid_warm.d_days", 87, 43.5, 174, "lognormal", "near"),
        ("survival.package.liquid_warm.edge_down_to_c", 4, None, None, "fixed", "near"),
        ("survival.vehicle.rise_min_c", 28, None, None, "fixed", "measured"),
        ("survival.vehicle.rise_max_c", 31, None, None, "fixed", "measured"),
        ("gain.soybean.history.us", 60, None, None, "fixed", "measured"),
        ("gain.soybean.history.argentina", 190, None, None, "fixed", "measured"),
        ("gain.soybean.history.us_michigan", 85.6, None, None, "fixed", "measured"),
        ("gain.soybean.history.us_ohio", None, 100.9, 130.5, "uniform", "measured"),
        ("gain.soybean.history.generic", None, 60, 130, "uniform", "near"),
        ("gain.soybean.first_time", 672.5, 0, 3295, "triangular", "near"),
        ("trial.soybean.pair_difference_sd", None, 195.0, 242.1, "uniform", "near"),
        ("crop.soybean.lb_per_bu", 60, None, None, "fixed", "standard"),
        ("crop.lentil.lb_per_bu", 60, None, None, "fixed", "practice"),
    ],
)
def test_what_other_modules_rely_on(
    key: str, value: float | None, low: float | None, high: float | None, draw: str, grade: str
) -> None:
    p = EVIDENCE[key]
    assert _row(key) == (value, low, high)
    assert (p.draw, p.grade) == (draw, grade)


def test_limits_of_the_loss_on_seed() -> None:
    loss = EVIDENCE["survival.on_seed.soybean.log10_loss_21d"]
    assert loss.valid_c == (15, 30)
    assert loss.covers == ("recovery", "drying", "on_seed")
    assert loss.moisture == ("drying", "dry")
    assert loss.varies == "strain"
    assert EVIDENCE["survival.package.peat.log10_loss_per_day"].valid_c == (4, 26)
    assert EVIDENCE["survival.package.liquid_warm.d_days"].valid_c == (26, 30)


# Davidson & Reuszer 1978, abstract: survivors after three weeks, % of applied.
SURVIVORS = {"15": (0.9, 14.1), "22_5": (0.5, 7.2), "30": (0.1, 1.6)}


@pytest.mark.parametrize("temperature", SURVIVORS)
def test_losses_on_seed_follow_from_survivors(temperature: str) -> None:
    stem = "survival.on_seed.soybean"
    _, low, high = _row(f"{stem}.survivors_21d_{temperature}c")
    assert (low, high) == SURVIVORS[temperature]
    name = "log10_loss_21d" + ("" if temperature == "22_5" else f"_{temperature}c")
    _, least, most = _row(f"{stem}.{name}")
    assert low is not None and high is not None and least is not None and most is not None
    assert least == pytest.approx(-math.log10(high / 100), abs=0.005)
    assert most == pytest.approx(-math.log10(low / 100), abs=0.005)
    _, fast, slow = _row(f"{stem}.apparent_d_{temperature}c")
    assert fast == pytest.approx(21 / -math.log10(low / 100), abs=0.05)
    assert slow == pytest.approx(21 / -math.log10(high / 100), abs=0.05)


def test_z_follows_from_15_against_30_degrees() -> None:
    best = [-math.log10(SURVIVORS[t][1] / 100) for t in ("15", "30")]
    worst = [-math.log10(SURVIVORS[t][0] / 100) for t in ("15", "30")]
    z = EVIDENCE["survival.on_seed.soybean.z_c"]
    assert z.low == pytest.approx(15 / math.log10(best[1] / best[0]), abs=0.5)
    assert z.high == pytest.approx(15 / math.log10(worst[1] / worst[0]), abs=0.5)


def test_peat_interval_follows_from_rounded_means() -> None:
    # Hartley et al. 2005, abstract: 9.6 fresh, 9.4 at 12 and 9.3 at 18 months, printed to 0.1.
    fresh, year, later = (_row(f"survival.package.peat.log10_{m}")[0] for m in MONTHS)
    assert (fresh, year, later) == (9.6, 9.4, 9.3)
    ends = [
        (9.6 - mean + slip) / days
        for mean, days in ((9.4, 365), (9.3, 548))
        for slip in (-0.1, 0.1)
    ]
    rate = EVIDENCE["survival.package.peat.log10_loss_per_day"]
    assert rate.low is not None and rate.high is not None
    assert rate.low <= min(ends) and rate.high >= max(ends), "never tighter than the print"
    assert rate.low == pytest.approx(min(ends), abs=1e-5)
    assert rate.high == pytest.approx(max(ends), abs=1e-5)
    assert _row("survival.package.peat.d_days")[0] == pytest.approx(1 / 0.0005)


MONTHS = ("fresh", "12mo", "18mo")


def test_warm_liquid_follows_from_two_counts() -> None:
    # Maitra et al. 2021, abstract: 1.93e9 at six and 1.53e7 per mL at twelve months.
    six = _row("survival.package.liquid_warm.count_6mo")[0]
    twelve = _row("survival.package.liquid_warm.count_12mo")[0]
    assert (six, twelve) == (1.93e9, 1.53e7)
    d_days = EVIDENCE["survival.package.liquid_warm.d_days"]
    assert d_days.value == pytest.approx(183 / math.log10(1.93e9 / 1.53e7), abs=0.5)
    assert d_days.low is not None and d_days.high is not None
    assert d_days.value == pytest.approx(math.sqrt(d_days.low * d_days.high))


@pytest.mark.parametrize(
    ("key", "bushels"),
    [
        ("gain.soybean.first_time", (10, 0, 49)),  # extension pages; Nebraska's greatest, 49
        ("gain.soybean.history.us_ohio", (None, 1.5, 1.94)),
        ("gain.soybean.history.us_indiana", (1.0, None, None)),
        ("gain.soybean.first_time.expected", (None, 1, 10)),
        ("gain.soybean.history.sd_between_fields", (1, 0.5, 2)),
        ("trial.soybean.pair_difference_sd", (None, 2.9, 3.6)),
        ("response.soybean.indiana_new_1.mean", (12, None, None)),
        ("response.soybean.nebraska_never.greatest", (49, None, None)),
    ],
)
def test_kg_per_hectare_follow_from_printed_bushels(
    key: str, bushels: tuple[float | None, float | None, float | None]
) -> None:
    for number, printed in zip(_row(key), bushels, strict=True):
        if printed is None:
            assert number is None
        else:
            assert number == pytest.approx(printed * KG_HA_PER_BU_AC, abs=0.5)


def test_generic_gain_spans_the_larger_programmes() -> None:
    generic = EVIDENCE["gain.soybean.history.generic"]
    assert generic.low == _row("gain.soybean.history.us")[0]
    assert generic.high == pytest.approx(1.94 * KG_HA_PER_BU_AC, abs=0.5)
    spread = EVIDENCE["gain.soybean.history.study_spread"]
    assert (spread.low, spread.high) == (0, 130)
    assert _row("gain.soybean.history.us_north_dakota")[0] == spread.low


def test_fungicide_maxima_follow_from_mortality() -> None:
    # Campo et al. 2009, abstract: up to 62 % at 2 h and 95 % at 24 h.
    for hours in ("2", "24"):
        dead = _row(f"contact.fungicides.mortality_{hours}h_max")[0]
        loss = _row(f"contact.fungicides.log10_loss_{hours}h_max")[0]
        assert dead is not None
        assert loss == pytest.approx(-math.log10(1 - dead / 100), abs=0.005)
    p, delta = (
        _row("contact.fungicides.weibull_p")[0],
        _row("contact.fungicides.weibull_delta_h")[0],
    )
    assert p is not None and delta is not None
    assert (2 / delta) ** p == pytest.approx(0.42, abs=0.01)
    assert (24 / delta) ** p == pytest.approx(1.30, abs=0.01)


def test_occupancy_half_point_follows_from_its_line() -> None:
    # Thies, Bohlool & Singleton 1992: 97.88 - 15.03 log10(x + 1).
    a, b = _row("occupancy.intercept")[0], _row("occupancy.slope")[0]
    assert a is not None and b is not None
    assert _row("occupancy.half_at_per_g")[0] == pytest.approx(10 ** ((a - 50) / b) - 1, abs=1)


def test_canadian_minimum_is_history() -> None:
    # C.R.C. c. 666 s. 10.2 as it stood to 25 April 2013; repealed by SOR/2013-79.
    rows = EVIDENCE.under("standard.canada_to_2013")
    assert rows["large_seed"].value == 1e5
    assert all("repealed" in p.conditions for p in rows.values())


def test_a_dose_history_is_in_order() -> None:
    # Note of the Brazilian inoculant network: 80k, 160k, 300k, 600k, 1.2 million per seed.
    steps = [_row(f"standard.brazil.soybean_dose_step_{n}")[0] for n in range(1, 5)]
    assert [*steps, _row("standard.brazil.soybean_dose")[0]] == [80e3, 160e3, 300e3, 600e3, 1.2e6]


def test_crops_without_evidence_have_no_gain_and_no_loss_row() -> None:
    gains = {key.split(".")[1] for key in EVIDENCE if key.startswith("gain.")}
    assert gains == {"soybean"}
    assert "survival.on_seed.lentil.log10_loss_21d" not in EVIDENCE


PUBLISHED = Path(__file__).parents[1] / "published" / "data" / "soybean_response.csv"
MEASURES = {
    "mean_kg_ha": "mean",
    "share_significant": "share_significant",
    "p_break_even": "p_break_even",
}


def test_response_rows_are_the_printed_ones() -> None:
    with PUBLISHED.open(encoding="utf-8", newline="") as stream:
        printed = list(csv.DictReader(stream))
    checked = 0
    for row in printed:
        for column, measure in MEASURES.items():
            if row[column]:
                mine = _row(f"response.soybean.{row['response']}.{measure}")[0]
                assert mine == pytest.approx(float(row[column]), abs=5e-4), row["response"]
                checked += 1
    assert checked == 13 + 5 + 4  # means, shares, probabilities
