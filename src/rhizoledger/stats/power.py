"""Power of trials: how often a difference that is there will be found.

Two-sided tests throughout. A test can reject on the wrong side; ``counting`` says whether that is
power: ``either`` counts every rejection, ``same`` only those on the side of the true difference.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from numbers import Real
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq
from scipy.special import betainc, betaincc, gammaln, ndtr, ndtri, stdtrit, xlogy

from rhizoledger.errors import InputError
from rhizoledger.stats.proportions import beta_quantile, clopper_pearson

FloatArray = NDArray[np.float64]
Counting = Literal["either", "same"]
DesignName = Literal["paired", "rcbd", "rcbd_contrast", "sites"]
Method = Literal["REML", "DL"]
Test = Literal["knha", "cautious", "z"]
Variance = Literal["pooled", "own", "known"]

_MOST = 10**9  # numeric: more plots than any trial will have
_MOST_NCP = 1e8  # numeric: beyond it the unit is wrong, and the power is 1
_X, _W = np.polynomial.legendre.leggauss(20)  # numeric: nodes a panel, for 15 digits
_STEPS = np.arange(-10.0, 11.0)  # numeric: ten standard deviations each way
_PANELS = 40  # numeric: over the whole range, beside the steps above
_LOG_SMALL = 40.0  # numeric: e^-40 is nothing beside the smallest result
_SHARPEST = 4.0  # numeric: points a standard deviation; the sum of a bell is then exact
_LARGE = 50.0  # numeric: from here Stirling's series has all digits
_SETTLED = 1e-13  # numeric: relative step at which a root is settled
_ROWS = 500  # numeric: rows of a simulation treated together, so that they stay in the cache
_GRID = np.linspace(0.0, 1.0, 40)  # numeric: two modes lie at least a factor of two apart


# --- noncentral t and F ---------------------------------------------------------------------------


def t_tails(df: float, ncp: float, critical: float) -> tuple[float, float]:
    """P(T > critical) and P(T < -critical) of a noncentral t.

    Parameters
    ----------
    df : float
        Degrees of freedom, 1 or more, whole or not.
    ncp : float
        Noncentrality >= 0: the true difference over its standard error.
    critical : float
        Critical value > 0.

    Returns
    -------
    tuple of float
        Upper and lower tail, both to some 14 digits however large ``ncp`` is.

    Notes
    -----
    T = (Z + ncp)/S with νS² a χ². The mean of Φ(ncp - cS) and of Φ(-ncp - cS) over ln S, by
    Gauss-Legendre panels that are narrow where the density or Φ changes. Every term is positive,
    so nothing cancels; library series give NaN or lose half their digits at a large ``ncp``.

    Examples
    --------
    Student's t with one degree of freedom exceeds 1 with probability 1/4:

    >>> upper, lower = t_tails(1, 0.0, 1.0)
    >>> round(upper, 12), round(lower, 12)
    (0.25, 0.25)
    """
    narrow = 1 / math.sqrt(2 * df)
    low = -_LOG_SMALL / df - math.log1p(critical)
    high = math.log1p(12 * narrow)  # numeric: twelve standard deviations above the mean of S
    edges = [np.linspace(low, high, _PANELS + 1), _STEPS * narrow]
    if ncp / critical > 0:
        edges.append(math.log(ncp / critical) + _STEPS / max(ncp, 1.0))
    panels = np.unique(np.clip(np.concatenate(edges), low, high))
    half = 0.5 * np.diff(panels)[:, np.newaxis]
    u = 0.5 * (panels[1:] + panels[:-1])[:, np.newaxis] + half * _X
    weight = half * _W * np.exp(df * (u - 0.5 * np.expm1(2 * u)))
    weight /= weight.sum()
    reach = critical * np.exp(u)
    upper, lower = (weight * ndtr(ncp - reach)).sum(), (weight * ndtr(-ncp - reach)).sum()
    return min(1.0, float(upper)), min(1.0, float(lower))


def f_tail(df1: float, df2: float, ncp: float, alpha: float) -> float:
    """P(F > its critical value) of a noncentral F, the critical value being the central one of α.

    Parameters
    ----------
    df1, df2 : float
        Degrees of freedom above and below the line, > 0.
    ncp : float
        Noncentrality >= 0: squared differences over the error variance, summed.
    alpha : float
        Upper tail of the central F beyond the critical value.

    Notes
    -----
    The Poisson(ncp/2) mean of beta tails I_y(ν₂/2, ν₁/2 + j), where I_y(ν₂/2, ν₁/2) = α. All terms
    are positive; for a large ``ncp`` the sum takes equally spaced terms, four a standard deviation.

    Examples
    --------
    >>> round(f_tail(3, 12, 0.0, 0.05), 12)
    0.05
    """
    # The point on the beta scale that is near zero; its distance from one would lose digits.
    y = beta_quantile(0.5 * df2, 0.5 * df1, alpha)
    rest = beta_quantile(0.5 * df1, 0.5 * df2, alpha, upper=True)
    mean = 0.5 * ncp
    spread = math.sqrt(mean)
    step = max(1.0, math.floor(spread / _SHARPEST))
    reach = math.ceil((12 * spread + _LOG_SMALL) / step)  # numeric: twelve sd and more
    j = math.floor(mean) + step * np.arange(-reach, reach + 1)
    j = j[j >= 0]
    # Loader's form of the Poisson probability: its exponent is small where the terms matter.
    off = (j - mean) / mean if mean > 0 else np.where(j > 0, math.inf, 0.0)
    if mean > 0:
        exponent = -mean * (xlogy(1 + off, 1 + off) - off)
        near = abs(off) < 0.5
        exponent[near] = -mean * ((1 + off[near]) * np.log1p(off[near]) - off[near])
    else:
        exponent = -off
    safe = np.maximum(j, 1)
    stirling = 0.5 * np.log(2 * math.pi * safe) + 1 / (12 * safe)  # exact: Stirling's series
    stirling -= 1 / (360 * safe**3)  # exact: its second term
    small = j < _LARGE
    stirling[small] = gammaln(j[small] + 1) - xlogy(j[small], j[small]) + j[small]
    weight = np.exp(exponent - stirling)
    if y < rest:
        tails = betainc(0.5 * df2, 0.5 * df1 + j, y)
    else:
        tails = betaincc(0.5 * df1 + j, 0.5 * df2, rest)
    tail = (weight * tails).sum() / weight.sum()
    return min(1.0, float(tail))


# --- designs --------------------------------------------------------------------------------------


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
    alpha: float = 0.05,  # exact: the customary level
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
    _whole("n", n, 2, "A standard deviation needs two pairs or more.")
    return _paired(
        n, _delta(delta), _positive("sd", sd, "pair differences"), _alpha(alpha), _side(counting)
    )


def _paired(n: float, delta: float, sd: float, alpha: float, counting: Counting) -> Power:
    return _t_power(delta, sd / math.sqrt(n), n - 1, alpha, counting)


def rcbd(
    treatments: int,
    blocks: int,
    delta: float,
    sigma: float,
    *,
    alpha: float = 0.05,  # exact: the customary level
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
    _whole("treatments", treatments, 2, "A comparison needs two treatments or more.")
    _whole("blocks", blocks, 2, "The error needs two blocks or more.")
    return _rcbd(treatments, blocks, _delta(delta), _positive("sigma", sigma), _alpha(alpha))


def _rcbd(treatments: int, blocks: float, delta: float, sigma: float, alpha: float) -> Power:
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
    weights: Sequence[float] = (1.0, -1.0),
    alpha: float = 0.05,  # exact: the customary level
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
    _whole("treatments", treatments, 2, "A comparison needs two treatments or more.")
    _whole("blocks", blocks, 2, "The error needs two blocks or more.")
    size = _contrast(weights, treatments)
    return _contrast_power(
        treatments,
        blocks,
        _delta(delta),
        _positive("sigma", sigma) * size,
        _alpha(alpha),
        _side(counting),
    )


def _contrast_power(
    treatments: int, blocks: float, delta: float, sd: float, alpha: float, counting: Counting
) -> Power:
    df = (treatments - 1) * (blocks - 1)
    return _t_power(delta, sd / math.sqrt(blocks), df, alpha, counting)


def multi_site(
    sites: int,
    tau: float,
    sigma: float,
    blocks: int,
    delta: float,
    *,
    alpha: float = 0.05,  # exact: the customary level
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
    _whole("sites", sites, 2, "The variance between sites needs two sites or more.")
    _whole("blocks", blocks, 1, "Each site needs one block or more.")
    return _sites(
        sites,
        _not_negative("tau", tau),
        _positive("sigma", sigma),
        blocks,
        _delta(delta),
        _alpha(alpha),
        _side(counting),
    )


def _sites(
    sites: float,
    tau: float,
    sigma: float,
    blocks: float,
    delta: float,
    alpha: float,
    counting: Counting,
) -> Power:
    sd = math.hypot(tau, sigma * math.sqrt(2 / blocks))
    return _t_power(delta, sd / math.sqrt(sites), sites - 1, alpha, counting)


def _t_power(delta: float, se: float, df: float, alpha: float, counting: Counting) -> Power:
    ncp = _checked_ncp(abs(delta) / se)
    same, wrong = t_tails(df, ncp, _critical(df, alpha))
    power = same if counting == "same" else min(1.0, same + wrong)
    return Power(power, ncp, None, df, se, alpha, counting)


def _critical(df: float, alpha: float) -> float:
    return -float(stdtrit(df, 0.5 * alpha))


# --- how many, how small, curves ------------------------------------------------------------------

_Evaluate = Callable[..., Power]
_DESIGNS: Mapping[str, tuple[_Evaluate, str, Mapping[str, int]]] = {
    "paired": (paired, "n", {"n": 2}),
    "rcbd": (rcbd, "blocks", {"blocks": 2}),
    "rcbd_contrast": (rcbd_contrast, "blocks", {"blocks": 2}),
    "sites": (multi_site, "sites", {"sites": 2, "blocks": 1}),
}


@dataclass(frozen=True, slots=True)
class Needed:
    """The smallest number that reaches a power.

    Parameters
    ----------
    n : int
        Smallest whole number of whatever ``over`` names.
    power : float
        Power with ``n``, at least ``target``.
    target : float
        Power asked for.
    over : str
        ``n`` (pairs), ``blocks`` or ``sites``.
    exact : float or None
        Real number at which the power is ``target``; None where the least possible ``n`` is enough.
    design : str
        Name of the design.
    """

    n: int
    power: float
    target: float
    over: str
    exact: float | None
    design: DesignName

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready, ``n`` and ``power`` first."""
        return asdict(self)


