"""The running balance of live cells, as draws that remember what moved them.

A balance is a sum of named parts on the log10 scale: what each parameter or count contributed, draw
by draw. The parts add up to the balance exactly, so covariance shares by part sum to one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from rhizoledger.draws import FloatArray
from rhizoledger.estimate import Estimate, Status

LEVEL = 0.9  # exact: plan.json prints 90 % intervals
UNIT = "log10 cells/seed"
TOGETHER = "parameters together"
DOTS = 20  # numeric: each dot is one in twenty, so that a chance can be counted
MIN_ESS = 400.0  # numeric: below this the re-weighted draws no longer carry the answer (§2.10)


@dataclass(frozen=True, slots=True)
class Balance:
    """Live cells per seed at a moment.

    Parameters
    ----------
    parts : mapping of str to array, shape (draws,)
        Additive parts [log10 cells/seed]; empty where the balance is not known.
    high : float or None
        Where not known: the upper bound kept from before (a balance never rises unseen).
    log_weight : array, shape (draws,), or None
        Logarithms of the weights that counts have given the draws; None means all equal.
    at_least : bool
        Whether the balance rests on a guarantee, which is a lower bound (§2.7).
    """

    parts: Mapping[str, FloatArray] = field(default_factory=dict)
    high: float | None = None
    log_weight: FloatArray | None = None
    at_least: bool = False

    @property
    def known(self) -> bool:
        """Whether there is a number at all."""
        return bool(self.parts)

    @property
    def values(self) -> FloatArray:
        """The balance, shape (draws,) [log10 cells/seed]."""
        first, *rest = self.parts.values()
        total = first.copy()
        for part in rest:
            total += part
        return total

    @property
    def weights(self) -> FloatArray:
        """Weights that sum to one, shape (draws,)."""
        n = len(next(iter(self.parts.values())))
        if self.log_weight is None:
            return np.full(n, 1.0 / n)
        w = np.exp(self.log_weight - self.log_weight.max())
        return np.asarray(w / w.sum())

    @property
    def ess(self) -> float:
        """Effective number of draws behind the balance (Kish); 0 where it is not known."""
        return float(1.0 / np.sum(self.weights**2)) if self.known else 0.0

    def plus(self, name: str, change: FloatArray) -> Balance:
        """The balance after a change named ``name`` [log10]."""
        if not self.known:
            return self
        parts = dict(self.parts)
        parts[name] = parts[name] + change if name in parts else change
        return Balance(parts, None, self.log_weight, self.at_least)

    def lost(self) -> Balance:
        """The balance after a step nobody can put a number on: only an upper bound is kept."""
        return Balance({}, self.quantile(0.5 + 0.5 * LEVEL) if self.known else self.high)

    def quantile(self, q: float) -> float:
        """Weighted quantile [log10 cells/seed]."""
        x = self.values
        if self.log_weight is None:
            return float(np.quantile(x, q))
        order = np.argsort(x, kind="stable")
        w = self.weights[order]
        mid = np.cumsum(w) - 0.5 * w
        return float(np.interp(q, mid, x[order]))

    def quantiles(self, qs: Sequence[float]) -> tuple[float, ...]:
        """Several quantiles at once [log10 cells/seed]."""
        if self.log_weight is None:
            return tuple(np.quantile(self.values, qs).tolist())
        return tuple(self.quantile(q) for q in qs)

    def dots(self) -> tuple[float, ...]:
        """Twenty equally likely balances, each one in twenty; none where it is not known."""
        if not self.known:
            return ()
        return self.quantiles(((np.arange(DOTS) + 0.5) / DOTS).tolist())

    def p_at_least(self, requirement_log10: float) -> float:
        """Probability that the balance is at least the requirement."""
        enough = self.values >= requirement_log10
        if self.log_weight is None:
            return float(np.mean(enough))
        return min(1.0, float(np.sum(self.weights[enough])))

    def spread_from(self) -> dict[str, float]:
        """Covariance shares by part; they sum to 1, or there are none where nothing varies."""
        if not self.known:
            return {}
        w, x = self.weights, self.values
        dx = x - np.sum(w * x)
        variance = float(np.sum(w * dx * dx))
        if variance <= np.finfo(float).eps:
            return {}
        return {
            name: float(np.sum(w * dx * (part - np.sum(w * part)))) / variance
            for name, part in self.parts.items()
            if np.ptp(part) > 0
        }


def pooled_estimate(worse: Balance, better: Balance, method: str) -> Estimate:
    """The balance as printed: between the two ends at which gaps can be held.

    ``low`` is the 5 % point at the worse end, ``high`` the 95 % point at the better one, ``value``
    midway between the two medians; without a gap the two ends are one.
    """
    if not (worse.known and better.known):
        high = worse.high
        return Estimate(
            None, None, high, UNIT, "log10", LEVEL, "credible", method=method, status="not_known"
        )
    tail = 0.5 - 0.5 * LEVEL
    low, high = worse.quantile(tail), better.quantile(1 - tail)
    value = 0.5 * (worse.quantile(0.5) + better.quantile(0.5))
    w, x = worse.weights, worse.values
    se = float(np.sqrt(np.sum(w * (x - np.sum(w * x)) ** 2)))
    status: Status = "at_limit" if worse.at_least else "ok"
    return Estimate(
        value, min(low, value), max(high, value), UNIT, "log10", LEVEL, "credible", se,
        method=method, status=status,
    )  # fmt: skip
