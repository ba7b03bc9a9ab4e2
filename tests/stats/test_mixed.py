"""Mixed models: lme4's numbers, slow twins from the definitions, invariants, bad input.

Published witnesses: R 4.2.2 with lme4 1.1.31, lmerTest 3.1.3, pbkrtest 0.5.2 and emmeans 1.8.4.1 on
data typed from their sources: dyestuff (Davies, Statistical Methods in Research and Production,
1947; Box and Tiao 1973), alfalfa (Snedecor and Cochran, Statistical Methods, 1980), barley (Immer
and others, J. Am. Soc. Agron. 26 (1934) 403-419), maize on Antigua (Andrews and Herzberg, Data,
1985, table 58) and soybean seed treatments in Illinois (Cerritos and others 2017, CC0). lme4 stops
near the optimum: where a variance differs in the seventh digit, the criterion here is the lower.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike, NDArray
from scipy.stats import dunnett, multivariate_t, norm
from scipy.stats import f as fisher
from scipy.stats import t as student

from rhizoledger.errors import FitError, InputError, NotFoundError
from rhizoledger.stats.dunnett import joint_quantile, joint_tail
from rhizoledger.stats.mixed import MixedFit, fit_mixed
from rhizoledger.stats.mixed_design import treatment_design
from rhizoledger.stats.mixed_equations import variance_derivatives
from rhizoledger.stats.mixed_inference import (
    compare,
    contrast,
    joint_test,
    marginal_means,
    versus_check,
)
from rhizoledger.stats.mixed_precision import DfMethod, precision
from rhizoledger.stats.mixed_profile import sd_limits
from rhizoledger.stats.one_thread import one_thread

FloatArray = NDArray[np.float64]
close = pytest.approx

BATCHES = list("AAAAABBBBBCCCCCDDDDDEEEEEFFFFF")
DYESTUFF = [
    *(1545, 1440, 1440, 1520, 1580, 1540, 1555, 1490, 1560, 1495, 1595, 1550, 1605, 1510, 1560),
    *(1445, 1440, 1595, 1465, 1545, 1595, 1630, 1515, 1635, 1625, 1520, 1455, 1450, 1480, 1445),
]
DYESTUFF2 = [
    *(7.298, 3.846, 2.434, 9.566, 7.99, 5.22, 6.556, 0.608, 11.788, -0.892, 0.11, 10.386, 13.434),
    *(5.51, 8.166, 2.212, 4.852, 7.092, 9.288, 4.98, 0.282, 9.014, 4.458, 9.446, 7.198, 1.722),
    *(4.782, 8.106, 0.758, 3.758),
]

# Blocks within a variety, the four dates (None, S1, S20, O7) within a block.
ALFALFA = {
    "Ladak": [
        *(2.17, 1.58, 2.29, 2.23, 1.88, 1.26, 1.6, 2.01, 1.62, 1.22, 1.67, 1.82),
        *(2.34, 1.59, 1.91, 2.1, 1.58, 1.25, 1.39, 1.66, 1.66, 0.94, 1.12, 1.1),
    ],
    "Cossack": [
        *(2.33, 1.38, 1.86, 2.27, 2.01, 1.3, 1.7, 1.81, 1.7, 1.85, 1.81, 2.01),
        *(1.78, 1.09, 1.54, 1.4, 1.42, 1.13, 1.67, 1.31, 1.35, 1.06, 0.88, 1.06),
    ],
    "Ranger": [
        *(1.75, 1.52, 1.55, 1.56, 1.95, 1.47, 1.61, 1.72, 2.13, 1.8, 1.82, 1.99),
        *(1.78, 1.37, 1.56, 1.55, 1.31, 1.01, 1.23, 1.51, 1.3, 1.31, 1.13, 1.33),
    ],
}

# Mean of the two years, varieties M S V T P in each of six places.
IMMER = {
    "UF": ((81.0, 80.7), (105.4, 82.3), (119.7, 80.4), (109.7, 87.2), (98.3, 84.2)),
    "W": ((146.6, 100.4), (142.0, 115.5), (150.7, 112.2), (191.5, 147.7), (145.7, 108.1)),
    "M": ((82.3, 103.1), (77.3, 105.1), (78.4, 116.5), (131.3, 139.9), (89.6, 129.6)),
    "C": ((119.8, 98.9), (121.4, 61.9), (124.0, 96.2), (140.8, 125.5), (124.8, 75.7)),
    "GR": ((98.9, 66.4), (89.0, 49.9), (69.1, 96.7), (89.3, 61.9), (104.1, 80.3)),
    "D": ((86.9, 67.7), (77.1, 66.7), (78.9, 67.4), (101.8, 91.8), (96.0, 94.1)),
}

# Per site and block: ear weights of the plots with treatment 000 and with 111.
ANTIGUA: dict[str, list[tuple[list[float], list[float]]]] = {
    "DBAN": [
        ([3.94], [4.96, 5.36]),
        ([], [5.25, 4.36]),
        ([3.88], [5.19, 4.94]),
        ([], [4.34, 4.68]),
    ],
    "LFAN": [
        ([1.6], [2.92, 2.94]),
        ([], [5.4, 4.14]),
        ([2.9], [4.94, 3.72]),
        ([], [6.02, 3.58]),
    ],
    "TEAN": [
        ([1.74], [2.1, 3.2]),
        ([], [2.18, 4.2]),
        ([2.89], [2.57, 3.01]),
        ([], [3.61, 3.42]),
    ],
    "WEAN": [
        ([4.02], [5.12, 4.96]),
        ([], [4.26, 4.94]),
        ([4.16], [6.1, 6.58]),
        ([], [6.6, 5.65]),
    ],
    "WLAN": [
        ([2.0], [2.08, 1.96]),
        ([], [2.46, 2.87]),
        ([2.28], [2.88, 3.44]),
        ([], [3.55, 3.49]),
    ],
    "NSAN": [
        ([1.34], [1.28, 2.18]),
        ([], [3.24, 3.1]),
        ([1.7], [1.58, 1.4]),
        ([], [2.34, 1.6]),
    ],
    "OVAN": [
        ([2.97], [2.04, 4.47]),
        ([], [3.5, 5.05]),
        ([5.26], [5.26, 5.87]),
        ([], [5.57, 6.9]),
    ],
    "ORAN": [
        ([6.92], [6.87, 6.71]),
        ([], [7.2, 7.53]),
        ([5.74], [6.39, 6.48]),
        ([], [6.75, 7.39]),
    ],
}


def joined(*columns: Sequence[str]) -> list[str]:
    return [":".join(levels) for levels in zip(*columns, strict=True)]


def intercept(n: int) -> FloatArray:
    return np.ones((n, 1))


def dyestuff(y: Sequence[float] = DYESTUFF, **options: Any) -> MixedFit:
    return fit_mixed(y, intercept(30), {"Batch": BATCHES}, terms=["intercept"], **options)


def alfalfa() -> MixedFit:
    y, variety, date, block = [], [], [], []
    for name, values in ALFALFA.items():
        for i, value in enumerate(values):
            y.append(value)
            variety.append(name)
            date.append(("None", "S1", "S20", "O7")[i % 4])
            block.append(str(i // 4 + 1))
    v = [np.array(variety) == level for level in ("Ladak", "Ranger")]
    d = [np.array(date) == level for level in ("S1", "S20", "O7")]
    x = np.column_stack([np.ones(72), *v, *d, *(a & b for b in d for a in v)])
    return fit_mixed(y, x, {"Block": block, "Variety:Block": joined(variety, block)})


def antigua() -> MixedFit:
    y, site, block, treatment = [], [], [], []
    for name, blocks in ANTIGUA.items():
        for i, plots in enumerate(blocks):
            for level, values in zip(("000", "111"), plots, strict=True):
                for value in values:
                    y.append(value)
                    site.append(name)
                    block.append(str(i))
                    treatment.append(level)
    design = treatment_design(treatment, "000")
    groups = {
        "site": site,
        "site:block": joined(site, block),
        "site:trt": joined(site, treatment),
    }
    return fit_mixed(y, design.x, groups, terms=design.terms)


def variances(fit: MixedFit) -> list[float]:
    return [component.variance for component in fit.components] + [fit.residual_variance]


# -- another program ------------------------------------------------------------------------------


def test_dyestuff_is_lme4s() -> None:
    fit = dyestuff()
    assert fit.criterion == close(319.654276842257, abs=1e-9)
    assert fit.criterion <= 319.654276842257 + 1e-9
    assert fit.loglik == close(-159.827138421129, abs=1e-9)
    assert fit.aic == close(325.654276842257, abs=1e-9)
    assert variances(fit) == close([1764.04994926988, 2451.25001099403], rel=1e-6)
    for df in ("satterthwaite", "kenward_roger"):
        mean = contrast(fit, [1], df)
        assert mean.estimate == close(1527.5, abs=1e-9)
        assert mean.se == close(19.3834119436727, rel=1e-6)
        assert mean.df == close(5, abs=1e-6)
        assert mean.p == close(6.234475e-09, rel=1e-5)
    assert fit.warnings == ()


def test_dyestuff_by_maximum_likelihood_is_lme4s() -> None:
    fit = dyestuff(method="ML")
    assert fit.loglik == close(-163.663529940568, abs=1e-9)
    assert fit.aic == close(333.327059881135, abs=1e-9)
    assert variances(fit) == close([1388.33339569397, 2451.24998090325], rel=1e-6)
    # lme4's published profile of this fit (Bates, lme4 book draft, section 1.5): sd 12.20 to 84.06
    # for the batches, 38.23 to 67.66 for the residual.
    batch, residual = sd_limits(fit, "Batch"), sd_limits(fit, "residual")
    assert (batch.low, batch.high) == close((12.1965, 84.0634), abs=5e-4)
    assert (residual.low, residual.high) == close((38.2301, 67.6577), abs=5e-4)


def test_a_zero_component_is_zero_and_stays_in_kenward_roger() -> None:
    fit = dyestuff(DYESTUFF2)
    assert fit.criterion == close(161.828277812288, abs=1e-9)
    assert fit.components[0].variance == 0
    assert fit.components[0].at_boundary
    assert "Batch" in fit.warnings[0]
    assert fit.residual_variance == close(13.8063096275862, rel=1e-9)
    reduced = contrast(fit, [1], "satterthwaite")
    assert reduced.df == close(29, abs=1e-6)
    assert reduced.se == close(0.678388031232524, rel=1e-9)
    assert "boundary" in reduced.df_method
    # Balanced, so the exact answer of §6.2 is the stratum of the batches.
    assert contrast(fit, [1]).df == close(5, abs=1e-6)
    limits = sd_limits(fit, "Batch")
    assert limits.low == limits.sd == 0 < limits.high
    assert set(fit.blups["Batch"].values()) == {0.0}


def test_alfalfa_split_plot_is_lme4s() -> None:
    fit = alfalfa()
    assert fit.criterion == close(9.95636826900982, abs=1e-9)
    assert fit.aic == close(39.9563682690098, abs=1e-9)
    assert variances(fit) == close(
        [0.0578108363108229, 0.0270667594757266, 0.0279676850169678], rel=1e-6
    )
    assert fit.beta[:4] == close(
        [1.76500000000003, 0.109999999999982, -0.0616666666666803, -0.463333333333339], abs=1e-9
    )
    assert fit.vcov[0, :4] == close(
        [0.0188075468005864, -0.0091724074154491, -0.0091724074154491, -0.00466128083616131],
        rel=1e-6,
    )
    first = compare(fit, np.eye(12)[:4], list("abcd"), "satterthwaite")
    assert [c.se for c in first] == close(
        [0.137140609596816, 0.135443031680844, 0.135443031680844, 0.0965534135715699], rel=1e-6
    )
    assert [c.df for c in first] == close(
        [12.5081964743565, 24.0806801508136, 24.0806801515806, 45], abs=1e-4
    )
    # Variety (over dates) and variety by date, F with Kenward-Roger: 0.653356 on 2 and 10, 1.254772
    # on 6 and 45.
    variety = np.zeros((2, 12))
    variety[0, [1, 6, 8, 10]] = variety[1, [2, 7, 9, 11]] = (1, 0.25, 0.25, 0.25)
    both = {"satterthwaite": 1e-5, "kenward_roger": 1e-6}
    for df, slack in both.items():
        main = joint_test(fit, variety, df)  # type: ignore[arg-type]
        assert (main.f, main.df1, main.df2) == close((0.653355622667237, 2, 10), abs=slack)
        cross = joint_test(fit, np.eye(12)[6:], df)  # type: ignore[arg-type]
        assert (cross.f, cross.df1, cross.df2) == close((1.25477155274972, 6, 45), abs=slack)
        assert cross.p == close(0.297267236, abs=1e-7)


def test_antigua_is_lme4s() -> None:
    fit = antigua()
    assert fit.n == 80
    assert fit.loglik == close(-107.756357608502, abs=1e-9)
    assert variances(fit) == close(
        [2.3005799206558, 0.354110598344888, 0.0026795525208552, 0.417112299075404], rel=1e-5
    )
    printed: dict[DfMethod, list[tuple[float, float, float]]] = {
        "satterthwaite": [
            (3.48784079555493, 0.57371123298444, 8.16762666355883),
            (0.803877954445147, 0.193283357561971, 7.08458290465857),
        ],
        "kenward_roger": [
            (3.48784079555493, 0.574193022256656, 8.18577293547969),
            (0.803877954445147, 0.1947087678204, 7.1716901955293),
        ],
    }
    for df, rows in printed.items():
        for row, (estimate, se, freedom) in zip(np.eye(2), rows, strict=True):
            got = contrast(fit, row, df)
            assert got.estimate == close(estimate, abs=1e-6)
            assert got.se == close(se, rel=1e-6)
            assert got.df == close(freedom, abs=1e-4)


@pytest.mark.thorough
def test_a_balanced_trial_gives_the_analysis_of_variance() -> None:
    varieties = "MSVTP"
    y = [0.5 * sum(pair) for pairs in IMMER.values() for pair in pairs]
    treatment = [v for _ in IMMER for v in varieties]
    block = [place for place in IMMER for _ in varieties]
    design = treatment_design(treatment, "M")
    fit = fit_mixed(y, design.x, {"block": block}, terms=design.terms)
    assert fit.residual_variance == close(110.825441666667, rel=1e-9)
    assert fit.components[0].variance == close((2122.0904 - 110.825441666667) / 5, rel=1e-9)
    assert fit.terms == ("intercept", "P-M", "S-M", "T-M", "V-M")
    overall = joint_test(fit, np.eye(5)[1:])
    assert (overall.f, overall.df2) == close((5.98911704464972, 20), rel=1e-6)
    assert overall.p == close(0.00245264517974123, rel=1e-6)
    family = versus_check(fit, design)
    assert [c.name for c in family] == ["P-M", "S-M", "T-M", "V-M"]
    assert [c.estimate for c in family] == close(
        [8.15, -3.25833333333331, 23.8083333333334, 4.79166666666669], abs=1e-9
    )
    assert [c.se for c in family] == close([6.07797777956525] * 4, rel=1e-9)
    # emmeans prints its "dunnettx" approximation, up to 0.036 off where p is large; the exact
    # integral has the multivariate t of scipy as its witness.
    printed = [0.485310568357466, 0.919568039732724, 0.00313892958672091, 0.810200358556479]
    assert [c.p for c in family] == close(printed, abs=0.04)
    rho = np.full((4, 4), 0.5) + 0.5 * np.eye(4)
    for c in family:
        bound = np.full(4, abs(c.t))
        exact = 1 - multivariate_t.cdf(
            bound, shape=rho, df=20, lower_limit=-bound, maxpts=400_000, random_state=1
        )
        assert c.p == close(exact, abs=2e-4)
    alone = versus_check(fit, design, adjust="none")
    assert alone[0].p == close(0.194982600845163, rel=1e-6)
    assert all(a.p < c.p and a.high < c.high for a, c in zip(alone, family, strict=True))
    means = marginal_means(fit, design)
    assert [m.name for m in means] == ["M", "P", "S", "T", "V"]
    assert [m.estimate for m in means] == close(
        [94.3916666666666, 102.541666666667, 91.1333333333333, 118.2, 99.1833333333333], rel=1e-9
    )


def test_two_treatments_are_the_paired_t_test() -> None:
    check = np.array([2463.0, 2501, 2611, 2630, 2580])
    treated = check + np.array([41.0, 120, -15, 88, 61])
    design = treatment_design(["c"] * 5 + ["t"] * 5, "c")
    block = list(range(5)) * 2
    fit = fit_mixed(np.concatenate((check, treated)), design.x, {"block": block})
    difference = treated - check
    se = float(np.std(difference, ddof=1)) / math.sqrt(5)
    for df in ("kenward_roger", "satterthwaite"):
        got = contrast(fit, [0, 1], df, level=0.9)
        assert (got.estimate, got.se, got.df) == close((difference.mean(), se, 4), rel=1e-6)
        assert got.high == close(difference.mean() + student.ppf(0.95, 4) * se, rel=1e-6)


# -- slow twins from the definitions --------------------------------------------------------------


def dense_parts(
    x: FloatArray, groups: Mapping[str, ArrayLike]
) -> tuple[FloatArray, list[FloatArray]]:
    n = x.shape[0]
    pieces = [np.eye(n)]
    for column in groups.values():
        labels = np.asarray(column)
        pieces.append((labels[:, None] == labels[None, :]).astype(float))
    return x, pieces


def dense_criterion(
    y: FloatArray, x: FloatArray, pieces: Sequence[FloatArray], v: FloatArray, reml: bool = True
) -> float:
    covariance = sum(a * piece for a, piece in zip(v, pieces, strict=True))
    inverse = np.linalg.inv(covariance)
    xvx = x.T @ inverse @ x
    beta = np.linalg.solve(xvx, x.T @ inverse @ y)
    left = y - x @ beta
    n, p = x.shape
    out = np.linalg.slogdet(covariance)[1] + left @ inverse @ left
    if reml:
        return float(out + np.linalg.slogdet(xvx)[1] + (n - p) * math.log(2 * math.pi))
    return float(out + n * math.log(2 * math.pi))


def dense_projection(
    x: FloatArray, pieces: Sequence[FloatArray], v: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    covariance = sum(a * piece for a, piece in zip(v, pieces, strict=True))
    inverse: Any = np.linalg.inv(covariance)
    phi: FloatArray = np.linalg.inv(x.T @ inverse @ x)
    project: FloatArray = inverse - inverse @ x @ phi @ x.T @ inverse
    return inverse, phi, project


def dense_kenward_roger(
    x: FloatArray, pieces: Sequence[FloatArray], v: FloatArray, row: FloatArray
) -> tuple[float, float]:
    """Standard error and degrees of freedom, sums written as printed in 1997."""
    inverse, phi, _ = dense_projection(x, pieces, v)
    p = [-x.T @ inverse @ a @ inverse @ x for a in pieces]
    m = len(pieces)
    information = np.empty((m, m))
    q = {}
    for i in range(m):
        for j in range(m):
            q[i, j] = x.T @ inverse @ pieces[i] @ inverse @ pieces[j] @ inverse @ x
            information[i, j] = 0.5 * (
                np.trace(inverse @ pieces[i] @ inverse @ pieces[j])
                - 2 * np.trace(phi @ q[i, j])
                + np.trace(phi @ p[i] @ phi @ p[j])
            )
    w = np.linalg.inv(information)
    middle = np.zeros_like(phi)
    for i in range(m):
        for j in range(m):
            middle += w[i, j] * (q[i, j] - p[i] @ phi @ p[j])
    adjusted = phi + 2 * phi @ middle @ phi
    theta = np.outer(row, row) / (row @ phi @ row)
    a = 0.0
    for i in range(m):
        for j in range(m):
            a += w[i, j] * np.trace(theta @ phi @ p[i] @ phi) * np.trace(theta @ phi @ p[j] @ phi)
    return math.sqrt(row @ adjusted @ row), 2 / a


def dense_satterthwaite(
    y: FloatArray, x: FloatArray, pieces: Sequence[FloatArray], v: FloatArray, row: FloatArray
) -> float:
    inside = [i for i, a in enumerate(v) if a > 0]
    _, phi, project = dense_projection(x, pieces, v)
    inverse = dense_projection(x, pieces, v)[0]
    information = np.empty((len(inside), len(inside)))
    for a, i in enumerate(inside):
        for b, j in enumerate(inside):
            information[a, b] = y @ project @ pieces[i] @ project @ pieces[
                j
            ] @ project @ y - 0.5 * np.trace(project @ pieces[i] @ project @ pieces[j])
    moved = inverse @ x @ phi @ row
    gradient = np.array([moved @ pieces[i] @ moved for i in inside])
    return float(2 * (row @ phi @ row) ** 2 / (gradient @ np.linalg.inv(information) @ gradient))


def scenario(seed: int) -> tuple[FloatArray, FloatArray, dict[str, NDArray[np.int64]]]:
    """Unbalanced rows with nested and crossed factors, sometimes no variance of one of them."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(30, 61))
    site = rng.integers(0, 5, n)
    block = site * 3 + rng.integers(0, 3, n)
    year = rng.integers(0, 4, n)
    treatment = rng.integers(0, 3, n)
    x = np.column_stack([np.ones(n), treatment == 1, treatment == 2, rng.normal(size=n)])
    sd = rng.choice([0.0, 0.5, 2.0, 6.0], 3)
    y = 50 + x @ [0.0, 1, 2, 0.5] + rng.normal(size=n)
    y = y + sd[0] * rng.normal(size=5)[site] + sd[1] * rng.normal(size=15)[block]
    y = y + sd[2] * rng.normal(size=4)[year]
    groups = {"site": site, "block": block, "year": year}
    if seed % 4 == 0:
        del groups["year"]
    if seed % 4 == 1:
        del groups["site"], groups["block"]
    if seed % 8 == 7:
        groups.clear()
    return y, x.astype(float), groups