def n_for(
    design: DesignName,
    target: float = 0.8,  # exact: the customary power
    *,
    over: str | None = None,
    **arguments: Any,
) -> Needed:
    """The smallest number of pairs, blocks or sites that reaches a power.

    Parameters
    ----------
    design : {"paired", "rcbd", "rcbd_contrast", "sites"}
        Which of the functions above.
    target : float
        Power wanted, in (0, 1).
    over : str or None
        What is sought: ``n``, ``blocks``, ``blocks``, and ``sites`` or ``blocks``; the first named
        of each design by default.
    **arguments
        All other arguments of that function.

    Raises
    ------
    InputError
        If no number reaches the power: more blocks never remove the variance between sites.

    Examples
    --------
    >>> n_for("paired", 0.8, delta=1, sd=3).n
    73
    """
    evaluate, over, least = _asked(design, over, arguments)
    _share("power", target)
    first = evaluate(**arguments, **{over: least}).power
    if first >= target:
        return Needed(least, first, target, over, None, design)
    real = _real(design, over, arguments)
    high = float(least)
    while real(high) < target:
        high = max(2 * high, 2.0)
        if high > _MOST:
            raise InputError(_never(over, target, real(float(_MOST)), arguments))
    low = max(0.5 * high, float(least))
    exact = float(brentq(lambda x: real(x) - target, low, high, rtol=_SETTLED))
    n = math.ceil(exact)
    # A root that is whole but for rounding goes to the number that does reach the power.
    while n - 1 >= least and evaluate(**arguments, **{over: n - 1}).power >= target:
        n -= 1
    while (power := evaluate(**arguments, **{over: n}).power) < target:
        n += 1
    return Needed(n, power, target, over, exact, design)


