"""How often every interval of ``stats`` holds the truth, with the figures printed.

Counts are summed exactly over all that may be observed; the rest is seeded simulation. An interval
that says what it does is held to it within three standard errors of the simulation. One that is
known to hold more or less is held to bounds that stand beside it, and to the same three errors.

Not here because they stand elsewhere: the pooled mean by Knapp-Hartung, τ² and predictions
(test_pooling), two-stage intervals and false alarms (test_power, test_power_mixed).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.optimize import brentq
from scipy.special import betainc, gammainc
from scipy.stats import binom, chi2, poisson
from scipy.stats import t as student

from rhizoledger.stats import negbin
from rhizoledger.stats.dunnett import joint_quantile
from rhizoledger.stats.hierarchy import two_levels
from rhizoledger.stats.hierarchy_posterior import Mixture, TauPosterior
from rhizoledger.stats.hierarchy_priors import FLAT, MuPrior, TauPrior
from rhizoledger.stats.hierarchy_regions import three_levels
from rhizoledger.stats.mixed import MixedFit, fit_mixed, refit
from rhizoledger.stats.mixed_design import TreatmentDesign, treatment_design
from rhizoledger.stats.mixed_equations import variance_derivatives
from rhizoledger.stats.mixed_inference import contrast, versus_check
from rhizoledger.stats.mixed_precision import DfMethod
from rhizoledger.stats.mixed_profile import sd_limits
from rhizoledger.stats.mixed_search import newton
from rhizoledger.stats.negbin import profile_log_likelihood
from rhizoledger.stats.one_thread import one_thread
from rhizoledger.stats.poisson import poisson_limits
from rhizoledger.stats.pooling import pool
from rhizoledger.stats.pooling_answer import Test
from rhizoledger.stats.power import multi_site
from rhizoledger.stats.power_two_stage import simulate_two_stage
from rhizoledger.stats.profile import chi2_1, likelihood_limits
from rhizoledger.stats.profile_likelihood import maximum_likelihood
from rhizoledger.stats.proportions import clopper_pearson, jeffreys, wilson
from rhizoledger.stats.ratio import fieller
from rhizoledger.stats.relative_spread import cv_limits
from rhizoledger.stats.sensitivity import egger, shrink
from rhizoledger.stats.studies import Method

pytestmark = pytest.mark.slow

FloatArray = NDArray[np.float64]
Limits = Callable[[int], tuple[float, float]]
Tell = Callable[..., None]


@pytest.fixture
def tell(capsys: pytest.CaptureFixture[str]) -> Tell:
    """Print one row of a table, whatever pytest captures."""

    def row(*cells: object) -> None:
        with capsys.disabled():
            print("| " + " | ".join(map(written, cells)) + " |")

    return row


def written(cell: object) -> str:
    return f"{100 * cell:.1f} %" if isinstance(cell, float) else str(cell)


def listed(numbers: Sequence[float]) -> str:
    return ", ".join(f"{x:g}" for x in numbers)


def held_between(share: float, n: int, low: float = 0.95, high: float = 0.95) -> None:
    """A share of n simulations lies between two true shares but for three standard errors."""
    assert share >= low - 3 * math.sqrt(low * (1 - low) / n), (share, low)
    assert share <= high + 3 * math.sqrt(high * (1 - high) / n), (share, high)


def inside(truth: float, limits: tuple[float | None, float | None]) -> bool:
    assert limits[0] is not None and limits[1] is not None
    return limits[0] <= truth <= limits[1]


# --- counts and proportions, exactly --------------------------------------------------------------


def exact_coverage(limits: FloatArray, mass: FloatArray, at: FloatArray) -> FloatArray:
    """Coverage at every parameter: the mass (counts, parameters) of counts whose limits hold it."""
    held = (limits[:, :1] <= at) & (at <= limits[:, 1:])
    return np.asarray((mass * held).sum(axis=0))


def around_the_jumps(limits: FloatArray, most: float) -> FloatArray:
    """Both sides of every limit: coverage is least there, for between them it has no minimum.

    P(a <= C <= b) of a Poisson or binomial count rises to one peak and falls.
    """
    ends = limits[(limits > 0) & (limits < most)]
    return np.asarray(np.concatenate((ends * (1 - 1e-9), ends * (1 + 1e-9))))


def poisson_profile(count: int, level: float = 0.95) -> tuple[float, float]:
    """Likelihood-ratio limits of a Poisson mean; none counted has its maximum at zero."""
    best = math.log(count) if count else -50.0
    return likelihood_limits(lambda t: count * t - math.exp(t), best, level)


MEANS = np.array([0.1, 0.5, 1.0, 3.0, 10.0, 30.0, 100.0])
LARGEST = 150.0


@pytest.mark.parametrize(
    ("name", "method", "least", "mean"),
    [
        # Exact limits: least coverage is the level, or above it where both tails never meet.
        ("exact, 95 %", poisson_limits, (0.95, 0.952), (0.955, 0.96)),
        ("exact, 90 %", partial(poisson_limits, level=0.9), (0.9, 0.903), (0.905, 0.92)),
        (
            "exact, lower 95 %",
            partial(poisson_limits, side="lower"),
            (0.95, 0.95),
            (0.95, 0.96),
        ),
        (
            "exact, upper 95 %",
            partial(poisson_limits, side="upper"),
            (0.95, 0.95),
            (0.95, 0.96),
        ),
        ("likelihood, 95 %", poisson_profile, (0.83, 0.85), (0.945, 0.955)),
        ("likelihood, 90 %", partial(poisson_profile, level=0.9), (0.68, 0.7), (0.895, 0.905)),
    ],
)
def test_poisson_means(
    name: str,
    method: Limits,
    least: tuple[float, float],
    mean: tuple[float, float],
    tell: Tell,
) -> None:
    """Least coverage of all means up to 150, its average over them, and that at some of them."""
    counts = np.arange(400)
    limits = np.array([method(int(c)) for c in counts])
    at = around_the_jumps(limits, LARGEST)
    lowest = float(exact_coverage(limits, poisson.pmf(counts[:, None], at), at).min())
    ends = np.minimum(limits, LARGEST)
    average = np.diff(gammainc(counts[:, None] + 1, ends), axis=1).sum() / LARGEST
    some = exact_coverage(limits, poisson.pmf(counts[:, None], MEANS), MEANS)
    tell(f"Poisson mean, {name}", lowest, float(average), *some.tolist())
    assert least[0] - 1e-7 <= lowest <= least[1] + 1e-7
    assert mean[0] <= average <= mean[1]


PROPORTIONS = np.array([0.01, 0.05, 0.1, 0.3, 0.5])


@pytest.mark.parametrize("n", [5, 20, 100, 500])
@pytest.mark.parametrize(
    ("name", "method", "least", "mean"),
    [
        ("Clopper-Pearson", clopper_pearson, (0.95, 0.976), (0.955, 0.991)),
        (
            "Clopper-Pearson, lower",
            partial(clopper_pearson, side="lower"),
            (0.95, 0.95),
            (0.95, 0.99),
        ),
        (
            "Clopper-Pearson, upper",
            partial(clopper_pearson, side="upper"),
            (0.95, 0.95),
            (0.95, 0.99),
        ),
        ("Wilson", wilson, (0.83, 0.84), (0.949, 0.956)),
        ("Wilson, continuity", partial(wilson, continuity=True), (0.947, 0.95), (0.955, 0.99)),
        ("Wilson, upper", partial(wilson, side="upper"), (0.78, 0.81), (0.949, 0.959)),
        ("Jeffreys", jeffreys, (0.87, 0.9), (0.949, 0.959)),
        ("Jeffreys, upper", partial(jeffreys, side="upper"), (0.83, 0.84), (0.949, 0.957)),
    ],
)
def test_proportions(
    name: str,
    method: Callable[[int, int], tuple[float, float]],
    least: tuple[float, float],
    mean: tuple[float, float],
    n: int,
    tell: Tell,
) -> None:
    """Least coverage of all proportions, its average over them, and that at some of them."""
    x = np.arange(n + 1)
    limits = np.array([method(int(k), n) for k in x])
    at = around_the_jumps(limits, 1.0)
    at = at[at < 1]
    lowest = float(exact_coverage(limits, binom.pmf(x[:, None], n, at), at).min())
    average = float(np.diff(betainc(x[:, None] + 1, n - x[:, None] + 1, limits)).sum()) / (n + 1)
    some = exact_coverage(limits, binom.pmf(x[:, None], n, PROPORTIONS), PROPORTIONS)
    tell(name, n, lowest, average, *some.tolist())
    assert least[0] - 1e-7 <= lowest <= least[1] + 1e-7
    assert mean[0] <= average <= mean[1]


@pytest.mark.parametrize(
    ("counts", "dispersion", "mean_held", "k_held"),
    [
        (3, 0.02, (0.935, 0.955), (0.985, 0.998)),
        (6, 0.02, (0.935, 0.95), (0.985, 0.996)),
        (6, 0.3, (0.895, 0.92), (0.895, 0.92)),
        (20, 0.3, (0.935, 0.955), (0.93, 0.95)),
    ],
)
def test_negative_binomial(
    counts: int,
    dispersion: float,
    mean_held: tuple[float, float],
    k_held: tuple[float, float],
    tell: Tell,
) -> None:
    """Mean of counts that scatter more than chance, as for plates, and k = 1/dispersion.

    The mean limits of the fit itself are slower and stand in test_negbin.
    """
    rng = np.random.default_rng([41, counts, int(100 * dispersion)])
    n, mean = 800, 40.0
    exposures = np.ones(counts)
    hits = np.zeros(2)
    for _ in range(n):
        seen = rng.negative_binomial(1 / dispersion, 1 / (1 + mean * dispersion), counts)

        def log_likelihood(t: float, seen: NDArray[Any] = seen) -> float:
            return float(profile_log_likelihood(math.exp(t), seen, exposures))

        # With equal exposures the likeliest mean is the arithmetic one, whatever the dispersion.
        limits = likelihood_limits(log_likelihood, math.log(seen.mean()), 0.95)
        k_limits = negbin.fit(seen.tolist()).k_limits()
        hits += [inside(mean, limits), inside(1 / dispersion, k_limits)]
    tell("negative binomial", counts, f"{1 / dispersion:.3g}", *(hits / n).tolist())
    held_between(hits[0] / n, n, *mean_held)
    held_between(hits[1] / n, n, *k_held)


@pytest.mark.parametrize("count", [4, 8, 30])
def test_likelihood_of_several_numbers(count: int, tell: Tell) -> None:
    """Mean and ln sd of a normal sample, whose likelihood limits have a known coverage.

    Deviances: n ln(1 + t²/(n - 1)) of the mean, and u - n - n ln(u/n) of the sd with
    u = χ² on n - 1 degrees of freedom.
    """
    rng = np.random.default_rng([40, count])
    n = 1500
    bound, bounds = chi2_1(0.95), {"ln_sd": (-20.0, 20.0)}
    hits = np.zeros(2)
    for _ in range(n):
        y = rng.standard_normal(count)

        def log_likelihood(x: FloatArray, y: FloatArray = y) -> float:
            return float(-count * x[1] - 0.5 * ((y - x[0]) ** 2).sum() * math.exp(-2 * x[1]))

        found = maximum_likelihood(log_likelihood, {"mean": 0.0, "ln_sd": 0.0}, bounds=bounds)
        hits += [inside(0.0, (e.low, e.high)) for e in found.estimates]
    t = math.sqrt((count - 1) * math.expm1(bound / count))
    of_mean = 1 - 2 * float(student.sf(t, count - 1))

    def excess(u: float) -> float:
        return u - count - count * math.log(u / count) - bound

    ends = brentq(excess, 1e-9, count), brentq(excess, count, 20 * count)
    of_sd = float(np.diff(chi2.cdf(ends, count - 1))[0])
    tell("normal sample", count, *(hits / n).tolist(), of_mean, of_sd)
    held_between(hits[0] / n, n, of_mean, of_mean)
    held_between(hits[1] / n, n, of_sd, of_sd)


@pytest.mark.parametrize("count", [3, 10])
@pytest.mark.parametrize("cv", [0.05, 0.3])
def test_coefficient_of_variation(cv: float, count: int, tell: Tell) -> None:
    """Exact for normal values, however few."""
    rng = np.random.default_rng([39, count, int(100 * cv)])
    n, hits = 1000, 0
    for _ in range(n):
        y = 1 + cv * rng.standard_normal(count)
        hits += inside(cv, cv_limits(float(y.std(ddof=1) / y.mean()), count))
    tell("coefficient of variation", count, f"{cv:g}", hits / n)
    held_between(hits / n, n)


# --- ratios ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("df", [None, 4])
@pytest.mark.parametrize("rho", [0.0, 0.7])
@pytest.mark.parametrize("cv", [0.05, 0.2, 0.4, 0.7, 1.5])
def test_fieller(cv: float, rho: float, df: int | None, tell: Tell) -> None:
    """The set holds what it says whatever its kind; those that are intervals alone hold less."""
    rng = np.random.default_rng([42, int(100 * cv), int(10 * rho), df or 0])
    n, a, b = 20_000, 3.0, 1 / cv
    errors = rng.multivariate_normal([0, 0], [[1, rho], [rho, 1]], n)
    s2 = np.ones(n) if df is None else rng.chisquare(df, n) / df
    held: dict[str, int] = {}
    seen: dict[str, int] = {}
    delta = 0
    for (ea, eb), v in zip(errors.tolist(), s2.tolist(), strict=True):
        got = fieller(a + ea, b + eb, v, v, rho * v, df=df)
        seen[got.kind] = seen.get(got.kind, 0) + 1
        held[got.kind] = held.get(got.kind, 0) + got.contains(a / b)
        delta += inside(a / b, (got.delta_low, got.delta_high))
    share = sum(held.values()) / n
    bounded = held["interval"] / seen["interval"]
    kinds = [seen.get(kind, 0) / n for kind in ("interval", "outside", "whole_line")]
    tell("ratio", f"{cv:g}", f"{rho:g}", df or "normal", share, *kinds, bounded, delta / n)
    held_between(share, n)
    assert held.get("whole_line", 0) == seen.get("whole_line", 0)
    assert sum(seen.values()) == n
    # A whole line always holds the truth; where such sets are many, the bounded ones pay for it.
    if cv >= 0.7:
        assert bounded < 0.93


# --- mixed models ---------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Trial:
    """A layout, its factors and a fit that carries the design."""

    design: TreatmentDesign
    groups: dict[str, NDArray[np.intp]]
    template: MixedFit

    @classmethod
    def of(
        cls,
        treatment: NDArray[np.intp],
        groups: dict[str, NDArray[np.intp]],
        method: Any = "REML",
    ) -> Trial:
        design = treatment_design([str(t) for t in treatment], "0")
        y = np.random.default_rng(0).normal(size=treatment.size)
        y += sum((np.sin(codes * 7.0) for codes in groups.values()), np.zeros(y.size))
        return cls(design, groups, fit_mixed(y, design.x, groups, method=method))

    def fits(self, n: int, sds: Sequence[float], seed: int) -> Iterable[MixedFit]:
        """Fits of trials without a difference, mean 0 and residual sd 1."""
        rng = np.random.default_rng([seed, self.template.n, *(int(10 * sd) for sd in sds)])
        for _ in range(n):
            y = rng.standard_normal(self.template.n)
            for sd, codes in zip(sds, self.groups.values(), strict=True):
                y += sd * rng.standard_normal(int(codes.max()) + 1)[codes]
            yield refit(self.template, y, start=sds)


def complete_blocks(blocks: int, treatments: int, method: Any = "REML") -> Trial:
    block = np.repeat(np.arange(blocks), treatments)
    return Trial.of(np.tile(np.arange(treatments), blocks), {"block": block}, method)


def four_sites(treatments: int = 3, lost: Sequence[int] = (4, 10, 20, 27, 33)) -> Trial:
    """Four sites of three blocks with some plots lost; site, block and site:treatment random."""
    block = np.repeat(np.arange(12), treatments)
    site, treatment = block // 3, np.tile(np.arange(treatments), 12)
    kept = np.ones(block.size, dtype=bool)
    kept[list(lost)] = False
    site, block, treatment = site[kept], block[kept], treatment[kept]
    cells = {"site": site, "site:block": block, "site:treatment": site * treatments + treatment}
    return Trial.of(treatment, cells)


@dataclass(frozen=True, slots=True)
class Case:
    """A layout, its true standard deviations, and between what its intervals hold the truth."""

    layout: str
    trial: Callable[[], Trial]
    sds: tuple[float, ...]
    held: tuple[tuple[float, float], ...]

    def __str__(self) -> str:
        return f"{self.layout}: {listed(self.sds)}"


THREE = ("3 blocks x 3", partial(complete_blocks, 3, 3))
SIX_BLOCKS = ("6 blocks x 4", partial(complete_blocks, 6, 4))
SITES = ("4 sites x 3 blocks, 5 lost", four_sites)
DF: tuple[DfMethod, ...] = ("kenward_roger", "satterthwaite")
JUST = (0.945, 0.955)


@pytest.mark.parametrize(
    "case",
    [
        # Held: differences by Kenward-Roger and by Satterthwaite, the check's mean by either.
        Case(*THREE, (0.0,), ((0.94, 0.95), (0.93, 0.94), (0.945, 0.96))),
        Case(*THREE, (0.5,), ((0.94, 0.95), (0.93, 0.945), (0.945, 0.96))),
        Case(*THREE, (2.0,), ((0.945, 0.955), (0.94, 0.955), (0.93, 0.95))),
        Case(*SIX_BLOCKS, (1.0,), (JUST, JUST, JUST)),
        Case(*SITES, (2.0, 1.0, 0.0), ((0.975, 0.985), (0.955, 0.97), (0.945, 0.96))),
        Case(*SITES, (2.0, 1.0, 0.7), ((0.955, 0.97), (0.945, 0.96), (0.945, 0.955))),
        Case(*SITES, (2.0, 1.0, 2.0), ((0.945, 0.96), (0.94, 0.955), (0.94, 0.955))),
    ],
    ids=str,
)
def test_mixed_contrasts(case: Case, tell: Tell) -> None:
    """A difference and the check's mean, by both degrees of freedom."""
    n = 1500
    hits = np.zeros(4)
    zero = 0
    with one_thread():
        made = case.trial()
        for fit in made.fits(n, case.sds, 43):
            zero += any(c.at_boundary for c in fit.components)
            found = [contrast(fit, made.design.differences[0], df) for df in DF]
            found += [contrast(fit, made.design.means[0], df) for df in DF]
            hits += [c.low <= 0 <= c.high for c in found]
    shares = (hits / n).tolist()
    tell("difference, mean", case.layout, listed(case.sds), zero / n, *shares)
    for share, band in zip(shares, (*case.held, case.held[-1]), strict=True):
        held_between(share, n, *band)


