"""Invariants of doubled data: the same estimates, half the variance of the mean.

Every study entered twice says the same twice: likelihoods double, so what maximises one maximises
the other, and covariances halve. Split instead (two halves, each with twice the variance) nothing
changes where no variance between studies is estimated. A trial doubled with its levels renamed is
two independent trials.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from rhizoledger.stats.mixed import fit_mixed
from rhizoledger.stats.pooling import pool
from rhizoledger.stats.studies import Method

FloatArray = NDArray[np.float64]
close = pytest.approx


def studies(seed: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    rng = np.random.default_rng(seed)
    k = int(rng.integers(4, 12))
    v = np.exp(rng.normal(0, 1, k))
    m = rng.normal(size=k)
    return rng.normal(3 + m, np.sqrt(rng.choice([0.0, 4.0]) + v)), v, m


def twice(*columns: FloatArray) -> list[FloatArray]:
    return [np.concatenate([c, c]) for c in columns]


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize(
    ("method", "moderated"),
    [("FE", False), ("FE", True), ("HS", False), ("ML", False), ("ML", True)],
)
def test_studies_entered_twice(seed: int, method: Method, moderated: bool) -> None:
    y, v, m = studies(seed)
    y2, v2, m2 = twice(y, v, m)
    one = pool(y, v, method=method, test="z", moderators={"m": m} if moderated else None)
    two = pool(y2, v2, method=method, test="z", moderators={"m": m2} if moderated else None)
    for a, b in zip(one.coefficients, two.coefficients, strict=True):
        assert b.estimate == close(a.estimate, rel=1e-7, abs=1e-9)
        assert b.se**2 == close(a.se**2 / 2, rel=1e-6)
    assert two.tau2 == close(one.tau2, rel=1e-6, abs=1e-8)
    assert two.q == close(2 * one.q, rel=1e-9)
    if method == "ML":
        assert one.loglik is not None
        assert two.loglik == close(2 * one.loglik, rel=1e-9)


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("moderated", [False, True])
def test_studies_split_into_halves(seed: int, moderated: bool) -> None:
    y, v, m = studies(seed)
    y2, v2, m2 = twice(y, 2 * v, m)
    one = pool(y, v, method="FE", test="z", moderators={"m": m} if moderated else None)
    two = pool(y2, v2, method="FE", test="z", moderators={"m": m2} if moderated else None)
    for a, b in zip(one.coefficients, two.coefficients, strict=True):
        assert (b.estimate, b.se, b.low, b.high) == close(
            (a.estimate, a.se, a.low, a.high), rel=1e-9, abs=1e-12
        )
    assert two.q == close(one.q, rel=1e-9)


def trial(seed: int) -> tuple[FloatArray, FloatArray, dict[str, NDArray[np.int64]]]:
    rng = np.random.default_rng(seed)
    n = int(rng.integers(24, 40))
    site, year = rng.integers(0, 5, n), rng.integers(0, 4, n)
    x = np.column_stack([np.ones(n), rng.integers(0, 2, n), rng.normal(size=n)]).astype(float)
    sd = rng.choice([0.0, 1.0, 4.0], 2)
    y = 40 + x @ [0, 2.0, 1] + sd[0] * rng.normal(size=5)[site] + sd[1] * rng.normal(size=4)[year]
    return y + rng.normal(size=n), x, {"site": site, "year": year}


@pytest.mark.parametrize("seed", range(12))
def test_a_trial_doubled_under_other_names(seed: int) -> None:
    y, x, groups = trial(seed)
    y2, x2 = np.concatenate([y, y]), np.vstack([x, x])
    groups2: dict[str, Any] = {k: np.concatenate([g, g + 100]) for k, g in groups.items()}
    one, two = (fit_mixed(*a, method="ML") for a in ((y, x, groups), (y2, x2, groups2)))
    assert two.loglik == close(2 * one.loglik, abs=1e-7)
    assert two.beta == close(one.beta, rel=1e-6, abs=1e-7)
    assert two.vcov == close(one.vcov / 2, rel=1e-5, abs=1e-9)
    slack = 1e-6 * one.residual_variance
    assert two.residual_variance == close(one.residual_variance, rel=1e-6)
    for a, b in zip(one.components, two.components, strict=True):
        assert b.variance == close(a.variance, rel=1e-5, abs=slack)
        for level, effect in one.blups[a.name].items():
            again = (two.blups[a.name][level], two.blups[a.name][str(int(level) + 100)])
            assert again == close((effect, effect), rel=1e-5, abs=1e-5)