def delta_for(
    design: DesignName,
    target: float = 0.8,  # exact: the customary power
    **arguments: Any,
) -> float:
    """The smallest difference that a design finds with a wanted power, in its unit.

    Parameters
    ----------
    design : {"paired", "rcbd", "rcbd_contrast", "sites"}
        Which of the functions above.
    target : float
        Power wanted, in (0, 1), above that without any difference.
    **arguments
        All arguments of that function but ``delta``.

    Raises
    ------
    InputError
        If the power wanted is not above what chance alone gives.

    Examples
    --------
    >>> round(delta_for("paired", 0.8, n=73, sd=3), 2)
    1.0
    """
    evaluate, _, _ = _asked(design, None, arguments, "delta")
    _share("power", target)
    unit = evaluate(**arguments, delta=1.0)
    scale = 1 / math.sqrt(unit.ncp) if unit.df1 is not None else 1 / unit.ncp  # its standard error

    def short(log_delta: float) -> float:
        return evaluate(**arguments, delta=scale * math.exp(log_delta)).power - target

    low, high = -_LOG_SMALL, math.log(10.0)
    if short(low) >= 0:
        raise InputError(
            f"power {target:g}: chance alone rejects that often at alpha {unit.alpha:g}. "
            "Ask for more power or a smaller alpha."
        )
    while short(high) < 0:
        high += 1.0
    return scale * math.exp(float(brentq(short, low, high, xtol=_SETTLED)))


