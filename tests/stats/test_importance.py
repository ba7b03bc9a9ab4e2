"""Weighted draws: the Pareto fit of their tail, their worth, mixtures that stand for a prior."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from rhizoledger.stats.importance import (
    K_GOOD,
    Mixture,
    Normal,
    effective_size,
    next_share,
    pareto_k,
    pareto_shape,
)

SHAPES = (-0.3, 0.0, 0.2, 0.5, 0.8, 1.2)


@pytest.mark.parametrize("k", SHAPES)
def test_the_shape_of_known_generalised_pareto_samples_is_found(k: float) -> None:
    """Mean and scatter over samples, against the asymptotic (1 + k)/√n of maximum likelihood."""
    n, times = 1000, 60
    rng = np.random.default_rng(7)
    found = [
        pareto_shape(stats.genpareto.rvs(k, scale=3.0, size=n, random_state=rng))
        for _ in range(times)
    ]
    sd = (1 + k) / math.sqrt(n)
    assert np.mean(found) == pytest.approx(k, abs=0.01 + 3 * sd / math.sqrt(times))
    assert np.std(found) == pytest.approx(sd, rel=0.3)


@pytest.mark.parametrize("k", SHAPES)
def test_the_fit_agrees_with_maximum_likelihood_where_the_sample_is_large(k: float) -> None:
    x = stats.genpareto.rvs(k, size=20_000, random_state=np.random.default_rng(11))
    shape, _, _ = stats.genpareto.fit(x, floc=0)
    assert pareto_shape(x) == pytest.approx(shape, abs=0.006)


def test_the_shape_does_not_change_with_the_scale() -> None:
    x = stats.genpareto.rvs(0.4, size=500, random_state=np.random.default_rng(3))
    assert pareto_shape(1e-9 * x) == pytest.approx(pareto_shape(x), abs=1e-9)


def posterior_mean_shape(x: np.ndarray) -> float:
    """The same estimator written out from its definition, one term at a time."""
    x = np.sort(x)
    n = len(x)
    m = 20 + math.floor(math.sqrt(n))
    quartile = x[math.floor(n / 4 + 0.5) - 1]
    thetas, logs = [], []
    for j in range(1, m + 1):
        theta = 1 / x[-1] + (1 - math.sqrt(m / (j - 0.5))) / (3 * quartile)
        kappa = -sum(math.log(1 - theta * v) for v in x) / n
        thetas.append(theta)
        logs.append(n * (math.log(theta / kappa) + kappa - 1))
    weights = [1 / sum(math.exp(other - one) for other in logs) for one in logs]
    theta = sum(t * w for t, w in zip(thetas, weights, strict=True))
    return sum(math.log(1 - theta * v) for v in x) / n


def test_the_fit_is_its_definition() -> None:
    for k in (-0.2, 0.3, 0.9):
        x = stats.genpareto.rvs(k, size=80, random_state=np.random.default_rng(5))
        assert pareto_shape(x) == pytest.approx(posterior_mean_shape(x), abs=1e-10)


@pytest.mark.parametrize(("narrow", "k"), [(1.0, None), (0.9, 0.19), (0.6, 0.64), (0.4, 0.84)])
def test_k_hat_of_a_normal_proposal_too_narrow(narrow: float, k: float | None) -> None:
    """A normal of sd s for one of sd 1 has weights whose tail has shape 1 − s² exactly."""
    x = narrow * np.random.default_rng(2).normal(size=200_000)
    log_weight = -0.5 * x**2 + 0.5 * (x / narrow) ** 2
    found = pareto_k(log_weight)
    if k is None:
        assert found == -math.inf  # all weights are equal
    else:
        assert k == pytest.approx(1 - narrow**2)
        assert found == pytest.approx(k, abs=0.15)
        assert (found > K_GOOD) == (k > K_GOOD)


def test_where_one_draw_carries_all_nothing_can_be_believed() -> None:
    log = np.full(4000, -2000.0)
    log[17] = 0.0
    assert pareto_k(log) == math.inf
    assert effective_size(log) == pytest.approx(1.0)


def test_the_effective_size_is_kishs() -> None:
    w = np.random.default_rng(1).gamma(0.7, size=300)
    assert effective_size(np.log(w) + 900) == pytest.approx(w.sum() ** 2 / (w**2).sum())


def test_a_share_of_a_likelihood_leaves_as_many_draws_as_wanted() -> None:
    z = np.random.default_rng(4).normal(size=5000)
    log_likelihood = -0.5 * ((z - 3) / 0.1) ** 2
    share = next_share(np.zeros(5000), log_likelihood, 2500)
    assert effective_size(share * log_likelihood) == pytest.approx(2500, rel=1e-6)
    assert next_share(np.zeros(5000), log_likelihood, 4999, start=0.5) == 0.5


def test_a_mixture_stands_for_the_standard_normal_and_reaches_where_it_hardly_does() -> None:
    rng = np.random.default_rng(9)
    eps = rng.normal(size=(40_000, 2))
    aim = Normal.fitted(3.0 + 0.3 * eps, np.full(len(eps), 1 / len(eps)), 1.2)
    z, log_weight = Mixture((aim,), 0.25).placed(eps)
    w = np.exp(log_weight)
    assert log_weight.max() <= -math.log(0.25) + 1e-9
    assert w.mean() == pytest.approx(1.0, abs=0.02)
    assert np.cov(z.T, aweights=w) == pytest.approx(np.eye(2), abs=0.04)
    beyond = (z > 3).all(axis=1)
    exact = stats.norm.sf(3) ** 2
    assert (w * beyond).mean() == pytest.approx(exact, rel=0.05)
    assert (eps > 3).all(axis=1).sum() < 3  # the standard normal alone would not reach


def test_no_others_leave_the_draws_as_they_are() -> None:
    eps = np.random.default_rng(1).normal(size=(50, 3))
    z, log_weight = Mixture((), 0.25).placed(eps)
    assert (z == eps).all()
    assert log_weight == pytest.approx(np.zeros(50), abs=1e-12)
