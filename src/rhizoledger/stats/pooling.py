"""Pooling of estimates with known variances: random effects, meta-regression, sensitivity."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from numbers import Real
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc, chdtri, fdtrc, ndtr, ndtri, stdtr, stdtrit

from rhizoledger.errors import InputError, Problem
from rhizoledger.stats.poisson import checked_level

FloatArray = NDArray[np.float64]
Method = Literal["FE", "DL", "HE", "HS", "SJ", "ML", "REML", "EB", "PM"]
Test = Literal["z", "knha"]
Convention = Literal["t", "hts", "z"]

I2_FROM_TAU2 = "percent, tau2 / (tau2 + typical sampling variance)"
I2_FROM_Q = "percent, (Q - df) / Q"
REML_CONVENTION = "restricted, with -(k - p)/2 ln 2 pi and + ln|X'X|/2"
ML_CONVENTION = "full, with -k/2 ln 2 pi"
NO_LIKELIHOOD = "none: a moment estimator maximises no likelihood"

_NARROWEST, _WIDEST = 1e-100, 1e100  # numeric: beyond them squares of weights leave the doubles
_APART = 1e10  # numeric: variances farther apart leave the sums of weights no digits
_STEP = 1e-14  # numeric: relative step at which a root is settled, some units in the last place
_WRINKLE = 1e-6  # numeric: relative distance or slope that is no other maximum
_MOST = 100  # a Newton search that is not settled by then never will be
_SINGULAR = 1e-10  # numeric: share of a column left over by the others that is only rounding
# Fractions of the way, on the logarithm, from below the least variance to the bound on tau2.
_WAY = np.linspace(0.0, 1.0, 40)  # numeric: two modes lie at least a factor of two apart


@dataclass(frozen=True, slots=True)
class Coefficient:
    """One coefficient of a pooled mean or meta-regression.

    Parameters
    ----------
    term : str
        ``intercept``, a moderator's name, or ``moderator=level`` for a moderator in words.
    estimate, se : float
        In the unit of the effects (per unit of the moderator).
    df : int or None
        Degrees of freedom of t; None for a normal test.
    t, p : float or None
        Estimate over ``se`` and two-sided p; None where ``se`` is zero.
    low, high : float
        Confidence limits of the mean effect, *not* of a new study's effect.
    """

    term: str
    estimate: float
    se: float
    df: int | None
    t: float | None
    p: float | None
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ModeratorTest:
    """Whether all moderators together matter: χ² (``df2`` None) or F on ``df1``, ``df2``.

    Parameters
    ----------
    statistic : float or None
        QM, divided by its degrees of freedom under Knapp-Hartung.
    df1 : int
        Coefficients tested; the intercept is not among them.
    df2 : int or None
        Denominator degrees of freedom.
    p : float or None
        Upper tail.
    r2 : float or None
        Share of τ² explained, in percent and not below 0; None where there is no τ² to explain.
    """

    statistic: float | None
    df1: int
    df2: int | None
    p: float | None
    r2: float | None


@dataclass(frozen=True, slots=True)
class Pooled:
    """A pooled effect and everything that is printed with it.

    Parameters
    ----------
    mu, se, low, high : float
        Mean effect, its standard error by ``test`` and its confidence limits. With moderators, at
        their arithmetic means over the studies.
    df : int or None
        Degrees of freedom of ``test``; None for z.
    tau2, tau2_low, tau2_high : float or None
        Variance of true effects between studies and its Q-profile limits.
    i2, h2 : float or None
        I² [percent] and H².
    i2_kind : str
        Which I² it is.
    q, q_df, p_q : float, int, float or None
        Cochran's Q (residual Q with moderators), its degrees of freedom and upper χ² tail.
    prediction_low, prediction_high : float or None
        Limits for the *true* effect of a new study; None where there are none.
    prediction : {"t", "hts", "z"}
        Their convention.
    prediction_df, prediction_se : int or None, float
        Degrees of freedom and SE of the mean that the convention takes.
    coefficients : tuple of Coefficient
    moderator_test : ModeratorTest or None
    k : int
        Studies.
    method, test : str
    level : float
        Of all the limits.
    loglik, loglik_convention : float or None, str
    plain_se : float
        1/√Σw at τ̂², whatever the test.
    factor : float or None
        Knapp-Hartung's q, by which the plain variance is multiplied.
    cautious : Coefficient or None
        The mean with max(1, q) in place of q; None for a z test.
    warnings : tuple of str
    """

    mu: float
    se: float
    low: float
    high: float
    df: int | None
    tau2: float | None
    tau2_low: float | None
    tau2_high: float | None
    i2: float | None
    h2: float | None
    i2_kind: str
    q: float
    q_df: int
    p_q: float | None
    prediction_low: float | None
    prediction_high: float | None
    prediction: Convention
    prediction_df: int | None
    prediction_se: float
    coefficients: tuple[Coefficient, ...]
    moderator_test: ModeratorTest | None
    k: int
    method: Method
    test: Test
    level: float
    loglik: float | None
    loglik_convention: str
    plain_se: float
    factor: float | None
    cautious: Coefficient | None
    warnings: tuple[str, ...]

    def p_new_above(self, threshold: float) -> float | None:
        """P(a new study's true effect > threshold), by the prediction interval's convention.

        Parameters
        ----------
        threshold : float
            In the unit of the effects.

        Returns
        -------
        float or None
            A predictive probability, *not* the chance that the mean exceeds the threshold; None
            where there is no prediction interval.

        Notes
        -----
        §6.4. 1 - T_df((b - μ̂)/√(τ̂² + SE²)).

        Examples
        --------
        >>> pool([0, 1, 2, 3], [1, 1, 1, 1]).p_new_above(1.5)
        0.5
        """
        if self.prediction_low is None or self.tau2 is None:
            return None
        spread = math.sqrt(self.tau2 + self.prediction_se**2)
        if spread == 0:
            return 0.5 if self.mu == threshold else float(self.mu > threshold)
        distance = (self.mu - threshold) / spread
        if self.prediction_df is None:
            return float(ndtr(distance))
        return float(stdtr(self.prediction_df, distance))

    def to_dict(self) -> dict[str, Any]:
        """The result as plain JSON-ready values; never NaN or infinity."""
        return {
            "mu": _finite(self.mu),
            "se": _finite(self.se),
            "low": _finite(self.low),
            "high": _finite(self.high),
            "tau2": _finite(self.tau2),
            "tau2_low": _finite(self.tau2_low),
            "tau2_high": _finite(self.tau2_high),
            "i2": _finite(self.i2),
            "i2_kind": self.i2_kind,
            "q": _finite(self.q),
            "p_q": _finite(self.p_q),
            "prediction": {
                "low": _finite(self.prediction_low),
                "high": _finite(self.prediction_high),
                "convention": self.prediction,
            },
            "coefficients": [asdict(c) for c in self.coefficients],
            "k": self.k,
            "method": self.method,
            "test": self.test,
            "loglik": _finite(self.loglik),
            "loglik_convention": self.loglik_convention,
            "warnings": list(self.warnings),
        }


def pool(
    y: ArrayLike,
    v: ArrayLike,
    *,
    method: Method = "REML",
    test: Test = "knha",
    moderators: Mapping[str, ArrayLike] | None = None,
    intercept: bool = True,
    prediction: Convention = "t",
    level: float = 0.95,  # exact: the customary level
) -> Pooled:
    """Pool estimates of one effect from studies whose sampling variances are known.

    Parameters
    ----------
    y : array_like, shape (k,)
        Estimates, one a study [any unit].
    v : array_like, shape (k,)
        Their sampling variances, > 0 [that unit squared]; a variance, *not* a standard error.
    method : {"REML", "ML", "PM", "EB", "DL", "HE", "HS", "SJ", "FE"}
        Estimator of τ²; ``FE`` sets it to 0.
    test : {"knha", "z"}
        Knapp-Hartung (t with k - p degrees of freedom, variance times q) or normal.
    moderators : mapping of str to array_like, optional
        Numbers, or words (a factor: the first level in alphabetical order is the reference).
    intercept : bool
        False leaves the intercept out of a meta-regression.
    prediction : {"t", "hts", "z"}
        Interval for a new study's true effect: t with k - p degrees of freedom and the SE of
        ``test``; t with k - p - 1 and the plain SE; or normal with the plain SE.
    level : float
        Of all the limits, in (0, 1).

    Returns
    -------
    Pooled
        ``low`` to ``high`` is for the mean, *not* for a new study. One study is answered by itself:
        no τ², no prediction.

    Raises
    ------
    InputError
        Text, NaN, infinities, variances at or below zero or more than 10¹⁰ apart, unequal lengths,
        no study, no more studies than coefficients, moderators that repeat one another. Rows
        count the header as 1.

    Warns
    -----
    In ``warnings`` of the result: Knapp-Hartung narrower than z (with the max(1, q) alternative),
    one study, no prediction interval, an empty Q-profile, several maxima of the likelihood.

    Notes
    -----
    §6.3. With W = diag 1/(v + τ²) and P = W - WX(X'WX)⁻¹X'W: REML solves y'PPy = tr P, ML
    y'PPy = tr W, PM and EB (one equation) y'Py = k - p; the likelihoods are searched on a grid
    over [0, S/(k - p) + max v], outside which their slope is negative, and polished by Newton.
    1/(y'Py) rises and is concave in τ², so Newton from 0 meets PM's and the Q-profile's roots
    from below. The variances are taken as known: studies with few plots need a pooled one (§6.3).

    References
    ----------
    DerSimonian & Laird 1986; Hedges & Olkin 1985; Hunter & Schmidt 1990; Sidik & Jonkman 2005;
    Paule & Mandel 1982; Knapp & Hartung 2003; Viechtbauer 2007; Higgins, Thompson & Spiegelhalter
    2009.

    Examples
    --------
    Four estimates 0, 1, 2, 3 of variance 1: their variance is 5/3, so 2/3 lies between studies.

    >>> r = pool([0, 1, 2, 3], [1, 1, 1, 1])
    >>> round(r.mu, 12), round(r.tau2, 12), round(r.q, 12)
    (1.5, 0.666666666667, 5.0)
    """
    checked_level(level)
    _among(method, get_args(Method), "method")
    _among(test, get_args(Test), "test")
    _among(prediction, get_args(Convention), "prediction")
    effects, variances = checked_studies(y, v)
    k = effects.size
    if moderators is None:
        if not intercept:
            raise InputError("No intercept and no moderators: nothing to estimate. Keep one.")
        d = _Design(effects, variances)
    else:
        d = _Design(effects, variances, *_matrix(moderators, k, intercept), intercept)
    warnings: list[str] = []
    lone = k == 1
    if lone:
        if test == "knha":
            warnings.append("One study: Knapp-Hartung needs two, so the limits are normal (z).")
            test = "z"
        if method != "FE":
            warnings.append("One study: it cannot show how much effects differ, so there is no τ².")
    tau2 = 0.0 if lone or method == "FE" else _estimate_tau2(d, method, warnings)

    df = k - d.p
    at = d.fit(tau2)
    q0, _ = d.q(0.0) if tau2 > 0 else (at.q, 0.0)
    factor = at.q / df if test == "knha" else None
    beta, cov = d.coefficients(at)
    t_df = df if test == "knha" else None
    half = _quantile(t_df, level)
    inflate = 1.0 if factor is None else math.sqrt(factor)
    plain = [math.sqrt(x) for x in cov.diagonal().tolist()]
    rows = [
        _coefficient(term, b, s * inflate, t_df, half)
        for term, b, s in zip(d.terms, beta.tolist(), plain, strict=True)
    ]
    if d.moderated:
        centre = d.x.mean(axis=0)
        plain_se = math.sqrt(float(centre @ cov @ centre))
        mean = _coefficient("mean", float(centre @ beta), plain_se * inflate, t_df, half)
        warnings.append("mu is the mean effect at the means of the moderators.")
    else:
        mean, plain_se = rows[0], plain[0]
    cautious = None
    if factor is not None:
        cautious = _coefficient(mean.term, mean.estimate, plain_se * max(1.0, inflate), t_df, half)
        if half * inflate < _quantile(None, level):
            warnings.append(
                f"The Knapp-Hartung interval is narrower than the normal one (q = {factor:.3g}); "
                f"with max(1, q) it is {cautious.low:.6g} to {cautious.high:.6g}."
            )

    i2: float | None
    h2: float | None
    if lone:
        i2 = h2 = None
    elif method == "FE":
        i2, h2 = (100 * max(0.0, 1 - df / q0) if q0 > 0 else 0.0), q0 / df
    else:
        ratio = tau2 * d.trace_p0() / df
        i2, h2 = 100 * ratio / (1 + ratio), 1 + ratio
    low2: float | None = None
    high2: float | None = None
    if not lone and method != "FE":
        low2, high2 = _q_profile(d, level, q0, warnings)

    new_df, new_se = {
        "t": (df, mean.se),
        "hts": (df - 1, plain_se),
        "z": (None, plain_se),
    }[prediction]
    new_low: float | None = None
    new_high: float | None = None
    if lone or method == "FE":
        why = "One study" if lone else "A fixed-effect model has no variance between studies"
        warnings.append(f"{why}: there is no prediction interval.")
    elif new_df == 0:
        warnings.append(
            f"The hts prediction interval needs {d.p + 2} studies; there are {k}. "
            "Take convention t or z."
        )
    else:
        reach = _quantile(new_df, level) * math.sqrt(tau2 + new_se**2)
        new_low, new_high = mean.estimate - reach, mean.estimate + reach

    loglik, convention = None, NO_LIKELIHOOD
    if method in ("REML", "ML", "FE") and (method == "FE" or not lone):
        restricted = method == "REML"
        loglik = d.log_likelihood(at, restricted)
        convention = REML_CONVENTION if restricted else ML_CONVENTION
    elif lone:
        convention = "none: one study has no τ² to be fitted"
    return Pooled(
        mu=mean.estimate,
        se=mean.se,
        low=mean.low,
        high=mean.high,
        df=t_df,
        tau2=None if lone and method != "FE" else tau2,
        tau2_low=low2,
        tau2_high=high2,
        i2=i2,
        h2=h2,
        i2_kind=I2_FROM_Q if method == "FE" else I2_FROM_TAU2,
        q=q0,
        q_df=df,
        p_q=float(chdtrc(df, q0)) if df > 0 else None,
        prediction_low=new_low,
        prediction_high=new_high,
        prediction=prediction,
        prediction_df=new_df,
        prediction_se=new_se,
        coefficients=tuple(rows),
        moderator_test=_moderator_test(d, beta, cov, factor, method, tau2),
        k=k,
        method=method,
        test=test,
        level=level,
        loglik=loglik,
        loglik_convention=convention,
        plain_se=plain_se,
        factor=factor,
        cautious=cautious,
        warnings=tuple(warnings),
    )


def leave_one_out(
    y: ArrayLike,
    v: ArrayLike,
    *,
    method: Method = "REML",
    test: Test = "knha",
    prediction: Convention = "t",
    level: float = 0.95,  # exact: the customary level
) -> tuple[Pooled, ...]:
    """Pool the studies again without each of them in turn; needs two or more.

    Parameters
    ----------
    y, v, method, test, prediction, level
        As for :func:`pool`.

    Returns
    -------
    tuple of Pooled
        The i-th is *without* study i.

    Examples
    --------
    >>> [round(r.mu, 12) for r in leave_one_out([0, 1, 5], [1, 1, 1])]
    [3.0, 2.5, 0.5]
    """
    effects, variances = checked_studies(y, v)
    if effects.size == 1:
        raise InputError("One study: leaving it out leaves none. Give two studies or more.")
    return tuple(
        pool(
            np.delete(effects, i),
            np.delete(variances, i),
            method=method,
            test=test,
            prediction=prediction,
            level=level,
        )
        for i in range(effects.size)
    )


def cumulative(
    y: ArrayLike,
    v: ArrayLike,
    *,
    order: Sequence[int] | None = None,
    method: Method = "REML",
    test: Test = "knha",
    prediction: Convention = "t",
    level: float = 0.95,  # exact: the customary level
) -> tuple[Pooled, ...]:
    """Pool the first study, the first two, and so on to all.

    Parameters
    ----------
    y, v, method, test, prediction, level
        As for :func:`pool`.
    order : sequence of int, optional
        Each study's index once, in the order they are added (by year, say); as given otherwise.

    Returns
    -------
    tuple of Pooled
        The last is all studies together.

    Examples
    --------
    >>> [round(r.mu, 12) for r in cumulative([0, 1, 5], [1, 1, 1])]
    [0.0, 0.5, 2.0]
    """
    effects, variances = checked_studies(y, v)
    turn = list(range(effects.size)) if order is None else list(order)
    if sorted(turn) != list(range(effects.size)):
        raise InputError(
            f"order {turn!r}: it must name each of the {effects.size} studies once, from 0."
        )
    return tuple(
        pool(
            effects[turn[:n]],
            variances[turn[:n]],
            method=method,
            test=test,
            prediction=prediction,
            level=level,
        )
        for n in range(1, effects.size + 1)
    )


@dataclass(frozen=True, slots=True)
class Shrunken:
    """A study's true effect, its estimate drawn towards the mean (empirical Bayes).

    Parameters
    ----------
    estimate, se : float
        ``se`` counts the uncertainty of the mean, *not* that of τ².
    low, high : float
        Normal limits, or t of the pooled test.
    """

    estimate: float
    se: float
    low: float
    high: float


def shrink(y: ArrayLike, v: ArrayLike, pooled: Pooled) -> tuple[Shrunken, ...]:
    """Best linear predictions of the studies' true effects, from a pooling without moderators.

    Parameters
    ----------
    y, v : array_like, shape (k,)
        What was pooled.
    pooled : Pooled
        The result of :func:`pool` for them.

    Notes
    -----
    λ_i = τ²/(τ² + v_i); λ_i y_i + (1 - λ_i) μ̂ with variance λ_i v_i + (1 - λ_i)² SE².

    Examples
    --------
    Variance 2/3 between studies and 1 within: two fifths of the way from the mean 1.5.

    >>> y, v = [0, 1, 2, 3], [1, 1, 1, 1]
    >>> [round(s.estimate, 9) for s in shrink(y, v, pool(y, v))]
    [0.9, 1.3, 1.7, 2.1]
    """
    effects, variances = checked_studies(y, v)
    if pooled.moderator_test is not None or pooled.tau2 is None or pooled.k != effects.size:
        raise InputError(
            "Studies shrink towards one mean with a τ²: pool these studies, two or more, without "
            "moderators first."
        )
    half = _quantile(pooled.df, pooled.level)
    out = []
    for x, s2 in zip(effects.tolist(), variances.tolist(), strict=True):
        own = pooled.tau2 / (pooled.tau2 + s2)
        centre = own * x + (1 - own) * pooled.mu
        se = math.sqrt(own * s2 + ((1 - own) * pooled.se) ** 2)
        out.append(Shrunken(centre, se, centre - half * se, centre + half * se))
    return tuple(out)


def egger(
    y: ArrayLike,
    v: ArrayLike,
    *,
    method: Method = "REML",
    test: Test = "knha",
    level: float = 0.95,  # exact: the customary level
) -> Coefficient:
    """Egger's regression test of whether the effect depends on the study's standard error.

    Parameters
    ----------
    y, v, method, test, level
        As for :func:`pool`. ``method="FE", test="knha"`` is Egger's own weighted regression with a
        residual variance; ``test="z"`` with a random effect is the mixed form.

    Returns
    -------
    Coefficient
        The slope on √v. A small p says that small studies differ, *not* why.

    Raises
    ------
    InputError
        Fewer than three studies, or all of one precision.

    Examples
    --------
    Effects that are exactly 1 + 2 √v:

    >>> round(egger([3, 5, 7], [1, 4, 9], method="FE").estimate, 12)
    2.0
    """
    effects, variances = checked_studies(y, v)
    if effects.size < 3:  # exact: intercept, slope and one to spare
        raise InputError(f"{effects.size} studies: Egger's test needs three or more.")
    errors = np.sqrt(variances)
    if float(np.ptp(errors)) <= _SINGULAR * float(errors.max()):
        raise InputError("All studies have the same variance: Egger's test has nothing to go by.")
    return pool(
        effects, variances, method=method, test=test, moderators={"se": errors}, level=level
    ).coefficients[1]


# ---------------------------------------------------------------------------------- the algebra


@dataclass(frozen=True, slots=True)
class _At:
    """The weighted fit at one τ²."""

    w: FloatArray
    q: float
    gram: FloatArray | None
    total: float
    gamma: FloatArray | float


class _Design:
    """Effects, variances and an orthonormal basis of the design; P does not depend on the basis."""

    __slots__ = (
        "intercept", "k", "least", "moderated", "offset", "one", "p", "r",
        "terms", "v", "x", "y", "z",
    )  # fmt: skip

    def __init__(
        self,
        y: FloatArray,
        v: FloatArray,
        x: FloatArray | None = None,
        terms: tuple[str, ...] = ("intercept",),
        intercept: bool = True,
    ) -> None:
        # Around the first study: equal effects then differ by exactly nothing.
        self.offset = float(y[0]) if x is None else 0.0
        self.y, self.v, self.terms, self.intercept = y - self.offset, v, terms, intercept
        self.k, self.p = y.size, len(terms)
        self.moderated = x is not None
        self.one = np.ones(self.k)
        self.least = float(v.min())
        if x is not None:
            self.x = x
            self.z, self.r = np.linalg.qr(x)

    def solve(self, w: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Z'WZ, the coefficients on Z, and WZ."""
        wz = self.z * w[:, np.newaxis]
        gram: FloatArray = self.z.T @ wz
        gamma = np.asarray(np.linalg.solve(gram, wz.T @ self.y), np.float64)
        return gram, gamma, wz

    def q(self, tau2: float) -> tuple[float, float]:
        """The quadratic form y'Py, and y'PPy, which is minus its slope in τ²."""
        w = 1 / (self.v + tau2)
        if self.moderated:
            r = self.y - self.z @ self.solve(w)[1]
        else:
            r = self.y - w.dot(self.y) / w.dot(self.one)
        u = w * r
        return float(u.dot(r)), float(u.dot(u))

    def fit(self, tau2: float) -> _At:
        w = 1 / (self.v + tau2)
        if self.moderated:
            gram, gamma, _ = self.solve(w)
            r = self.y - self.z @ gamma
            return _At(w, float((w * r).dot(r)), gram, 0.0, gamma)
        total = float(w.dot(self.one))
        mu = float(w.dot(self.y)) / total
        r = self.y - mu
        return _At(w, float((w * r).dot(r)), None, total, mu)

    def coefficients(self, at: _At) -> tuple[FloatArray, FloatArray]:
        """Coefficients on X and their plain covariance (X'WX)⁻¹."""
        if at.gram is None:
            return np.array([at.gamma + self.offset]), np.array([[1 / at.total]])
        back = np.linalg.inv(self.r)
        return back @ at.gamma, back @ np.linalg.inv(at.gram) @ back.T

    def log_likelihood(self, at: _At, restricted: bool) -> float:
        twice = at.q - float(np.log(at.w).dot(self.one))
        if restricted:
            if at.gram is None:
                twice += math.log(at.total / self.k)
            else:
                twice += float(np.linalg.slogdet(at.gram)[1])
        n = self.k - self.p if restricted else self.k
        return -0.5 * (twice + n * math.log(2 * math.pi))

    def profile(self, tau2: FloatArray, restricted: bool) -> FloatArray:
        """Log likelihood, up to a constant, at many τ² at once."""
        w = 1 / (tau2[:, np.newaxis] + self.v)
        if not self.moderated:
            total = w @ self.one
            r = self.y - ((w @ self.y) / total)[:, np.newaxis]
            extra = np.log(total)
        else:
            gram = np.swapaxes(w[:, :, np.newaxis] * self.z, 1, 2) @ self.z
            right = (w * self.y) @ self.z
            gamma = np.linalg.solve(gram, right[:, :, np.newaxis])[:, :, 0]
            r = self.y - gamma @ self.z.T
            extra = np.linalg.slogdet(gram)[1]
        twice: FloatArray = (w * r * r - np.log(w)) @ self.one
        if restricted:
            twice = twice + extra
        return -0.5 * twice

    def score(self, tau2: float, restricted: bool) -> tuple[float, float]:
        """Twice the slope of the log likelihood in τ², and twice its second derivative."""
        w = 1 / (self.v + tau2)
        if self.moderated:
            gram, gamma, wz = self.solve(w)
            u = w * (self.y - self.z @ gamma)
            wu = w * u
            left = self.z.T @ wu
            bend = float(wu.dot(u)) - float(left @ np.linalg.solve(gram, left))
            if restricted:
                p = np.diag(w) - wz @ np.linalg.solve(gram, wz.T)
                trace, square = float(np.trace(p)), float((p * p).sum())
        else:
            s1 = float(w.dot(self.one))
            u = w * (self.y - float(w.dot(self.y)) / s1)
            wu = w * u
            bend = float(wu.dot(u)) - float(w.dot(u)) ** 2 / s1
            if restricted:
                ww = w * w
                s2, s3 = float(w.dot(w)), float(w.dot(ww))
                trace = s1 - s2 / s1
                square = s2 - 2 * s3 / s1 + (s2 / s1) ** 2
        if not restricted:
            trace, square = float(w.dot(self.one)), float(w.dot(w))
        return float(u.dot(u)) - trace, square - 2 * bend

    def trace_p0(self) -> float:
        """Trace of P at τ² = 0: k - p over the typical sampling variance."""
        w = 1 / self.v
        if self.moderated:
            gram, _, wz = self.solve(w)
            return float(w.sum()) - float(np.trace(np.linalg.solve(gram, wz.T @ wz)))
        total = float(w.dot(self.one))
        return total - float(w.dot(w)) / total

    def scatter(self) -> float:
        """Residual sum of squares without weights."""
        fitted = self.z @ (self.z.T @ self.y) if self.moderated else self.y.dot(self.one) / self.k
        r = self.y - fitted
        return float(r.dot(r))

    def alone(self) -> _Design:
        """The same studies without moderators."""
        return _Design(self.y, self.v)


def _estimate_tau2(d: _Design, method: Method, warnings: list[str]) -> float:
    df = d.k - d.p
    if method in ("REML", "ML"):
        return _most_likely(d, method == "REML", warnings)
    if method in ("PM", "EB"):
        return _q_root(d, float(df))
    if method == "DL":
        return max(0.0, (d.q(0.0)[0] - df) / d.trace_p0())
    if method == "HS":
        return max(0.0, (d.q(0.0)[0] - d.k) / float((1 / d.v).sum()))
    if method == "HE":
        if d.moderated:
            noise = float(d.v.sum() - ((d.z * d.z).sum(axis=1) * d.v).sum())
        else:
            noise = float(d.v.sum()) * df / d.k
        return max(0.0, (d.scatter() - noise) / df)
    start = d.alone().scatter() / d.k  # SJ: from the crude variance of the effects, never zero
    return start * d.q(start)[0] / df if start > 0 else 0.0


def _q_root(d: _Design, target: float) -> float:
    """τ² at which y'Py falls to a target; 0 where it is below from the start.

    1/(y'Py) is increasing and concave, so Newton on it climbs to the root and never passes it.
    """
    tau2 = 0.0
    for _ in range(_MOST):
        q, squares = d.q(tau2)
        if q <= target:
            break
        step = q * (q - target) / (target * squares)
        tau2 += step
        if step <= _STEP * (tau2 + d.least):
            break
    return tau2


def _most_likely(d: _Design, restricted: bool, warnings: list[str]) -> float:
    """The τ² of greatest likelihood: every maximum of a grid, polished, and the best of them."""
    bound = d.scatter() / (d.k - d.p) + float(d.v.max())
    start = d.least / 100
    grid = np.empty(_WAY.size + 1)
    grid[0] = 0.0
    grid[1:] = start * np.exp(math.log(bound / start) * _WAY)
    heights = d.profile(grid, restricted)
    rises = heights[1:] > heights[:-1]
    tops = np.flatnonzero(np.r_[True, rises] & ~np.r_[rises, False]).tolist()
    found = [
        _polish(
            lambda t: d.score(t, restricted),
            float(grid[max(j - 1, 0)]),
            float(grid[j]),
            float(grid[min(j + 1, grid.size - 1)]),
            d.least,
        )
        for j in tops
    ]
    if len(found) == 1:
        return found[0]
    likelihoods = [d.log_likelihood(d.fit(t), restricted) for t in found]
    best = found[likelihoods.index(max(likelihoods))]
    # A wrinkle of the grid that is rounding and no maximum has a slope, or leads to the same one.
    others = [
        f"{t:.4g}"
        for t in found
        if abs(t - best) > _WRINKLE * (t + d.least)
        and (t == 0 or abs(d.score(t, restricted)[0]) * (t + d.least) < _WRINKLE)
    ]
    if others:
        warnings.append(
            f"The likelihood has another maximum, at τ² = {', '.join(others)}; the highest "
            "was taken."
        )
    return best


def _polish(
    score: Callable[[float], tuple[float, float]],
    low: float,
    x: float,
    high: float,
    least: float,
) -> float:
    """Newton on a slope inside a bracket, bisecting where a step would leave it."""
    for _ in range(_MOST):
        slope, bend = score(x)
        if slope > 0:
            low = x
        elif x == 0:
            return 0.0
        else:
            high = x
        goal = x - slope / bend if bend < 0 else math.inf
        if not low <= goal <= high:
            goal = 0.5 * (low + high)
        settled = abs(goal - x) <= _STEP * (x + least)
        x = goal
        if settled:
            break
    return x


def _q_profile(d: _Design, level: float, q0: float, warnings: list[str]) -> tuple[float, float]:
    """Limits of τ²: where y'Py meets the χ² quantiles of k - p degrees of freedom."""
    df, tail = d.k - d.p, 0.5 * (1 - level)
    small, large = float(chdtri(df, 1 - tail)), float(chdtri(df, tail))
    if q0 < small:
        warnings.append(
            "The studies agree better than their variances allow: no τ² fits, and its interval "
            "is given as 0 to 0. Check that the variances are not too large."
        )
        return 0.0, 0.0
    return _q_root(d, large), _q_root(d, small)


def _quantile(df: int | None, level: float) -> float:
    upper = 0.5 * (1 + level)
    return float(ndtri(upper)) if df is None else float(stdtrit(df, upper))


def _coefficient(term: str, estimate: float, se: float, df: int | None, half: float) -> Coefficient:
    t: float | None = None
    p: float | None = None
    if se > 0:
        t = estimate / se
        p = 2 * float(ndtr(-abs(t)) if df is None else stdtr(df, -abs(t)))
    return Coefficient(term, estimate, se, df, t, p, estimate - half * se, estimate + half * se)


def _moderator_test(
    d: _Design,
    beta: FloatArray,
    cov: FloatArray,
    factor: float | None,
    method: Method,
    tau2: float,
) -> ModeratorTest | None:
    if not d.moderated:
        return None
    tested = slice(1 if d.intercept else 0, None)
    b, c = beta[tested], cov[tested, tested]
    qm, m = float(b @ np.linalg.solve(c, b)), b.size
    r2 = None
    if method != "FE" and d.intercept:
        before = _estimate_tau2(d.alone(), method, [])
        r2 = 100 * max(0.0, 1 - tau2 / before) if before > 0 else None
    if factor is None:
        return ModeratorTest(qm, m, None, float(chdtrc(m, qm)), r2)
    df = d.k - d.p
    if factor == 0:
        return ModeratorTest(None, m, df, None, r2)
    f = qm / (m * factor)
    return ModeratorTest(f, m, df, float(fdtrc(m, df, f)), r2)


def _finite(x: float | None) -> float | None:
    return x if x is not None and math.isfinite(x) else None


# ------------------------------------------------------------------------------ what is let in


def _among(value: object, names: tuple[str, ...], what: str) -> None:
    if value not in names:
        raise InputError(f"{what} {value!r}: not known. Take one of {', '.join(names)}.")


def checked_studies(y: ArrayLike, v: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Effects and variances as finite numbers of one length; every fault is named at once.

    Problems name the file ``studies`` and the column ``effect`` or ``variance``; whoever read the
    table puts its own names in their place.
    """
    problems: list[Problem] = []
    effects = _numbers(y, "effect", problems)
    variances = _numbers(v, "variance", problems)
    if not problems:
        if effects.size != variances.size:
            raise InputError(
                f"{effects.size} effects and {variances.size} variances: give one variance for "
                "each effect."
            )
        if effects.size == 0:
            raise InputError("No study: there is nothing to pool. Give one effect and variance.")
        least, most = float(variances.min()), float(variances.max())
        if least >= _NARROWEST and max(most, float(abs(effects).max())) <= _WIDEST:
            if most <= _APART * least:
                return effects, variances
            i, remedy = int(variances.argmin()), "Check it, and the unit it is written in."
            what = f"The variance of study {i + 1} is nothing beside the largest, {most:g}."
            problems.append(_problem(i, "variance", least, what, remedy))
            raise InputError(problems)
    for i, x in enumerate(variances.tolist()):
        if x <= 0:
            size = "zero" if x == 0 else "below zero"
            remedy = "Give the squared standard error, or a variance pooled over the trials."
            problems.append(
                _problem(i, "variance", x, f"The variance of study {i + 1} is {size}.", remedy)
            )
        elif x < _NARROWEST or x > _WIDEST:
            problems.append(
                _problem(i, "variance", x, "It is too near zero or too large.", "Change the unit.")
            )
    for i, x in enumerate(effects.tolist()):
        if abs(x) > _WIDEST:
            problems.append(_problem(i, "effect", x, "It is too large.", "Change the unit."))
    raise InputError(problems)


def _numbers(values: ArrayLike, column: str, problems: list[Problem]) -> FloatArray:
    """Finite numbers of one axis; a fault goes to ``problems`` and stands as NaN in the result."""
    a = values if isinstance(values, np.ndarray) else _array(values, column)
    if a.ndim != 1:
        raise InputError(f"{column}: {a.ndim} axes. Give a list with one {column} a study.")
    if a.dtype.kind in "iuf":
        a = a.astype(np.float64)
        if np.isfinite(a).all():
            return a
    out = np.full(a.size, math.nan)
    for i, x in enumerate(a.tolist()):
        if isinstance(x, bool) or not isinstance(x, Real):
            what = "It is missing." if x is None or x == "" else "It is not a number."
        elif not math.isfinite(x):
            what = "It is not a finite number."
        else:
            out[i] = float(x)
            continue
        remedy = f"Write the {column} as a number, or leave the study out."
        problems.append(_problem(i, column, x, what, remedy))
    return out


def _array(values: ArrayLike, column: str) -> NDArray[Any]:
    """A sequence as an array that keeps text apart from numbers."""
    try:
        a = np.asarray(values)
        # Among text numpy would turn the numbers into text too.
        return a if a.dtype.kind in "iuf" else np.asarray(values, dtype=object)
    except (TypeError, ValueError) as e:
        raise InputError(f"{column}: not a plain list. Give one {column} a study.") from e


def _problem(index: int, column: str, value: object, what: str, remedy: str) -> Problem:
    return Problem("studies", index + 2, column, str(value), what, remedy)


def _matrix(
    moderators: Mapping[str, ArrayLike], k: int, intercept: bool
) -> tuple[FloatArray, tuple[str, ...]]:
    """The design matrix and its terms; words become one column for each level but the first."""
    if not moderators:
        raise InputError("No moderator is named. Name one, or leave moderators out.")
    terms, columns = (["intercept"], [np.ones(k)]) if intercept else ([], [])
    for name, values in moderators.items():
        a = values if isinstance(values, np.ndarray) else _array(values, name)
        if a.ndim == 1 and a.size != k:
            raise InputError(f"Moderator {name}: {a.size} values for {k} studies. Give one each.")
        entries = a.tolist() if a.ndim == 1 else []
        if entries and all(isinstance(x, str) and x for x in entries):
            levels = sorted(set(entries))
            # Without an intercept the first factor carries every level's mean.
            for level in levels[1:] if intercept or columns else levels:
                terms.append(f"{name}={level}")
                columns.append(np.array([float(x == level) for x in entries]))
            if len(levels) == 1 and intercept:
                raise InputError(f"Moderator {name}: every study has {levels[0]!r}. Leave it out.")
            continue
        problems: list[Problem] = []
        column = _numbers(a, name, problems)
        if problems:
            raise InputError(problems)
        terms.append(name)
        columns.append(column)
    if k <= len(terms):
        raise InputError(
            f"{k} studies for {len(terms)} coefficients ({', '.join(terms)}): there must be more "
            "studies than coefficients. Take fewer moderators."
        )
    x = np.column_stack(columns)
    size = np.sqrt((x * x).sum(axis=0))
    left = abs(np.diag(np.linalg.qr(x / np.where(size > 0, size, 1.0), mode="r")))
    for term, share in zip(terms, left.tolist(), strict=True):
        if share < _SINGULAR:
            raise InputError(
                f"Moderator {term}: it is constant or repeats the ones before it. Leave it out."
            )
    return x, tuple(terms)