@dataclass(frozen=True, slots=True)
class Curve:
    """Power along one argument.

    Parameters
    ----------
    design, over : str
        Design, and the argument that varies.
    x, power : tuple of float
        Values of the argument and power at each.
    """

    design: DesignName
    over: str
    x: tuple[float, ...]
    power: tuple[float, ...]

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return asdict(self)


def curve(design: DesignName, over: str, values: Sequence[float], **arguments: Any) -> Curve:
    """Power along one argument of a design.

    Parameters
    ----------
    design : {"paired", "rcbd", "rcbd_contrast", "sites"}
        Which of the functions above.
    over : str
        Any of its arguments.
    values : sequence of float
        Values that argument takes, one or more.
    **arguments
        All other arguments.

    Examples
    --------
    >>> [round(p, 2) for p in curve("paired", "n", [4, 8, 16], delta=2, sd=2).power]
    [0.29, 0.68, 0.96]
    """
    evaluate, _, _ = _asked(design, None, arguments, over)
    points = list(values)
    if not points:
        raise InputError(f"{over}: no value. Give one or more for the curve.")
    power = tuple(evaluate(**arguments, **{over: x}).power for x in points)
    return Curve(design, over, tuple(points), power)


def _asked(
    design: str, over: str | None, arguments: Mapping[str, Any], free: str | None = None
) -> tuple[_Evaluate, str, int]:
    """The function of a design, what is sought and its least value; wrong names are refused."""
    if design not in _DESIGNS:
        raise InputError(f"design {design!r}: not known. Take one of {', '.join(_DESIGNS)}.")
    evaluate, usual, least = _DESIGNS[design]
    sought = over or usual
    if sought not in least:
        raise InputError(f"over {sought!r}: for {design} it can be {' or '.join(least)}.")
    names = evaluate.__annotations__.keys() - {"return"}
    optional = (evaluate.__kwdefaults__ or {}).keys()
    open_name = free or sought
    if open_name not in names:
        raise InputError(
            f"{open_name}: {design} has no such argument. It has {', '.join(sorted(names))}."
        )
    unknown = sorted(arguments.keys() - names | arguments.keys() & {open_name})
    if unknown:
        raise InputError(
            f"{', '.join(unknown)}: not an argument here. Besides {open_name}, {design} takes "
            f"{', '.join(sorted(names - {open_name}))}."
        )
    missing = sorted(names - optional - arguments.keys() - {open_name})
    if missing:
        raise InputError(f"{', '.join(missing)}: missing. Give it for the design {design}.")
    return evaluate, sought, least[sought]


