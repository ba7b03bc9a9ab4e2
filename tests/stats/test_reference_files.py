"""Whole tables that R printed, recomputed from the trials' own rows.

``test_mixed``, ``test_pooling`` and ``test_hierarchy`` hold single numbers and the definitions;
here stands every row of the tables that this package can answer. Rows and printed numbers lie in
``tests/published/data``, their origin in ``reference_sources.csv``. Tolerances: estimates 1e-6,
criterion no higher than lme4's by 1e-6, variances 1e-4 of themselves or 1e-6 of the residual,
degrees of freedom 2e-3. Where a printed search ended short of its optimum the test says so.

Of the same tables the package does not answer: correlated or uncorrelated random slopes, spatial
correlation, Tukey's family and his non-additivity, rank tests, tests of residuals, R², BIC, and the
standard error of τ².
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import ndtr
from scipy.stats import chi, norm
from scipy.stats import t as student

from rhizoledger.stats.mixed import MixedFit, fit_mixed
from rhizoledger.stats.mixed_design import TreatmentDesign, treatment_design
from rhizoledger.stats.mixed_inference import Contrast, compare, contrast, joint_test, versus_check
from rhizoledger.stats.mixed_precision import DfMethod
from rhizoledger.stats.pooling import pool
from rhizoledger.stats.pooling_answer import Test
from rhizoledger.stats.proportions import clopper_pearson, wilson
from rhizoledger.stats.sensitivity import leave_one_out, shrink
from rhizoledger.stats.studies import Method
from tests.published.printed import DATA, rows

FloatArray = NDArray[np.float64]
close = pytest.approx
Table = Sequence[Mapping[str, Any]]

DFS: dict[DfMethod, str] = {"satterthwaite": "satterthwaite", "kenward_roger": "kenward-roger"}


@cache
def printed(name: str) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((DATA / f"reference_{name}.json").read_text("utf-8"))
    return found


def columns(name: str) -> dict[str, list[str]]:
    table = rows(name)
    return {key: [row[key] for row in table] for key in table[0]}


def numbers(texts: Sequence[str]) -> FloatArray:
    return np.array([float(text) for text in texts])


def joined(*parts: Sequence[str]) -> list[str]:
    return [":".join(levels) for levels in zip(*parts, strict=True)]


def indicators(labels: Sequence[str], levels: Sequence[str]) -> list[NDArray[np.bool_]]:
    """A column for every level but the first."""
    return [np.array(labels) == level for level in levels[1:]]


def sides(labels: Sequence[str]) -> FloatArray:
    """Levels 0 and 1 as -1/2 and 1/2: in a balanced trial every effect is then orthogonal."""
    return numbers(labels) - 0.5


# -- comparing a fit with lme4's, a table at a time -----------------------------------------------


def same_rows(got: Sequence[Contrast], table: Table, se: str = "SE", sign: int = 1) -> None:
    """Estimates, SE, df, t, p and limits, as far as the table has them."""
    assert len(got) == len(table) > 0
    for c, row in zip(got, table, strict=True):
        estimate = next(row[k] for k in ("Estimate", "estimate", "emmean") if k in row)
        assert c.estimate == close(sign * estimate, rel=1e-6, abs=1e-6)
        assert c.se == close(row[se], rel=1e-6, abs=1e-6)
        if "df" in row:
            assert c.df == close(row["df"], abs=2e-3)
        for key in ("t value", "t.ratio"):
            if key in row:
                assert c.t == close(sign * row[key], rel=1e-5, abs=1e-5)
        for key in ("Pr(>|t|)", "p.value"):
            if key in row:
                assert c.p == close(row[key], rel=1e-3, abs=1e-9)
        if "lower.CL" in row:
            assert (c.low, c.high) == close((row["lower.CL"], row["upper.CL"]), rel=1e-5, abs=1e-5)


def same_anova(fit: MixedFit, blocks: Sequence[Any], table: Table, df: DfMethod) -> None:
    """F, its degrees of freedom and p of every term; each needs its rows of L."""
    assert len(blocks) == len(table) > 0
    for matrix, row in zip(blocks, table, strict=True):
        got = joint_test(fit, matrix, df)
        assert (got.df1, got.f) == close((row["NumDF"], row["F value"]), rel=1e-5)
        assert got.df2 == close(row["DenDF"], abs=2e-3)
        assert got.p == close(row["Pr(>F)"], rel=1e-3)


def same_components(fit: MixedFit, table: Table, names: Mapping[str, str]) -> None:
    found = {c.name: c.variance for c in fit.components} | {"Residual": fit.residual_variance}
    for row in table:
        near = close(row["vcov"], rel=1e-4, abs=1e-6 * fit.residual_variance)
        assert found[names.get(row["grp"], row["grp"])] == near, row["grp"]
    assert len(found) == len(table)


def same_fit(
    y: FloatArray,
    x: FloatArray,
    groups: Mapping[str, Sequence[str]],
    ref: Mapping[str, Any],
    names: Mapping[str, str],
    tests: Sequence[Any] = (),
) -> MixedFit:
    """Everything of one lme4 fit by REML, and by ML where it is there."""
    fit = fit_mixed(y, x, groups)
    assert fit.n == ref.get("nobs", ref.get("n"))
    assert fit.loglik >= ref["logLik_REML"] - 5e-7
    assert fit.loglik == close(ref["logLik_REML"], abs=1e-6)
    if "REML_criterion" in ref:
        assert fit.criterion <= ref["REML_criterion"] + 1e-6
        assert fit.criterion == close(ref["REML_criterion"], abs=1e-6)
        assert fit.aic == close(ref["AIC_REML"], abs=1e-6)
        levels = {names.get(k, k): count for k, count in ref["ngrps"].items()}
        assert {c.name: c.levels for c in fit.components} == levels
        assert fit.vcov == close(np.array(ref["vcov_fixed"]), rel=1e-5)
    same_components(fit, ref["varcomp"], names)
    eye = np.eye(len(fit.terms))
    for df, long, short in (
        ("satterthwaite", "fixef_satterthwaite", "satt"),
        ("kenward_roger", "fixef_kenward_roger", "KR"),
    ):
        table = ref.get(long, ref.get(short))
        same_rows(compare(fit, eye, fit.terms, df), table, "Std. Error")  # type: ignore[arg-type]
    if tests:
        same_anova(fit, tests, ref["anova_III_satterthwaite"], "satterthwaite")
        same_anova(fit, tests, ref["anova_III_KR"], "kenward_roger")
    if "logLik_ML" in ref:
        ml = fit_mixed(y, x, groups, method="ML")
        assert ml.loglik >= ref["logLik_ML"] - 5e-7
        assert ml.loglik == close(ref["logLik_ML"], abs=1e-6)
        assert ml.aic == close(ref["AIC_ML"], abs=1e-6)
        same_components(ml, ref["varcomp_ML"], names)
        assert ml.beta == close(list(ref["fixef_ML"].values()), rel=1e-6, abs=1e-6)
    return fit


def test_alfalfa_split_plot() -> None:
    ref = printed("mixed")["alfalfa"]
    t = columns("trial_alfalfa.csv")
    varieties, dates = ["Cossack", "Ladak", "Ranger"], ["None", "S1", "S20", "O7"]
    v, d = indicators(t["variety"], varieties), indicators(t["date"], dates)
    x = np.column_stack([np.ones(72), *v, *d, *(a & b for b in d for a in v)])
    groups = {"Block": t["block"], "plot": joined(t["variety"], t["block"])}
    of_variety = np.eye(12)[1:3]
    of_date = np.eye(12)[3:6]
    of_both = np.eye(12)[6:]
    for i in range(2):
        of_variety[i, 6 + i :: 2] = 1 / 4
    for j in range(3):
        of_date[j, 6 + 2 * j : 8 + 2 * j] = 1 / 3
    tests = (of_variety, of_date, of_both)
    fit = same_fit(numbers(t["yield"]), x, groups, ref, {"Variety:Block": "plot"}, tests)

    cell = np.zeros((4, 3, 12))
    for j in range(4):
        for i in range(3):
            chosen = [0] + [i] * bool(i) + [2 + j] * bool(j)
            chosen += [6 + 2 * (j - 1) + i - 1] * bool(i and j)
            cell[j, i, chosen] = 1
    for means, key in ((cell.mean(axis=1), "emm_date"), (cell.mean(axis=0), "emm_variety")):
        names = [str(k) for k in range(len(means))]
        pairs = [(a, b) for a in range(len(means)) for b in range(a + 1, len(means))]
        differences = np.array([means[a] - means[b] for a, b in pairs])
        for df, word in DFS.items():
            same_rows(compare(fit, means, names, df), ref[key][f"emmeans_{word}"])
            got = compare(fit, differences, [str(p) for p in pairs], df)
            same_rows(got, ref[key][f"pairs_{word}_none"])


def maize(
    levels: Sequence[str], island: str | None
) -> tuple[FloatArray, TreatmentDesign, dict[str, list[str]]]:
    table = [
        row
        for row in rows("trial_maize_islands.csv")
        if row["treatment"] in levels and island in (None, row["island"])
    ]
    t = {key: [row[key] for row in table] for key in table[0]}
    groups = {
        "site": t["site"],
        "site:block": joined(t["site"], t["block"]),
        "site:trt": joined(t["site"], t["treatment"]),
    }
    return numbers(t["yield"]), treatment_design(t["treatment"], "000"), groups


def test_maize_of_both_islands() -> None:
    ref = printed("mixed")["maize_both_islands"]
    y, design, groups = maize(["000", "111"], None)
    fit = same_fit(y, design.x, groups, ref, {}, [design.differences])
    for df, word in DFS.items():
        same_rows(compare(fit, design.means, design.levels, df), ref["emm"][f"emmeans_{word}"])
        got = compare(fit, design.differences, ["111-000"], df)
        same_rows(got, ref["emm"][f"pairs_{word}_none"], sign=-1)


def test_maize_of_antigua_with_twelve_treatments() -> None:
    ref = printed("mixed")["maize_antigua_all"]
    levels = [row["term"].removeprefix("trt") for row in ref["KR"]]
    y, design, groups = maize(["000", *levels[1:]], "antigua")
    fit = same_fit(y, design.x, groups, ref, {})
    assert design.terms[1:] == tuple(f"{level}-000" for level in levels[1:])
    assert len(fit.terms) == 12


def test_reaction_times_with_random_intercepts() -> None:
    t = columns("trial_reaction_times.csv")
    y, days = numbers(t["reaction"]), numbers(t["days"])
    x = np.column_stack([np.ones(180), days])
    ref = printed("mixed")["reaction_random_intercept"]
    same_fit(y, x, {"Subject": t["subject"]}, ref, {}, [np.eye(2)[1:]])
    # Random slopes cannot be written here. Where every subject has the same days, Kenward and
    # Roger's answer with them is the t test of the subjects' own lines.
    slopes = printed("mixed")["reaction_random_slope"]["fixef_kenward_roger"]
    lines = np.linalg.lstsq(x[:10], y.reshape(18, 10).T)[0]
    for row, line in zip(slopes, lines, strict=True):
        same_rows([contrast(fit_mixed(line, np.ones((18, 1)), {}), [1])], [row], "Std. Error")


def test_a_zero_component_by_maximum_likelihood() -> None:
    ref = printed("mixed")["dyestuff2"]
    # Box and Tiao, Bayesian Inference in Statistical Analysis (1973): invented data, six batches.
    y = [
        *(7.298, 3.846, 2.434, 9.566, 7.99, 5.22, 6.556, 0.608, 11.788, -0.892, 0.11, 10.386),
        *(13.434, 5.51, 8.166, 2.212, 4.852, 7.092, 9.288, 4.98, 0.282, 9.014, 4.458, 9.446),
        *(7.198, 1.722, 4.782, 8.106, 0.758, 3.758),
    ]
    batch = [str(i // 5) for i in range(30)]
    ml = fit_mixed(y, np.ones((30, 1)), {"Batch": batch}, method="ML")
    assert ml.loglik == close(ref["logLik_ML"], abs=1e-9)
    assert ml.aic == close(ref["AIC_ML"], abs=1e-9)
    same_components(ml, ref["varcomp_ML"], {})
    assert ml.components[0].at_boundary
    assert ml.beta[0] == close(ref["fixef_ML"]["(Intercept)"], abs=1e-9)


def test_wheat_in_blocks_without_and_with_a_component() -> None:
    ref = printed("mixed")["wheat"]
    t = columns("trial_wheat.csv")
    design = treatment_design(t["variety"], min(t["variety"]))
    y = numbers(t["yield"])
    plain = fit_mixed(y, design.x, {})
    assert plain.loglik == close(ref["gls_iid"]["logLik_REML"], abs=1e-6)
    assert plain.aic == close(ref["gls_iid"]["AIC"], abs=1e-6)
    assert math.sqrt(plain.residual_variance) == close(ref["gls_iid"]["sigma"], rel=1e-6)
    fit = fit_mixed(y, design.x, {"block": t["block"]})
    assert fit.loglik >= ref["lme_block"]["logLik"] - 5e-7
    assert fit.loglik == close(ref["lme_block"]["logLik"], abs=1e-6)
    assert fit.aic == close(ref["lme_block"]["AIC"], abs=1e-6)
    assert math.sqrt(fit.residual_variance) == close(ref["lme_block"]["sigma"], rel=1e-4)
    assert fit.components[0].sd == close(ref["lme_block"]["block_sd"], rel=1e-4)


# -- blocks as fixed effects ----------------------------------------------------------------------


def dunnett_twin(reach: float, others: int, df: float) -> float:
    """P(max |t| > reach) for equal replicates, summed over the check's error and the sd's."""
    z = np.linspace(-9, 9, 1201)
    s = np.linspace(1e-4, 1 + 12 / math.sqrt(df), 1201)
    away = math.sqrt(2) * reach * s[:, None]
    inside = (ndtr(z + away) - ndtr(z - away)) ** others
    over_z = (inside * norm.pdf(z)).sum(axis=1) * (z[1] - z[0])
    return float(1 - (over_z * chi.pdf(s, df, scale=1 / math.sqrt(df))).sum() * (s[1] - s[0]))


def same_block_trial(
    y: FloatArray, block: Sequence[str], treatment: Sequence[str], ref: Mapping[str, Any]
) -> None:
    levels, blocks = sorted(set(treatment), key=lambda u: (len(u), u)), sorted(set(block))
    t, b = len(levels), len(blocks)
    x = np.column_stack(
        [np.ones(y.size), *indicators(treatment, levels), *indicators(block, blocks)]
    )
    fit = fit_mixed(y, x, {})
    eye = np.eye(t + b - 1)
    mse = fit.residual_variance
    assert mse == close(ref["MSE"], rel=1e-9)
    of_block, of_treatment, residuals = ref["anova"]
    for matrix, row in ((eye[t:], of_block), (eye[1:t], of_treatment)):
        got = joint_test(fit, matrix)
        assert (got.df1, got.df2) == close((row["Df"], residuals["Df"]))
        assert (got.f, got.p) == close((row["F value"], row["Pr(>F)"]), rel=1e-8)
        assert got.f * got.df1 * mse == close(row["Sum Sq"], rel=1e-9)
        assert got.f * mse == close(row["Mean Sq"], rel=1e-9)
    assert residuals["Df"] * mse == close(residuals["Sum Sq"], rel=1e-9)

    means = np.zeros((t, t + b - 1))
    means[:, 0], means[:, t:] = 1, 1 / b
    means[1:, 1:t] = np.eye(t - 1)
    got_means = compare(fit, means, levels)
    same_rows(got_means, ref["means"])
    assert got_means[0].se == close(ref["SE_mean"], rel=1e-9)
    assert contrast(fit, means.mean(axis=0)).estimate == close(ref["grand_mean"], rel=1e-9)
    if "pairs_none" in ref:
        pairs = [(i, j) for i in range(t) for j in range(i + 1, t)]
        differences = [means[i] - means[j] for i, j in pairs]
        same_rows(compare(fit, differences, [str(p) for p in pairs]), ref["pairs_none"])
    for level, key in ((0.95, "LSD_05"), (0.9, "LSD_10")):
        one = contrast(fit, eye[1], level=level)
        assert one.se == close(ref["SED"], rel=1e-9)
        assert (one.high - one.low) / 2 == close(ref[key], rel=1e-9)

    family = compare(fit, eye[1:t], levels[1:], adjust="dunnett")
    for c, row in zip(family, ref["dunnett_vs_first"], strict=True):
        assert (c.estimate, c.se, c.t) == close(
            (row["estimate"], row["SE"], row["t.ratio"]), rel=1e-9, abs=1e-9
        )
        # emmeans prints an approximation of these p, up to 0.04 off where p is large.
        assert c.p == close(row["p.value"], abs=0.04 if t > 2 else 1e-9)
        assert c.df == close(row["df"])
        assert c.p == close(dunnett_twin(abs(c.t), t - 1, c.df), abs=1e-6)

    # Blocks taken as random: the same differences, and the gain by blocking from the components.
    design = treatment_design(treatment, levels[0])
    mixed = fit_mixed(y, design.x, {"block": block})
    fixed = {f"{c.name}-{levels[0]}": c for c in family}
    for c in versus_check(mixed, design):
        same = fixed[c.name]
        assert (c.estimate, c.se, c.df, c.p) == close(
            (same.estimate, same.se, same.df, same.p), rel=1e-5, abs=1e-6
        )
    sigma2, between = mixed.residual_variance, mixed.components[0].variance
    total = (b - 1) * (sigma2 + t * between) + b * (t - 1) * sigma2
    assert total / (b * t - 1) / sigma2 == close(ref["relative_efficiency_vs_CRD"], rel=1e-6)


def test_barley_in_six_places() -> None:
    t = columns("trial_barley.csv")
    y = (numbers(t["y1"]) + numbers(t["y2"])) / 2
    same_block_trial(y, t["place"], t["variety"], printed("blocks")["barley"])
    ref = printed("blocks")["barley"]["paired_Y1_Y2"]
    got = paired_contrast(numbers(t["y2"]), numbers(t["y1"]))
    assert (got.estimate, got.t, got.df, got.p) == close(
        (ref["diff"], ref["t"], ref["df"], ref["p"]), rel=1e-9
    )
    assert [got.low, got.high] == close(ref["ci"], rel=1e-9)


def test_soybean_cultivars() -> None:
    t = columns("trial_soybean_cultivars.csv")
    ref = printed("blocks")["cultivars"]
    same_block_trial(numbers(t["yield"]), t["block"], t["cultivar"], ref)


def test_two_soybean_cultivars_in_blocks_are_pairs() -> None:
    table = [r for r in rows("trial_soybean_cultivars.csv") if r["cultivar"] in ("T1", "T3")]
    y = numbers([r["yield"] for r in table])
    ref = printed("blocks")["two_cultivars"]
    same_block_trial(y, [r["block"] for r in table], [r["cultivar"] for r in table], ref)
    got, pair = paired_contrast(y[:4], y[4:]), ref["paired_t"]
    assert (got.estimate, got.t, got.df, got.p) == close(
        (pair["diff"], pair["t"], pair["df"], pair["p"]), rel=1e-9
    )
    assert [got.low, got.high] == close(pair["ci"], rel=1e-9)


def test_peas_with_an_interaction_confounded_with_blocks() -> None:
    ref = printed("blocks")["peas"]
    t = columns("trial_peas.csv")
    y = numbers(t["yield"])
    effect = {u: sides(t[u]) for u in "NPK"}
    for word in ("N:P", "N:K", "P:K", "N:P:K"):
        effect[word] = np.prod([effect[u] for u in word.split(":")], axis=0)
    block = indicators(t["block"], list("123456"))

    inside = [word for word in effect if word != "N:P:K"]
    x = np.column_stack([np.ones(24), *block, *(effect[word] for word in inside)])
    fit = fit_mixed(y, x, {})
    rows_of = {"block": np.eye(12)[1:6]}
    rows_of |= {word: np.eye(12)[[6 + i]] for i, word in enumerate(inside)}
    table = {row["term"]: row for row in ref["anova_block_fixed"]}
    residuals = table.pop("Residuals")
    assert fit.residual_variance == close(residuals["Mean Sq"], rel=1e-9)
    assert set(table) == set(rows_of)
    for word, row in table.items():
        got = joint_test(fit, rows_of[word])
        assert (got.df1, got.df2, got.f, got.p) == close(
            (row["Df"], residuals["Df"], row["F value"], row["Pr(>F)"]), rel=1e-8
        )

    # Blocks random: every F has the error of its own stratum.
    x = np.column_stack([np.ones(24), *effect.values()])
    fit = fit_mixed(y, x, {"block": t["block"]})
    strata = ref["error_strata"]
    between, within = strata["Error: block"], strata["Error: Within"]
    seen = 0
    for stratum in (between, within):
        error = stratum[-1]
        for row in stratum[:-1]:
            at = 1 + list(effect).index(row["term"])
            got = joint_test(fit, np.eye(8)[[at]])
            assert (got.df1, got.df2) == close((row["Df"], error["Df"]), abs=2e-3)
            assert (got.f, got.p) == close((row["F value"], row["Pr(>F)"]), rel=1e-5)
            seen += 1
    assert seen == 7
    assert fit.residual_variance == close(within[-1]["Mean Sq"], rel=1e-6)
    blocks_mean_square = fit.residual_variance + 4 * fit.components[0].variance
    assert blocks_mean_square == close(between[-1]["Mean Sq"], rel=1e-6)

    x = np.column_stack([np.ones(24), *block, effect["N"] + 0.5])
    fit = fit_mixed(y, x, {})
    same_rows([contrast(fit, np.eye(7)[6])], ref["N_only"]["coef"], "Std. Error")
    mean = np.array([1, *[1 / 6] * 5, 0])
    same_rows(compare(fit, [mean, mean + np.eye(7)[6]], "01"), ref["N_only"]["emm"])


# -- pairs ----------------------------------------------------------------------------------------


def paired_contrast(first: FloatArray, second: FloatArray, level: float = 0.95) -> Contrast:
    """Second less first, every pair a fixed effect, so that likeness may be negative too."""
    n = first.size
    x = np.zeros((2 * n, n + 1))
    x[:, :n] = np.vstack([np.eye(n), np.eye(n)])
    x[n:, n] = 1
    return contrast(
        fit_mixed(np.concatenate([first, second]), x, {}), np.eye(n + 1)[n], level=level
    )


@pytest.mark.parametrize("name", ["darwin_zeamays", "student_sleep", "ohio_fayette_1997"])
def test_pairs_on_farm(name: str) -> None:
    ref = printed("blocks")["pairs"][name]
    table = [row for row in rows("trial_pairs.csv") if row["trial"] == name]
    first, second = (numbers([row[k] for row in table]) for k in ("first", "second"))
    got, n = paired_contrast(first, second), ref["n"]
    assert len(table) == n
    assert (got.estimate, got.se, got.t, got.df, got.p) == close(
        tuple(ref[k] for k in ("mean", "se", "t", "df", "p_two")), rel=1e-8
    )
    assert got.se * math.sqrt(n) == close(ref["sd"], rel=1e-8)
    assert got.p / 2 == close(ref["p_greater"], rel=1e-8)
    assert [got.low, got.high] == close(ref["ci95"], rel=1e-8)
    ninety = paired_contrast(first, second, 0.9)
    assert [ninety.low, ninety.high] == close(ref["ci90"], rel=1e-8)
    price = ref["breakeven"]
    above = student.cdf((got.estimate - price) / got.se, got.df)
    assert above == close(ref["P_mean_gt_brk_t"], rel=1e-9)

    signs = ref["sign_test"]
    difference = second - first
    wins, tried = int((difference > 0).sum()), int((difference != 0).sum())
    assert (wins, tried) == (signs["wins"], signs["n_nonzero"])
    assert list(clopper_pearson(wins, tried)) == close(signs["clopper_pearson"], rel=1e-9)
    assert float((difference > price).mean()) == close(ref["win_over_breakeven"])
    # Wilson's limits are printed of the wins among all pairs, ties counted as no win.
    assert list(wilson(wins, n)) == close(ref["wilson_ci_winrate"], rel=1e-9)

    # A new field: each difference taken as that field's own, with next to no error of sampling.
    pooled = pool(difference, np.full(n, 1e-10 * ref["sd"] ** 2))
    assert (pooled.mu, pooled.se) == close((ref["mean"], ref["se"]), rel=1e-8)
    new = (pooled.prediction_low, pooled.prediction_high)
    assert new == close(tuple(ref["pred_interval95"]), rel=1e-8)
    assert pooled.p_new_above(price) == close(ref["P_new_field_gt_brk_t_predictive"], rel=1e-8)


# -- pooling --------------------------------------------------------------------------------------

BCG_COUNTS = np.array(
    [
        [4, 119, 11, 128], [6, 300, 29, 274], [3, 228, 11, 209], [62, 13536, 248, 12619],
        [33, 5036, 47, 5761], [180, 1361, 372, 1079], [8, 2537, 10, 619],
        [505, 87886, 499, 87892], [29, 7470, 45, 7232], [17, 1699, 65, 1600],
        [186, 50448, 141, 27197], [5, 2493, 3, 2338], [27, 16886, 29, 17825],
    ],
    dtype=float,
)  # fmt: skip
A, B, C, D = BCG_COUNTS.T
STUDIES = {
    "bcg": (np.log(A / (A + B) / (C / (C + D))), 1 / A - 1 / (A + B) + 1 / C - 1 / (C + D)),
    "schools": (
        np.array([28.0, 8, -3, 7, -1, 1, 18, 12]),
        np.array([15.0, 10, 16, 11, 9, 11, 10, 18]) ** 2,
    ),
}


@pytest.mark.parametrize("data", STUDIES)
@pytest.mark.parametrize("method", ["DL", "HE", "HS", "SJ", "ML", "REML", "EB", "PM"])
@pytest.mark.parametrize("test", ["z", "knha"])
def test_every_row_of_the_poolings(data: str, method: Method, test: Test) -> None:
    """metafor's PM stops 2.5e-5 from the root of its own equation on the BCG trials."""
    y, v = STUDIES[data]
    ref = printed("pooling")[data][f"{method}_{test}"]
    slack = 1e-4 if (data, method) == ("bcg", "PM") else 1e-8
    r = pool(y, v, method=method, test=test, prediction="z" if test == "z" else "t")
    (mean,) = r.coefficients
    found = {
        "k": r.k,
        "mu": r.mu,
        "se": r.se,
        "stat": mean.t,
        "df": mean.df,
        "p": mean.p,
        "ci_lb": r.low,
        "ci_ub": r.high,
        "tau2": r.tau2,
        "I2": r.i2,
        "H2": r.h2,
        "Q": r.q,
        "Qp": r.p_q,
        "logLik": r.loglik,
        # Two parameters, the mean and the variance between.
        "AIC": None if r.loglik is None else 4 - 2 * r.loglik,
    }
    for name, value in found.items():
        expected = ref[name]
        same = value == expected if expected is None else value == close(expected, slack, slack)
        assert same, name
    limits = (r.prediction_low, r.prediction_high)
    assert limits == close(tuple(ref["pi_metafor_default"]), rel=slack, abs=slack)
    r = pool(y, v, method=method, test=test, prediction="hts")
    limits = (r.prediction_low, r.prediction_high)
    assert limits == close(tuple(ref["pi_HTS2009_t_km2"]), rel=slack, abs=slack)


