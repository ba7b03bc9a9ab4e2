"""How often the limits of a fit hold the truth, by seeded simulation. The table is in the docs."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable

import numpy as np
import pytest

from rhizoledger.errors import FitError
from rhizoledger.survival.batches import fit_batches
from rhizoledger.survival.fit import fit_model
from rhizoledger.survival.fit_data import CountData, Likelihood, log10_counts, plate_counts
from rhizoledger.survival.fit_models import SHAPES, FloatArray, Model

pytestmark = [pytest.mark.slow]

RUNS = 400
MORE_RUNS = {"weibull, nb plates, k = 5": 2000}
"""Its first 400 runs at this seed held p in 0.905: more runs, not another seed, tell what is so."""
DAYS = np.array([0.0, 1, 2, 4, 7, 10, 14, 18, 22, 28])
TRUTH: dict[Model, dict[str, float]] = {
    "loglinear": {"d_d": 9.0},
    "weibull": {"delta_d": 4.0, "p": 0.6},
    "biphasic": {"fraction_fragile": 0.95, "k1_per_d": 1.2, "k2_per_d": 0.08},
    "shoulder": {"k_max_per_d": 0.35, "shoulder_d": 6.0},
    "tail": {"k_max_per_d": 0.6, "log10_n_res": 3.5},
    "shoulder_tail": {"k_max_per_d": 0.7, "shoulder_d": 5.0, "log10_n_res": 3.2},
}


def truth(model: Model, age: FloatArray, n0: float = 7.0) -> FloatArray:
    t = TRUTH[model]
    own = {
        "loglinear": lambda: [1 / t["d_d"]],
        "weibull": lambda: np.log([t["delta_d"], t["p"]]),
        "biphasic": lambda: [
            np.log(t["fraction_fragile"] / (1 - t["fraction_fragile"])),
            np.log(t["k2_per_d"]),
            np.log(t["k1_per_d"] / t["k2_per_d"]),
        ],
        "shoulder": lambda: [np.log(t["k_max_per_d"]), t["shoulder_d"]],
        "tail": lambda: [np.log(t["k_max_per_d"]), t["log10_n_res"]],
        "shoulder_tail": lambda: [np.log(t["k_max_per_d"]), t["shoulder_d"], t["log10_n_res"]],
    }[model]()
    return SHAPES[model].curve(np.full(len(age), n0), np.asarray(own, float), age).mu


def normal(model: Model, days: FloatArray, limit: float | None = None) -> Callable[..., CountData]:
    mu = truth(model, days)

    def draw(rng: np.random.Generator) -> CountData:
        y = mu + rng.normal(0, 0.2, len(mu))
        if limit is None:
            return log10_counts(days, y)
        return log10_counts(days, np.maximum(y, limit), censored=y < limit)

    return draw


def colonies(model: Model, days: FloatArray, k: float | None) -> Callable[..., CountData]:
    mu = truth(model, days)
    exposure = 10.0 ** (2 - np.clip(np.ceil(mu), 2, None)) * 0.5

    def draw(rng: np.random.Generator) -> CountData:
        mean = 10**mu * exposure
        if k is not None:
            mean = mean * rng.gamma(k, 1 / k, len(mean))
        return plate_counts(days, rng.poisson(mean).astype(float), exposure)

    return draw


def joint(rng: np.random.Generator) -> CountData:
    days, temp = (x.ravel() for x in np.meshgrid(DAYS[::2], [10.0, 20.0, 30.0]))
    y = 7 - days / 9.0 * 10 ** ((temp - 20) / 25.0) + rng.normal(0, 0.2, len(days))
    return log10_counts(days, y, temp_c=temp)


TWICE = np.repeat(DAYS, 2)
CASES: dict[str, tuple[Model, Likelihood, Callable[..., CountData]]] = {
    "loglinear, 5 counts": ("loglinear", "normal", normal("loglinear", DAYS[::2])),
    "loglinear, 20 counts": ("loglinear", "normal", normal("loglinear", TWICE)),
    "loglinear, a limit at 5": ("loglinear", "normal", normal("loglinear", TWICE, 5.0)),
    "weibull": ("weibull", "normal", normal("weibull", TWICE)),
    "biphasic": ("biphasic", "normal", normal("biphasic", TWICE)),
    "shoulder": ("shoulder", "normal", normal("shoulder", TWICE)),
    "tail": ("tail", "normal", normal("tail", TWICE)),
    "shoulder_tail": ("shoulder_tail", "normal", normal("shoulder_tail", TWICE)),
    "loglinear, Poisson plates": ("loglinear", "poisson", colonies("loglinear", TWICE, None)),
    "weibull, nb plates, k = 5": ("weibull", "nb", colonies("weibull", TWICE, 5.0)),
    "joint, Bigelow": ("loglinear", "normal", joint),
}


@pytest.mark.parametrize("case", CASES)
def test_limits_hold_the_truth(case: str) -> None:
    model, likelihood, draw = CASES[case]
    rng = np.random.default_rng(20260)
    held: Counter[str] = Counter()
    secondary = "bigelow" if case.startswith("joint") else None
    true = {"log10_n0": 7.0, **TRUTH[model]}
    if secondary:
        true = {"log10_n0": 7.0, "d_ref_d": 9.0, "z_c": 25.0}
    fitted = 0
    runs = MORE_RUNS.get(case, RUNS)
    for _ in range(runs):
        try:
            fit = fit_model(draw(rng), model, likelihood=likelihood, secondary=secondary)
        except FitError:
            continue
        fitted += 1
        for p in fit.parameters:
            low = -np.inf if p.low is None else p.low
            high = np.inf if p.high is None else p.high
            held[p.name] += low <= true[p.name] <= high
    shares = {name: held[name] / fitted for name in true}
    print(f"{case:28}", fitted, {name: f"{share:.3f}" for name, share in shares.items()})
    assert fitted > 0.9 * runs
    # 3 standard errors of a share of 0.95 below it, and 0.01 for what is approximate.
    assert min(shares.values()) > 0.95 - 3 * (0.95 * 0.05 / fitted) ** 0.5 - 0.01


@pytest.mark.parametrize("batches", [3, 6, 12])
def test_a_new_batch_reaches_its_limit_as_often_as_said(batches: int) -> None:
    rng = np.random.default_rng(7)
    days = DAYS[::3]
    root = np.linalg.cholesky(np.array([[0.04, 0.0], [0.0, 0.02**2]]))
    reached = at_day = 0
    for _ in range(RUNS):
        own = (root @ rng.normal(size=(2, batches + 1))).T
        lines = 7.5 + own[:, :1] + (-0.08 + own[:, 1:]) * days
        y = lines[:-1] + rng.normal(0, 0.1, (batches, len(days)))
        fit = fit_batches(
            np.repeat([str(i) for i in range(batches)], len(days)),
            np.tile(days, batches),
            y.ravel(),
        )
        new = 7.5 + own[-1, 0] + (-0.08 + own[-1, 1]) * 20
        reached += fit.new_batch(20.0).limit(0.9) <= new
        mean = fit.mean(20.0)
        at_day += mean.limit(0.95) <= 7.5 - 0.08 * 20
    shares = f"new batch {reached / RUNS:.3f} of 0.9, mean {at_day / RUNS:.3f} of 0.95"
    print(f"{batches} batches: {shares}")
    assert reached / RUNS > 0.9 - 3 * (0.09 / RUNS) ** 0.5 - 0.02
    assert at_day / RUNS > 0.95 - 3 * (0.0475 / RUNS) ** 0.5 - 0.02