def _real(design: str, over: str, given: Mapping[str, Any]) -> Callable[[float], float]:
    """Power as a function of a real number of pairs, blocks or sites; arguments are checked."""
    a = dict(given)
    alpha = float(a.get("alpha", 0.05))  # exact: the customary level
    delta = float(a["delta"])
    side: Counting = a.get("counting", "either")
    if design == "paired":
        return lambda x: _paired(x, delta, a["sd"], alpha, side).power
    if design == "rcbd":
        return lambda x: _rcbd(a["treatments"], x, delta, a["sigma"], alpha).power
    if design == "rcbd_contrast":
        sd = a["sigma"] * _contrast(a.get("weights", (1.0, -1.0)), a["treatments"])
        return lambda x: _contrast_power(a["treatments"], x, delta, sd, alpha, side).power
    if over == "sites":
        return lambda x: _sites(x, a["tau"], a["sigma"], a["blocks"], delta, alpha, side).power
    return lambda x: _sites(a["sites"], a["tau"], a["sigma"], x, delta, alpha, side).power


def _never(over: str, target: float, reached: float, arguments: Mapping[str, Any]) -> str:
    if over == "blocks" and "sites" in arguments:
        return (
            f"No number of blocks gives power {target:g} with {arguments['sites']} sites: the "
            f"variance between sites remains, and the power never passes {reached:.4f}. "
            "Take more sites."
        )
    return (
        f"More than {_MOST:g} {over} would be needed for power {target:g}. Check the unit of the "
        "difference, or ask for a larger one."
    )


# --- two-stage simulation -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Rows:
    """Random-effects means of many sets of studies, one a row.

    Parameters
    ----------
    mu, tau2 : ndarray, shape (rows,)
        Mean and variance between studies.
    plain_se : ndarray
        1/√Σw.
    factor : ndarray
        Knapp-Hartung's q; the Knapp-Hartung standard error is ``plain_se`` √q.
    """

    mu: FloatArray
    tau2: FloatArray
    plain_se: FloatArray
    factor: FloatArray


def pool_rows(y: ArrayLike, v: ArrayLike, method: Method = "REML") -> Rows:
    """Random-effects means of many sets of studies at once.

    Parameters
    ----------
    y, v : array_like, shape (rows, studies)
        Effects and their variances > 0, finite, 2 studies or more.
    method : {"REML", "DL"}
        How τ² is estimated.

    Returns
    -------
    Rows
        Each row as :func:`rhizoledger.stats.pooling.pool` would give it. Where a likelihood has two
        maxima, the one next to the highest of 41 points.

    Examples
    --------
    Equal variances: τ² is the variance of the effects less theirs, 4 - 1:

    >>> rows = pool_rows([[-2.0, 0.0, 2.0]], [[1.0, 1.0, 1.0]])
    >>> rows.mu.tolist(), rows.tau2.tolist()
    ([0.0], [3.0])
    """
    effects, variances = np.broadcast_arrays(np.asarray(y, float), np.asarray(v, float))
    _among("method", method, get_args(Method))
    if effects.ndim != 2 or effects.shape[1] < 2:
        raise InputError("y: give rows of two studies or more, all of one length.")
    if not (np.isfinite(effects).all() and np.isfinite(variances).all() and (variances > 0).all()):
        raise InputError("y or v: a value is missing, or a variance is not above zero. Leave out.")
    tau2 = np.empty(effects.shape[0])
    for i in range(0, tau2.size, _ROWS):
        part = slice(i, i + _ROWS)
        tau2[part] = _tau2(effects[part], variances[part], method)
    w = 1 / (variances + tau2[:, np.newaxis])
    total = w.sum(axis=1)
    mu = (w * effects).sum(axis=1) / total
    q = (w * (effects - mu[:, np.newaxis]) ** 2).sum(axis=1) / (effects.shape[1] - 1)
    return Rows(mu, tau2, 1 / np.sqrt(total), q)


def _tau2(y: FloatArray, v: FloatArray, method: Method) -> FloatArray:
    df = y.shape[1] - 1
    if method == "DL":
        w = 1 / v
        total = w.sum(axis=1)
        r = y - ((w * y).sum(axis=1) / total)[:, np.newaxis]
        q = (w * r * r).sum(axis=1)
        dl: FloatArray = np.maximum(0.0, (q - df) / (total - (w * w).sum(axis=1) / total))
        return dl
    least = v.min(axis=1)
    out: FloatArray = np.maximum(0.0, y.var(axis=1, ddof=1) - least)
    uneven = v.max(axis=1) > least
    if uneven.any():
        out[uneven] = _reml(y[uneven], v[uneven])
    return out