def test_dunnett_in_complete_blocks(tell: Tell) -> None:
    """Five treatments and a check; the bound hangs on the degrees of freedom alone."""
    n, correlation = 2000, 0.5 + 0.5 * np.eye(5)
    reaches: dict[float, float] = {}
    together, alone = np.zeros(2), 0
    with one_thread():
        made = complete_blocks(4, 6)
        for i, fit in enumerate(made.fits(n, (1.0,), 44)):
            for j, df in enumerate(DF):
                single = versus_check(fit, made.design, df, adjust="none")
                freedom = round(single[0].df, 6)
                if freedom not in reaches:
                    reaches[freedom] = joint_quantile(0.95, correlation, freedom)
                inside_all = all(abs(c.t) <= reaches[freedom] for c in single)
                together[j] += inside_all
                if i < 10:
                    family = versus_check(fit, made.design, df)
                    assert all(c.low <= 0 <= c.high for c in family) == inside_all
                alone += j == 0 and all(c.low <= 0 <= c.high for c in single)
    tell("family", "4 blocks x 6", "1", *(together / n).tolist(), alone / n)
    for share in together / n:
        held_between(float(share), n)
    assert alone / n < 0.9


@pytest.mark.parametrize(
    "case",
    [
        Case(*SITES, (2.0, 1.0, 0.7), ((0.955, 0.975), (0.94, 0.96))),
        Case(*SITES, (2.0, 1.0, 2.0), ((0.94, 0.96), (0.935, 0.955))),
    ],
    ids=str,
)
def test_dunnett_at_four_sites(case: Case, tell: Tell) -> None:
    """Two differences from the check are held at once; beside it each one by itself."""
    n = 600
    together, alone = np.zeros(2), 0
    with one_thread():
        made = case.trial()
        for fit in made.fits(n, case.sds, 44):
            for i, df in enumerate(DF):
                family = versus_check(fit, made.design, df)
                together[i] += all(c.low <= 0 <= c.high for c in family)
            single = versus_check(fit, made.design, adjust="none")
            alone += all(c.low <= 0 <= c.high for c in single)
    tell("family", case.layout, listed(case.sds), *(together / n).tolist(), alone / n)
    for share, band in zip(together / n, case.held, strict=True):
        held_between(float(share), n, *band)
    assert alone < together[0]