@pytest.mark.parametrize("method", ["REML", "ML"])
@pytest.mark.parametrize("seed", range(16))
def test_the_optimum_is_that_of_the_definition(seed: int, method: Any) -> None:
    y, x, groups = scenario(seed)
    fit = fit_mixed(y, x, groups, method=method)
    _, pieces = dense_parts(x, groups)
    v = np.array([fit.residual_variance, *(c.variance for c in fit.components)])
    reml = method == "REML"
    best = dense_criterion(y, x, pieces, v, reml)
    assert fit.criterion == close(best, abs=1e-7)
    # No step of any size from it, alone or together, finds less; zero is left only upwards.
    rng = np.random.default_rng(seed)
    for size in (1e-4, 1e-2, 0.3, 1.0):
        for _ in range(40):
            other = v * np.exp(size * rng.normal(size=v.size))
            other = other + np.where(v == 0, size * v[0] * rng.random(v.size), 0)
            assert dense_criterion(y, x, pieces, other, reml) > best - 1e-9
    inverse, phi, project = dense_projection(x, pieces, v)
    for i, piece in enumerate(pieces):
        slope = np.trace((project if reml else inverse) @ piece) - y @ project @ piece @ project @ y
        assert slope * v[0] == close(0, abs=1e-6) if v[i] > 0 else slope > 0
    assert fit.beta == close(phi @ x.T @ inverse @ y, abs=1e-8)
    assert fit.vcov == close(phi, rel=1e-7, abs=1e-10)
    fitted = x @ fit.beta
    for c, piece, column in zip(fit.components, pieces[1:], groups.values(), strict=True):
        effect = c.variance * piece @ project @ y
        fitted = fitted + effect
        for i in range(len(y)):
            assert fit.blups[c.name][str(column[i])] == close(effect[i], abs=1e-7)
    assert fit.fitted == close(fitted, abs=1e-7)


