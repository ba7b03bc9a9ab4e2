"""``trial analyse``: a file of plots in, treatments against the check out, and what it refuses."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy import stats

from rhizoledger.cli.app import main
from rhizoledger.errors import FitError, InputError
from rhizoledger.workflows.trial_analysis import analyse_file
from rhizoledger.workflows.trial_layout import Columns

YIELDS = np.array([[50.1, 52.4], [47.3, 50.0], [55.2, 56.1], [49.8, 53.0], [52.6, 54.1]])
"""Five blocks of an untreated and a treated plot; invented."""


def written(folder: Path, rows: list[str], head: str = "block,treatment,yield") -> Path:
    path = folder / "plots.csv"
    path.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    return path


def pairs(folder: Path) -> Path:
    rows = [
        f"{b + 1},{name},{y}"
        for b, two in enumerate(YIELDS)
        for name, y in zip(("untreated", "inoculated"), two, strict=True)
    ]
    return written(folder, rows)


@pytest.mark.parametrize("df", ["kenward_roger", "satterthwaite"])
def test_two_treatments_in_blocks_are_the_paired_t_test(tmp_path: Path, df: str) -> None:
    found = analyse_file(pairs(tmp_path), Columns(block="block"), df=df)  # type: ignore[arg-type]
    (effect,) = found["fixed"][1:]
    want = stats.ttest_rel(YIELDS[:, 1], YIELDS[:, 0])
    assert effect["term"] == "inoculated-untreated"
    assert effect["estimate"] == pytest.approx(float(np.diff(YIELDS).mean()), abs=1e-9)
    assert effect["t"] == pytest.approx(float(want.statistic), rel=1e-8)
    assert effect["df"] == pytest.approx(4, rel=1e-6)
    assert effect["p"] == pytest.approx(float(want.pvalue), rel=1e-6)
    ends = want.confidence_interval(0.95)
    assert (effect["low"], effect["high"]) == pytest.approx((ends.low, ends.high), rel=1e-6)


def test_balanced_components_are_those_of_the_analysis_of_variance(tmp_path: Path) -> None:
    found = analyse_file(pairs(tmp_path), Columns(block="block"))
    blocks = YIELDS.mean(axis=1)
    rest = YIELDS - blocks[:, None] - YIELDS.mean(axis=0) + YIELDS.mean()
    residual = float((rest**2).sum() / 4)
    between = float(2 * blocks.var(ddof=1))
    assert found["residual"]["variance"] == pytest.approx(residual, rel=1e-6)
    (block,) = found["random"]
    assert block["variance"] == pytest.approx((between - residual) / 2, rel=1e-6)
    assert block["low"] <= block["sd"] <= block["high"]


def test_the_command_gives_the_keys_that_are_promised(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = pairs(tmp_path)
    assert main(["trial", "analyse", str(path), "--block", "block", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    promised = "fixed random residual loglik_reml reml_criterion df_method n warnings"
    assert set(promised.split()) <= set(found)
    assert set(found["fixed"][0]) == {"term", "estimate", "se", "df", "t", "p", "low", "high"}
    assert set(found["random"][0]) == {"term", "variance", "sd", "low", "high"}
    assert main(["trial", "analyse", str(path), "--block", "block"]) == 0
    said = capsys.readouterr().out
    assert "the check is untreated" in said
    assert all(len(line) <= 80 for line in said.splitlines())


def test_sites_blocks_and_further_components_by_role(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    rows = [
        f"S{s},{b},{t},{50 + 3 * s + t * 2 + rng.normal():.3f}"
        for s in range(4)
        for b in range(3)
        for t in (0, 1, 2)
    ]
    path = written(tmp_path, rows, "farm,rep,product,yield")
    columns = Columns("yield", "product", "farm", "rep", ("site:treatment",))
    found = analyse_file(path, columns, check="0")
    assert [r["term"] for r in found["random"]] == ["site", "site:block", "site:treatment"]
    assert [c["term"] for c in found["fixed"]] == ["intercept", "1-0", "2-0"]
    assert [c["term"] for c in found["dunnett"]] == ["1-0", "2-0"]
    for one, of_family in zip(found["fixed"][1:], found["dunnett"], strict=True):
        assert of_family["p"] >= one["p"] and of_family["low"] < one["low"]


def test_shifting_and_scaling_move_the_answer_with_them(tmp_path: Path) -> None:
    plain = analyse_file(pairs(tmp_path), Columns(block="block"))
    rows = [
        f"{b + 1},{name},{10 * y + 7}"
        for b, two in enumerate(YIELDS)
        for name, y in zip(("untreated", "inoculated"), two, strict=True)
    ]
    moved = analyse_file(written(tmp_path, rows), Columns(block="block"))
    assert moved["fixed"][1]["estimate"] == pytest.approx(10 * plain["fixed"][1]["estimate"])
    assert moved["fixed"][1]["p"] == pytest.approx(plain["fixed"][1]["p"], rel=1e-6)


@pytest.mark.parametrize(
    ("rows", "columns", "check", "words"),
    [
        (["1,a,5", "1,b,6", "2,a,7", "2,b,8"], Columns(block="block"), None, "--check"),
        (["1,a,5", "1,b,6", "2,a,7", "2,b,8"], Columns(block="block"), "c", "no treatment"),
        (["1,check,5", "1,b,x"], Columns(block="block"), None, "not a number"),
        (["1,check,5", "1,,6"], Columns(block="block"), None, "empty"),
        (["1,check,5", "1,b,6", "1,check,7", "1,b,9"], Columns(block="block"), None, "of one"),
        (["1,check,5", "1,b,5", "2,check,5", "2,b,5"], Columns(block="block"), None, "same"),
        (["1,check,5"], Columns(site="site"), None, "no column"),
        (["1,check,5", "1,b,6"], Columns(), None, "nothing shows how plots differ"),
        (["1,check,5", "1,check,6"], Columns(), None, "nothing is compared"),
        (["1,check,5", "1,check,6", "2,b,7", "2,b,8"], Columns(block="block"), None, "apart"),
        (["1,check,5", "1,check,6", "2,b,7", "2,b,8"], Columns(site="block"), None, "one site"),
        ([], Columns(), None, "no rows"),
    ],
)
def test_what_cannot_be_analysed_is_said(
    rows: list[str], columns: Columns, check: str | None, words: str, tmp_path: Path
) -> None:
    with pytest.raises((InputError, FitError)) as caught:
        analyse_file(written(tmp_path, rows), columns, check=check)
    said = str(caught.value)
    for p in getattr(caught.value, "problems", ()):
        said += f" {p.what} {p.remedy}"
    assert "plots.csv" in said
    assert words.casefold() in said.casefold()


def test_a_plot_without_a_yield_is_left_out_and_named(tmp_path: Path) -> None:
    rows = [f"{b},{t},{y}" for b in (1, 2, 3) for t, y in (("check", 5 + b * b), ("x", 7 + b))]
    found = analyse_file(written(tmp_path, [*rows, "4,check,", "4,x,9"]), Columns(block="block"))
    assert found["n"] == 7
    assert "row 8" in found["warnings"][0]


def test_the_layout_is_read_back_and_one_site_is_refused(tmp_path: Path) -> None:
    rows = ["A,1,check,3", "A,1,x,4", "A,1,x,4.3", "A,2,check,3.2", "A,2,x,4.4", "B,1,check,2.9"]
    rows += ["B,2,check,2.2", "A,3,check,3.1", "A,3,x,4.1"]
    path = written(tmp_path, rows, "site,block,treatment,yield")
    found = analyse_file(path, Columns(site="site", block="block"))
    assert any("Rows 3, 4 are of the same block" in w for w in found["warnings"])
    assert "x is not at B: its mean rests on the other sites." in found["warnings"]
    assert any("Only 2 sites" in w for w in found["warnings"])
    assert {b["level"] for b in found["blups"]["site"]} == {"A", "B"}
    alone = written(tmp_path, rows[:5], "site,block,treatment,yield")
    with pytest.raises(InputError, match="Run it without --site"):
        analyse_file(alone, Columns(site="site", block="block"))


def test_treatments_other_than_the_check_are_compared_two_by_two(tmp_path: Path) -> None:
    rows = [
        f"{b},{t},{10 * b + k * k}.{(3 * b + 7 * k) % 10}"
        for b in range(4)
        for k, t in enumerate("cab")
    ]
    path = written(tmp_path, [r.replace(",c,", ",check,") for r in rows])
    found = analyse_file(path, Columns(block="block"))
    (pair,) = found["contrasts"]
    assert pair["adjust"] == "none"
    assert {c["adjust"] for c in found["dunnett"]} == {"dunnett"}
    effect = {c["term"]: c["estimate"] for c in found["fixed"]}
    assert pair["term"] == "b-a"
    assert pair["estimate"] == pytest.approx(effect["b-check"] - effect["a-check"], rel=1e-9)


def warned(found: dict[str, Any], words: str) -> list[str]:
    return [w for w in found["warnings"] if words in w]


def strips(sites: int, blocks: int, points: int) -> list[str]:
    rng = np.random.default_rng(7)
    return [
        f"S{s},{b},{t},{50 + s + b + strip + rng.normal():.4f}"
        for s in range(sites)
        for b in range(blocks)
        for t in ("check", "x")
        for strip in [rng.normal()]
        for _ in range(points)
    ]


HEAD = "site,block,treatment,yield"


def test_points_within_a_strip_are_told_to_be_no_replicates(tmp_path: Path) -> None:
    path = written(tmp_path, strips(1, 4, 5), HEAD)
    found = analyse_file(path, Columns(block="block"))
    (text,) = warned(found, "not replicates")
    assert "8 of 8 pairs" in text and "--random block:treatment" in text
    assert not warned(found, "written twice")
    held = analyse_file(path, Columns(block="block", random=("block:treatment",)))
    assert not warned(held, "not replicates")
    # With the component the answer is that of one mean for each strip.
    y = np.array([float(row.split(",")[3]) for row in strips(1, 4, 5)])
    means = y.reshape(4, 2, 5).mean(axis=2)
    (effect,) = held["fixed"][1:]
    want = stats.ttest_rel(means[:, 1], means[:, 0])
    assert effect["t"] == pytest.approx(want.statistic, rel=1e-6)
    assert effect["p"] == pytest.approx(want.pvalue, rel=1e-5)
    path = written(tmp_path, strips(4, 3, 2), HEAD)
    found = analyse_file(path, Columns(site="site", block="block"))
    assert "--random site:block:treatment" in warned(found, "not replicates")[0]


def test_limits_for_these_sites_only_are_told(tmp_path: Path) -> None:
    path = written(tmp_path, strips(6, 4, 1), HEAD)
    found = analyse_file(path, Columns(site="site", block="block"))
    (text,) = warned(found, "these sites only")
    assert "--random site:treatment" in text and not warned(found, "sites: how far")
    held = analyse_file(path, Columns(site="site", block="block", random=("site:treatment",)))
    assert not warned(held, "these sites only")
    # One plot of a treatment at a site: the component would be the plot's own.
    lone = written(tmp_path, strips(6, 1, 1), HEAD)
    assert not warned(analyse_file(lone, Columns(site="site")), "these sites only")


def test_names_alike_and_columns_left_out_are_told(tmp_path: Path) -> None:
    rows = strips(2, 3, 1)
    rows[1] = rows[1].replace(",x,", ",X ,")
    found = analyse_file(written(tmp_path, rows, HEAD), Columns(block="block"))
    assert warned(found, "'X', 'x'") or warned(found, "'x', 'X'")
    assert warned(found, "The column site is not used. Add --site site.")
    assert not warned(found, "not replicates")
    whole = analyse_file(written(tmp_path, rows, HEAD), Columns(site="site", block="block"))
    assert not warned(whole, "not used")


def test_a_residual_far_below_the_blocks_is_fitted(tmp_path: Path) -> None:
    """With blocks that far apart the answer is that of blocks taken as fixed."""
    rng = np.random.default_rng(4)
    plots = [(s, b, t) for s in range(6) for b in range(4) for t in range(3)]
    plots = [plots[i] for i in sorted(rng.permutation(72)[:62])]
    site, block = rng.normal(0, 300, 6), rng.normal(0, 100, (6, 4))
    y = np.array([500 + site[s] + block[s, b] + 0.5 * t + rng.normal(0, 0.01) for s, b, t in plots])
    rows = [f"S{s},{b},{t},{v!r}" for (s, b, t), v in zip(plots, y.tolist(), strict=True)]
    found = analyse_file(
        written(tmp_path, rows, HEAD), Columns(site="site", block="block"), check="0"
    )
    x = np.array(
        [[t == 1, t == 2, *(4 * s + b == j for j in range(24))] for s, b, t in plots], dtype=float
    )
    beta, left, *_ = np.linalg.lstsq(x, y, rcond=None)
    se = np.sqrt(left[0] / (62 - 26) * np.linalg.inv(x.T @ x)[0, 0])
    effect = found["fixed"][1]
    assert effect["estimate"] == pytest.approx(beta[0], abs=1e-3 * se)
    assert effect["se"] == pytest.approx(se, rel=1e-5)
    assert effect["df"] == pytest.approx(36, rel=1e-5)


def test_blocks_that_show_nothing_are_pooled_with_the_plots(tmp_path: Path) -> None:
    """As docs/statistics.md says: no paired t test, but its degrees of freedom."""
    low, high = np.array([5.0, 6.0, 5.5, 6.5]), np.array([7.5, 6.2, 7.0, 6.1])
    rows = [
        f"{b},{t},{v}"
        for b, two in enumerate(zip(low, high, strict=True))
        for t, v in zip(("check", "x"), two, strict=True)
    ]
    found = analyse_file(written(tmp_path, rows), Columns(block="block"))
    assert found["random"][0]["variance"] == 0
    (effect,) = found["fixed"][1:]
    assert effect["se"] == pytest.approx(np.sqrt((low.var(ddof=1) + high.var(ddof=1)) / 4))
    assert effect["df"] == pytest.approx(3, rel=1e-6)


def test_means_are_said_as_finely_as_differences_and_no_p_is_zero(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rng = np.random.default_rng(2)
    rows = [
        f"S{s},{50 + 20 * s + 0.8 * k + 0.01 * rng.normal():.4f},{t}"
        for s in range(6)
        for k, t in enumerate(("check", "a", "b"))
        for _ in range(4)
    ]
    path = written(tmp_path, rows, "site,yield,treatment")
    assert main(["trial", "analyse", str(path), "--site", "site"]) == 0
    text = " ".join(capsys.readouterr().out.split())
    means = [part.split(" (")[0] for part in text.split("Mean of ")[1:]]
    assert len({m.split(": ")[1] for m in means}) == 3
    assert "p = 0;" not in text and "p = 0." not in text
    assert "p < 1e-15" in text and "p < 1e-10" in text
