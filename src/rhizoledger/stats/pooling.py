"""Pooling of estimates with known variances: random effects, meta-regression, sensitivity."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import get_args

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc, fdtrc, ndtr, stdtr

from rhizoledger.errors import InputError
from rhizoledger.stats.between_studies import Design, critical_value, estimate_tau2, q_profile
from rhizoledger.stats.poisson import checked_level
from rhizoledger.stats.pooling_answer import (
    Alternative,
    Coefficient,
    Convention,
    ModeratorTest,
    Pooled,
    Test,
)
from rhizoledger.stats.studies import FloatArray, Method, checked_studies, moderator_matrix

I2_FROM_TAU2 = "percent, tau2 / (tau2 + typical sampling variance)"
I2_FROM_Q = "percent, (Q - df) / Q"
REML_CONVENTION = "restricted, with -(k - p)/2 ln 2 pi and + ln|X'X|/2"
ML_CONVENTION = "full, with -k/2 ln 2 pi"
NO_LIKELIHOOD = "none: a moment estimator maximises no likelihood"


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
    factors: dict[str, tuple[int, int]] = {}
    if moderators is None:
        if not intercept:
            raise InputError("No intercept and no moderators: nothing to estimate. Keep one.")
        d = Design(effects, variances)
    else:
        x, terms, factors = moderator_matrix(moderators, k, intercept)
        d = Design(effects, variances, x, terms, intercept)
    warnings: list[str] = []
    lone = k == 1
    if lone:
        if test == "knha":
            warnings.append("One study: Knapp-Hartung needs two, so the limits are normal (z).")
            test = "z"
        if method != "FE":
            warnings.append("One study: it cannot show how much effects differ, so there is no τ².")
    tau2 = 0.0 if lone or method == "FE" else estimate_tau2(d, method, warnings)

    df = k - d.p
    at = d.fit(tau2)
    q0, _ = d.q(0.0) if tau2 > 0 else (at.q, 0.0)
    factor = at.q / df if test == "knha" else None
    beta, cov = d.coefficients(at)
    t_df = df if test == "knha" else None
    half = critical_value(t_df, level)
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
    narrow = half * inflate < critical_value(None, level)

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
        low2, high2 = q_profile(d, level, q0, warnings)
        if not low2 <= tau2 <= high2:
            warnings.append(
                f"τ² by {method} ({tau2:.3g}) lies outside its own limits ({low2:.3g} to "
                f"{high2:.3g}): the two weigh the studies differently. Compare REML."
            )

    new_df, new_se = {
        "t": (df, mean.se),
        "hts": (df - 1, plain_se),
        "z": (None, plain_se),
    }[prediction]
    new: tuple[float, float] | None = None
    new_cautious: tuple[float, float] | None = None
    if lone:
        warnings.append("One study: there is no prediction interval.")
    elif method == "FE":
        warnings.append(
            "FE takes the variance between studies as none; it is not estimated, and there is no "
            "prediction interval."
        )
    elif new_df == 0:
        warnings.append(
            f"The hts prediction interval needs {d.p + 2} studies; there are {k}. "
            "Take convention t or z."
        )
    else:
        times = critical_value(new_df, level)
        reach = times * math.sqrt(tau2 + new_se**2)
        new = mean.estimate - reach, mean.estimate + reach
        if cautious is not None:
            reach = times * math.sqrt(tau2 + (cautious.se if prediction == "t" else plain_se) ** 2)
            new_cautious = mean.estimate - reach, mean.estimate + reach
    alternative = None
    if cautious is not None and narrow:
        alternative = Alternative(cautious.low, cautious.high, *(new_cautious or (None, None)))
        warnings.append(_narrow_warning(factor, alternative))

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
        prediction_low=None if new is None else new[0],
        prediction_high=None if new is None else new[1],
        prediction=prediction,
        prediction_df=new_df,
        prediction_se=new_se,
        coefficients=tuple(rows),
        moderator_test=_moderator_test(d, beta, cov, factor, method, tau2),
        factor_tests={
            name: _joint(d, beta, cov, factor, slice(*of), None) for name, of in factors.items()
        },
        k=k,
        method=method,
        test=test,
        level=level,
        loglik=loglik,
        loglik_convention=convention,
        plain_se=plain_se,
        factor=factor,
        cautious=cautious,
        alternative=alternative,
        warnings=tuple(warnings),
    )


def _narrow_warning(factor: float | None, wider: Alternative) -> str:
    said = (
        f"The Knapp-Hartung interval is narrower than the normal one (q = {factor:.3g}): trials "
        "that agree by luck make it so. Use the wider one, with max(1, q): "
        f"{wider.low:.4g} to {wider.high:.4g}"
    )
    if wider.prediction_low is None or wider.prediction_high is None:
        return f"{said}."
    return (
        f"{said}; a new trial's true effect {wider.prediction_low:.4g} to "
        f"{wider.prediction_high:.4g}."
    )


def _coefficient(term: str, estimate: float, se: float, df: int | None, half: float) -> Coefficient:
    t: float | None = None
    p: float | None = None
    if se > 0:
        t = estimate / se
        p = 2 * float(ndtr(-abs(t)) if df is None else stdtr(df, -abs(t)))
    return Coefficient(term, estimate, se, df, t, p, estimate - half * se, estimate + half * se)


def _moderator_test(
    d: Design,
    beta: FloatArray,
    cov: FloatArray,
    factor: float | None,
    method: Method,
    tau2: float,
) -> ModeratorTest | None:
    if not d.moderated:
        return None
    r2 = None
    if method != "FE" and d.intercept:
        before = estimate_tau2(d.alone(), method, [])
        r2 = 100 * max(0.0, 1 - tau2 / before) if before > 0 else None
    return _joint(d, beta, cov, factor, slice(1 if d.intercept else 0, None), r2)


def _joint(
    d: Design,
    beta: FloatArray,
    cov: FloatArray,
    factor: float | None,
    tested: slice,
    r2: float | None,
) -> ModeratorTest:
    """Whether all coefficients of a slice are zero, by the test of the fit."""
    b, c = beta[tested], cov[tested, tested]
    qm, m = float(b @ np.linalg.solve(c, b)), b.size
    if factor is None:
        return ModeratorTest(qm, m, None, float(chdtrc(m, qm)), r2)
    df = d.k - d.p
    if factor == 0:
        return ModeratorTest(None, m, df, None, r2)
    f = qm / (m * factor)
    return ModeratorTest(f, m, df, float(fdtrc(m, df, f)), r2)


def _among(value: object, names: tuple[str, ...], what: str) -> None:
    if value not in names:
        raise InputError(f"{what} {value!r}: not known. Take one of {', '.join(names)}.")