@pytest.mark.parametrize("seed", range(16))
def test_degrees_of_freedom_are_those_of_the_definition(seed: int) -> None:
    y, x, groups = scenario(seed)
    fit = fit_mixed(y, x, groups)
    _, pieces = dense_parts(x, groups)
    v = np.array([fit.residual_variance, *(c.variance for c in fit.components)])
    for row in (*np.eye(4), np.array([0, 1.0, -1, 0])):
        se, freedom = dense_kenward_roger(x, pieces, v, row)
        got = contrast(fit, row)
        assert (got.se, got.df) == close((se, freedom), rel=1e-6)
        freedom = dense_satterthwaite(y, x, pieces, v, row)
        assert contrast(fit, row, "satterthwaite").df == close(freedom, rel=1e-6)


@pytest.mark.parametrize("seed", [0, 2, 3, 6])
@pytest.mark.parametrize("reml", [True, False])
def test_derivatives_are_those_of_the_dense_criterion(seed: int, reml: bool) -> None:
    y, x, groups = scenario(seed)
    work = fit_mixed(y, x, groups).working
    _, pieces = dense_parts(x, groups)
    rng = np.random.default_rng(seed)
    for sd in (rng.uniform(0.3, 3, len(pieces)), np.array([1.0, *(0.0 for _ in pieces[1:])])):
        value, slope, curve = variance_derivatives(work.cross, sd, reml=reml)
        v = sd**2
        q = x @ np.linalg.inv(work.triangle)
        assert value == close(dense_criterion(y / work.scale, q, pieces, v, reml), abs=1e-8)
        inverse, _, project = dense_projection(x, pieces, v)
        outer = project if reml else inverse
        u = y / work.scale
        for i, a in enumerate(pieces):
            dense = np.trace(outer @ a) - u @ project @ a @ project @ u
            assert slope[i] == close(dense, rel=1e-8, abs=1e-8)
            for j, b in enumerate(pieces):
                dense = 2 * u @ project @ a @ project @ b @ project @ u
                dense -= np.trace(outer @ a @ outer @ b)
                assert curve[i, j] == close(dense, rel=1e-8, abs=1e-8)


