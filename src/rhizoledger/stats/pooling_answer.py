"""What pooling answers: coefficients, the mean, what a new study may show, what to mind."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any, Literal

from scipy.special import ndtr, stdtr

from rhizoledger.stats.studies import Method

Test = Literal["z", "knha"]
Convention = Literal["t", "hts", "z"]


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
class Alternative:
    """The wider limits to use where Knapp-Hartung's are narrower than normal ones: max(1, q).

    Parameters
    ----------
    low, high : float
        Of the mean.
    prediction_low, prediction_high : float or None
        Of a new study's true effect, by the convention of the answer; None where there is none.
    """

    low: float
    high: float
    prediction_low: float | None
    prediction_high: float | None


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
    factor_tests : mapping of str to ModeratorTest
        Of each moderator in words: whether its levels differ.
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
    alternative : Alternative or None
        What to use in place of the limits; None where they are no narrower than normal ones.
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
    factor_tests: Mapping[str, ModeratorTest]
    k: int
    method: Method
    test: Test
    level: float
    loglik: float | None
    loglik_convention: str
    plain_se: float
    factor: float | None
    cautious: Coefficient | None
    alternative: Alternative | None
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
        >>> from rhizoledger.stats.pooling import pool
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
            "alternative": None if self.alternative is None else _as_dict(self.alternative, self),
            "coefficients": [asdict(c) for c in self.coefficients],
            "moderator_test": None if self.moderator_test is None else asdict(self.moderator_test),
            "factor_tests": {name: asdict(test) for name, test in self.factor_tests.items()},
            "k": self.k,
            "method": self.method,
            "test": self.test,
            "loglik": _finite(self.loglik),
            "loglik_convention": self.loglik_convention,
            "warnings": list(self.warnings),
        }


def _as_dict(wider: Alternative, of: Pooled) -> dict[str, Any]:
    return {
        "rule": "max(1, q)",
        "low": _finite(wider.low),
        "high": _finite(wider.high),
        "prediction": {
            "low": _finite(wider.prediction_low),
            "high": _finite(wider.prediction_high),
            "convention": of.prediction,
        },
    }


def _finite(x: float | None) -> float | None:
    return x if x is not None and math.isfinite(x) else None
