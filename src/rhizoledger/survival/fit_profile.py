"""How far a likelihood may fall inside the limits of a fitted curve."""

from __future__ import annotations

import math

from scipy.special import chdtri, stdtrit


def loss_allowed(level: float, n: int, parameters: int, likelihood: str) -> float:
    """How far 2ℓ may fall below its maximum inside limits of a level.

    Parameters
    ----------
    level : float
        Coverage.
    n, parameters : int
        Rows, and parameters of the curve.
    likelihood : {"normal", "poisson", "nb"}
        χ²₁ for Poisson. Where the scatter is estimated too, n·ln(1 + t²/(n − p)), t on n − p
        degrees of freedom: Student's interval where the model is a line, so that few rows do not
        make limits too narrow. For negative binomial colonies it is a calibration: see the docs.

    Examples
    --------
    >>> [round(loss_allowed(0.95, 10, 2, kind), 4) for kind in ("poisson", "normal")]
    [3.8415, 5.0965]
    """
    if likelihood == "poisson":
        return float(chdtri(1, 1 - level))
    df = n - parameters
    t = float(stdtrit(df, 0.5 * (1 + level)))
    return n * math.log1p(t * t / df)
