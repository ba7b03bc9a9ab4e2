"""One shape for every uncertain number, in Python, JSON, HTTP and pages."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any, Literal

Kind = Literal["confidence", "credible", "prediction", "range"]
Status = Literal["ok", "at_limit", "not_valid", "not_known"]


@dataclass(frozen=True, slots=True)
class Estimate:
    """An uncertain number with its interval and how it was reached.

    Parameters
    ----------
    value, low, high : float or None
        Point and interval ends in ``unit`` on ``scale``; None where not known.
    unit : str
        Unit text, for example ``"log10 cells/seed"``.
    scale : {"linear", "log10"}
        Scale on which the numbers are written.
    level : float or None
        Coverage of the interval (0.90 in plan.json); None for a range.
    kind : {"confidence", "credible", "prediction", "range"}
        What the interval is.
    se : float or None
        Standard error on ``scale``.
    n : int or None
        Number of observations behind it.
    method : str
        How it was reached, in a few words.
    status : {"ok", "at_limit", "not_valid", "not_known"}
        ``at_limit``: a bound rather than a point.

    Raises
    ------
    ValueError
        If a number is NaN (a missing number is None, never NaN) or the ends are reversed.

    Examples
    --------
    >>> Estimate(6.0, 5.5, 6.5, "log10 cells/seed", "log10").to_dict()["value"]
    6.0
    """

    value: float | None
    low: float | None
    high: float | None
    unit: str
    scale: Literal["linear", "log10"] = "linear"
    level: float | None = None
    kind: Kind = "credible"
    se: float | None = None
    n: int | None = None
    method: str = ""
    status: Status = "ok"

    def __post_init__(self) -> None:
        for name in ("value", "low", "high", "se"):
            number = getattr(self, name)
            if number is not None and math.isnan(number):
                raise ValueError(f"{name} is NaN; a missing number is None")
        if self.low is not None and self.high is not None and self.low > self.high:
            raise ValueError(f"interval ends are reversed: {self.low} > {self.high}")

    @classmethod
    def not_known(
        cls, unit: str, why: str, scale: Literal["linear", "log10"] = "linear"
    ) -> Estimate:
        """An estimate that says it is not known, and why.

        Examples
        --------
        >>> Estimate.not_known("kg/ha", "no gain evidence for lentil").status
        'not_known'
        """
        return cls(None, None, None, unit, scale, method=why, status="not_known")

    def to_dict(self) -> dict[str, Any]:
        """The estimate as plain JSON values; an infinite end becomes None."""
        out = asdict(self)
        for name in ("value", "low", "high", "se"):
            if out[name] is not None and math.isinf(out[name]):
                out[name] = None
        return out
