"""What a count met on the way did to a balance, and how far the draws behind it can be trusted."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from rhizoledger.draws import FloatArray
from rhizoledger.estimate import Estimate
from rhizoledger.plan.balance import LEVEL, MIN_ESS, UNIT, Balance
from rhizoledger.stats.importance import K_GOOD, effective_size, pareto_k

Did = Literal["opens", "weighs", "stands_alone", "stays_out"]
"""A count opens a balance, weighs its draws, replaces it, or leaves it as it was."""


@dataclass(frozen=True, slots=True)
class Met:
    """A count beside the balance before it; the balance after it is the entry's own.

    Parameters
    ----------
    did : {"opens", "weighs", "stands_alone", "stays_out"}
        ``"opens"``: nothing, or only a guarantee, stood before. ``"stands_alone"``: it lies far
        below what the steps allow. ``"stays_out"``: the balance stands as it was.
    before, alone : Estimate
        The balance just before, and the count by itself [log10 cells/seed, or per mL or g of lot].
    ess, k_hat : float or None
        Effective draws after a re-weighting and their Pareto k-hat, at the worse of the gap's ends.
    draws : int
        Draws that were weighed.
    """

    did: Did
    before: Estimate
    alone: Estimate
    ess: float | None = None
    k_hat: float | None = None
    draws: int = 0

    @property
    def doubt(self) -> str:
        """What to say where too few draws reach the count, or nothing."""
        if self.ess is None or self.k_hat is None:
            return ""
        if self.ess >= min(MIN_ESS, self.draws / 10) and self.k_hat <= K_GOOD:  # exact: as counted
            return ""
        return (
            f"the count lies where the steps hardly reach: this rests on {self.ess:.0f} effective "
            f"draws of {self.draws} (k-hat {self.k_hat:.2g}); count again before relying on it"
        )


@dataclass(frozen=True, slots=True)
class Weighing:
    """Log weights of one balance's draws before and after a count; None before any."""

    before: FloatArray | None
    after: FloatArray

    @property
    def ess(self) -> float:
        """Effective draws after the count."""
        return effective_size(self.after)

    @property
    def k_hat(self) -> float:
        """Pareto k-hat of the weights after the count."""
        return pareto_k(self.after)

    @property
    def log_likelihood(self) -> FloatArray:
        """What the count added, shape (draws,)."""
        return self.after if self.before is None else self.after - self.before


def bound_alone(low: float, method: str) -> Estimate:
    """A count that only says "more than" [log10]."""
    return Estimate(None, low, None, UNIT, "log10", LEVEL, method=method, status="at_limit")


def distance(count: Balance, balance: Balance) -> float:
    """How far a count lies above a modelled balance, in standard deviations of the prediction."""
    (at, own), (mean, spread) = _moments(count), _moments(balance)
    return (at - mean) / float(np.sqrt(own + spread))


def _moments(balance: Balance) -> tuple[float, float]:
    w, x = balance.weights, balance.values
    mean = float(np.sum(w * x))
    return mean, float(np.sum(w * (x - mean) ** 2))