@pytest.mark.thorough
def test_a_profile_limit_is_where_the_dense_criterion_has_risen() -> None:
    from scipy.optimize import minimize

    y, x, groups = scenario(2)
    fit = fit_mixed(y, x, groups)
    _, pieces = dense_parts(x, groups)
    rise = norm.ppf(0.975) ** 2
    for which, name in enumerate(["residual", *groups]):
        limits = sd_limits(fit, name)
        for bound in (limits.low, limits.high):
            if not 0 < bound < math.inf:
                continue
            start = np.array([fit.residual_variance, *(c.variance for c in fit.components)])

            def profile(log_v: FloatArray, which: int = which, bound: float = bound) -> float:
                v = np.exp(log_v)
                v[which] = bound**2
                return dense_criterion(y, x, pieces, v)

            found = minimize(profile, np.log(start + 0.01), method="Nelder-Mead", tol=1e-9)
            assert found.fun - fit.criterion == close(rise, abs=1e-4)


@pytest.mark.parametrize("m", [2, 3, 5])
def test_kenward_rogers_f_is_that_of_the_definition(m: int) -> None:
    fit = alfalfa() if m == 5 else antigua() if m == 2 else fit_mixed(*scenario(2))
    p = len(fit.terms)
    rows = np.random.default_rng(m).normal(size=(min(m, p), p))
    got = joint_test(fit, rows)
    precise = precision(fit)
    turned = np.linalg.solve(fit.working.triangle.T, rows.T).T
    ell = rows.shape[0]
    theta = turned.T @ np.linalg.inv(turned @ precise.phi @ turned.T) @ turned
    moved = [theta @ precise.phi @ s @ precise.phi for s in precise.slopes]
    k = range(len(moved))
    w = precise.spread
    a1 = sum(w[i, j] * np.trace(moved[i]) * np.trace(moved[j]) for i in k for j in k)
    a2 = sum(w[i, j] * np.trace(moved[i] @ moved[j]) for i in k for j in k)
    b = (a1 + 6 * a2) / (2 * ell)
    g = ((ell + 1) * a1 - (ell + 4) * a2) / ((ell + 2) * a2)
    c1, c2, c3 = (z / (3 * ell + 2 * (1 - g)) for z in (g, ell - g, ell + 2 - g))
    mean = 1 / (1 - a2 / ell)
    variance = 2 / ell * (1 + c1 * b) / ((1 - c2 * b) ** 2 * (1 - c3 * b))
    df2 = 4 + (ell + 2) / (ell * variance / (2 * mean**2) - 1)
    assert got.df2 == close(df2, rel=1e-9)
    assert got.scaling == close(df2 / (mean * (df2 - 2)), rel=1e-9)
    assert got.p == close(fisher.sf(got.f, ell, df2), rel=1e-9)