def test_dunnett_with_unequal_numbers(tell: Tell) -> None:
    """One factor, no blocks: the bound does not hang on the data, so 100,000 trials are quick."""
    n, sizes = 100_000, np.array([6, 3, 4, 5, 8])
    treatment = np.repeat(np.arange(5), sizes)
    made = Trial.of(treatment, {})
    family = versus_check(made.template, made.design)
    reach = np.array([(c.high - c.estimate) / c.se for c in family])
    df = int(sizes.sum()) - 5
    assert [c.df for c in family] == pytest.approx([df] * 4)
    rng = np.random.default_rng(45)
    means = rng.standard_normal((n, 5)) / np.sqrt(sizes)
    s = np.sqrt(rng.chisquare(df, n) / df)
    t = (means[:, 1:] - means[:, :1]) / (s[:, None] * np.sqrt(1 / sizes[1:] + 1 / sizes[0]))
    share = float((np.abs(t) <= reach).all(axis=1).mean())
    tell("family", "6, 3, 4, 5, 8 plots, no blocks", "-", share, share, "-")
    held_between(share, n)


def deviance_at(fit: MixedFit, name: str, sd: float) -> float:
    """How much the criterion rises when one standard deviation is held at ``sd``."""
    work, reml = fit.working, fit.method == "REML"
    which = ["residual", *(c.name for c in fit.components)].index(name)
    sigma = math.sqrt(fit.residual_variance) / work.scale
    best = sigma * np.concatenate(([1.0], np.sqrt(work.gamma)))
    least = variance_derivatives(work.cross, best, reml=reml)[0]
    best[which] = sd / work.scale
    return newton(work.cross, best, which, reml=reml)[0] - least


