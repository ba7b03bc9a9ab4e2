"""The older published category of a code of tubes, by the chance of a less likely code (§1.3)."""

from __future__ import annotations

import math
from functools import reduce

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln, xlogy

from rhizoledger.counts.mpn import MpnCount
from rhizoledger.errors import InputError

FloatArray = NDArray[np.float64]

MOST_OUTCOMES = 1_000_000  # numeric: more are not enumerated
SAME = 1e-9  # numeric: outcomes whose probabilities differ by less are equally likely
EDGES = (0.05, 0.01, 0.001)  # exact: 5 %, 1 % and 0.1 % of the food standard's clause


def less_likely(count: MpnCount) -> float | None:
    """The chance of a code less likely than this one, at this one's own most probable number.

    Parameters
    ----------
    count : MpnCount
        A count from tubes.

    Returns
    -------
    float or None
        None where all tubes are negative or all positive, and for more than a million outcomes.

    Examples
    --------
    Three tubes, one positive: two positives are less likely, and so are none and three.

    >>> from rhizoledger.counts.mpn import count_mpn
    >>> one = less_likely(count_mpn([1.0], [3], [1]))  # p = 1/3: 1/27 + 6/27 + 8/27
    >>> round(27 * one, 6)
    15.0
    """
    lam = count.estimate.value
    if count.status != "interior" or lam is None:
        return None
    if math.prod(n + 1 for n in count.tubes) > MOST_OUTCOMES:
        return None
    rows = [_binomial(lam * z, n) for z, n in zip(count.amounts, count.tubes, strict=True)]
    every = reduce(np.multiply.outer, rows)
    own = every[count.positives]
    return float(every[every < own * (1 - SAME)].sum())


def published_category(chance: float, samples: int = 1) -> int:
    """Category of a code where several samples are counted together.

    Parameters
    ----------
    chance : float
        As :func:`less_likely` gives it.
    samples : int
        Samples counted at one time, >= 1.

    Returns
    -------
    int
        1, 2 or 3: the chance of a less likely code is at least 5 %, 1 % or 0.1 %, each over the
        number of samples. 0: less than that; the code is not to be used.

    Raises
    ------
    InputError
        If the number of samples is below one.

    Notes
    -----
    The clause as remembered: category 1 holds the codes with the greatest chance, with at most a
    5 % chance of one less likely than its least likely; 2 and 3 go on to 1 % and 0.1 %. Dividing by
    the number of samples (Bonferroni) is derived here from the printed table for 1, 2, 3, 5 and 10
    samples. It gives every printed category of ten codes, but for 0-1-0.

    References
    ----------
    Interstate standard on food microbiology (after ISO 7218:2007), annex A, table A.1.

    Examples
    --------
    >>> [published_category(0.0065, samples) for samples in (1, 2, 3, 5, 10)]
    [3, 2, 2, 2, 1]
    """
    if samples < 1:
        raise InputError(f"{samples} samples: there must be at least one.")
    for category, edge in enumerate(EDGES, start=1):
        if chance >= edge / samples:
            return category
    return 0


def _binomial(y: float, n: int) -> FloatArray:
    """Probability of 0 … n positive tubes with y organisms in each on average."""
    x = np.arange(n + 1)
    p = -math.expm1(-y)
    log = gammaln(n + 1) - gammaln(x + 1) - gammaln(n - x + 1) + xlogy(x, p) - (n - x) * y
    return np.asarray(np.exp(log))