@pytest.mark.parametrize("freedom", range(1, 9))
def test_kenward_rogers_f_is_the_whole_plot_stratum_of_a_split_plot(freedom: int) -> None:
    # Three treatments on 3 + freedom whole plots of four: exact F on 2 and ``freedom``, through the
    # poles of E* at 2 and V* at 4.
    rng = np.random.default_rng(freedom)
    of_plot = np.arange(3 + freedom) % 3
    plot = np.repeat(np.arange(3 + freedom), 4)
    y = rng.normal(size=plot.size) + 3 * rng.normal(size=3 + freedom)[plot]
    design = treatment_design([str(of_plot[w]) for w in plot], "0")
    fit = fit_mixed(y, design.x, {"plot": plot})
    means = y.reshape(-1, 4).mean(axis=1)
    groups = [means[of_plot == k] for k in range(3)]
    between = sum(g.size * (g.mean() - means.mean()) ** 2 for g in groups) / 2
    within = sum(float(((g - g.mean()) ** 2).sum()) for g in groups) / freedom
    got = joint_test(fit, design.differences)
    assert (got.f, got.df2) == close((between / within, freedom), rel=1e-6)


# -- Dunnett --------------------------------------------------------------------------------------


def test_dunnetts_quantiles() -> None:
    # Dunnett, Biometrics 20 (1964), two-sided 5 %: treatments besides the check, df (from memory);
    # the multivariate t of scipy stands beside it.
    printed = {(1, 5): 2.57, (2, 5): 3.03, (3, 10): 2.76, (5, 20): 2.73, (9, 10**9): 2.69}
    for (p, df), value in printed.items():
        rho = np.full((p, p), 0.5) + 0.5 * np.eye(p)
        found = joint_quantile(0.95, rho, df)
        assert found == close(value, abs=0.005)
        bound = np.full(p, found)
        inside = multivariate_t.cdf(
            bound, shape=rho, df=min(df, 10**5), lower_limit=-bound, random_state=1
        )
        assert inside == close(0.95, abs=3e-4)


