"""The ratio of two normal estimates: Fieller's limits, also where they are no interval."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from numbers import Real
from typing import Any, Literal

from scipy.special import ndtri, stdtrit

from rhizoledger.errors import InputError
from rhizoledger.stats.poisson import checked_level

Kind = Literal["interval", "outside", "whole_line", "half_line"]
_NOTHING = 1e-100  # numeric: standard errors; so near zero a denominator is zero
_OVER = 1e-9  # numeric: a correlation above 1 by less is rounding of the covariance


@dataclass(frozen=True, slots=True)
class Ratio:
    """A ratio with its Fieller set and, beside it, the delta method's interval.

    Parameters
    ----------
    ratio : float or None
        Numerator over denominator; None where the denominator is estimated as zero.
    kind : {"interval", "outside", "whole_line", "half_line"}
        ``interval``: from ``low`` to ``high``. ``outside``: every value up to ``low`` *and* every
        value from ``high`` on; what lies between them is excluded. ``whole_line``: no value is
        excluded. ``half_line``: one end only, the other is None.
    low, high : float or None
        Ends of the set; None where there is none.
    g : float
        (t se / denominator)²: below 1 the denominator differs from zero and the set is an interval;
        infinite where the denominator is zero.
    delta_se, delta_low, delta_high : float or None
        The delta method, which always gives an interval, also where it should not; None where the
        denominator is zero.
    level : float
        Confidence level.
    df : float or None
        Degrees of freedom of t; None for a normal.
    """

    ratio: float | None
    kind: Kind
    low: float | None
    high: float | None
    g: float
    delta_se: float | None
    delta_low: float | None
    delta_high: float | None
    level: float
    df: float | None

    def contains(self, value: float) -> bool:
        """Whether the set holds a value.

        Examples
        --------
        >>> fieller(6, 1, 1, 1).kind, fieller(6, 1, 1, 1).contains(0)
        ('outside', False)
        """
        if self.kind == "outside":
            assert self.low is not None and self.high is not None
            return value <= self.low or value >= self.high
        above = self.low is None or value >= self.low
        return above and (self.high is None or value <= self.high)

    def sentence(self) -> str:
        """The set in words.

        Examples
        --------
        >>> fieller(1, 1, 1, 1).sentence()
        'No value of the ratio is excluded: neither estimate differs from zero clearly enough.'
        """
        if self.kind == "whole_line":
            return (
                "No value of the ratio is excluded: neither estimate differs from zero clearly "
                "enough."
            )
        if self.kind == "outside":
            return (
                f"The ratio is at most {self.low:.6g} or at least {self.high:.6g}: the denominator "
                "does not differ from zero."
            )
        if self.low is None:
            return f"The ratio is at most {self.high:.6g}."
        if self.high is None:
            return f"The ratio is at least {self.low:.6g}."
        return f"The ratio is between {self.low:.6g} and {self.high:.6g}."

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready; an infinite ``g`` is None."""
        return asdict(self) | {"g": self.g if math.isfinite(self.g) else None}


