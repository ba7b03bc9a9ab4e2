"""Curves and likelihoods for fitting: derivatives by differences, values by the closed forms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import nbinom, norm, poisson

from rhizoledger.survival import kinetics
from rhizoledger.survival.fit_data import (
    log10_counts,
    nb_scores,
    normal_scores,
    plate_counts,
    poisson_scores,
)
from rhizoledger.survival.fit_models import BY_FAST, SHAPES, Reading, Shape

AGE = np.array([0.0, 0.5, 1.0, 3.0, 7.0, 20.0])
N0 = np.linspace(6.5, 7.5, len(AGE))
OWN = {
    "loglinear": [0.2],
    "weibull": [1.0, -0.4],
    "biphasic": [2.0, -2.0, 2.5],
    "shoulder": [0.1, 2.0],
    "tail": [-0.3, 3.0],
    "shoulder_tail": [0.4, 2.0, 3.0],
}
shift = st.floats(-0.5, 0.5)


@pytest.mark.parametrize("name", [*OWN, "by_fast"])
@given(a=shift, b=shift, c=shift)
def test_derivatives_are_those_of_the_curve(name: str, a: float, b: float, c: float) -> None:
    shape: Shape = BY_FAST if name == "by_fast" else SHAPES[name]  # type: ignore[index]
    own = np.array(OWN["biphasic" if name == "by_fast" else name])
    own = own + np.array([a, b, c])[: len(own)]
    found = shape.curve(N0, own, AGE)
    h = 1e-6
    for j in range(len(own)):
        up, down = own.copy(), own.copy()
        up[j] += h
        down[j] -= h
        by = (shape.curve(N0, up, AGE).mu - shape.curve(N0, down, AGE).mu) / (2 * h)
        assert found.by_own[:, j] == pytest.approx(by, abs=2e-7, rel=1e-6)
    by = (shape.curve(N0 + h, own, AGE).mu - shape.curve(N0 - h, own, AGE).mu) / (2 * h)
    assert found.by_start == pytest.approx(by, abs=1e-7)
    grown, shrunk = AGE * np.exp(h), AGE * np.exp(-h)
    by = (shape.curve(N0, own, grown).mu - shape.curve(N0, own, shrunk).mu) / (2 * h)
    assert found.by_ln_age == pytest.approx(by, abs=2e-7, rel=1e-6)


@given(k=st.floats(0.05, 3), shoulder=st.floats(0, 8), tail=st.floats(-4, -0.5))
def test_curves_are_the_closed_forms_of_the_ledger(k: float, shoulder: float, tail: float) -> None:
    pool = kinetics.pool_from_shoulder(k, shoulder)
    ln_k = float(np.log(k))
    pairs = {
        "shoulder": ([ln_k, shoulder], kinetics.shoulder_tail(k * AGE, pool)),
        "shoulder_tail": ([ln_k, shoulder, 7 + tail], kinetics.shoulder_tail(k * AGE, pool, tail)),
        "tail": ([ln_k, 7 + tail], kinetics.shoulder_tail(k * AGE, 0.0, tail)),
        "weibull": ([np.log(shoulder + 1), ln_k], kinetics.weibull(AGE, shoulder + 1, k)),
        "loglinear": ([k], kinetics.loglinear(AGE, 1 / k)),
        "biphasic": (
            [np.log(19.0), ln_k, 1.0],
            kinetics.biphasic(AGE, 0.95, k * np.exp(1.0), k),
        ),
    }
    for name, (own, log10_s) in pairs.items():
        shape = SHAPES[name]  # type: ignore[index]
        found = shape.curve(np.full(len(AGE), 7.0), np.asarray(own), AGE).mu
        assert found == pytest.approx(7 + log10_s, abs=1e-9), name


def test_likelihoods_are_scipys() -> None:
    y, below = np.array([5.0, 4.2, 1.3]), np.array([False, False, True])
    mu = np.array([5.1, 4.0, 1.6])
    data = log10_counts(AGE[:3], y, censored=below)
    expected = norm.logpdf(y[:2], mu[:2], 0.3).sum() + norm.logcdf(1.3, 1.6, 0.3)
    assert normal_scores(data, mu, np.log(0.3)).loglik == pytest.approx(expected, rel=1e-12)
    colonies, exposure = np.array([212.0, 40.0, 0.0]), np.array([2e-3, 1e-2, 0.1])
    plates = plate_counts(AGE[:3], colonies, exposure)
    mean = 10**mu * exposure
    assert poisson_scores(plates, mu, 0.0).loglik == pytest.approx(
        poisson.logpmf(colonies, mean).sum(), rel=1e-12
    )
    k = 3.0
    assert nb_scores(plates, mu, np.log(k)).loglik == pytest.approx(
        nbinom.logpmf(colonies, k, k / (k + mean)).sum(), rel=1e-10
    )


@pytest.mark.parametrize("kind", ["normal", "censored", "poisson", "nb"])
def test_scores_are_those_of_the_likelihood(kind: str) -> None:
    mu = np.array([5.1, 4.0, 1.6])
    if kind in ("normal", "censored"):
        y = np.array([5.0, 4.2, 1.3])
        censored = np.array([False, False, kind == "censored"])
        data, scores = log10_counts(AGE[:3], y, censored=censored), normal_scores
    else:
        data = plate_counts(AGE[:3], np.array([240.0, 90, 1]), np.array([2e-3, 1e-2, 0.1]))
        scores = poisson_scores if kind == "poisson" else nb_scores
    at, h = -0.5, 1e-6
    found = scores(data, mu, at)
    for i in range(3):
        e = np.zeros(3)
        e[i] = h
        by = (scores(data, mu + e, at).loglik - scores(data, mu - e, at).loglik) / (2 * h)
        assert found.by_mu[i] == pytest.approx(by, rel=1e-5, abs=1e-6)
    by = (scores(data, mu, at + h).loglik - scores(data, mu, at - h).loglik) / (2 * h)
    assert found.by_scatter == pytest.approx(by, rel=1e-5, abs=1e-6)
    if kind == "censored":
        by = (scores(data, mu, at + h).by_mu[2] - scores(data, mu, at - h).by_mu[2]) / (2 * h)
        assert -found.cross[2] == pytest.approx(by, rel=1e-5)
        e = np.array([0, 0, h])
        by = (scores(data, mu + e, at).by_mu[2] - scores(data, mu - e, at).by_mu[2]) / (2 * h)
        assert -found.weight[2] == pytest.approx(by, rel=1e-5)


@pytest.mark.parametrize("kind", ["as_is", "exp", "inverse", "logistic"])
def test_a_reading_changes_as_its_slope_says(kind: str) -> None:
    reading = Reading("x", kind)  # type: ignore[arg-type]
    by = (reading.value(0.7 + 1e-6) - reading.value(0.7 - 1e-6)) / 2e-6
    assert abs(by) == pytest.approx(reading.slope(0.7), rel=1e-6)