def _reml(y: FloatArray, v: FloatArray) -> FloatArray:
    """The restricted maximum of every row: the best of a grid, then Newton inside its bracket."""
    least = v.min(axis=1)
    bound = y.var(axis=1, ddof=1) + v.max(axis=1)
    log_start = np.log(least / 100)
    way = np.log(bound) - log_start
    grid = np.zeros((_GRID.size + 1, least.size))
    grid[1:] = np.exp(log_start + _GRID[:, np.newaxis] * way)
    best = np.full(least.size, math.inf)
    top = np.zeros(least.size, np.intp)
    for i in range(grid.shape[0]):
        w = 1 / (v + grid[i][:, np.newaxis])
        total = w.sum(axis=1)
        r = y - (np.einsum("ij,ij->i", w, y) / total)[:, np.newaxis]
        # ln Πw in one logarithm a row: the product is kept near 1 by the row's own scale.
        twice = np.einsum("ij,ij,ij->i", w, r, r) + np.log(total) - np.log(w).sum(axis=1)
        better = twice < best
        best[better], top[better] = twice[better], i
    rows = np.arange(least.size)
    x = grid[top, rows]
    low = grid[np.maximum(top - 1, 0), rows]
    high = grid[np.minimum(top + 1, grid.shape[0] - 1), rows]
    live = rows
    for _ in range(100):
        slope, bend = _score(y[live], v[live], x[live])
        at = x[live]
        up = slope > 0
        low[live[up]] = at[up]
        high[live[~up]] = at[~up]
        with np.errstate(divide="ignore", invalid="ignore"):
            goal = np.where(bend < 0, at - slope / bend, math.inf)
        inside = (goal >= low[live]) & (goal <= high[live])
        goal = np.where(inside, goal, 0.5 * (low[live] + high[live]))
        goal[~up & (at == 0)] = 0.0
        x[live] = goal
        live = live[abs(goal - at) > _SETTLED * (goal + least[live])]
        if live.size == 0:
            break
    return x