@pytest.mark.parametrize(
    "case",
    [
        # Held: residual, then the factors in their order.
        Case(*SIX_BLOCKS, (0.0,), (JUST, (0.98, 0.99))),
        Case(*SIX_BLOCKS, (0.5,), (JUST, (0.97, 0.985))),
        Case(*SIX_BLOCKS, (2.0,), (JUST, (0.935, 0.95))),
        Case("6 blocks x 4, ML", partial(complete_blocks, 6, 4, "ML"), (2.0,), ((0.88, 0.91),) * 2),
        Case(*SITES, (2.0, 1.0, 0.0), ((0.94, 0.955), (0.93, 0.955), (0.95, 0.965), (0.97, 0.985))),
        Case(*SITES, (2.0, 1.0, 1.0), ((0.94, 0.955), (0.93, 0.955), (0.945, 0.96), (0.93, 0.95))),
    ],
    ids=str,
)
def test_limits_of_standard_deviations(case: Case, tell: Tell) -> None:
    """Profile limits hold a value where the deviance there is small; some are found in full."""
    n, bound = 1200, chi2_1(0.95)
    with one_thread():
        made = case.trial()
        truth = {"residual": 1.0, **dict(zip(made.groups, case.sds, strict=True))}
        hits = dict.fromkeys(truth, 0)
        for i, fit in enumerate(made.fits(n, case.sds, 46)):
            for name, sd in truth.items():
                holds = deviance_at(fit, name, sd) <= bound
                hits[name] += holds
                if i < 15:
                    limits = sd_limits(fit, name)
                    assert (limits.low <= sd <= limits.high) == holds
    for (name, found), band in zip(hits.items(), case.held, strict=True):
        tell("standard deviation", case.layout, name, f"{truth[name]:g}", found / n)
        held_between(found / n, n, *band)


