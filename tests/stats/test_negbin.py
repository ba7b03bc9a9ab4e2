"""The negative binomial fit: published k, definition twins, the Poisson end, coverage.

Limits were also made once with R 4.2 (MASS::glm.nb for the estimates, profiles by uniroot over
optimize); its figures are typed below.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.optimize import minimize

from rhizoledger.errors import InputError
from rhizoledger.stats import negbin
from tests.published.printed import agrees, rows

FREE = st.lists(st.tuples(st.integers(0, 60), st.floats(0.1, 10)), min_size=2, max_size=12).filter(
    lambda pairs: any(c for c, _ in pairs)
)


def counts_of(text: str) -> list[int]:
    """Counts as a file of checks writes them: each, or each with how often it occurs."""
    if ":" not in text:
        return [int(x) for x in text.replace(";", ",").split(",")]
    pairs = [part.split(":") for part in text.split()]
    return [int(count) for count, times in pairs for _ in range(int(times))]


def log_likelihood(counts: list[int], exposures: list[float], density: float, k: float) -> float:
    """By the distribution's own function, one count after another."""
    return math.fsum(
        stats.nbinom.logpmf(c, k, k / (k + density * w))
        for c, w in zip(counts, exposures, strict=True)
    )


@pytest.mark.parametrize("row", rows("negative_binomial_fit.csv"), ids=lambda r: r["dataset"])
def test_published_and_constructed(row: dict[str, str]) -> None:
    """Mites of Bliss & Fisher (k and data from memory, recomputed) and two constructed sets."""
    counts = counts_of(row["data"])
    found = negbin.fit(counts)
    assert len(counts) == int(row["n"]) and agrees(found.mean, row["mean"])
    assert agrees(float(np.var(counts, ddof=1)), row["variance"])
    if row["k_ml"].startswith("infinite"):
        assert found.k == math.inf and found.p_poisson == 1
        low, high = found.k_limits()
        assert 0 < low < math.inf and high == math.inf
    else:
        assert agrees(found.k, row["k_ml"])
        low, high = found.k_limits()
        assert low < found.k < high < math.inf and found.p_poisson < 0.05


# counts, exposures, k, density, log likelihood, limits of k, limits of the density (R).
R_FITS = [
    ("0:70 1:38 2:17 3:10 4:9 5:3 6:2 7:1", None, 1.02459238679, 1.14666666667, -222.437153598,
     (0.625423493155, 1.83624155553), (0.920986064189, 1.429768464)),
    ("4;9;2;15;7;0;11;6;3;20;8;5", None, 2.19707952055, 7.5, -35.943092318,
     (0.737811533125, 7.19960695107), (4.77405060413, 12.4009831348)),
    ("5;22;8;31;3", [1, 1, 0.5, 2, 0.1], 6.88114694076, 15.5567262623, -15.3784953238,
     (1.00036044274, math.inf), (9.52171325182, 29.3403646025)),
    ("10;12;9;11;13;10;8;12;11;10", None, math.inf, 10.6, -22.0003525197,
     (18.5341907978, math.inf), (8.70805868838, 12.7479355035)),
]  # fmt: skip


def test_bliss_and_fisher_are_written_as_the_file_writes_them() -> None:
    """The file writes mites per leaf first and leaves second."""
    assert sum(counts_of("0:70 1:38 2:17 3:10 4:9 5:3 6:2 7:1")) == 172


@pytest.mark.parametrize(("text", "w", "k", "density", "best", "of_k", "of_density"), R_FITS)
def test_against_r(
    text: str,
    w: list[float] | None,
    k: float,
    density: float,
    best: float,
    of_k: tuple[float, float],
    of_density: tuple[float, float],
) -> None:
    found = negbin.fit(counts_of(text), w)
    assert found.k == pytest.approx(k, rel=1e-8)
    assert found.mean == pytest.approx(density, rel=1e-9)
    assert found.loglik == pytest.approx(best, abs=1e-9)
    assert found.k_limits() == pytest.approx(of_k, rel=1e-6)
    assert found.mean_limits() == pytest.approx(of_density, rel=1e-6)


