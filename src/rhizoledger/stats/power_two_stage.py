"""Power of two-stage analyses by simulation: each site's difference, and their pooling."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

import numpy as np
from scipy.special import ndtri

from rhizoledger.errors import InputError
from rhizoledger.stats.pooling_rows import Method, pool_rows
from rhizoledger.stats.power import ALPHA, Counting, critical_t
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
from rhizoledger.stats.proportions import clopper_pearson

Test = Literal["knha", "cautious", "z"]
Variance = Literal["pooled", "own", "known"]


@dataclass(frozen=True, slots=True)
class Simulated:
    """Simulated two-stage trials and how often they rejected "no difference".

    Parameters
    ----------
    power, low, high : float
        Share counted by ``counting`` and exact 95 % limits of its Monte Carlo error. With a true
        difference of 0 it is the share of false alarms.
    same_side, wrong_side : float
        Rejections on the side of the true difference (above 0 where it is 0), and on the other.
    coverage : float
        Share of intervals that hold the true mean difference.
    half_width : float
        Mean half width of those intervals, in the unit of the difference.
    tau2_mean : float
        Mean of the estimated variances between sites.
    tau2_zero : float
        Share of simulations in which it was estimated as zero.
    simulations, seed : int
        How many, and from which seed.
    method, test, variance, counting, alpha
        As asked for.
    """

    power: float
    low: float
    high: float
    same_side: float
    wrong_side: float
    coverage: float
    half_width: float
    tau2_mean: float
    tau2_zero: float
    simulations: int
    seed: int
    method: Method
    test: Test
    variance: Variance
    counting: Counting
    alpha: float

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready, ``power`` first."""
        return asdict(self)


def simulate_two_stage(
    sites: int,
    tau: float,
    sigma: float,
    blocks: int | Sequence[int],
    delta: float,
    *,
    seed: int,
    simulations: int = 10_000,  # numeric: a standard error of half a percent
    method: Method = "REML",
    test: Test = "knha",
    variance: Variance = "pooled",
    alpha: float = ALPHA,
    counting: Counting = "either",
) -> Simulated:
    """Power of pooling site differences, by simulation: where sites or variances are unequal.

    Parameters
    ----------
    sites : int
        2 or more.
    tau, sigma : float
        As in :func:`~rhizoledger.stats.power.multi_site`.
    blocks : int or sequence of int
        Blocks at every site, or at each.
    delta : float
        Mean true difference; 0 simulates false alarms.
    seed : int
        Whole number >= 0. The same seed gives the same simulations, and more of them only add.
    simulations : int
        100 or more.
    method : {"REML", "DL"}
        How τ² is estimated.
    test : {"knha", "cautious", "z"}
        Knapp-Hartung; Knapp-Hartung with max(1, q); or the normal test with the plain error.
    variance : {"pooled", "own", "known"}
        Variance of each site's mean difference: from the residuals of all sites together (§6.3),
        from its own blocks (2 or more), or the true one.
    alpha : float
        Two-sided size in (0, 1).
    counting : {"either", "same"}
        See the module.

    Raises
    ------
    InputError
        If an argument is not as above, or no site has two blocks where residuals are wanted.

    Notes
    -----
    Site means are N(δ, τ² + 2σ²/r) and residual variances 2σ² χ²/ν, which is what plots would give.
    With equal blocks and pooled or known variance Knapp-Hartung is the t test of the site means and
    the answer that of :func:`~rhizoledger.stats.power.multi_site`, exactly but for chance.

    Examples
    --------
    >>> simulate_two_stage(8, 1, 2, 3, 5, seed=1, simulations=100).power > 0.9
    True
    """
    sites = whole("sites", sites, 2, "The variance between sites needs two sites or more.")
    r = blocks_of_sites(blocks, sites)
    tau, sigma, delta = sd_or_zero("tau", tau), positive_sd("sigma", sigma), number("delta", delta)
    n = whole("simulations", simulations, 100, "Fewer say nothing about a probability.")
    seed = seed_number(seed)
    one_of("method", method, Method)
    one_of("test", test, Test)
    one_of("variance", variance, Variance)
    one_of("counting", counting, Counting)
    alpha = probability("alpha", alpha)
    residual_df = r - 1
    enough = {"own": r.min() > 1, "pooled": r.max() > 1, "known": True}
    if not enough[variance]:
        raise InputError(
            f"blocks: one block a site leaves no residual for variance {variance!r}. Take more "
            "blocks, or variance 'known'."
        )

    effects, residuals = (
        np.random.Generator(np.random.PCG64(s)) for s in np.random.SeedSequence(seed).spawn(2)
    )
    plain = 2 * sigma**2
    y = delta + effects.standard_normal((n, sites)) * np.sqrt(tau**2 + plain / r)
    if variance == "own":
        v = plain * residuals.chisquare(residual_df, (n, sites)) / residual_df / r
    elif variance == "pooled":
        df = residual_df.sum()
        v = plain * residuals.chisquare(df, (n, 1)) / df / r
    else:
        v = np.broadcast_to(plain / r, (n, sites))

    rows = pool_rows(y, np.maximum(v, plain * np.finfo(float).tiny), method)
    se = rows.plain_se
    if test != "z":
        q = np.maximum(1.0, rows.factor) if test == "cautious" else rows.factor
        se = se * np.sqrt(q)
    reach = se * (-float(ndtri(0.5 * alpha)) if test == "z" else critical_t(sites - 1, alpha))
    sign = -1.0 if delta < 0 else 1.0
    same, wrong = int((sign * rows.mu > reach).sum()), int((sign * rows.mu < -reach).sum())
    counted = same if counting == "same" else same + wrong
    low, high = clopper_pearson(counted, n)
    return Simulated(
        power=counted / n,
        low=low,
        high=high,
        same_side=same / n,
        wrong_side=wrong / n,
        coverage=float((abs(rows.mu - delta) <= reach).mean()),
        half_width=float(reach.mean()),
        tau2_mean=float(rows.tau2.mean()),
        tau2_zero=float((rows.tau2 == 0).mean()),
        simulations=n,
        seed=seed,
        method=method,
        test=test,
        variance=variance,
        counting=counting,
        alpha=alpha,
    )