def fieller(
    numerator: float,
    denominator: float,
    numerator_variance: float,
    denominator_variance: float,
    covariance: float = 0.0,
    *,
    df: float | None = None,
    level: float = 0.95,  # exact: the customary level
) -> Ratio:
    """Fieller's confidence set for the ratio of two normal means.

    Parameters
    ----------
    numerator, denominator : float
        The two estimates, jointly normal.
    numerator_variance, denominator_variance : float
        Variances of the estimates (squared standard errors), >= 0, not both 0.
    covariance : float
        Covariance of the estimates; |covariance| at most the product of the standard errors.
    df : float or None
        Degrees of freedom > 0 of one common variance estimate; None for known variances.
    level : float
        Confidence level in (0, 1).

    Returns
    -------
    Ratio
        Not always an interval: see its ``kind``. Coverage is exact for normal estimates.

    Raises
    ------
    InputError
        If a number is missing, a variance is negative or the covariance is impossible.

    Notes
    -----
    §5.3. The set of θ for which a - θb does not differ from zero,
    (a - θb)² <= t² (Va - 2θ Vab + θ² Vb): a quadratic Aθ² - 2Bθ + C <= 0 with A = b² - t²Vb,
    B = ab - t²Vab, C = a² - t²Va. A > 0: interval. A < 0: outside the roots, or the whole line
    where there are none. A = 0: one end.

    References
    ----------
    Fieller, Journal of the Royal Statistical Society B 16 (1954) 175-185.

    Examples
    --------
    A known denominator of 2 only halves the limits 10 ± 1.96:

    >>> r = fieller(10, 2, 1, 0)
    >>> r.kind, round(r.low, 2), round(r.high, 2)
    ('interval', 4.02, 5.98)
    """
    checked_level(level)
    a = _number("numerator", numerator)
    b = _number("denominator", denominator)
    va = _number("variance of the numerator", numerator_variance)
    vb = _number("variance of the denominator", denominator_variance)
    vab = _number("covariance", covariance)
    for name, variance in (("numerator", va), ("denominator", vb)):
        if variance < 0:
            raise InputError(
                f"variance of the {name} {variance:g}: it is below zero. Give the squared standard "
                "error."
            )
    if va == 0 and vb == 0:
        raise InputError(
            "Both variances are zero: the ratio has no uncertainty to be computed. Give the "
            "squared standard error of at least one estimate."
        )
    if abs(vab) > math.sqrt(va) * math.sqrt(vb) * (1 + _OVER):
        raise InputError(
            f"covariance {vab:g}: larger than the standard errors allow "
            f"({math.sqrt(va) * math.sqrt(vb):g}). Give the covariance of the two estimates, not "
            "of the single values."
        )
    if df is not None and not _number("df", df) > 0:
        raise InputError(f"df {df:g}: it must be above zero. Leave it out for known variances.")
    tail = (1 - level) / 2
    t = -float(ndtri(tail) if df is None else stdtrit(df, tail))

    # In units of the two standard errors nothing overflows, and a test for zero has a scale.
    ua, ub = (math.sqrt(va) or abs(a) or 1.0), (math.sqrt(vb) or abs(b) or 1.0)
    if abs(b) < _NOTHING * ub:
        b = 0.0
    kind, roots = _set(a / ua, b / ub, va / ua**2, vb / ub**2, vab / ua / ub, t)
    low, high = (None if x is None else x * ua / ub for x in roots)
    if b == 0:
        return Ratio(None, kind, low, high, math.inf, None, None, None, level, df)
    ratio, g = a / b, (t * math.sqrt(vb) / b) ** 2
    se = math.sqrt(max(0.0, va - 2 * ratio * vab + ratio * ratio * vb)) / abs(b)
    return Ratio(ratio, kind, low, high, g, se, ratio - t * se, ratio + t * se, level, df)


def _set(
    a: float, b: float, va: float, vb: float, vab: float, t: float
) -> tuple[Kind, tuple[float | None, float | None]]:
    """The kind of set and its ends for scaled estimates."""
    square, middle, constant = b * b - t * t * vb, a * b - t * t * vab, a * a - t * t * va
    # B² - AC written so that the leading terms cancel before they are computed.
    spread = b * b * va - 2 * a * b * vab + a * a * vb - t * t * (va * vb - vab * vab)
    if square == 0:
        if middle == 0:
            # constant <= 0 for every θ, or for none; an estimate never contradicts itself.
            return "whole_line", (None, None)
        end = constant / (2 * middle)
        return "half_line", (end, None) if middle > 0 else (None, end)
    if spread <= 0 and square < 0:
        return "whole_line", (None, None)
    root = t * math.sqrt(max(0.0, spread))
    far = middle + math.copysign(root, middle)
    one, other = far / square, (constant / far if far != 0 else 0.0)
    ends = (min(one, other), max(one, other))
    return ("interval" if square > 0 else "outside"), ends


def _number(name: str, value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, Real) or not math.isfinite(value):
        raise InputError(f"{name} {value!r}: not a finite number. Give a number.")
    return float(value)
