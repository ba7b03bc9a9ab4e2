"""Fits of survival curves against fits of the same data elsewhere, and against closed forms.

The data and the other fits stand in ``survival_curves.csv`` and ``survival_fits.csv``, each row
with its source. Estimates differ by at most 2 in their fifth decimal, where the other program
stopped; standard errors from expected information by half the last digit and a thousandth.
The soybean paper: Davidson and Reuszer 1978, Appl Environ Microbiol 35(1):94-96, abstract.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from rhizoledger.survival.batches import fit_batches
from rhizoledger.survival.fit import fit_all, fit_model
from rhizoledger.survival.fit_data import CountData, log10_counts
from rhizoledger.survival.fit_models import SHAPES, Model
from rhizoledger.survival.temperature import ea_from_z, z_from_ea
from tests.published.printed import agrees, half_last_digit, rows

FITS = rows("survival_fits.csv")
PAIRS = sorted({(row["curve"], row["model"]) for row in FITS})


def curve(number: str) -> CountData:
    own = [row for row in rows("survival_curves.csv") if row["curve"] == number]
    t, y = ([float(row[name]) for row in own] for name in ("time", "log10_count"))
    return log10_counts(np.array(t), np.array(y))


@pytest.mark.parametrize(("number", "model"), PAIRS)
def test_a_published_curve(number: str, model: Model) -> None:
    own = [row for row in FITS if (row["curve"], row["model"]) == (number, model)]
    fit = fit_model(curve(number), model)
    assert fit.status == "ok"
    assert fit.rss is not None and fit.sigma is not None
    assert fit.rss == pytest.approx(float(own[0]["rss"]), abs=1e-6)
    assert fit.sigma == pytest.approx(math.sqrt(fit.rss / int(own[0]["df"])), rel=1e-12)
    assert {p.name for p in fit.parameters} == {row["parameter"] for row in own}
    for row in own:
        (p,) = (p for p in fit.parameters if p.name == row["parameter"])
        assert p.value == pytest.approx(float(row["value"]), abs=2e-5)
        near = half_last_digit(row["se"]) + 1e-3 * float(row["se"])
        assert p.se_expected == pytest.approx(float(row["se"]), abs=near)
        assert p.low is not None and p.high is not None and p.value is not None
        assert p.low < p.value < p.high


@pytest.mark.parametrize(
    ("number", "model", "times", "printed"),
    [
        ("1", "shoulder_tail", [0, 5, 10, 15, 20], "7.37823 7.00026 4.27445 1.47495 0.96767"),
        ("2", "shoulder", [0, 10, 15, 20], "7.48297 7.39254 5.49589 2.88236"),
        ("2", "weibull", [0, 10, 15, 20], "7.67166 6.94926 5.53975 3.07723"),
        ("3", "tail", [0, 1, 2, 3, 6], "7.29267 5.57391 3.85566 2.16348 0.94563"),
    ],
)
def test_a_published_curve_point_by_point(
    number: str, model: Model, times: list[float], printed: str
) -> None:
    fit = fit_model(curve(number), model, profile=False)
    age = np.array(times, dtype=np.float64)
    found = SHAPES[model].curve(np.full(len(age), fit.at[0]), fit.at[1:], age).mu
    assert found == pytest.approx([float(x) for x in printed.split()], abs=2e-5)


def test_days_to_a_fourth_log10_of_a_published_curve() -> None:
    """18.98826, by the same Mafart fit of the second curve."""
    fit = fit_model(curve("2"), "weibull", profile=False)
    days = fit.value("delta_d") * 4 ** (1 / fit.value("p"))
    assert days == pytest.approx(18.98826, abs=2e-5)


@pytest.mark.parametrize(
    ("number", "best"), [("1", "shoulder_tail"), ("2", "shoulder"), ("3", "tail")]
)
def test_the_model_that_the_data_were_chosen_to_show_is_best(number: str, best: Model) -> None:
    fits, _ = fit_all(curve(number), profile=False)
    assert fits[0].model == best


def test_the_biphasic_table_gives_its_parameters_back() -> None:
    """Closed form: f = 0.95, k1 = 2/d, k2 = 0.1/d, six decimals printed."""
    t = np.array([0.0, 1, 2, 5, 10, 21])
    lost = np.array([0, -0.759924, -1.234060, -1.517560, -1.735324, -2.213048])
    fit = fit_model(log10_counts(t, 7 + lost), "biphasic", profile=False)
    assert fit.value("fraction_fragile") == pytest.approx(0.95, abs=2e-6)
    assert fit.value("k1_per_d") == pytest.approx(2, abs=2e-5)
    assert fit.value("k2_per_d") == pytest.approx(0.1, abs=2e-6)


SHARES = {15.0: (14.1, 0.9), 22.5: (7.2, 0.5), 30.0: (1.6, 0.1)}
"""Best and worst share of applied cells, %, alive on soybean seed after three weeks."""


def kept(end: int, *temps: float) -> CountData:
    """Counts at the start and after 21 d, as if 10⁷ cells had been applied."""
    t = np.array([0.0, 21.0] * len(temps))
    y = np.array([x for c in temps for x in (7.0, 7 + math.log10(SHARES[c][end] / 100))])
    return log10_counts(t, y, temp_c=np.repeat(temps, 2))


@pytest.mark.parametrize(
    ("end", "d15", "d22", "d30", "z", "ea"),
    [(0, "24.7", "18.4", "11.7", "46", "36"), (1, "10.3", "9.1", "7.0", "90", "19")],
)
def test_d_and_z_of_the_soybean_persistence_paper(
    end: int, d15: str, d22: str, d30: str, z: str, ea: str
) -> None:
    """Derived in the evidence tables: one line through both ends, best with best coat."""
    for temp, printed in zip(SHARES, (d15, d22, d30), strict=True):
        other = 15.0 if temp == 30.0 else 30.0
        fit = fit_model(
            kept(end, temp, other), "loglinear", secondary="bigelow", t_ref_c=temp, profile=False
        )
        if temp != 22.5:
            assert agrees(fit.value("d_ref_d"), printed)
            assert agrees(fit.value("z_c"), z)
        else:
            line = -21 / math.log10(SHARES[temp][end] / 100)
            assert agrees(line, printed)
    fit = fit_model(
        kept(end, 15.0, 30.0), "loglinear", secondary="arrhenius", t_ref_c=15.0, profile=False
    )
    assert agrees(fit.value("ea_kj_per_mol"), ea)


def test_with_two_temperatures_both_rules_are_one() -> None:
    """z and Ea of one fit are each other's by the closed form; z = 10 °C at 20-30 is 170.14."""
    rng = np.random.default_rng(5)
    t, temp = np.tile([0.0, 2, 4, 6, 8], 2), np.repeat([20.0, 30.0], 5)
    y = 8 - t / 20 * 10 ** ((temp - 20) / 10) + rng.normal(0, 0.1, 10)
    data = log10_counts(t, y, temp_c=temp)
    z = fit_model(data, "loglinear", secondary="bigelow")
    ea = fit_model(data, "loglinear", secondary="arrhenius")
    assert z.loglik == pytest.approx(ea.loglik, abs=1e-9)
    for one, other in zip(("value", "low", "high"), ("value", "high", "low"), strict=True):
        z_c, kj = getattr(z.parameters[2], one), getattr(ea.parameters[2], other)
        assert kj == pytest.approx(ea_from_z(z_c, 20.0, 30.0), rel=1e-5)
    assert round(ea_from_z(10.0, 20.0, 30.0), 2) == 170.14
    assert round(z_from_ea(170.14, 20.0, 30.0), 2) == 10.0


def test_reaction_times_with_random_intercept_and_slope() -> None:
    """R 4.2.2, lme4 1.1.31 and lmerTest 3.1.3 on the sleepstudy data: REML, Satterthwaite."""
    t = rows("trial_reaction_times.csv")
    fit = fit_batches(
        [row["subject"] for row in t],
        [float(row["days"]) for row in t],
        [float(row["reaction"]) for row in t],
    )
    assert fit.criterion == pytest.approx(1743.62827195849, abs=1e-8)
    assert fit.criterion <= 1743.62827195849 + 1e-9
    assert (fit.start, -fit.rate) == pytest.approx((251.405104848486, 10.467285959596), rel=1e-10)
    assert fit.between.ravel() == pytest.approx(
        [612.089748274669, 9.60433547475486, 9.60433547475486, 35.0716623442135], rel=1e-6
    )
    assert fit.sigma**2 == pytest.approx(654.941040681969, rel=1e-6)
    assert fit.covariance.ravel() == pytest.approx(
        [46.5745615434997, -1.45109562720643, -1.45109562720643, 2.38946342362262], rel=1e-6
    )
    assert (fit.start_df, fit.rate_df) == pytest.approx((17.0, 17.0), abs=1e-3)
    assert fit.warnings == ()