# --- pooling --------------------------------------------------------------------------------------

PRECISIONS = np.exp(np.random.default_rng(47).normal(-0.5, 0.7, 10))
DOSE = np.linspace(-1, 1, 10) ** 3
SOIL = np.array(list("aabbcabcab"))


@pytest.mark.parametrize(
    ("tau2", "test", "single", "joint"),
    [
        (0.0, "knha", JUST, JUST),
        (0.5, "knha", JUST, JUST),
        (3.0, "knha", JUST, JUST),
        # The normal test takes the estimated τ² for the true one.
        (0.0, "z", (0.95, 0.97), (0.955, 0.97)),
        (0.5, "z", (0.9, 0.925), (0.86, 0.88)),
        (3.0, "z", (0.895, 0.915), (0.845, 0.865)),
    ],
)
def test_meta_regression(
    tau2: float, test: Test, single: tuple[float, float], joint: tuple[float, float], tell: Tell
) -> None:
    """Coefficients of a number and of a factor of three levels, ten trials."""
    rng = np.random.default_rng([48, int(10 * tau2), len(test)])
    n = 3000
    hits = np.zeros(4)
    tested = 0
    for _ in range(n):
        y = rng.normal(0, np.sqrt(tau2 + PRECISIONS))
        found = pool(y, PRECISIONS, test=test, moderators={"dose": DOSE, "soil": SOIL})
        hits += [c.low <= 0 <= c.high for c in found.coefficients]
        assert found.moderator_test is not None and found.moderator_test.p is not None
        tested += found.moderator_test.p >= 0.05
    tell("meta-regression", f"{tau2:g}", test, *(hits / n).tolist(), tested / n)
    for share in hits / n:
        held_between(float(share), n, *single)
    held_between(tested / n, n, *joint)


