"""Power of the full mixed model by simulation: sites, blocks and treatments, fitted each time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from rhizoledger.errors import FitError
from rhizoledger.stats.mixed import MixedFit, fit_mixed, refit
from rhizoledger.stats.mixed_design import TreatmentDesign, treatment_design
from rhizoledger.stats.mixed_inference import Adjust, Contrast, contrast, versus_check
from rhizoledger.stats.mixed_precision import DfMethod
from rhizoledger.stats.one_thread import one_thread
from rhizoledger.stats.power import ALPHA, Counting
from rhizoledger.stats.power_arguments import (
    blocks_of_sites,
    number,
    one_of,
    positive_sd,
    probability,
    sd_or_zero,
    seed_number,
    whole,
)
from rhizoledger.stats.proportions import wilson

FloatArray = NDArray[np.float64]
Progress = Callable[[int, int], None]

_TOLD = 100  # how often, over all trials, progress is told


@dataclass(frozen=True, slots=True)
class SimulatedMixed:
    """Simulated trials fitted by the full mixed model, and how often they found the difference.

    Parameters
    ----------
    power, low, high : float
        Share counted by ``counting`` and Wilson's 95 % limits of its Monte Carlo error.
    same_side, wrong_side : float
        Rejections on the side of the true difference (above 0 where it is 0), and on the other.
    false_alarms, false_low, false_high : float
        Share of the same trials that reject without any difference, and its limits. One less this
        is the coverage of the intervals.
    mean_se, sd_estimate : float
        Mean of the standard errors, and the standard deviation that the estimates really have.
    half_width : float
        Mean half width of the intervals, in the unit of the difference.
    mean_df : float
        Mean degrees of freedom.
    at_boundary : float
        Share of fits with a component estimated as zero.
    failed : float
        Share of trials without a fit or test; they count as not rejecting.
    delta : float
        True difference.
    simulations, seed : int
        How many, and from which seed.
    df, adjust, counting, alpha
        As asked for.
    """

    power: float
    low: float
    high: float
    same_side: float
    wrong_side: float
    false_alarms: float
    false_low: float
    false_high: float
    mean_se: float
    sd_estimate: float
    half_width: float
    mean_df: float
    at_boundary: float
    failed: float
    delta: float
    simulations: int
    seed: int
    df: DfMethod
    adjust: Adjust
    counting: Counting
    alpha: float

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready, ``power`` first."""
        return asdict(self)


@dataclass(frozen=True, slots=True, eq=False)
class MixedTrials:
    """Fits of simulated trials without any difference; those of a difference follow from them.

    A true difference moves its estimate by as much and leaves variances, standard errors and
    degrees of freedom as they are, so one set of fits answers for every difference.

    Parameters
    ----------
    estimate, se, freedom, reach : ndarray, shape (trials with a fit,)
        Treatment less check, its standard error, its degrees of freedom and the half width of its
        interval.
    at_boundary : ndarray of bool
        Whether a component of the fit is zero.
    simulations, seed : int
        Trials simulated, from which seed.
    df, adjust, alpha
        As asked for.
    """

    estimate: FloatArray = field(repr=False)
    se: FloatArray = field(repr=False)
    freedom: FloatArray = field(repr=False)
    reach: FloatArray = field(repr=False)
    at_boundary: NDArray[np.bool_] = field(repr=False)
    simulations: int
    seed: int
    df: DfMethod
    adjust: Adjust
    alpha: float

    def power(self, delta: float, counting: Counting = "either") -> SimulatedMixed:
        """How often these trials find a true difference; 0 gives false alarms.

        Parameters
        ----------
        delta : float
            True difference of the treatment from the check, in the unit of the estimates.
        counting : {"either", "same"}
            See :mod:`~rhizoledger.stats.power`.
        """
        delta, n = number("delta", delta), self.simulations
        one_of("counting", counting, Counting)
        sign = -1.0 if delta < 0 else 1.0
        moved = sign * (self.estimate + delta)
        same, wrong = int((moved > self.reach).sum()), int((moved < -self.reach).sum())
        counted = same if counting == "same" else same + wrong
        false = int((abs(self.estimate) > self.reach).sum())
        low, high = wilson(counted, n)
        false_low, false_high = wilson(false, n)
        return SimulatedMixed(
            power=counted / n,
            low=low,
            high=high,
            same_side=same / n,
            wrong_side=wrong / n,
            false_alarms=false / n,
            false_low=false_low,
            false_high=false_high,
            mean_se=float(self.se.mean()),
            sd_estimate=float(self.estimate.std(ddof=1)),
            half_width=float(self.reach.mean()),
            mean_df=float(self.freedom.mean()),
            at_boundary=float(self.at_boundary.mean()),
            failed=1 - self.estimate.size / n,
            delta=delta,
            simulations=n,
            seed=self.seed,
            df=self.df,
            adjust=self.adjust,
            counting=counting,
            alpha=self.alpha,
        )


