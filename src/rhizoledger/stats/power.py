"""Power of trials: how often a difference that is there will be found.

Two-sided tests throughout. A test can reject on the wrong side; ``counting`` says whether that is
power: ``either`` counts every rejection, ``same`` only those on the side of the true difference.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

from scipy.special import stdtrit

from rhizoledger.errors import InputError
from rhizoledger.stats.noncentral import f_tail, t_tails
from rhizoledger.stats.power_arguments import (
    contrast_weights,
    difference,
    one_of,
    positive_sd,
    probability,
    sd_or_zero,
    whole,
)

Counting = Literal["either", "same"]
DesignName = Literal["paired", "rcbd", "rcbd_contrast", "sites"]

ALPHA = 0.05  # exact: the customary level
ONE_LESS_ANOTHER = (1.0, -1.0)
_MOST_NCP = 1e8  # numeric: beyond it the unit is wrong, and the power is 1
_TWO_TREATMENTS = "A comparison needs two treatments or more."
_TWO_BLOCKS = "The error needs two blocks or more."


@dataclass(frozen=True, slots=True)
class Power:
    """Power of one design against one difference.

    Parameters
    ----------
    power : float
        Probability of rejecting "no difference".
    ncp : float
        Noncentrality of the test statistic.
    df1 : float or None
        Numerator degrees of freedom of F; None for t.
    df : float
        Degrees of freedom of error.
    se : float or None
        Standard error of the estimated difference, in its unit; None for F.
    alpha : float
        Two-sided size of the test.
    counting : {"either", "same"}
        Whether rejections on the wrong side are counted.
    """

    power: float
    ncp: float
    df1: float | None
    df: float
    se: float | None
    alpha: float
    counting: Counting

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready, ``power`` first."""
        return asdict(self)


def paired(
    n: int,
    delta: float,
    sd: float,
    *,
    alpha: float = ALPHA,
    counting: Counting = "either",
) -> Power:
    """Power of a paired t test.

    Parameters
    ----------
    n : int
        Pairs, 2 or more.
    delta : float
        True difference, not 0, in the unit of ``sd``.
    sd : float
        Standard deviation > 0 of *pair differences*, not of plots (√2 σ for independent plots).
    alpha : float
        Two-sided size in (0, 1).
    counting : {"either", "same"}
        See the module.

    Raises
    ------
    InputError
        If an argument is not as above.

    Notes
    -----
    Noncentral t, n - 1 degrees of freedom, noncentrality √n δ/sd.

    Examples
    --------
    >>> round(paired(8, 1, 2).power, 4)
    0.2321
    """
    return _paired(
        whole("n", n, 2, "A standard deviation needs two pairs or more."),
        difference(delta),
        positive_sd("sd", sd, "pair differences"),
        alpha=probability("alpha", alpha),
        counting=one_of("counting", counting, Counting),
    )


def _paired(
    n: float, delta: float, sd: float, *, alpha: float = ALPHA, counting: Counting = "either"
) -> Power:
    return _t_power(delta, sd / math.sqrt(n), n - 1, alpha, counting)


def rcbd(
    treatments: int,
    blocks: int,
    delta: float,
    sigma: float,
    *,
    alpha: float = ALPHA,
) -> Power:
    """Power of the F test of any difference among treatments in complete blocks.

    Parameters
    ----------
    treatments, blocks : int
        2 or more of each.
    delta : float
        Difference between *two* treatments, not 0; all others lie halfway between them. No other
        set of means with this range is harder to detect.
    sigma : float
        Standard deviation > 0 of a *plot* within blocks.
    alpha : float
        Size of the F test in (0, 1).

    Raises
    ------
    InputError
        If an argument is not as above.

    Notes
    -----
    Noncentral F on t - 1 and (t - 1)(b - 1), noncentrality b δ²/(2σ²).

    Examples
    --------
    With two treatments it is the paired test with sd = √2 σ:

    >>> round(rcbd(2, 6, 2, 2).power - paired(6, 2, math.sqrt(8)).power, 12)
    0.0
    """
    return _rcbd(
        whole("treatments", treatments, 2, _TWO_TREATMENTS),
        whole("blocks", blocks, 2, _TWO_BLOCKS),
        difference(delta),
        positive_sd("sigma", sigma),
        alpha=probability("alpha", alpha),
    )


def _rcbd(
    treatments: int, blocks: float, delta: float, sigma: float, *, alpha: float = ALPHA
) -> Power:
    ratio = _checked_ncp(math.sqrt(0.5 * blocks) * abs(delta) / sigma)
    df1, df = treatments - 1, (treatments - 1) * (blocks - 1)
    ncp = ratio**2
    return Power(f_tail(df1, df, ncp, alpha), ncp, df1, df, None, alpha, "either")