def test_by_grid_with_exposures() -> None:
    """Estimates and limits against a grid of both parameters."""
    counts, w = [5, 22, 8, 31, 3], [1.0, 1.0, 0.5, 2.0, 0.1]
    lam = np.geomspace(8, 40, 700)[:, np.newaxis]
    k = np.geomspace(0.5, 1e4, 900)
    grid = sum(stats.nbinom.logpmf(c, k, k / (k + lam * x)) for c, x in zip(counts, w, strict=True))
    i, j = np.unravel_index(grid.argmax(), grid.shape)
    found = negbin.fit(counts, w)
    assert found.mean == pytest.approx(lam[i, 0], rel=0.003)
    assert found.k == pytest.approx(k[j], rel=0.02)
    assert found.loglik == pytest.approx(grid.max(), abs=1e-4)
    drop = stats.chi2.ppf(0.8, 1) / 2
    for of, (low, high), axis in (
        (k, found.k_limits(0.8), 0),
        (lam[:, 0], found.mean_limits(0.8), 1),
    ):
        inside = of[grid.max(axis=axis) >= grid.max() - drop]
        assert (low, high) == pytest.approx((inside[0], inside[-1]), rel=0.02)


@pytest.mark.thorough
@settings(max_examples=20)
@given(FREE)
def test_no_neighbour_is_likelier(pairs: list[tuple[int, float]]) -> None:
    """Neither near the answer nor from where a general optimiser ends."""
    counts, w = [c for c, _ in pairs], [x for _, x in pairs]
    found = negbin.fit(counts, w)
    finite = found.k if math.isfinite(found.k) else 1e7
    assert found.loglik == pytest.approx(
        log_likelihood(counts, w, found.mean, finite), abs=1e-3 if finite == 1e7 else 1e-6
    )
    assert found.loglik >= found.loglik_poisson
    for start in (0.3, 30.0):
        other = minimize(
            lambda x: -log_likelihood(counts, w, math.exp(x[0]), math.exp(x[1])),
            [math.log(found.mean), math.log(start)],
            method="Nelder-Mead",
            bounds=[(-20, 20), (-10, 16)],
        )
        assert -other.fun <= found.loglik + 1e-6


@given(FREE, st.sampled_from([1e-6, 0.5, 3.0, 1e9]))
def test_exposures_in_other_units(pairs: list[tuple[int, float]], factor: float) -> None:
    """Another unit of exposure divides the density and leaves k."""
    counts, w = [c for c, _ in pairs], [x for _, x in pairs]
    one, other = negbin.fit(counts, w), negbin.fit(counts, [x * factor for x in w])
    assert other.mean * factor == pytest.approx(one.mean, rel=1e-6)
    assert other.loglik == pytest.approx(one.loglik, abs=1e-8)


def test_limits_are_wider_at_a_higher_level_and_hold_the_estimate() -> None:
    found = negbin.fit(counts_of("4;9;2;15;7;0;11;6;3;20;8;5"))
    before: tuple[tuple[float, float], tuple[float, float]] | None = None
    for level in (0.5, 0.8, 0.95, 0.99, 0.9999):
        k, mean = found.k_limits(level), found.mean_limits(level)
        assert k[0] < found.k < k[1] and mean[0] < found.mean < mean[1]
        if before:
            assert k[0] < before[0][0] and k[1] > before[0][1]
            assert mean[0] < before[1][0] and mean[1] > before[1][1]
        before = k, mean


def test_the_test_of_poisson_and_the_limits_agree() -> None:
    """The upper limit is infinite just where half the tail of χ² is above half of 1 - level."""
    found = negbin.fit([5, 22, 8, 31, 3], [1, 1, 0.5, 2, 0.1])
    at = 1 - 2 * found.p_poisson
    assert found.k_limits(at + 1e-6)[1] == math.inf > found.k_limits(at - 1e-3)[1]


@pytest.mark.parametrize("counts", [[5] * 6, [7], [1], [0, 0, 0, 1]])
def test_counts_that_scatter_less_than_chance(counts: list[int]) -> None:
    """All alike, one alone, one among zeros: no k, and a lower limit of it that is finite."""
    found = negbin.fit(counts)
    assert found.k == math.inf and found.mean == pytest.approx(sum(counts) / len(counts))
    assert found.loglik == pytest.approx(float(stats.poisson.logpmf(counts, found.mean).sum()))
    low, high = found.k_limits()
    assert 0 < low < 1e3 and high == math.inf
    drop = stats.chi2.ppf(0.95, 1) / 2
    at = log_likelihood(counts, [1.0] * len(counts), found.mean, low)
    assert at == pytest.approx(found.loglik - drop, abs=1e-9)
    low, high = found.mean_limits()
    assert 0 < low < found.mean < high < math.inf


def test_zeros_bound_nothing() -> None:
    """At a k near zero any density gives zeros almost surely."""
    found = negbin.fit([0, 0, 0], [1, 2, 3])
    assert (found.mean, found.k, found.loglik, found.p_poisson) == (0.0, math.inf, 0.0, 1.0)
    assert found.k_limits() == found.mean_limits() == (0.0, math.inf)
    assert log_likelihood([0, 0, 0], [1, 2, 3], 1e6, 1e-9) == pytest.approx(0, abs=1e-6)