def test_dunnett_is_scipys_on_one_way_data() -> None:
    rng = np.random.default_rng(8)
    samples = [rng.normal(mean, 2, size) for mean, size in ((5, 6), (7, 4), (6, 8), (5.5, 5))]
    labels = [name for name, sample in zip("kabc", samples, strict=True) for _ in sample]
    design = treatment_design(labels, "k")
    fit = fit_mixed(np.concatenate(samples), design.x, {}, terms=design.terms)
    theirs = dunnett(*samples[1:], control=samples[0], rng=np.random.default_rng(1))
    ours = versus_check(fit, design)
    assert [c.t for c in ours] == close(list(theirs.statistic), rel=1e-9)
    assert [c.p for c in ours] == close(list(theirs.pvalue), abs=3e-4)
    limits = theirs.confidence_interval(0.95)
    assert [c.low for c in ours] == close(list(limits.low), abs=0.01)
    assert [c.high for c in ours] == close(list(limits.high), abs=0.01)


def test_the_joint_tail_has_its_limits() -> None:
    rho = np.full((3, 3), 0.5) + 0.5 * np.eye(3)
    assert joint_tail(2.0, np.eye(3), 1e9) == close(1 - (1 - 2 * norm.sf(2)) ** 3, abs=1e-9)
    assert joint_tail(2.0, np.eye(1), 7) == close(2 * student.sf(2.0, 7), rel=1e-9)
    assert joint_tail(0.0, rho, 9) == close(1, abs=1e-9)
    assert joint_tail(12.0, rho, 300) < 1e-12
    # Without a single factor scipy's integral takes over and agrees with it nearby.
    odd = np.array([[1, 0.6, -0.2], [0.6, 1, 0.5], [-0.2, 0.5, 1]])
    rng = np.random.default_rng(3)
    draws = rng.multivariate_normal(np.zeros(3), odd, 200_000)
    draws = draws / np.sqrt(rng.chisquare(12, 200_000) / 12)[:, None]
    share = np.mean(np.abs(draws).max(axis=1) > 2)
    assert joint_tail(2.0, odd, 12) == close(share, abs=0.003)
    assert joint_tail(2.0, odd, 12) < 3 * 2 * student.sf(2.0, 12)
    assert joint_tail(2.0, odd, 12) > 2 * student.sf(2.0, 12)


# -- invariants -----------------------------------------------------------------------------------


