"""Priors of normal hierarchical models."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from numpy.typing import NDArray

from rhizoledger.errors import InputError

FloatArray = NDArray[np.float64]
Kind = Literal["half_normal", "half_cauchy", "flat"]


@dataclass(frozen=True, slots=True)
class TauPrior:
    """Prior of a between-group standard deviation on [0, ∞).

    Parameters
    ----------
    kind : {"half_normal", "half_cauchy", "flat"}
        ``flat`` is improper: equal density for every value.
    scale : float or None
        The sd of the normal before folding, or the median of the half-Cauchy, > 0, in the unit of
        the effects; None for ``flat``.

    Examples
    --------
    >>> TauPrior("half_normal", 5.0).scale
    5.0
    """

    kind: Kind = "flat"
    scale: float | None = None

    def __post_init__(self) -> None:
        if self.kind not in get_args(Kind):
            raise InputError(
                f"tau prior {self.kind!r}: not known. Take half_normal, half_cauchy or flat."
            )
        if self.kind == "flat":
            if self.scale is not None:
                raise InputError("A flat tau prior has no scale. Leave it out.")
        elif self.scale is None or not (math.isfinite(self.scale) and self.scale > 0):
            raise InputError(
                f"scale {self.scale!r} of the {self.kind} prior: it must be above zero."
            )

    def log_density(self, tau: FloatArray) -> FloatArray:
        """Up to a constant."""
        if self.scale is None:
            return np.zeros_like(tau)
        if self.kind == "half_normal":
            return -0.5 * (tau / self.scale) ** 2
        return -np.log1p((tau / self.scale) ** 2)

    @property
    def power(self) -> float:
        """The density falls as tau to minus this."""
        return {"flat": 0.0, "half_cauchy": 2.0, "half_normal": math.inf}[self.kind]


FLAT = TauPrior()


@dataclass(frozen=True, slots=True)
class MuPrior:
    """Normal prior of the overall mean.

    Parameters
    ----------
    mean, sd : float
        ``sd`` > 0; a flat prior is None in place of this.
    """

    mean: float
    sd: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.mean) and math.isfinite(self.sd) and self.sd > 0):
            raise InputError(
                f"mu prior ({self.mean!r}, {self.sd!r}): the mean must be finite and the sd above "
                "zero. For a flat prior give None."
            )