@pytest.mark.parametrize(
    ("k", "tau2", "normal", "cautious"),
    [
        (5, 0.0, (0.955, 0.97), (0.99, 0.998)),
        (5, 0.5, (0.875, 0.9), (0.955, 0.97)),
        (5, 3.0, (0.865, 0.885), (0.945, 0.96)),
        (20, 0.0, (0.945, 0.96), (0.96, 0.98)),
        (20, 0.5, (0.92, 0.935), (0.94, 0.955)),
        (20, 3.0, (0.92, 0.94), JUST),
    ],
)
def test_other_means(
    k: int, tau2: float, normal: tuple[float, float], cautious: tuple[float, float], tell: Tell
) -> None:
    """The mean by the normal test and with max(1, q); Knapp-Hartung's stands in test_pooling."""
    rng = np.random.default_rng([49, int(10 * tau2), k])
    n = 3000
    hits = np.zeros(2)
    v = np.resize(PRECISIONS, k)
    for _ in range(n):
        y = rng.normal(0, np.sqrt(tau2 + v))
        found = pool(y, v, test="z"), pool(y, v).cautious
        assert found[1] is not None
        hits += [found[0].low <= 0 <= found[0].high, found[1].low <= 0 <= found[1].high]
    tell("mean", k, f"{tau2:g}", *(hits / n).tolist())
    held_between(hits[0] / n, n, *normal)
    held_between(hits[1] / n, n, *cautious)


@pytest.mark.parametrize("tau2", [0.0, 0.5, 3.0])
@pytest.mark.parametrize(
    ("method", "test", "alarming"),
    [
        ("FE", "knha", [(0.045, 0.06), (0.05, 0.07), (0.06, 0.08)]),
        ("REML", "knha", [(0.045, 0.06), (0.05, 0.065), (0.045, 0.06)]),
        ("REML", "z", [(0.03, 0.045), (0.08, 0.1), (0.08, 0.1)]),
        # Without a variance between trials and without a residual one it alarms at any spread.
        ("FE", "z", [(0.045, 0.055), (0.24, 0.28), (0.57, 0.61)]),
    ],
)
def test_egger(
    method: Method, test: Test, alarming: list[tuple[float, float]], tau2: float, tell: Tell
) -> None:
    """False alarms of the regression on the standard error, no small-study effect, ten trials."""
    rng = np.random.default_rng([50, int(10 * tau2), len(method), len(test)])
    n = 3000
    alarms = held = 0
    for _ in range(n):
        y = rng.normal(0, np.sqrt(tau2 + PRECISIONS))
        slope = egger(y, PRECISIONS, method=method, test=test)
        assert slope.p is not None
        alarms += slope.p < 0.05
        held += slope.low <= 0 <= slope.high
    assert alarms + held == n
    tell("Egger, false alarms", f"{tau2:g}", method, test, alarms / n)
    held_between(alarms / n, n, *alarming[[0.0, 0.5, 3.0].index(tau2)])


