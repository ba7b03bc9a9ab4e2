"""Keeping a ledger: one entry per step, each with the running balance of live cells.

A :class:`Book` takes the entries one by one. It carries the balance twice, with every gap in the
record held at its harmless and at its harmful end (§2.4), and re-weights draws when a count is met
on the way (§2.10). It knows nothing of seed or jugs: the modules that do write into it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Literal

import numpy as np

from rhizoledger.draws import Draws, FloatArray
from rhizoledger.estimate import Estimate
from rhizoledger.evidence import Parameter
from rhizoledger.plan.balance import LEVEL, UNIT, Balance, pooled_estimate
from rhizoledger.plan.counting import SampleCount, error_sizes
from rhizoledger.plan.met import Did, Met, Weighing, bound_alone, distance
from rhizoledger.plan.spoken import grouped

CONFLICT = 3.0  # numeric: standard deviations beyond which count and steps contradict each other

State = Literal["quantified", "not_quantified", "not_valid"]


@dataclass(frozen=True, slots=True)
class Entry:
    """One step: what changed, by how much, and the balance after it.

    ``dots`` are twenty equally likely balances [log10 cells/seed], gaps at their worse end. ``met``
    is what a count on the way did.
    """

    step: str
    start: datetime
    end: datetime
    change: Estimate
    balance: Estimate
    parameters: tuple[str, ...]
    state: State
    why: str
    dots: tuple[float, ...] = ()
    met: Met | None = None


@dataclass(frozen=True, slots=True)
class Ledger:
    """A batch's ledger, closed: what was there, what each step cost, what arrives, how sure.

    Parameters
    ----------
    batch : str
        Whose ledger it is.
    opening, closing : Estimate
        First and last balance [log10 cells/seed], by plate count.
    entries : tuple of Entry
        In time order.
    requirement_log10 : float or None
        What the crop needs [log10 cells/seed]; None where the season sets nothing.
    p_meets : float or None
        P(≥ requirement) where it may be printed, gaps at their worse end.
    spread_from : mapping of str to float
        Covariance shares of the closing balance by what moved it; they sum to 1.
    ess : float or None
        Effective draws left by counts on the way; None where there was none.
    """

    batch: str
    opening: Estimate
    entries: tuple[Entry, ...]
    closing: Estimate
    requirement_log10: float | None
    p_meets: float | None
    spread_from: Mapping[str, float]
    ess: float | None


@dataclass(frozen=True, slots=True)
class Change:
    """Parts of a change [log10], each shape (draws,), at the worse and the better end of gaps."""

    worse: dict[str, FloatArray]
    better: dict[str, FloatArray]

    @classmethod
    def same(cls, parts: dict[str, FloatArray]) -> Change:
        """A change that no gap blurs."""
        return cls(parts, parts)

    def estimate(self, method: str, before: tuple[Balance, Balance]) -> Estimate:
        """The change as printed [log10], under the weights that counts before it have given."""
        worse = Balance(self.worse, log_weight=before[0].log_weight)
        better = Balance(self.better, log_weight=before[1].log_weight)
        tail = 0.5 - 0.5 * LEVEL
        low, high = worse.quantile(tail), better.quantile(1 - tail)
        value = 0.5 * worse.quantile(0.5) + 0.5 * better.quantile(0.5)
        return Estimate(
            value, min(low, value), max(high, value), "log10", "log10", LEVEL, method=method
        )


@dataclass(slots=True)
class Book:
    """A ledger being written.

    Parameters
    ----------
    draws : Draws
        The season's draws.
    sample_sd : Parameter
        Between-sample standard deviation of a count [log10].
    brief : bool
        Keep balances only: entries carry no numbers. For a book of which one asks nothing but P.
    """

    draws: Draws
    sample_sd: Parameter
    brief: bool = False
    worse: Balance = field(default_factory=Balance)
    better: Balance = field(default_factory=Balance)
    entries: list[Entry] = field(default_factory=list)
    used: dict[str, Parameter] = field(default_factory=dict)
    grades: list[str] = field(default_factory=list)
    flags: list[str] = field(default_factory=list)
    """Reasons why the record is not clean since the last count: excursions and hazards."""
    ess: float | None = None
    weighings: list[tuple[Weighing, Weighing]] = field(default_factory=list)
    """What each count that re-weighted draws did to them, gaps at their worse and better end."""

    def open(
        self, step: str, at: datetime, name: str, log10: FloatArray, why: str, *, at_least: bool
    ) -> None:
        """Start from a claim or a count."""
        self.worse = self.better = self._opened(name, log10, at_least=at_least)
        self._enter(step, at, at, _none(), (), "quantified", why)

    def open_unknown(self, step: str, at: datetime, why: str) -> None:
        """Start without a number."""
        self.worse = self.better = Balance()
        self._enter(step, at, at, _none(), (), "not_quantified", why)

    def carry(self, other: Book, log10_factor: float) -> None:
        """Take over another book (a lot's) with its balance shifted by a constant factor."""
        shift = {"rate": np.full(self.draws.n, log10_factor)}
        self.entries = [_shifted(e, log10_factor) for e in other.entries]
        self.worse = _shift(other.worse, shift, log10_factor)
        self.better = _shift(other.better, shift, log10_factor)
        self.used, self.grades = dict(other.used), list(other.grades)
        self.flags, self.ess = list(other.flags), other.ess
        self.weighings = list(other.weighings)

    def quantified(
        self,
        step: str,
        start: datetime,
        end: datetime,
        change: Change,
        parameters: tuple[Parameter, ...],
        why: str,
    ) -> None:
        """Enter a step whose loss has a number."""
        for p in parameters:
            self.used[p.id] = p
            self.grades.append(p.grade)
        moved = _none(why) if self.brief else change.estimate(why, self._weighted())
        for name in change.worse:
            self.worse = self.worse.plus(name, change.worse[name])
            self.better = self.better.plus(name, change.better[name])
        ids = tuple(p.id for p in parameters)
        self._enter(step, start, end, moved, ids, "quantified", why)

    def not_quantified(
        self,
        step: str,
        start: datetime,
        end: datetime,
        why: str,
        state: State = "not_quantified",
        *,
        harm: bool,
    ) -> None:
        """Enter a step nobody can put a number on: the balance is lost until a count.

        ``harm`` says whether something happened to the cells (a hazard, an excursion), which no
        open window outweighs, or whether only the numbers are missing.
        """
        self.worse, self.better = self.worse.lost(), self.better.lost()
        if harm:
            self.flags.append(why)
        self._enter(step, start, end, _none(why), (), state, why)

    def marked(self, step: str, at: datetime, why: str, met: Met | None = None) -> None:
        """Enter a moment that changes nothing but is worth a line."""
        zero = Estimate(0.0, 0.0, 0.0, "log10", "log10", LEVEL, method=why)
        self._enter(step, at, at, zero, (), "quantified", why, met)

    def count(self, sample: SampleCount, log10_factor: float = 0.0, note: str = "") -> None:
        """Meet a count on the way.

        A balance that rests on a guarantee, or is not known, is opened afresh by the count. A
        modelled balance has its draws re-weighted by the count's likelihood (Poisson or binomial,
        times a lognormal between-sample error), however few effective draws that leaves: how many
        is a matter of Monte Carlo, not of disagreement, and whoever asked can ask with draws moved
        to where they are wanted. Count and steps contradict each other only where they lie more
        than three standard deviations of the prediction apart; then the lower of the two stands,
        and the entry says so. Only what comes later is updated. A count that may hold other
        bacteria is used only where it lowers; one with more colonies or positives than it can tell
        is a lower bound.
        """
        if sample.open_above:
            self._at_least(sample, log10_factor)
            return
        name = f"count {sample.item}"
        before = pooled_estimate(self.worse, self.better, "")
        afresh = not self.worse.known or self.worse.at_least
        alone = self._alone(sample, name, log10_factor, opens=afresh)
        middle = alone.quantile(0.5)
        self.used[self.sample_sd.id] = self.sample_sd
        text = f"{sample.how}: about {grouped(10**middle)}" + (
            f"; {note.rstrip('.')}" if note else ""
        )
        if sample.only_lowers and (before.value is None or middle >= before.value):
            self._bound(alone.quantile(0.5 + 0.5 * LEVEL))
            text += "; not known to be rhizobia alone, so it cannot raise the balance"
            self._stays_out(sample, text, before, alone)
            return
        did: Did = "opens" if afresh else "weighs"
        conflict = 0.0 if afresh else distance(alone, self.worse)
        if conflict > CONFLICT:
            text += "; far above what the steps before it allow, so the lower stands: count again"
            self._stays_out(sample, text, before, alone)
            return
        if conflict < -CONFLICT:
            text += "; far below what the steps before it allow, so the count alone stands"
            did = "stands_alone"
            alone = self._alone(sample, name, log10_factor, opens=True)
        pair: tuple[Weighing, ...] = ()
        if did == "weighs":
            pair = self._weigh(sample, log10_factor)
        else:
            self.worse = self.better = alone
            self.grades, self.flags = [], []
        self.ess = min(self.worse.ess, self.better.ess)
        self.grades.append(self.sample_sd.grade)
        met = None
        if not self.brief:
            k_hat = max((w.k_hat for w in pair), default=None)
            ess = self.ess if pair else None
            met = Met(did, before, pooled_estimate(alone, alone, sample.how), ess, k_hat,
                      self.draws.n)  # fmt: skip
            text += f"; {met.doubt}" if met.doubt else ""
        after = pooled_estimate(self.worse, self.better, text)
        moved = _none(text)
        if before.value is not None and after.value is not None:
            d = after.value - before.value
            moved = Estimate(d, d, d, "log10", "log10", LEVEL, method=text)
        ids = (self.sample_sd.id,)
        self._enter("count", sample.at, sample.at, moved, ids, "quantified", text, met)

    def _alone(
        self, sample: SampleCount, name: str, log10_factor: float, *, opens: bool
    ) -> Balance:
        """A count by itself. Where it opens a balance its error is one of the season's draws."""
        draws = self.draws if opens else self.draws.seeded()
        return Balance(
            {name: sample.posterior(draws, self.sample_sd) + log10_factor},
            log_weight=draws.log_weight,
        )

    def _weigh(self, sample: SampleCount, log10_factor: float) -> tuple[Weighing, Weighing]:
        """Weigh the draws of both balances by a count; each count is used once."""
        sizes = error_sizes(self.sample_sd)

        def weighed(b: Balance) -> Balance:
            added = sample.marginal(b.values - log10_factor, sizes)
            old = b.log_weight
            return replace(b, log_weight=added if old is None else old + added)

        worse, better = weighed(self.worse), weighed(self.better)
        assert worse.log_weight is not None and better.log_weight is not None
        pair = (
            Weighing(self.worse.log_weight, worse.log_weight),
            Weighing(self.better.log_weight, better.log_weight),
        )
        self.worse, self.better = worse, better
        self.weighings.append(pair)
        return pair

    def _at_least(self, sample: SampleCount, log10_factor: float) -> None:
        """Meet a count that says only "more than": it lifts what lies below it, nothing else."""
        bound = float(np.log10(sample.estimate.low or 1.0)) + log10_factor
        text = f"{sample.how}: at least {grouped(10**bound)}, more than the count can tell"
        before = pooled_estimate(self.worse, self.better, "")
        alone = bound_alone(bound, sample.how)
        stands = self.worse.known and self.worse.quantile(0.5) >= bound
        if stands or sample.only_lowers:
            met = Met("stays_out", before, alone)
            self.marked("count", sample.at, f"{text}; the balance stands", met)
            return
        name = f"count {sample.item}"
        self.worse = self.better = self._opened(name, np.full(self.draws.n, bound), at_least=True)
        self.grades, self.flags, self.ess = [self.sample_sd.grade], [], None
        self.used[self.sample_sd.id] = self.sample_sd
        ids, met = (self.sample_sd.id,), Met("opens", before, alone)
        self._enter("count", sample.at, sample.at, _none(text), ids, "quantified", text, met)

    def _stays_out(self, sample: SampleCount, text: str, before: Estimate, alone: Balance) -> None:
        """Enter a count that leaves the balance as it was."""
        met = Met("stays_out", before, pooled_estimate(alone, alone, sample.how))
        self.marked("count", sample.at, text, met)

    def _weighted(self) -> tuple[Balance, Balance]:
        """Balances whose weights hold now; with nothing known, those from before any count."""
        if self.worse.known:
            return self.worse, self.better
        none = Balance(log_weight=self.draws.log_weight)
        return none, none

    def _opened(self, name: str, log10: FloatArray, *, at_least: bool) -> Balance:
        return Balance({name: log10}, log_weight=self.draws.log_weight, at_least=at_least)

    def _bound(self, high: float) -> None:
        """Lower the upper bound of a balance that is not known."""
        if not self.worse.known:
            lowest = high if self.worse.high is None else min(high, self.worse.high)
            self.worse = self.better = Balance({}, lowest)

    def close(self, batch: str, requirement_log10: float | None, p_meets: float | None) -> Ledger:
        """The book as a ledger that is no longer written in."""
        return Ledger(
            batch,
            self.entries[0].balance,
            tuple(self.entries),
            self.closing(),
            requirement_log10,
            p_meets,
            self.worse.spread_from(),
            self.ess,
        )

    def closing(self, method: str = "by plate count") -> Estimate:
        """The balance as it stands, as printed."""
        return pooled_estimate(self.worse, self.better, method)

    def _enter(
        self,
        step: str,
        start: datetime,
        end: datetime,
        change: Estimate,
        parameters: tuple[str, ...],
        state: State,
        why: str,
        met: Met | None = None,
    ) -> None:
        balance = _none(why) if self.brief else pooled_estimate(self.worse, self.better, why)
        dots = () if self.brief else self.worse.dots()
        self.entries.append(
            Entry(step, start, end, change, balance, parameters, state, why, dots, met)
        )


def _none(why: str = "") -> Estimate:
    return Estimate(None, None, None, "log10", "log10", LEVEL, method=why, status="not_known")


def _shift(b: Balance, part: dict[str, FloatArray], log10_factor: float) -> Balance:
    if b.known:
        return replace(b, parts={**b.parts, **part})
    return replace(b, high=None if b.high is None else b.high + log10_factor)


def _shifted(entry: Entry, log10_factor: float) -> Entry:
    """A lot's entry as it reads per seed: its balance moved by rate over seeds."""

    def moved(x: float | None) -> float | None:
        return None if x is None else x + log10_factor

    def per_seed(e: Estimate) -> Estimate:
        return replace(e, value=moved(e.value), low=moved(e.low), high=moved(e.high), unit=UNIT)

    met = entry.met
    if met is not None:
        met = replace(met, before=per_seed(met.before), alone=per_seed(met.alone))
    return replace(
        entry,
        balance=per_seed(entry.balance),
        dots=tuple(x + log10_factor for x in entry.dots),
        met=met,
    )