@pytest.mark.thorough
@settings(max_examples=25, deadline=None)
@given(
    seed=st.integers(0, 30),
    scale=st.sampled_from([1e-3, 0.5, 60.0, 1e4]),
    shift=st.floats(-1e4, 1e4),
)
def test_units_and_offsets_only_change_the_units(seed: int, scale: float, shift: float) -> None:
    y, x, groups = scenario(seed)
    before, after = fit_mixed(y, x, groups), fit_mixed(scale * (y + shift), x, groups)
    slack = 1e-6 * before.residual_variance
    assert [v / scale**2 for v in variances(after)] == close(variances(before), rel=1e-5, abs=slack)
    assert after.beta[1:] / scale == close(before.beta[1:], abs=1e-6)
    moved = 2 * (len(y) - 4) * math.log(scale)
    assert after.criterion == close(before.criterion + moved, abs=1e-6)
    for row in np.eye(4)[1:]:
        assert contrast(after, row).df == close(contrast(before, row).df, rel=1e-4)


@pytest.mark.thorough
@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 30))
def test_order_of_rows_and_names_of_levels_do_not_matter(seed: int) -> None:
    y, x, groups = scenario(seed)
    rng = np.random.default_rng(seed)
    order = rng.permutation(len(y))
    names = {k: np.array([f"level {9 - int(c)}" for c in v])[order] for k, v in groups.items()}
    names = dict(reversed(names.items()))
    before, after = fit_mixed(y, x, groups), fit_mixed(y[order], x[order], names)
    assert after.criterion == close(before.criterion, abs=1e-8)
    assert variances(after)[-2::-1] == close(
        variances(before)[:-1], rel=1e-5, abs=1e-7 * before.residual_variance
    )
    assert after.beta == close(before.beta, abs=1e-7)
    assert after.fitted == close(before.fitted[order], abs=1e-6)
    mixed = x @ np.array([[1.0, 1, 0, 0], [0, 1, 2, 0], [0, 0, 1, 1], [0, 0, 0, 3]])
    turned = fit_mixed(y, mixed, groups)
    assert variances(turned) == close(
        variances(before), rel=1e-5, abs=1e-7 * before.residual_variance
    )


def test_the_thread_limit_nests_and_is_put_back() -> None:
    with one_thread(), one_thread():
        first = dyestuff()
    assert first.criterion == dyestuff().criterion


def test_no_factor_is_ordinary_least_squares() -> None:
    y, x, _ = scenario(5)
    fit = fit_mixed(y, x, {})
    beta, rss, _, _ = np.linalg.lstsq(x, y)
    assert fit.beta == close(beta, rel=1e-9)
    assert fit.residual_variance == close(float(rss[0]) / (len(y) - 4), rel=1e-9)
    for df in ("kenward_roger", "satterthwaite"):
        assert contrast(fit, [0, 1, 0, 0], df).df == close(len(y) - 4)
    assert sd_limits(fit, "residual").low > 0


def test_a_large_offset_and_a_very_large_component_lose_no_digits() -> None:
    rng = np.random.default_rng(4)
    site = np.repeat(np.arange(6), 10)
    block = np.repeat(np.arange(20), 3)
    noise = rng.normal(size=60)
    small = noise + rng.normal(size=20)[block]
    y = 1e7 + 3000 * rng.normal(size=6)[site] + small
    fit = fit_mixed(y, intercept(60), {"site": site, "block": block})
    assert fit.components[0].sd > 500 * math.sqrt(fit.residual_variance)
    other = fit_mixed(y - 1e7, intercept(60), {"block": block, "site": site})
    assert fit.residual_variance == close(other.residual_variance, rel=1e-6)
    assert fit.criterion == close(other.criterion, abs=1e-6)
    assert contrast(fit, [1]).df == close(contrast(other, [1]).df, rel=1e-4)


# -- bad input ------------------------------------------------------------------------------------


BLOCKS = [1, 1, 2, 2, 3, 3]
YIELDS = [1.0, 3, 3, 5, 5, 7]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"y": [1, 2, math.nan, 4, 5, 6]}, "y is nan at position 3"),
        ({"y": [1, 2, math.inf, 4, 5, 6]}, "y is inf at position 3"),
        ({"y": ["1", "2", "three", "4", "5", "6"]}, "not a number"),
        ({"y": [[1.0], [2], [3], [4], [5], [6]]}, "one value per row"),
        ({"x": np.ones((5, 1))}, "shape \\(5, 1\\) for 6 values"),
        ({"x": np.ones((6, 2))}, "rank 1"),
        ({"x": np.column_stack([np.ones(6), np.zeros(6)])}, "x2 of x is zero"),
        ({"x": np.eye(6)}, "6 rows for 6 fixed effects"),
        ({"terms": ["a", "b"]}, "1 different names"),
        ({"groups": {"site": ["A"] * 6}}, "one level, A"),
        ({"groups": {"plot": range(6)}}, "as many levels as there are rows"),
        ({"groups": {"block": [1, 1, 2, 2, 3]}}, "one level per row, 6"),
        ({"groups": {"block": [1, 1, 2, 2, 3, None]}}, "rows without a level"),
        ({"groups": {"block": [1, 1, 2, 2, 3, math.nan]}}, "rows without a level"),
        ({"groups": {"block": BLOCKS, "site": list("aabbcc")}}, "block and site put the same"),
        ({"method": "reml"}, "REML or ML"),
    ],
)
def test_what_cannot_be_fitted_is_said_in_words(change: dict[str, Any], words: str) -> None:
    arguments: dict[str, Any] = {
        "y": YIELDS,
        "x": intercept(6),
        "groups": {"block": BLOCKS},
    } | change
    with pytest.raises(InputError, match=words):
        fit_mixed(**arguments)