@pytest.mark.parametrize(
    ("k", "tau", "held"),
    [
        (5, 0.0, (0.935, 0.955)),
        (5, 0.3, (0.89, 0.91)),
        (5, 1.0, (0.94, 0.955)),
        (5, 3.0, (0.985, 0.995)),
        (5, None, (0.93, 0.945)),
        (20, 0.0, (0.955, 0.975)),
        (20, 0.3, (0.825, 0.85)),
        (20, 1.0, (0.945, 0.96)),
        (20, 3.0, (0.955, 0.97)),
        (20, None, (0.91, 0.93)),
    ],
)
def test_shrunken_effects(k: int, tau: float | None, held: tuple[float, float], tell: Tell) -> None:
    """Each trial's own effect; None draws τ from a half-normal of scale 1."""
    rng = np.random.default_rng([51, k, 99 if tau is None else int(10 * tau)])
    n = 2000
    shares = np.empty(n)
    v = np.resize(PRECISIONS, k)
    for i in range(n):
        spread = abs(rng.normal()) if tau is None else tau
        theta = rng.normal(0, spread, k)
        y = rng.normal(theta, np.sqrt(v))
        found = shrink(y, v, pool(y, v))
        shares[i] = np.mean([inside(t, (s.low, s.high)) for t, s in zip(theta, found, strict=True)])
    tell("shrunken", k, "half-normal" if tau is None else f"{tau:g}", float(shares.mean()))
    held_between(float(shares.mean()), n, *held)


# --- hierarchy ------------------------------------------------------------------------------------

LEVELS = np.array([0.5, 0.8, 0.95])


def held_by(posterior: Mixture | TauPosterior, truth: float) -> NDArray[np.bool_]:
    """Whether the central intervals at LEVELS hold the truth, by the probability below it."""
    return np.asarray(np.abs(2 * posterior.below(truth) - 1) <= LEVELS)


def held_like(shares: FloatArray, levels: FloatArray) -> None:
    """Means over draws (draws, levels) of what each draw holds, within three of their errors."""
    n = shares.shape[0]
    error = np.maximum(shares.std(axis=0, ddof=1), 1 / math.sqrt(n)) / math.sqrt(n)
    assert (np.abs(shares.mean(axis=0) - levels) <= 3 * error).all(), shares.mean(axis=0)


V6 = np.exp(np.linspace(-2, 1, 6))
NORMAL, CAUCHY = TauPrior("half_normal", 1.0), TauPrior("half_cauchy", 1.0)


def from_two_levels(
    rng: np.random.Generator, tau: float, mu: float, mu_prior: MuPrior | None, prior: TauPrior
) -> FloatArray:
    """What the intervals of μ, τ, the studies' effects and a new one hold: (4, levels)."""
    theta = rng.normal(mu, tau, V6.size)
    found = two_levels(rng.normal(theta, np.sqrt(V6)), V6, mu=mu_prior, tau=prior)
    own = np.mean([held_by(m, t) for m, t in zip(found.theta, theta, strict=True)], axis=0)
    new = held_by(found.new, rng.normal(mu, tau))
    return np.array([held_by(found.mu, mu), held_by(found.tau, tau), own, new], dtype=float)


@pytest.mark.parametrize("prior", [NORMAL, CAUCHY])
def test_two_levels_over_the_prior(prior: TauPrior, tell: Tell) -> None:
    """Truth drawn from the prior: exact at every level."""
    rng = np.random.default_rng([52, len(prior.kind)])
    n = 3000
    held = np.empty((n, 4, 3))
    for i in range(n):
        tau = abs(rng.normal() if prior is NORMAL else rng.standard_cauchy())
        held[i] = from_two_levels(rng, tau, rng.normal(0, 2), MuPrior(0, 2), prior)
    for j, what in enumerate(("mean", "tau", "studies", "new")):
        tell("two", prior.kind, "from the prior", what, *held[:, j].mean(axis=0).tolist())
        held_like(held[:, j], LEVELS)


@pytest.mark.parametrize(
    ("prior", "tau", "mean", "new"),
    [
        (NORMAL, 0.1, (0.99, 0.998), (0.998, 1.0)),
        (NORMAL, 1.0, (0.93, 0.95), (0.915, 0.935)),
        # A prior that holds a spread of three to be rare gives too little of it.
        (NORMAL, 3.0, (0.83, 0.855), (0.79, 0.82)),
        (CAUCHY, 0.1, (0.99, 0.998), (0.998, 1.0)),
        (CAUCHY, 1.0, (0.94, 0.96), (0.925, 0.945)),
        (CAUCHY, 3.0, (0.91, 0.935), (0.895, 0.92)),
        (FLAT, 0.1, (0.99, 1.0), (0.998, 1.0)),
        (FLAT, 1.0, (0.975, 0.99), (0.97, 0.99)),
        (FLAT, 3.0, (0.955, 0.975), (0.96, 0.98)),
    ],
)
def test_two_levels_at_one_spread(
    prior: TauPrior,
    tau: float,
    mean: tuple[float, float],
    new: tuple[float, float],
    tell: Tell,
) -> None:
    """A fixed τ and a flat mean: not what a posterior promises, but what a reader may meet."""
    rng = np.random.default_rng([53, len(prior.kind), int(10 * tau)])
    n = 1500
    held = np.array([from_two_levels(rng, tau, 0.0, None, prior) for _ in range(n)])
    for j, what in enumerate(("mean", "tau", "studies", "new")):
        tell("two", prior.kind, f"tau {tau:g}", what, *held[:, j].mean(axis=0).tolist())
    held_between(float(held[:, 0, 2].mean()), n, *mean)
    held_between(float(held[:, 3, 2].mean()), n, *new)


