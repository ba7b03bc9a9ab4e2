"""Power of the full mixed model: refits against fits, closed forms, two stages, bad input."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from rhizoledger.errors import FitError, InputError
from rhizoledger.stats import power_mixed
from rhizoledger.stats.mixed import fit_mixed, refit
from rhizoledger.stats.mixed_inference import contrast
from rhizoledger.stats.power import multi_site, rcbd_contrast
from rhizoledger.stats.power_mixed import MixedTrials, mixed_trials
from rhizoledger.stats.power_two_stage import simulate_two_stage

pytestmark = pytest.mark.thorough  # some thousand fits

close = pytest.approx
FEW: dict[str, Any] = {"site_sd": 3.0, "block_sd": 1.0, "interaction_sd": 0.8, "seed": 1}
FAR: dict[str, Any] = {"site_sd": 5.0, "block_sd": 2.0, "interaction_sd": 1.5}
"""Components so far from zero that next to no fit meets its boundary."""


def within_chance(found: float, exact: float, n: int) -> bool:
    """Four standard errors of a share."""
    return abs(found - exact) < 4 * math.sqrt(exact * (1 - exact) / n)


# --- refits ---------------------------------------------------------------------------------------


def plots(blocks: list[int], treatments: int) -> tuple[NDArray[np.float64], dict[str, Any]]:
    """Complete blocks of several sites, written row by row."""
    rows = [
        (site, f"{site}.{block}", t)
        for site, r in enumerate(blocks)
        for block in range(r)
        for t in range(treatments)
    ]
    x = np.array([[1.0, *(float(t == i) for i in range(1, treatments))] for _, _, t in rows])
    groups = {
        "site": [site for site, _, _ in rows],
        "block": [block for _, block, _ in rows],
        "interaction": [f"{site}:{t}" for site, _, t in rows],
    }
    return x, groups


@pytest.mark.parametrize("method", ["REML", "ML"])
@pytest.mark.parametrize("blocks", [[3] * 6, [2, 3, 4, 3, 2], [1, 1, 4, 2]])
def test_a_refit_is_a_fit(blocks: list[int], method: Any) -> None:
    rng = np.random.default_rng(len(blocks))
    x, groups = plots(blocks, 3)
    codes = {name: np.unique(column, return_inverse=True)[1] for name, column in groups.items()}
    template = None
    for sds in ([2.0, 1.0, 1.0], [0.0, 0.0, 0.0], [30.0, 0.1, 5.0], [0.5, 0.5, 0.0]):
        for _ in range(3):
            y = 1e3 + rng.normal(size=len(x))
            for sd, code in zip(sds, codes.values(), strict=True):
                y = y + sd * rng.normal(size=code.max() + 1)[code]
            fit = fit_mixed(y, x, groups, method=method)
            template = template or fit
            for start in (None, sds):
                again = refit(template, y, start=start)
                assert again.criterion == close(fit.criterion, rel=0, abs=1e-9)
                assert again.beta == close(fit.beta, rel=1e-7)
                assert again.se == close(fit.se, rel=1e-6)
                assert again.fitted == close(fit.fitted, rel=1e-6)
                assert again.warnings == fit.warnings
                for name, effects in fit.blups.items():
                    assert again.blups[name] == close(effects, rel=1e-4, abs=1e-5)
                one, two = (contrast(f, [0, 1, 0], "satterthwaite") for f in (fit, again))
                assert (two.df, two.se) == close((one.df, one.se), rel=1e-5)


def test_a_refit_without_random_factors() -> None:
    fit = fit_mixed([1.0, 2, 4, 3], np.ones((4, 1)), {})
    other = refit(fit, [1.0, 5, 4, 3], start=[])
    assert other.residual_variance == close(np.var([1.0, 5, 4, 3], ddof=1))


@pytest.mark.parametrize(
    ("y", "start", "said"),
    [
        ([1.0, 2], None, "y has shape"),
        ([1.0, 2, 3, 4, 5, math.nan], None, "y is nan at position 6"),
        ([1.0, 3, 3, 5, 5, 7], [1.0, 2.0], "start has shape"),
        ([1.0, 3, 3, 5, 5, 7], [math.inf], "start is inf"),
    ],
)
def test_a_refit_says_what_does_not_fit(y: Any, start: Any, said: str) -> None:
    fit = fit_mixed([1, 3, 3, 5, 5, 7], np.ones((6, 1)), {"block": [1, 1, 2, 2, 3, 3]})
    with pytest.raises(InputError, match=said):
        refit(fit, y, start=start)
    with pytest.raises(FitError, match="no variance is left"):
        refit(fit, [2.0] * 6)


# --- simulated trials -----------------------------------------------------------------------------


def test_a_seed_is_a_simulation_and_more_only_add() -> None:
    told: list[tuple[int, int]] = []
    short = mixed_trials(5, 2, 2, 2.0, **FEW, simulations=100)
    longer = mixed_trials(
        5, 2, 2, 2.0, **FEW, simulations=120, progress=lambda *at: told.append(at)
    )
    assert (longer.estimate[:100] == short.estimate).all()
    assert (longer.reach[:100] == short.reach).all()
    assert told[-1] == (120, 120) and len(told) == 120
    assert told == sorted(set(told))
    other = mixed_trials(5, 2, 2, 2.0, **{**FEW, "seed": 2}, simulations=100)
    assert not (other.estimate == short.estimate).any()


def test_trials_are_those_of_the_definition() -> None:
    """Estimates are differences of means; what cancels in them has no part in them."""
    trials = mixed_trials(5, [2, 2, 3, 3, 4], 3, 2.0, **FEW, simulations=100)
    louder = mixed_trials(5, [2, 2, 3, 3, 4], 3, 2.0, **{**FEW, "site_sd": 30.0}, simulations=100)
    # Sites stand in every treatment alike, whatever they are.
    assert louder.estimate == close(trials.estimate, abs=0.4)
    doubled = {**FEW, "site_sd": 6.0, "block_sd": 2.0, "interaction_sd": 1.6}
    twice = mixed_trials(5, [2, 2, 3, 3, 4], 3, 4.0, **doubled, simulations=100)
    assert twice.estimate == close(2 * trials.estimate, rel=1e-7)
    assert twice.reach == close(2 * trials.reach, rel=1e-6)
    assert (twice.at_boundary == trials.at_boundary).all()


def test_a_difference_moves_estimates_and_nothing_else() -> None:
    trials = mixed_trials(6, 3, 2, 2.0, **FEW, simulations=200)
    null, plus, minus = (trials.power(d) for d in (0.0, 2.5, -2.5))
    assert null.power == null.false_alarms == plus.false_alarms
    assert null.low < null.power < null.high and null.low == null.false_low
    assert null.same_side + null.wrong_side == close(null.power)
    assert plus.power > 0.5 > 10 * plus.wrong_side and minus.same_side > 0.5
    assert (plus.mean_se, plus.mean_df, plus.at_boundary) == (
        null.mean_se,
        null.mean_df,
        null.at_boundary,
    )
    assert trials.power(2.5, "same").power == plus.same_side
    assert trials.power(100).power == 1
    assert next(iter(plus.to_dict())) == "power" and plus.to_dict()["failed"] == 0
    # The trial itself, with the difference put in before the fit.
    layout = power_mixed._layout(np.array([3] * 6), 2)
    rng = np.random.Generator(np.random.PCG64(1))
    for i in range(5):
        y = layout.responses(rng, (3.0, 1.0, 0.8), 2.0) + 2.5 * layout.design.x[:, 1]
        fit = fit_mixed(y, layout.design.x, layout.groups)
        found = contrast(fit, [0, 1], level=0.95)
        assert found.estimate == close(trials.estimate[i] + 2.5, rel=1e-7)
        assert (found.se, found.df) == close((trials.se[i], trials.freedom[i]), rel=1e-6)


def test_trials_without_a_fit_are_counted_as_finding_nothing(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    calls = iter(range(10**6))
    true_refit = power_mixed.refit

    def failing(*args: Any, **options: Any) -> Any:
        if next(calls) % 4 == 0:
            raise FitError("none")
        return true_refit(*args, **options)

    monkeypatch.setattr(power_mixed, "refit", failing)
    told: list[int] = []
    got = mixed_trials(
        4, 2, 2, 1.0, **FEW, simulations=100, progress=lambda done, _: told.append(done)
    ).power(100)
    assert (got.failed, got.power) == (0.25, 0.75)
    assert told == list(range(1, 101))
    calls = iter([0] * 100)
    with pytest.raises(FitError, match="None of 100 simulated trials"):
        mixed_trials(4, 2, 2, 1.0, **FEW, simulations=100)


def test_one_block_a_site_and_dunnett() -> None:
    single = mixed_trials(8, 1, 3, 2.0, **FEW, simulations=100)
    # Without blocks (1|site) is left: the complete blocks are the sites.
    inside = single.freedom[~single.at_boundary]
    assert inside == close(np.full(inside.size, 14.0), rel=1e-6)
    alone = mixed_trials(4, 2, 3, 2.0, **FEW, simulations=100)
    family = mixed_trials(4, 2, 3, 2.0, **FEW, simulations=100, adjust="dunnett")
    assert (family.estimate == alone.estimate).all()
    assert (family.reach > alone.reach).all()
    assert family.power(3).power < alone.power(3).power


# --- agreement ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def far() -> MixedTrials:
    """Two treatments, balanced, hardly a fit on its boundary."""
    return mixed_trials(10, 3, 2, 1.0, **FAR, seed=11, simulations=700)


def test_two_treatments_are_the_t_test_of_the_sites(far: MixedTrials) -> None:
    assert far.at_boundary.mean() < 0.01
    assert far.freedom[~far.at_boundary] == close(np.full((~far.at_boundary).sum(), 9.0), abs=1e-5)
    for delta in (0.8, 1.5, 2.5):
        exact = multi_site(10, math.sqrt(2) * 1.5, 1.0, 3, delta)
        got = far.power(delta)
        assert within_chance(got.power, exact.power, 700)
        assert exact.se is not None
        assert got.sd_estimate == close(exact.se, rel=4 / math.sqrt(2 * 700))
        # The mean of s is below σ by the factor of a χ on 9 degrees of freedom.
        factor = math.sqrt(2 / 9) * math.gamma(5) / math.gamma(4.5)
        assert got.mean_se == close(factor * exact.se, rel=4 / math.sqrt(2 * 9 * 700))
    assert within_chance(far.power(0).false_alarms, 0.05, 700)


@pytest.mark.parametrize("df", ["kenward_roger", "satterthwaite"])
def test_several_treatments_are_blocks_of_sites(df: Any) -> None:
    trials = mixed_trials(9, 2, 4, 1.0, **FAR, seed=4, simulations=400, df=df)
    plot = math.sqrt(1.5**2 + 1.0 / 2)  # one treatment's mean at a site, about the site's own
    for delta in (1.0, 2.0):
        exact = rcbd_contrast(4, 9, delta, plot)
        assert within_chance(trials.power(delta).power, exact.power, 400)
    assert within_chance(trials.power(0).power, 0.05, 400)
    inside = trials.freedom[~trials.at_boundary]
    if df == "kenward_roger":
        assert inside == close(np.full(inside.size, 24.0), abs=1e-4)


def test_one_block_a_site_is_the_t_test_too() -> None:
    trials = mixed_trials(8, 1, 2, 2.0, **{**FAR, "seed": 5}, simulations=500)
    exact = multi_site(8, math.sqrt(2) * 1.5, 2.0, 1, 3.0)
    assert within_chance(trials.power(3.0).power, exact.power, 500)


def test_unequal_blocks_agree_with_two_stages() -> None:
    blocks = [2, 3, 4, 6, 2, 3, 4, 6, 2, 3]
    trials = mixed_trials(10, blocks, 2, 2.0, **{**FAR, "seed": 6}, simulations=500)
    two = simulate_two_stage(10, math.sqrt(2) * 1.5, 2.0, blocks, 2.5, seed=7)
    got = trials.power(2.5)
    # Chance of both, and two percent that the ways may differ by.
    room = 3 * math.sqrt(0.25 / 500 + 0.25 / 10_000) + 0.02
    assert abs(got.power - two.power) < room
    assert abs(got.half_width / two.half_width - 1) < 0.05
    assert within_chance(got.false_alarms, 0.05, 500)


@pytest.mark.slow
def test_false_alarms_near_the_boundary(capsys: pytest.CaptureFixture[str]) -> None:
    """With few sites and little variance between them the tests are on the safe side."""
    n = 5000
    lines = ["sites blocks site:treatment df             boundary false alarms (95 % limits)"]
    for sites, sd in ((5, 0.0), (8, 0.0), (8, 0.8), (8, 3.0), (20, 0.8)):
        for df in ("kenward_roger", "satterthwaite"):
            got = mixed_trials(
                sites,
                3,
                2,
                2.0,
                site_sd=2.0,
                block_sd=1.0,
                interaction_sd=sd,
                seed=8,
                simulations=n,
                df=df,  # type: ignore[arg-type]
            ).power(0)
            lines.append(
                f"{sites:<5} 3      {sd:<14} {df:14} {got.at_boundary:.2f}     "
                f"{got.false_alarms:.4f} ({got.false_low:.4f} to {got.false_high:.4f})"
            )
            assert got.false_alarms < 0.05 + 4 * math.sqrt(0.05 * 0.95 / n)
            assert got.failed < 0.001
    with capsys.disabled():
        print("\n" + "\n".join(lines))


# --- bad input ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"sites": 1}, "sites 1: it must be 2 or more"),
        ({"blocks": 0}, "blocks 0: it must be 1 or more"),
        ({"blocks": [2, 3]}, "2 numbers for 4 sites"),
        ({"treatments": 1}, "treatments 1: it must be 2 or more"),
        ({"sigma": 0}, "sigma 0: it must be above zero"),
        ({"site_sd": -1}, "site_sd -1: it must not be below zero"),
        ({"block_sd": math.nan}, "block_sd nan: missing or infinite"),
        ({"interaction_sd": "much"}, "interaction_sd 'much': not a number"),
        ({"seed": -1}, "seed -1: it must be 0 or more."),
        ({"simulations": 10}, "simulations 10: it must be 100 or more"),
        ({"df": "all"}, "df 'all': not known. Take one of kenward_roger, satterthwaite"),
        ({"adjust": "tukey"}, "adjust 'tukey': not known"),
        ({"alpha": 5}, "alpha 5: it must lie between 0 and 1"),
    ],
)
def test_bad_input_is_said(changed: dict[str, Any], said: str) -> None:
    design: dict[str, Any] = {"sites": 4, "blocks": 2, "treatments": 2, "sigma": 1.0, **FEW}
    with pytest.raises(InputError) as caught:
        mixed_trials(**{**design, **changed})
    assert said in str(caught.value)
    assert str(caught.value).endswith(".")


def test_bad_differences_are_said() -> None:
    trials = mixed_trials(4, 2, 2, 1.0, **FEW, simulations=100)
    with pytest.raises(InputError, match="delta nan"):
        trials.power(math.nan)
    bad: Any = "right"
    with pytest.raises(InputError, match="counting 'right'"):
        trials.power(1, bad)