def rcbd_contrast(
    treatments: int,
    blocks: int,
    delta: float,
    sigma: float,
    *,
    weights: Sequence[float] = ONE_LESS_ANOTHER,
    alpha: float = ALPHA,
    counting: Counting = "either",
) -> Power:
    """Power of the t test of one contrast among treatments in complete blocks.

    Parameters
    ----------
    treatments, blocks : int
        2 or more of each.
    delta : float
        True value of the contrast, not 0.
    sigma : float
        Standard deviation > 0 of a *plot* within blocks.
    weights : sequence of float
        The contrast: weights that sum to 0, by default one treatment less another. A check against
        the mean of three others is ``(1, -1/3, -1/3, -1/3)``.
    alpha : float
        Two-sided size in (0, 1); no correction for several contrasts.
    counting : {"either", "same"}
        See the module.

    Raises
    ------
    InputError
        If an argument is not as above.

    Notes
    -----
    Noncentral t on (t - 1)(b - 1), standard error σ√(Σw²/b).

    Examples
    --------
    >>> rcbd_contrast(5, 4, 2, 2).df
    12
    """
    t = whole("treatments", treatments, 2, _TWO_TREATMENTS)
    return _rcbd_contrast(
        t,
        whole("blocks", blocks, 2, _TWO_BLOCKS),
        difference(delta),
        positive_sd("sigma", sigma),
        weights=contrast_weights(weights, t),
        alpha=probability("alpha", alpha),
        counting=one_of("counting", counting, Counting),
    )


def _rcbd_contrast(
    treatments: int,
    blocks: float,
    delta: float,
    sigma: float,
    *,
    weights: Sequence[float] = ONE_LESS_ANOTHER,
    alpha: float = ALPHA,
    counting: Counting = "either",
) -> Power:
    se = sigma * math.hypot(*weights) / math.sqrt(blocks)
    return _t_power(delta, se, (treatments - 1) * (blocks - 1), alpha, counting)


def multi_site(
    sites: int,
    tau: float,
    sigma: float,
    blocks: int,
    delta: float,
    *,
    alpha: float = ALPHA,
    counting: Counting = "either",
) -> Power:
    """Power of the mean difference over sites, each with complete blocks of two treatments.

    Parameters
    ----------
    sites : int
        2 or more.
    tau : float
        Standard deviation >= 0 *between sites* of the true difference.
    sigma : float
        Standard deviation > 0 of a *plot* within blocks.
    blocks : int
        Blocks at every site, 1 or more.
    delta : float
        Mean true difference over all sites there could be, not 0.
    alpha : float
        Two-sided size in (0, 1).
    counting : {"either", "same"}
        See the module.

    Raises
    ------
    InputError
        If an argument is not as above.

    Notes
    -----
    Standard error √((τ² + 2σ²/r)/L), t on L - 1: sites are the units, whatever the plots.

    Examples
    --------
    Twelve sites of three blocks; τ = 1 takes a quarter of the power off:

    >>> round(multi_site(12, 0, 2, 3, 1).power, 3), round(multi_site(12, 1, 2, 3, 1).power, 3)
    (0.49, 0.379)
    """
    return _sites(
        whole("sites", sites, 2, "The variance between sites needs two sites or more."),
        sd_or_zero("tau", tau),
        positive_sd("sigma", sigma),
        whole("blocks", blocks, 1, "Each site needs one block or more."),
        difference(delta),
        alpha=probability("alpha", alpha),
        counting=one_of("counting", counting, Counting),
    )


def _sites(
    sites: float,
    tau: float,
    sigma: float,
    blocks: float,
    delta: float,
    *,
    alpha: float = ALPHA,
    counting: Counting = "either",
) -> Power:
    sd = math.hypot(tau, sigma * math.sqrt(2 / blocks))
    return _t_power(delta, sd / math.sqrt(sites), sites - 1, alpha, counting)


@dataclass(frozen=True, slots=True)
class Design:
    """A design as the search for a number takes it.

    Parameters
    ----------
    power : callable
        The function above, which checks its arguments.
    formula : callable
        The same unchecked, for numbers of pairs, blocks or sites that need not be whole.
    least : mapping of str to int
        What can be sought and its least value, the usual one first.
    """

    power: Callable[..., Power]
    formula: Callable[..., Power]
    least: Mapping[str, int]


DESIGNS: Mapping[DesignName, Design] = {
    "paired": Design(paired, _paired, {"n": 2}),
    "rcbd": Design(rcbd, _rcbd, {"blocks": 2}),
    "rcbd_contrast": Design(rcbd_contrast, _rcbd_contrast, {"blocks": 2}),
    "sites": Design(multi_site, _sites, {"sites": 2, "blocks": 1}),
}


def critical_t(df: float, alpha: float) -> float:
    """The point that |t| on ``df`` degrees of freedom exceeds with probability ``alpha``."""
    return -float(stdtrit(df, 0.5 * alpha))


def _t_power(delta: float, se: float, df: float, alpha: float, counting: Counting) -> Power:
    ncp = _checked_ncp(abs(delta) / se)
    same, wrong = t_tails(df, ncp, critical_t(df, alpha))
    power = same if counting == "same" else min(1.0, same + wrong)
    return Power(power, ncp, None, df, se, alpha, counting)


def _checked_ncp(ncp: float) -> float:
    if not ncp <= _MOST_NCP:
        raise InputError(
            f"The difference is more than {_MOST_NCP:g} standard errors. Check that delta and the "
            "standard deviation are in one unit."
        )
    return ncp