def mixed_trials(
    sites: int,
    blocks: int | Sequence[int],
    treatments: int,
    sigma: float,
    *,
    site_sd: float,
    block_sd: float,
    interaction_sd: float,
    seed: int,
    simulations: int = 1000,  # numeric: a standard error of 1.5 percent at most
    df: DfMethod = "kenward_roger",
    adjust: Adjust = "none",
    alpha: float = ALPHA,
    progress: Progress | None = None,
) -> MixedTrials:
    """Simulate trials of complete blocks at several sites and fit the full mixed model to each.

    Parameters
    ----------
    sites : int
        2 or more.
    blocks : int or sequence of int
        Blocks at every site, or at each.
    treatments : int
        2 or more, the check among them; every block holds each once.
    sigma : float
        Standard deviation > 0 of a *plot* within blocks.
    site_sd, block_sd : float
        Standard deviations >= 0 of sites, and of blocks within sites.
    interaction_sd : float
        Standard deviation >= 0 of site:treatment, for *each* treatment. The true difference of two
        treatments varies between sites with √2 times it, the ``tau`` of
        :func:`~rhizoledger.stats.power.multi_site`.
    seed : int
        Whole number >= 0. The same seed gives the same trials, and more of them only add.
    simulations : int
        100 or more.
    df : {"kenward_roger", "satterthwaite"}
        Approximation of the degrees of freedom.
    adjust : {"none", "dunnett"}
        Test of one treatment against the check alone, or as one of all against the check.
    alpha : float
        Two-sided size in (0, 1).
    progress : callable or None
        Told the trials done and their number, some hundred times.

    Raises
    ------
    InputError
        If an argument is not as above.
    FitError
        If not two of the trials can be fitted.

    Notes
    -----
    §6.1: y ~ treatment + (1|site) + (1|site:block) + (1|site:treatment), by REML. A component
    whose true standard deviation is 0 is fitted all the same. Where no site has a second block,
    (1|site) alone remains, and the residual holds blocks and site:treatment.

    Examples
    --------
    >>> trials = mixed_trials(
    ...     8, 3, 2, 2.0, site_sd=5, block_sd=1, interaction_sd=1, seed=1, simulations=100
    ... )
    >>> trials.power(9).power > 0.9, trials.power(0).power < 0.2
    (True, True)
    """
    number_of_sites = whole("sites", sites, 2, "The variance between sites needs two or more.")
    layout = _layout(
        blocks_of_sites(blocks, number_of_sites),
        whole("treatments", treatments, 2, "A comparison needs two treatments or more."),
    )
    sigma = positive_sd("sigma", sigma)
    sds = (
        sd_or_zero("site_sd", site_sd, "all sites yield alike"),
        sd_or_zero("block_sd", block_sd, "all blocks of a site yield alike"),
        sd_or_zero("interaction_sd", interaction_sd),
    )
    seed = seed_number(seed)
    n = whole("simulations", simulations, 100, "Fewer say nothing about a probability.")
    one_of("df", df, DfMethod)
    one_of("adjust", adjust, Adjust)
    alpha = probability("alpha", alpha)

    rng = np.random.Generator(np.random.PCG64(seed))
    near = np.array([sd / sigma for sd in sds[: len(layout.groups)]])
    rows: list[tuple[float, float, float, float, bool]] = []
    with one_thread():
        template = layout.template()
        for done in range(1, n + 1):
            y = layout.responses(rng, sds, sigma)
            try:
                fit = refit(template, y, start=near)
                found = _tested(fit, layout.design, df, adjust, 1 - alpha)
            except FitError:
                continue
            finally:
                if progress is not None and (done == n or done % max(1, n // _TOLD) == 0):
                    progress(done, n)
            boundary = any(c.at_boundary for c in fit.components)
            reach = found.high - found.estimate
            rows.append((found.estimate, found.se, found.df, reach, boundary))
    if len(rows) < 2:
        raise FitError(
            f"None of {n} simulated trials could be fitted. Take more sites or more blocks."
        )
    estimate, se, freedom, reached, at_boundary = np.array(rows).T
    return MixedTrials(estimate, se, freedom, reached, at_boundary > 0, n, seed, df, adjust, alpha)


def _tested(
    fit: MixedFit, design: TreatmentDesign, df: DfMethod, adjust: Adjust, level: float
) -> Contrast:
    """The first treatment against the check."""
    if adjust == "none":
        return contrast(fit, design.differences[0], df, level=level)
    return versus_check(fit, design, df, adjust=adjust, level=level)[0]


@dataclass(frozen=True, slots=True)
class _Layout:
    """Plots of all sites: their treatments, and the levels of site, block and site:treatment."""

    design: TreatmentDesign
    levels: tuple[NDArray[np.intp], ...]
    groups: dict[str, NDArray[np.intp]]

    def template(self) -> MixedFit:
        """A fit that carries the design; its responses differ in every way, whatever is asked."""
        rng = np.random.Generator(np.random.PCG64(0))
        y = self.responses(rng, (1.0,) * len(self.levels), 1.0)
        return fit_mixed(y, self.design.x, self.groups, terms=self.design.terms)

    def responses(self, rng: np.random.Generator, sds: Sequence[float], sigma: float) -> FloatArray:
        """One trial without any difference; the numbers drawn do not depend on the sds."""
        y: FloatArray = sigma * rng.standard_normal(self.levels[0].size)
        for sd, level in zip(sds, self.levels, strict=True):
            y += sd * rng.standard_normal(int(level[-1]) + 1)[level]
        return y


def _layout(blocks: NDArray[np.intp], treatments: int) -> _Layout:
    site_of_block = np.repeat(np.arange(blocks.size), blocks)
    site = np.repeat(site_of_block, treatments)
    block = np.repeat(np.arange(site_of_block.size), treatments)
    treatment = np.tile(np.arange(treatments), site_of_block.size)
    levels = (site, block, site * treatments + treatment)
    names = ("site", "site:block", "site:treatment")
    groups = dict(zip(names, levels, strict=True)) if blocks.max() > 1 else {"site": site}
    return _Layout(treatment_design([str(t) for t in treatment], "0"), levels, groups)
