"""Gain of a new field: two populations, closed forms, shared draws, and no borrowing."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from rhizoledger.draws import Draws
from rhizoledger.errors import EvidenceError
from rhizoledger.evidence import Parameter, load_evidence
from rhizoledger.fields.gain import GainRows, gain_prior, gain_rows, moments

N = 100_000


def row(
    id: str, value: float | None, low: float | None, high: float | None, draw: Any
) -> Parameter:
    return Parameter(
        id, value, "kg/ha", low, high, 0.9, "range", "linear", draw, "world",
        (), None, (), "near", ("a paper",), "", "read",
    )  # fmt: skip


MEAN = row("gain.x.history.generic", None, 60, 130, "uniform")
FIXED = row("gain.x.history.us", 60, None, None, "fixed")
SD = row("gain.x.history.sd_between_fields", 67.25, 33.6, 134.5, "lognormal")
SPREAD = row("gain.x.history.study_spread", None, 0, 130, "uniform")
FIRST = row("gain.x.first_time", 672.5, 0, 3295, "triangular")
ROWS = GainRows(MEAN, SD, FIRST, SPREAD)


@pytest.mark.parametrize("parameter", [
    MEAN, FIXED, SD, FIRST, row("n", 5, 2, 8, "normal"), row("n", None, 2, 8, "normal"),
    row("t", None, 0, 3, "triangular"), row("l", None, 2, 8, "lognormal"),
    replace(row("w", 5, 2, 8, "normal"), level=0.5),
])  # fmt: skip
def test_moments_are_those_of_the_draws(parameter: Parameter) -> None:
    mean, variance = moments(parameter)
    drawn = Draws(5, N).parameter(parameter)
    assert mean == pytest.approx(drawn.mean(), abs=5 * drawn.std() / N**0.5 + 1e-12)
    assert variance == pytest.approx(drawn.var(), rel=0.05, abs=1e-12)


def test_history_is_programme_mean_plus_field() -> None:
    """Uniform 60 to 130 has mean 95 and variance 70²/12; the rest is E(τ²)."""
    gain = gain_prior("history", ROWS, Draws(1, N), field="F1")
    assert gain is not None
    assert gain.mean_kg_ha == 95.0
    mean_sd, variance_sd = moments(SD)
    assert gain.sd_kg_ha**2 == pytest.approx(70**2 / 12 + variance_sd + mean_sd**2)
    assert gain.draws.mean() == pytest.approx(95.0, abs=4 * gain.sd_kg_ha / N**0.5)
    assert gain.draws.std() == pytest.approx(gain.sd_kg_ha, rel=0.03)
    assert gain.low_kg_ha == pytest.approx(np.quantile(gain.draws, 0.05))
    assert (gain.draws < gain.low_kg_ha).mean() == pytest.approx(0.05, abs=1e-4)
    assert gain.low_kg_ha < 0 < gain.high_kg_ha  # a single field may lose
    assert gain.population == "history"
    assert gain.parameters == (MEAN.id, SD.id)


def test_one_published_mean_is_not_taken_as_exact() -> None:
    lone = gain_prior("history", GainRows(FIXED, SD), Draws(1, N))
    lent = gain_prior("history", GainRows(FIXED, SD, study_spread=SPREAD), Draws(1, N))
    assert lone is not None and lent is not None
    assert lone.mean_kg_ha == lent.mean_kg_ha == 60.0
    assert lent.sd_kg_ha**2 - lone.sd_kg_ha**2 == pytest.approx(130**2 / 12)
    assert lent.draws.std() == pytest.approx(lent.sd_kg_ha, rel=0.03)
    assert lent.draws.mean() == pytest.approx(60.0, abs=4 * lent.sd_kg_ha / N**0.5)
    assert SPREAD.id in lent.parameters and SPREAD.id not in lone.parameters


def test_first_time_is_its_own_skewed_population() -> None:
    gain = gain_prior("never", ROWS, Draws(1, N), field="F1")
    assert gain is not None and gain.population == "first_time"
    assert gain.mean_kg_ha == 672.5
    # b = (3295 − 672.5)/672.5 = 3.8996: sd = 3295·√(b/(b + 2))/(b + 1) = 546.8
    assert gain.sd_kg_ha == pytest.approx(546.8, abs=0.1)
    assert gain.draws.mean() == pytest.approx(672.5, abs=4 * gain.sd_kg_ha / N**0.5)
    assert gain.draws.std() == pytest.approx(gain.sd_kg_ha, rel=0.02)
    assert gain.draws.min() >= 0 and gain.draws.max() <= 3295
    assert np.median(gain.draws) < 672.5  # skewed to the right
    assert gain.parameters == (FIRST.id,)


@pytest.mark.parametrize("prior", ["stated", "wider"])
def test_first_time_from_a_lowest_that_is_not_zero(prior: Any) -> None:
    """Low 100, mean 200, high 500: b = 3, sd = 400·√(3/5)/4 = 77.5."""
    rows = GainRows(MEAN, SD, row("f", 200, 100, 500, "triangular"))
    gain = gain_prior("never", rows, Draws(1, N, prior))
    assert gain is not None and gain.draws.min() >= 100
    assert gain.draws.mean() == pytest.approx(200, abs=1.5)
    assert gain.sd_kg_ha == pytest.approx(77.46 if prior == "stated" else 100, rel=0.02)
    assert gain.draws.std() == pytest.approx(gain.sd_kg_ha, rel=0.02)


def test_unknown_history_is_treated_as_first_time_and_says_so() -> None:
    never = gain_prior("never", ROWS, Draws(1, 1000), field="F1")
    unknown = gain_prior("unknown", ROWS, Draws(1, 1000), field="F1")
    assert never is not None and unknown is not None
    assert (never.draws == unknown.draws).all()
    assert "not known" in unknown.method and "not known" not in never.method


def test_fields_share_the_programme_and_not_the_field() -> None:
    draws = Draws(1, N)
    one = gain_prior("history", ROWS, draws, field="F1")
    two = gain_prior("history", ROWS, draws, field="F2")
    assert one is not None and two is not None
    between = float(np.corrcoef(one.draws, two.draws)[0, 1])
    shared = moments(MEAN)[1] / one.sd_kg_ha**2
    assert between == pytest.approx(shared, abs=0.02)
    again = gain_prior("history", ROWS, Draws(1, N), field="F1")
    assert again is not None and again.draws.tobytes() == one.draws.tobytes()
    other_seed = gain_prior("history", ROWS, Draws(2, N), field="F1")
    assert other_seed is not None and (other_seed.draws != one.draws).any()


@pytest.mark.parametrize("past", ["history", "never"])
def test_wider_prior_is_wider_and_says_so(past: Any) -> None:
    stated = gain_prior(past, ROWS, Draws(1, N), field="F1")
    wider = gain_prior(past, ROWS, Draws(1, N, "wider"), field="F1")
    assert stated is not None and wider is not None
    assert wider.sd_kg_ha >= stated.sd_kg_ha
    assert wider.mean_kg_ha == pytest.approx(stated.mean_kg_ha, rel=0.1)  # middle on a log
    assert "wider" in wider.method
    assert np.corrcoef(stated.draws, wider.draws)[0, 1] > 0.95  # the same uniforms


def test_nothing_is_lent_to_a_crop_without_evidence() -> None:
    draws = Draws(1, 10)
    assert gain_prior("history", None, draws) is None
    assert gain_prior("never", GainRows(MEAN, SD), draws) is None
    evidence = {MEAN.id: MEAN, SD.id: SD, FIRST.id: FIRST}
    assert gain_rows(evidence, "lentil") is None
    assert gain_rows({MEAN.id: MEAN}, "x") is None


def test_region_falls_back_to_its_country_and_then_to_the_generic_row() -> None:
    ohio = row("gain.x.history.us_ohio", None, 100, 130, "uniform")
    evidence = {p.id: p for p in (MEAN, FIXED, SD, FIRST, ohio)}
    found = {
        place: rows.history.id
        for place in (
            "US Ohio",
            "us-ohio",
            "us_iowa",
            "US",
            "Sweden",
            "",
            None,
            "sd_between_fields",
        )
        if (rows := gain_rows(evidence, "X", place)) is not None
    }
    assert found == {
        "US Ohio": ohio.id,
        "us-ohio": ohio.id,
        "us_iowa": FIXED.id,
        "US": FIXED.id,
        "Sweden": MEAN.id,
        "": MEAN.id,
        None: MEAN.id,
        "sd_between_fields": MEAN.id,
    }
    assert gain_rows({SD.id: SD}, "x") is None


def test_estimate_in_the_readers_unit() -> None:
    gain = gain_prior("history", ROWS, Draws(1, 5000), field="F1")
    assert gain is not None
    estimate = gain.estimate(67.25, "bu/ac")
    assert estimate.value == pytest.approx(95 / 67.25)
    assert (estimate.unit, estimate.kind, estimate.level) == ("bu/ac", "prediction", 0.9)
    assert estimate.low == pytest.approx(gain.low_kg_ha / 67.25)


@pytest.mark.parametrize(
    "rows",
    [
        GainRows(MEAN, replace(SD, low=None)),
        GainRows(replace(MEAN, low=200.0), SD),
        GainRows(replace(MEAN, unit="bu/ac"), SD),
        GainRows(replace(MEAN, scale="log10"), SD),
        GainRows(MEAN, replace(SD, low=0.0)),
    ],
)
def test_broken_history_rows_are_refused(rows: GainRows) -> None:
    with pytest.raises(EvidenceError):
        gain_prior("history", rows, Draws(1, 10))


@pytest.mark.parametrize("value", [0.0, 3295.0, -5.0, 4000.0])
def test_typical_gain_must_lie_inside(value: float) -> None:
    with pytest.raises(EvidenceError, match="between low and high"):
        gain_prior("never", GainRows(MEAN, SD, replace(FIRST, value=value)), Draws(1, 10))


def test_packaged_rows_answer_for_soybean_and_for_nothing_else() -> None:
    evidence = load_evidence()
    for region in (None, "us", "us_ohio", "us_michigan", "argentina"):
        rows = gain_rows(evidence, "soybean", region)
        assert rows is not None
        for past in ("history", "never", "unknown"):
            gain = gain_prior(past, rows, Draws(1, 2000), field="F")
            assert gain is not None and gain.sd_kg_ha > 0
    crops = ("pea", "lentil", "chickpea", "faba bean", "dry bean", "peanut", "alfalfa", "clover")
    assert [crop for crop in crops if gain_rows(evidence, crop) is not None] == []
