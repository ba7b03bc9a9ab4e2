"""Many most probable numbers at once: against one at a time, a bracketed root, and invariants."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.optimize import brentq

from rhizoledger.counts import mpn_many
from rhizoledger.counts.mpn import count_mpn
from rhizoledger.counts.mpn_many import densities, log10_errors
from rhizoledger.errors import InputError

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Designs = tuple[FloatArray, IntArray, IntArray]

ROW = st.integers(1, 500).flatmap(
    lambda n: st.tuples(st.integers(-60, 60), st.just(n), st.integers(0, n))
)
ROWS = st.lists(ROW, min_size=1, max_size=7, unique_by=lambda row: row[0])


def random_designs(kind: str, m: int, seed: int = 1) -> Designs:
    """``served``: tubes as a density fills them; ``uniform``: any code; ``wild``: any amounts."""
    rng = np.random.default_rng(seed)
    steps = np.arange(7)
    used = steps < rng.integers(3, 8, m)[:, np.newaxis]
    factor = rng.choice([2.0, 4.0, 5.0, 10.0], m)[:, np.newaxis]
    z = 10 ** rng.uniform(-3, 3, m)[:, np.newaxis] / factor**steps
    if kind == "wild":
        z = 10 ** rng.uniform(-29, 29, (m, 7))
    n = np.where(used, rng.integers(1, 501, (m, 7)), 0)
    if kind == "served":
        middle = factor ** (rng.uniform(-0.5, used.sum(axis=1) - 0.5, m)[:, np.newaxis])
        x = rng.binomial(n, -np.expm1(-z * middle / z[:, :1]))
    else:
        x = rng.integers(0, n + 1)
    return z, n, x


def bracketed(z: FloatArray, n: IntArray, x: IntArray) -> float:
    """The root on ln λ, without any code of ours."""
    if x.sum() == 0:
        return 0.0
    if (x == n).all():
        return math.inf
    z, n, x = z[n > 0], n[n > 0], x[n > 0]
    negative = float(((n - x) * z).sum())

    def score(t: float) -> float:
        y = math.exp(t) * z
        return float((x * z / np.expm1(np.minimum(y, 700))).sum()) - negative

    low = math.log(x.sum() / (n * z).sum()) - 0.1
    high = math.log(x.sum() / negative) + 0.1
    return math.exp(brentq(score, low, high, xtol=1e-14, rtol=8.9e-16))


@pytest.mark.parametrize("kind", ["served", "uniform", "wild"])
def test_a_bracketed_root_finds_the_same(kind: str) -> None:
    z, n, x = random_designs(kind, 3000)
    slow = np.array([bracketed(*design) for design in zip(z, n, x, strict=True)])
    np.testing.assert_allclose(densities(z, n, x), slow, rtol=1e-11)


@settings(deadline=None)
@given(st.lists(ROWS, min_size=1, max_size=5))
def test_one_at_a_time_finds_the_same(designs: list[list[tuple[int, int, int]]]) -> None:
    """Amounts over thirty powers of ten either way; two designs at least of different length."""
    k = max(len(rows) for rows in designs)
    table = np.zeros((3, len(designs), k))
    for i, rows in enumerate(designs):
        for j, (half_power, n, x) in enumerate(rows):
            table[:, i, j] = 10.0 ** (half_power / 2), n, x
    z, n, x = table
    z = np.minimum(z, 1e30)
    found = densities(z, n, x)
    errors = log10_errors(found, z, n, x)
    for i, rows in enumerate(designs):
        part = slice(0, len(rows))
        one = count_mpn(z[i, part].tolist(), n[i, part].tolist(), x[i, part].tolist())
        if one.status == "interior":
            assert found[i] == pytest.approx(one.estimate.value, rel=1e-10)
            assert errors[i] == pytest.approx(one.log10_se, rel=1e-8)
        else:
            assert found[i] == (0.0 if one.status == "all_negative" else math.inf)
            assert math.isnan(errors[i])


def test_order_scale_and_split_change_nothing() -> None:
    z, n, x = random_designs("served", 500)
    found = densities(z, n, x)
    order = np.random.default_rng(2).permuted(np.tile(np.arange(7), (500, 1)), axis=1)
    mixed = (np.take_along_axis(each, order, axis=1) for each in (z, n, x))
    np.testing.assert_allclose(densities(*mixed), found, rtol=1e-12)
    np.testing.assert_allclose(densities(z * 1e6, n, x) * 1e6, found, rtol=1e-12)
    half_n, half_x = n // 2, np.minimum(x // 2, n // 2)
    rest_n, rest_x = n - half_n, x - half_x
    sound = (rest_x <= rest_n).all(axis=1)
    split = densities(
        np.hstack([z, z])[sound],
        np.hstack([half_n, rest_n])[sound],
        np.hstack([half_x, rest_x])[sound],
    )
    assert sound.sum() > 100
    np.testing.assert_allclose(split, found[sound], rtol=1e-12)


def test_chunks_and_neighbours_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    z, n, x = random_designs("uniform", 300)
    found = densities(z, n, x)
    monkeypatch.setattr(mpn_many, "CHUNK", 7)
    np.testing.assert_allclose(densities(z, n, x), found, rtol=1e-13)
    np.testing.assert_allclose(densities(z[::-1], n[::-1], x[::-1])[::-1], found, rtol=1e-13)
    alone = [densities(z[i : i + 1], n[i : i + 1], x[i : i + 1])[0] for i in range(50)]
    np.testing.assert_allclose(alone, found[:50], rtol=1e-13)


def test_what_an_empty_place_holds_does_not_matter() -> None:
    x = [[2, 1, 0]]
    filled = densities([[1.0, 0.1, np.nan]], [[3, 3, 0]], x)
    assert filled == densities([[1.0, 0.1, 0.0]], [[3, 3, 0]], x)
    assert filled[0] == pytest.approx(count_mpn([1.0, 0.1], [3, 3], [2, 1]).estimate.value)


def test_one_dilution_has_a_closed_form() -> None:
    n = np.arange(2, 501)[:, np.newaxis]
    for x in (np.ones_like(n), n // 2, n - 1):
        exact = -np.log1p(-x / n) / 1e-7
        np.testing.assert_allclose(densities([1e-7], n, x), exact[:, 0], rtol=1e-12)


def test_hostile_designs() -> None:
    """A million tubes, sixty powers of ten apart, and a negative tube where none should be."""
    z = np.array([[1e30, 1.0, 1e-30]] * 4)
    n = np.array([[10**6, 500, 1], [1, 1, 1], [500, 10**6, 500], [10**6] * 3])
    x = np.array([[10**6, 500, 0], [0, 0, 1], [500, 10**6 - 1, 0], [10**6, 10**6, 10**6 - 1]])
    slow = [bracketed(*design) for design in zip(z, n, x, strict=True)]
    np.testing.assert_allclose(densities(z, n, x), slow, rtol=1e-10)


@pytest.mark.parametrize(
    ("z", "n", "x", "says"),
    [
        ([[1.0], [1.0]], [[3], [3]], [[3], [4]], "Design 2.*more positive"),
        ([[1.0], [0.0]], [[3], [3]], [[3], [1]], "Design 2.*amount"),
        ([[1.0], [np.nan]], [[3], [3]], [[3], [1]], "Design 2.*amount"),
        ([[1.0]], [[0]], [[0]], "Design 1.*no tubes"),
        ([[1.0]], [[3.5]], [[1]], "Design 1.*whole"),
        ([[1.0]], [[np.nan]], [[1]], "Design 1.*whole"),
        ([[1.0]], [[3]], [[-1]], "Design 1.*whole"),
        ([[1.0, 2.0]], [[3]], [[1], [2], [3]], "no error"),
        ([1.0], [3], [1], "shape"),
        ([[1.0, 2.0]], [[3, 3, 3]], [[1, 1, 1]], "shapes"),
        ([["1"]], [[3]], [[1]], "numbers"),
    ],
)
def test_designs_that_cannot_be(z: object, n: object, x: object, says: str) -> None:
    if says == "no error":
        assert densities(z, n, x).shape == (3,)
        return
    with pytest.raises(InputError, match=says):
        densities(z, n, x)


def test_the_place_is_counted_over_all_chunks() -> None:
    n = np.full((10_000, 1), 3)
    x = np.ones_like(n)
    x[9_000] = 4
    with pytest.raises(InputError, match="Design 9001"):
        densities([1.0], n, x)