def test_values_without_variance_are_said_in_words() -> None:
    with pytest.raises(FitError, match="reproduce every value"):
        fit_mixed([4.2] * 6, intercept(6), {"block": BLOCKS})
    with pytest.raises(FitError, match="reproduce every value"):
        fit_mixed([1e6 / 3] * 6, intercept(6), {"block": BLOCKS})
    with pytest.raises(FitError, match="residual variance goes to zero"):
        fit_mixed([1, 1, 2, 2, 4, 4], intercept(6), {"block": BLOCKS})
    x = np.column_stack([np.array(BLOCKS) == k for k in (1, 2, 3)]).astype(float)
    with pytest.raises(FitError, match="contain every level of block"):
        fit_mixed(YIELDS, x, {"block": BLOCKS})


def test_components_that_cannot_be_told_apart_are_named() -> None:
    # With two treatments in every block, one plot each, site:block and the interaction of site,
    # block and half are the same but for labels only once the fixed effects are removed.
    y = np.random.default_rng(0).normal(size=12)
    block = np.repeat(np.arange(6), 2)
    merged = np.where(block == 5, 0, block)
    x = np.column_stack([np.ones(12), block == 5]).astype(float)
    with pytest.raises(FitError, match="block and merged cannot be told apart"):
        fit_mixed(y, x, {"block": block, "merged": merged, "pair": np.arange(12) % 3})


def test_a_treatment_missing_at_a_site_and_copied_rows_are_no_error() -> None:
    rng = np.random.default_rng(3)
    plots = [(s, b, t) for s in "abcd" for b in "123" for t in ("check", "live")]
    plots = [p for p in plots if (p[0], p[2]) != ("b", "live")]
    y = list(rng.normal(size=len(plots)))
    plots, y = plots + plots[:5], y + y[:5]
    site, block, treatment = (list(column) for column in zip(*plots, strict=True))
    design = treatment_design(treatment, "check")
    fit = fit_mixed(y, design.x, {"site": site, "site:block": joined(site, block)})
    assert contrast(fit, [0, 1]).df > 10


def test_questions_that_have_no_answer() -> None:
    fit = dyestuff()
    with pytest.raises(InputError, match="one finite number per term"):
        contrast(fit, [1, 0])
    with pytest.raises(InputError, match="zero throughout"):
        contrast(fit, [0])
    with pytest.raises(InputError, match="kenward_roger or satterthwaite"):
        contrast(fit, [1], "kr")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="REML fit"):
        contrast(dyestuff(method="ML"), [1])
    with pytest.raises(InputError, match="between 0 and 1"):
        contrast(fit, [1], level=95)
    with pytest.raises(InputError, match="none or dunnett"):
        compare(fit, [[1]], ["mean"], adjust="tukey")  # type: ignore[arg-type]
    with pytest.raises(InputError, match="one per row"):
        compare(fit, [[1]], ["mean", "other"])
    with pytest.raises(InputError, match="combinations of one another"):
        joint_test(alfalfa(), np.ones((2, 12)))
    with pytest.raises(NotFoundError, match="residual, Batch"):
        sd_limits(fit, "batch")
    with pytest.raises(NotFoundError, match="A, B"):
        treatment_design(["A", "B"], "untreated")
    with pytest.raises(InputError, match="nothing is compared"):
        treatment_design(["A", "A"], "A")


@pytest.mark.slow
def test_kenward_rogers_intervals_cover_what_they_say() -> None:
    """Five sites, four blocks: 95 % intervals of the treatment difference, 600 trials."""
    rng = np.random.default_rng(20)
    site = np.repeat(np.arange(5), 8)
    block = np.repeat(np.arange(20), 2)
    treatment = np.tile([0.0, 1.0], 20)
    cell = site * 2 + treatment.astype(int)
    x = np.column_stack([np.ones(40), treatment])
    inside = 0
    for _ in range(600):
        y = rng.normal(size=5)[site] * 3 + rng.normal(size=20)[block] + rng.normal(size=10)[cell]
        fit = fit_mixed(
            y + rng.normal(size=40), x, {"site": site, "block": block, "site:treatment": cell}
        )
        got = contrast(fit, [0, 1])
        inside += got.low <= 0 <= got.high
    assert 0.925 <= inside / 600 <= 0.98


def test_a_component_next_to_zero_is_zero_and_stops_no_limits() -> None:
    """4 sites x 3 blocks x 3 treatments, 5 plots lost: Newton came to an sd of 1e-12, not to 0."""
    y = [
        1.18, 4.31, 0.85, 0.64, 2.13, 1.86, 6.33, 3.08, -1.18, -1.71, -1.17, -3.05, -1.64, -4.84,
        -5.86, -2.0, 1.86, 2.76, 2.86, 0.35, -2.13, 1.96, -0.71, -0.41, 1.21, -0.17, -1.88, 2.47,
        1.79, 0.24, -0.57,
    ]  # fmt: skip
    kept = [i for i in range(36) if i not in (4, 10, 20, 27, 33)]
    block, treatment = np.repeat(np.arange(12), 3)[kept], np.tile(np.arange(3), 12)[kept]
    x = np.column_stack([np.ones(31), treatment == 1, treatment == 2]).astype(float)
    site = block // 3
    factors = {"site": site, "site:block": block, "site:treatment": site * 3 + treatment}
    fit = fit_mixed(y, x, factors)
    found = sd_limits(fit, "residual")
    assert (found.low, found.high) == pytest.approx((0.716, 1.663), abs=1e-3)
    assert all(c.variance == 0 or math.sqrt(c.variance) > 1e-4 for c in fit.components)