REGIONS = ["a", "a", "b", "b", "b", "c", "c", "d"]
V8 = np.exp(np.linspace(-2, 1, 8))[[3, 0, 6, 2, 7, 1, 5, 4]]


def from_three_levels(
    rng: np.random.Generator, tau_region: float, tau_field: float, mu: float
) -> FloatArray:
    """What the intervals of all six quantities hold: (6, levels)."""
    at = np.array(["abcd".index(r) for r in REGIONS])
    region = rng.normal(mu, tau_region, 4)
    theta = rng.normal(region[at], tau_field)
    y = rng.normal(theta, np.sqrt(V8))
    found = three_levels(
        y, V8, REGIONS, mu=MuPrior(0, 2), tau_region=NORMAL, tau_field=TauPrior("half_normal", 0.5)
    )
    beside = rng.normal(region, tau_field)
    new = rng.normal(rng.normal(mu, tau_region), tau_field)
    several = [(found.region, region), (found.theta, theta), (found.new_in_region, beside)]
    means = [
        np.mean([held_by(m, t) for m, t in zip(ms, ts, strict=True)], axis=0) for ms, ts in several
    ]
    spreads = [held_by(found.tau_region, tau_region), held_by(found.tau_field, tau_field)]
    return np.array([held_by(found.mu, mu), *spreads, *means, held_by(found.new, new)], dtype=float)


SIX = ("mean", "tau of regions", "tau of fields", "regions", "fields", "new in region", "new")


def test_three_levels_over_the_prior(tell: Tell) -> None:
    """Truth drawn from the prior: exact at every level."""
    rng = np.random.default_rng(54)
    n = 150
    held = np.array(
        [
            from_three_levels(rng, abs(rng.normal()), 0.5 * abs(rng.normal()), rng.normal(0, 2))
            for _ in range(n)
        ]
    )
    for j, what in enumerate(SIX):
        tell("three", "half_normal", "from the prior", what, *held[:, j].mean(axis=0).tolist())
        held_like(held[:, j], LEVELS)


def test_three_levels_at_one_spread(tell: Tell) -> None:
    """Both standard deviations and the mean fixed at the scale of their priors."""
    rng = np.random.default_rng(55)
    n = 60
    held = np.array([from_three_levels(rng, 1.0, 0.5, 0.0) for _ in range(n)])
    for j, what in enumerate(SIX):
        tell("three", "half_normal", "1, 0.5", what, *held[:, j].mean(axis=0).tolist())
        held_between(float(held[:, j, 2].mean()), n, 0.9, 1.0)


def test_the_probability_below_is_that_of_the_interval() -> None:
    """The shortcut taken above, against the ends themselves."""
    found = two_levels([0.2, 1.5, -0.7, 0.9], [0.3, 0.6, 0.2, 1.0], tau=NORMAL)
    posteriors: list[Mixture | TauPosterior] = [found.mu, found.tau, found.new, *found.theta]
    for posterior in posteriors:
        for i, level in enumerate(LEVELS):
            low, high = posterior.interval(level)
            for end, outwards in ((low, -1.0), (high, 1.0)):
                assert held_by(posterior, end - 1e-6 * outwards)[i]
                assert not held_by(posterior, end + 1e-6 * outwards)[i]


# --- the Monte Carlo error of simulated power -----------------------------------------------------


def test_limits_of_simulated_power(tell: Tell) -> None:
    """Exact limits of a share: with equal blocks the true power is the noncentral t's."""
    truth = multi_site(6, 1.0, 2.0, 3, 2.0).power
    n = 1500
    hits = 0
    for seed in range(n):
        got = simulate_two_stage(6, 1.0, 2.0, 3, 2.0, seed=seed, simulations=200)
        hits += got.low <= truth <= got.high
    x = np.arange(201)
    limits = np.array([clopper_pearson(int(k), 200) for k in x])
    exact = float(exact_coverage(limits, binom.pmf(x[:, None], 200, truth), np.array([truth]))[0])
    tell("two-stage power, 200 simulations", f"{truth:.3f}", hits / n, exact)
    held_between(hits / n, n, exact, exact)