def test_huge_counts() -> None:
    """Where a gamma distribution of the means is all that is left: k is its shape."""
    counts = [10**9, 12 * 10**8, 9 * 10**8, 7 * 10**8, 2 * 10**9]
    found = negbin.fit(counts)
    shape = stats.gamma.fit(counts, floc=0)[0]
    assert found.k == pytest.approx(shape, rel=1e-7)
    low, high = found.k_limits()
    assert 0 < low < found.k < high < math.inf
    barely = negbin.fit([10**12 + x * 10**6 for x in (1, -1, 2, -2, 0)])
    assert 1e11 < barely.k < 1e13 and barely.k_limits()[1] == math.inf


def test_a_few_counts_among_many_zeros() -> None:
    """50 in one place of a thousand: k is found at 1.8e-4, and the density has hardly a limit."""
    counts = [0] * 999 + [50]
    found = negbin.fit(counts)
    ks = np.geomspace(1e-5, 1e-2, 2001)
    twin = stats.nbinom.logpmf(50, ks, ks / (ks + 0.05)) - 999 * ks * np.log1p(0.05 / ks)
    assert found.k == pytest.approx(ks[twin.argmax()], rel=0.005)
    assert found.mean_limits()[1] > 1e6


@pytest.mark.parametrize(
    ("count", "mean", "k"),
    [(0, 2, 1), (5, 3, 0.3), (120, 100, 40), (3, 1e-3, 1e-5), (7, 7, 1e-10), (1000, 1e-4, 1e-9)],
)
def test_log_probability_by_definition(count: int, mean: float, k: float) -> None:
    """Product of the terms (k + j)/(j + 1), exact enough while counts are few."""
    log_p = count * math.log(mean / (mean + k)) - k * math.log1p(mean / k)
    log_p += math.fsum(math.log((k + j) / (j + 1)) for j in range(count))
    assert float(negbin.log_probability(count, mean, k)) == pytest.approx(log_p, abs=1e-11)


@pytest.mark.parametrize("k", [1e4, 1e8, 1e12, 1e100])
def test_log_probability_goes_over_into_poisson(k: float) -> None:
    """Short of Poisson by ((c - m)² - c)/(2k), to all digits that this leaves."""
    c, m = np.array([0, 1, 12, 300]), np.array([0.5, 3.0, 10.0, 280.0])
    short = negbin.log_probability(c, m, k) - stats.poisson.logpmf(c, m)
    assert short == pytest.approx(((c - m) ** 2 - c) / (2 * k), rel=0.1, abs=2e-13)


def test_probabilities_add_up_to_the_tail() -> None:
    for mean, k in ((3.0, 0.7), (40.0, 12.0)):
        below = math.fsum(math.exp(negbin.log_probability(c, mean, k)) for c in range(60))
        tail = math.exp(negbin.log_chance_at_least(60, mean, k))
        assert below + tail == pytest.approx(1, abs=1e-12)


@pytest.mark.parametrize(
    ("counts", "exposures", "says"),
    [
        ([], None, "at least one count"),
        ([1, 2], [1.0], "one exposure for each"),
        ([1, -2], None, "count 2, -2"),
        ([1.5], None, "count 1, 1.5"),
        ([math.nan], None, "count 1, nan"),
        ([True], None, "count 1, True"),
        ([3], [0.0], "exposure 1, 0.0"),
        ([3], [math.inf], "exposure 1, inf"),
        ([3], ["x"], "exposure 1, 'x'"),
    ],
)
def test_bad_input(counts: list[int], exposures: list[float] | None, says: str) -> None:
    with pytest.raises(InputError, match=says):
        negbin.fit(counts, exposures)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("n", "mean", "k"), [(12, 2.0, 1.0), (12, 20.0, 2.0), (30, 5.0, 1.0), (60, 5.0, 4.0)]
)
def test_limits_cover(n: int, mean: float, k: float) -> None:
    """Coverage of both 95 % sets over seeded samples; printed with -s."""
    rng = np.random.default_rng(20)
    times, of_k, of_mean = 500, 0, 0
    for _ in range(times):
        found = negbin.fit(rng.negative_binomial(k, k / (k + mean), n).tolist())
        if found.mean == 0:
            continue
        low, high = found.k_limits()
        of_k += low <= k <= high
        low, high = found.mean_limits()
        of_mean += low <= mean <= high
    print(f"n {n}, mean {mean}, k {k}: k {of_k / times:.3f}, mean {of_mean / times:.3f}")
    assert 0.91 < of_k / times < 0.98 and 0.91 < of_mean / times < 0.98