def test_the_rest_of_the_poolings() -> None:
    ref = printed("pooling")
    y, v = STUDIES["bcg"]
    found = shrink(y, v, pool(y, v, test="z"))
    assert [s.high for s in found] == close(ref["bcg_shrunk_high"], abs=1e-6)
    # metafor finds the limits of τ² to uniroot's tolerance only.
    r = pool(y, v)
    assert r.tau2_low is not None and r.tau2_high is not None
    limits = [math.sqrt(r.tau2_low), math.sqrt(r.tau2_high)]
    assert limits == close(ref["bcg_q_profile_tau"], abs=5e-5)
    y, v = STUDIES["schools"]
    found = shrink(y, v, pool(y, v, test="z"))
    for name, key in (("estimate", "pred"), ("se", "se"), ("low", "pi_lb"), ("high", "pi_ub")):
        assert [getattr(s, name) for s in found] == close(ref["schools_shrunk"][key], rel=1e-9)
    left_out = [s.se for s in leave_one_out(y, v, test="z")]
    assert left_out == close(ref["schools_left_out_se"], rel=1e-9)


@pytest.mark.parametrize("method", ["DL", "HE", "ML", "REML"])
def test_a_second_witness_of_the_bcg_trials(method: Method) -> None:
    """Its ML and REML searches end within 2e-8 of τ²."""
    ref = printed("pooling")["bcg_second_witness"][method]
    r = pool(*STUDIES["bcg"], method=method)
    assert (r.mu, r.se, r.tau2) == close((ref["beta"], ref["se"], ref["tau2"]), abs=1e-6)


def test_every_data_file_of_these_tests_has_its_source() -> None:
    named = {row["file"] for row in rows("reference_sources.csv") if row["source"]}
    there = {p.name for g in ("trial_*.csv", "reference_*.json", "sun_*.csv") for p in DATA.glob(g)}
    assert named == there