def _score(y: FloatArray, v: FloatArray, tau2: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Twice the slope of the restricted log likelihood in τ², and twice its second derivative."""
    w = 1 / (v + tau2[:, np.newaxis])
    ww = w * w
    s1, s2 = w.sum(axis=1), ww.sum(axis=1)
    s3 = np.einsum("ij,ij->i", w, ww)
    u = w * (y - (np.einsum("ij,ij->i", w, y) / s1)[:, np.newaxis])
    squares = np.einsum("ij,ij->i", u, u)
    bend = np.einsum("ij,ij,ij->i", w, u, u) - np.einsum("ij,ij->i", w, u) ** 2 / s1
    slope = squares - s1 + s2 / s1
    return slope, s2 - 2 * s3 / s1 + (s2 / s1) ** 2 - 2 * bend


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
    alpha: float = 0.05,  # exact: the customary level
    counting: Counting = "either",
) -> Simulated:
    """Power of pooling site differences, by simulation: where sites or variances are unequal.

    Parameters
    ----------
    sites : int
        2 or more.
    tau, sigma : float
        As in :func:`multi_site`.
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
    the answer that of :func:`multi_site`, exactly but for chance.

    Examples
    --------
    >>> simulate_two_stage(8, 1, 2, 3, 5, seed=1, simulations=100).power > 0.9
    True
    """
    number = _whole("sites", sites, 2, "The variance between sites needs two sites or more.")
    r = _blocks(blocks, number)
    tau, sigma = _not_negative("tau", tau), _positive("sigma", sigma)
    delta = _delta(delta, zero=True)
    n = _whole("simulations", simulations, 100, "Fewer say nothing about a probability.")
    seed = _whole("seed", seed, 0, "", most=2**63)  # exact: the largest whole number of a file
    _among("method", method, get_args(Method))
    _among("test", test, get_args(Test))
    _among("variance", variance, get_args(Variance))
    alpha, counting = _alpha(alpha), _side(counting)
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
    y = delta + effects.standard_normal((n, number)) * np.sqrt(tau**2 + plain / r)
    if variance == "own":
        v = plain * residuals.chisquare(residual_df, (n, number)) / residual_df / r
    elif variance == "pooled":
        df = residual_df.sum()
        v = plain * residuals.chisquare(df, (n, 1)) / df / r
    else:
        v = np.broadcast_to(plain / r, (n, number))

    rows = pool_rows(y, np.maximum(v, plain * np.finfo(float).tiny), method)
    se = rows.plain_se
    if test != "z":
        q = np.maximum(1.0, rows.factor) if test == "cautious" else rows.factor
        se = se * np.sqrt(q)
    reach = se * (-float(ndtri(0.5 * alpha)) if test == "z" else _critical(number - 1, alpha))
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


# --- what is not accepted -------------------------------------------------------------------------


def _number(name: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, Real):
        raise InputError(f"{name} {value!r}: not a number. Give a number.")
    if not math.isfinite(value):
        raise InputError(f"{name} {value!r}: missing or infinite. Give a finite number.")
    return float(value)


def _whole(name: str, value: object, least: int, why: str, most: int = _MOST) -> int:
    x = _number(name, value)
    if x != math.floor(x):
        raise InputError(f"{name} {x:g}: not a whole number. Give a whole number.")
    if x < least:
        raise InputError(f"{name} {x:g}: it must be {least} or more. {why}".rstrip())
    if x > most:
        raise InputError(f"{name} {x:g}: more than {most:g}. Check the number.")
    return int(x)


def _positive(name: str, value: object, of: str = "plots") -> float:
    x = _number(name, value)
    if x <= 0:
        raise InputError(
            f"{name} {x:g}: it must be above zero. Give the standard deviation of {of}."
        )
    return x


def _not_negative(name: str, value: object) -> float:
    x = _number(name, value)
    if x < 0:
        raise InputError(
            f"{name} {x:g}: it must not be below zero. Give the standard deviation between sites, "
            "or 0 where all sites respond alike."
        )
    return x


def _delta(value: object, zero: bool = False) -> float:
    x = _number("delta", value)
    if x == 0 and not zero:
        raise InputError(
            "delta 0: there is nothing to be found, and the power is alpha. Give the smallest "
            "difference that is worth money."
        )
    return x


def _share(name: str, value: object) -> float:
    x = _number(name, value)
    if not 0 < x < 1:
        raise InputError(f"{name} {x:g}: it must lie between 0 and 1. Write 0.9 for 90 %.")
    return x


def _alpha(value: object) -> float:
    x = _number("alpha", value)
    if not 0 < x < 1:
        raise InputError(f"alpha {x:g}: it must lie between 0 and 1. Write 0.05 for 5 %.")
    return x


def _side(value: Counting) -> Counting:
    _among("counting", value, get_args(Counting))
    return value


def _among(name: str, value: object, names: tuple[str, ...]) -> None:
    if value not in names:
        raise InputError(f"{name} {value!r}: not known. Take one of {', '.join(names)}.")


def _contrast(weights: Sequence[float], treatments: int) -> float:
    """The root of the sum of squared weights of a contrast."""
    w = [_number("weights", x) for x in weights]
    size = math.hypot(*w)
    if len(w) > treatments:
        raise InputError(f"weights: {len(w)} for {treatments} treatments. Give one each at most.")
    if size == 0 or abs(math.fsum(w)) > 1e-9 * size:  # numeric: thirds do not add up in binary
        raise InputError("weights: a contrast sums to zero, and is not all zeros. Correct them.")
    return size


def _blocks(blocks: int | Sequence[int], sites: int) -> FloatArray:
    each = list(blocks) if isinstance(blocks, Sequence) else [blocks] * sites
    if len(each) != sites:
        raise InputError(f"blocks: {len(each)} numbers for {sites} sites. Give one for each site.")
    why = "Each site needs one block or more."
    return np.array([float(_whole("blocks", x, 1, why)) for x in each])


def _checked_ncp(ncp: float) -> float:
    if not ncp <= _MOST_NCP:
        raise InputError(
            f"The difference is more than {_MOST_NCP:g} standard errors. Check that delta and the "
            "standard deviation are in one unit."
        )
    return ncp
