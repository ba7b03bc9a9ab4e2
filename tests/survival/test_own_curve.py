"""A fitted curve by its numbers: ages and losses are inverses, errors go together as told."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rhizoledger.stats.profile_likelihood import maximum_likelihood
from rhizoledger.survival.fit import fit_model
from rhizoledger.survival.fit_data import log10_counts
from rhizoledger.survival.own_curve import Curved, age_of_loss, log10_survival

NUMBERS: dict[Curved, dict[str, float]] = {
    "loglinear": {"d_d": 4.0},
    "weibull": {"delta_d": 6.0, "p": 0.45},
    "biphasic": {"fraction_fragile": 0.95, "k1_per_d": 2.0, "k2_per_d": 0.15},
    "shoulder": {"k_max_per_d": 0.9, "shoulder_d": 2.5},
}


def arrays(model: Curved) -> dict[str, np.ndarray]:
    return {name: np.array([x]) for name, x in NUMBERS[model].items()}


@pytest.mark.parametrize("model", NUMBERS)
@given(age=st.floats(1e-3, 60.0))
def test_the_age_of_a_loss_is_where_it_was_lost(model: Curved, age: float) -> None:
    loss = -log10_survival(model, age, arrays(model))
    assert age_of_loss(model, loss, arrays(model))[0] == pytest.approx(age, rel=1e-6)


@pytest.mark.parametrize("model", NUMBERS)
def test_nothing_is_lost_at_once_and_all_is_in_the_end(model: Curved) -> None:
    assert float(log10_survival(model, 0.0, arrays(model))[0]) == pytest.approx(0.0, abs=1e-12)
    assert float(log10_survival(model, 900.0, arrays(model))[0]) < -5


def test_a_loss_that_never_comes_is_for_ever() -> None:
    all_hardy = {"fraction_fragile": [0.9], "k1_per_d": [1.0], "k2_per_d": [0.0]}
    numbers = {name: np.array(x) for name, x in all_hardy.items()}
    assert age_of_loss("biphasic", 3.0, numbers)[0] == pytest.approx(1e6)


@pytest.mark.parametrize("model", NUMBERS)
def test_errors_go_together_as_a_plain_likelihood_says(model: Curved) -> None:
    """The same counts through a likelihood of the printed parameters themselves, no shared code."""
    rng = np.random.default_rng(11)
    t = np.repeat([0.0, 0.5, 1, 2, 3, 5, 7, 10, 14, 21], 2)
    truth = {"log10_n0": 8.0, **NUMBERS[model]}
    names = list(truth)

    def curve(x: np.ndarray) -> np.ndarray:
        own = {name: np.array([v]) for name, v in zip(names[1:], x[1:], strict=True)}
        return np.asarray(x[0] + log10_survival(model, t, own))

    y = curve(np.array(list(truth.values()))) + rng.normal(0, 0.08, t.size)
    fit = fit_model(log10_counts(t, y), model)
    assert fit.status == "ok"
    assert fit.sigma is not None
    ml_sd = fit.sigma * math.sqrt((t.size - len(names)) / t.size)

    def log_likelihood(x: np.ndarray) -> float:
        return -0.5 * float(np.sum((y - curve(x)) ** 2)) / ml_sd**2

    found = maximum_likelihood(
        log_likelihood, truth, bounds={n: (1e-6, math.inf) for n in names[1:]}
    )
    spread = np.linalg.inv(found.information)
    scale = np.sqrt(np.diag(spread))
    order = [[p.name for p in fit.parameters].index(name) for name in names]
    assert fit.correlation[np.ix_(order, order)] == pytest.approx(
        spread / np.outer(scale, scale), abs=2e-3
    )
