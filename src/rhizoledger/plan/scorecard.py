"""Predictions held against the counts that came after them: limits, bias, chances (§2.10).

A count is predicted by the balance just before it, with the error between samples and the error of
counting itself. The counting error is read from the count: draws of the sample's own density, with
Jeffreys' prior on its rate, so that P(predicted ≤ counted) is for colonies the mid-P of Poisson
counts to within that prior's half colony.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Literal

import numpy as np
from scipy.special import stdtrit

from rhizoledger.draws import Draws, FloatArray
from rhizoledger.estimate import Estimate
from rhizoledger.plan.balance import LEVEL, Balance
from rhizoledger.plan.batch_answer import fine_enough
from rhizoledger.plan.batch_facts import BatchFacts, batch_facts
from rhizoledger.plan.context import Context
from rhizoledger.plan.counting import SampleCount
from rhizoledger.plan.ledger import Book
from rhizoledger.plan.lot_book import SAMPLE_SD, lot_book
from rhizoledger.plan.path import path_of
from rhizoledger.plan.predictions import Kept, between, from_quantiles, kept_for
from rhizoledger.plan.seed_book import seed_book
from rhizoledger.stats.proportions import clopper_pearson

JUST_BEFORE = timedelta(microseconds=1)
HALF = 0.5  # exact: the narrower limits hold half of what is predicted
CONFIDENCE = 0.95  # numeric: of limits of shares and of the bias
FEW = 10  # numeric: with fewer counts a share of nine in ten cannot be told from one of a half

How = Literal["kept", "worked_out"]


@dataclass(frozen=True, slots=True)
class Score:
    """One count beside what was predicted of it.

    Parameters
    ----------
    count : SampleCount
    how : {"kept", "worked_out"} or None
        A prediction kept by an earlier plan, or worked out again from the facts before the count.
    as_of : date or None
        The day of the kept prediction.
    not_scored : str
        Why it says nothing of limits and bias; empty where it does.
    counted_log10 : float or None
        None where no colony or tube was found, or more than can be counted.
    predicted : Estimate or None
        The balance before the count, 90 %.
    limits_50, limits_90 : tuple of float or None
        Within which the counted value was to lie [log10], with the counting error of the count as
        it is; with few colonies :attr:`pit_ends` is the sharper judge, and decides.
    pit_ends : tuple of float or None
        P(predicted ≤ counted) with gaps at their worse and their better end.
    error_log10 : float or None
        Counted less the middle of what was predicted.
    p_meets : float or None
        P(≥ requirement), for seed whose requirement speaks of cells at planting.
    meets : bool or None
        Whether the count reached it.
    """

    count: SampleCount
    how: How | None = None
    as_of: date | None = None
    not_scored: str = ""
    counted_log10: float | None = None
    predicted: Estimate | None = None
    limits_50: tuple[float, float] | None = None
    limits_90: tuple[float, float] | None = None
    pit_ends: tuple[float, float] | None = None
    error_log10: float | None = None
    p_meets: float | None = None
    meets: bool | None = None

    @property
    def inside_50(self) -> bool | None:
        """Whether the count lay inside the limits that hold half of what was predicted."""
        return self._inside(HALF)

    @property
    def inside_90(self) -> bool | None:
        """Whether the count lay inside the limits that hold nine tenths of it."""
        return self._inside(LEVEL)

    @property
    def pit(self) -> float | None:
        """P(predicted ≤ counted): even between 0 and 1 if predictions are right."""
        return None if self.pit_ends is None else 0.5 * sum(self.pit_ends)

    def _inside(self, level: float) -> bool | None:
        if self.pit_ends is None:
            return None
        worse, better = self.pit_ends
        return worse >= 0.5 - 0.5 * level and better <= 0.5 + 0.5 * level


@dataclass(frozen=True, slots=True)
class Share:
    """How many of the scored counts lay inside their limits, with Clopper-Pearson limits."""

    level: float
    inside: int
    n: int
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class Scorecard:
    """Every prediction that met its count, and what they say together.

    ``bias`` is the mean of counted less predicted [log10] with its 95 % limits; ``brier`` the mean
    squared distance between P(≥ requirement) and what the count said, of ``brier_n`` counts.
    """

    scores: tuple[Score, ...]
    shares: tuple[Share, ...]
    bias: Estimate | None
    brier: float | None
    brier_n: int

    @property
    def n(self) -> int:
        """How many counts judge limits."""
        return self.shares[-1].n

    @property
    def too_few(self) -> bool:
        """Whether so few were scored that their shares say next to nothing."""
        return self.n < FEW


def scorecard(context: Context, kept: Sequence[Kept] = ()) -> Scorecard:
    """Hold every count of a lot or of seed against the prediction made before it.

    Parameters
    ----------
    context : Context
        The season with all its counts.
    kept : sequence of Kept
        Predictions that earlier plans kept.
    """
    scores = tuple(_scores(context, kept))
    scored = [s for s in scores if s.pit is not None and not s.not_scored]
    errors = np.array([s.error_log10 for s in scored if s.error_log10 is not None])
    told = [(s.p_meets, s.meets) for s in scored if s.p_meets is not None and s.meets is not None]
    brier = float(np.mean([(p - met) ** 2 for p, met in told])) if told else None
    return Scorecard(
        scores,
        (
            _share(HALF, [s.inside_50 is True for s in scored]),
            _share(LEVEL, [s.inside_90 is True for s in scored]),
        ),
        _bias(errors),
        brier,
        len(told),
    )


def _scores(context: Context, kept: Sequence[Kept]) -> Iterator[Score]:
    for count in context.counts:
        book = _before(count, context)
        if book is not None:
            yield _score(count, *book, context, kept)


def _before(count: SampleCount, context: Context) -> tuple[Book, BatchFacts | None] | None:
    """The book of a lot or of seed up to just before a count; None for a field's soil."""
    until = count.at - JUST_BEFORE
    if count.basis == "seed":
        origin = path_of(count.item, context)[0].item
        if origin not in context.batches:
            return None
        facts = batch_facts(context.batches[origin], context)
        named = replace(facts, batch=replace(facts.batch, batch=count.item))
        fine = fine_enough(named, until, context)
        return seed_book(named, until, fine, brief=True)[0], facts
    lot = context.lots.get(count.item)
    inoculant = context.inoculants.get(lot.inoculant if lot else count.item)
    if inoculant is None or count.basis != inoculant.titre_unit.removeprefix("CFU/"):
        return None
    return lot_book(lot, inoculant, until, context), None


def _score(
    count: SampleCount,
    book: Book,
    facts: BatchFacts | None,
    context: Context,
    kept: Sequence[Kept],
) -> Score:
    value = count.estimate.value
    counted = float(np.log10(value)) if value else None
    score = Score(count, counted_log10=counted, not_scored=_why_not(count))
    day = count.at.astimezone(context.zone).date()
    pair = kept_for(kept, count.item, count.at, day)
    need = _need(facts)
    if facts is not None and facts.treated_at is not None and count.at < facts.treated_at:
        return _unscored(score, "the sample is dated before the seed was treated")
    if pair is not None:
        row = between(*pair, count.at)
        score = replace(score, how="kept", as_of=row.as_of)
        if not row.log10:
            return _unscored(score, "no number had been predicted")
        draws = from_quantiles(row.log10, context.draws.n)
        ends = [Balance({"kept": draws}, at_least=row.status == "at_least")]
        p = row.p_meets
    else:
        score = replace(score, how="worked_out")
        if not book.worse.known:
            return _unscored(score, "no number had been predicted")
        ends = [book.worse, book.better]
        p = None if need is None else book.worse.p_at_least(need)
    if ends[0].at_least:
        score = _unscored(
            score, "it was a guarantee, a lower bound without a spread that could be wrong"
        )
    score = replace(score, predicted=_balance(ends))
    if score.not_scored:
        return score
    return _held(score, ends, p, need, context)


def _why_not(count: SampleCount) -> str:
    """Why a count cannot judge a prediction, whatever was predicted; empty where it can."""
    if count.open_above:
        return "there was more than the count can tell"
    if count.only_lowers:
        return "colonies of any kind were counted, so it can only be too high"
    return ""


def _unscored(score: Score, why: str) -> Score:
    return replace(score, not_scored=score.not_scored or why)


def _need(facts: BatchFacts | None) -> float | None:
    """What the crop needs at planting [log10 cells/seed]; None where a claim is judged instead."""
    r = facts.requirement if facts else None
    if r is None or r.basis == "nominal_applied":
        return None
    return float(np.log10(r.cells_per_seed))


def _balance(ends: Sequence[Balance]) -> Estimate:
    tail = 0.5 - 0.5 * LEVEL
    low, high = ends[0].quantile(tail), ends[-1].quantile(1 - tail)
    value = 0.5 * (ends[0].quantile(0.5) + ends[-1].quantile(0.5))
    status: Literal["at_limit", "ok"] = "at_limit" if ends[0].at_least else "ok"
    return Estimate(
        value, min(low, value), max(high, value), "log10", "log10", LEVEL, status=status
    )


def _held(
    score: Score, ends: Sequence[Balance], p: float | None, need: float | None, context: Context
) -> Score:
    """A count held against draws of what it would be, gaps at both ends of each."""
    count, draws = score.count, Draws(context.draws.seed, ends[0].values.size)
    name = ("scored", count.item, count.at.isoformat(), count.basis)
    error = draws.parameter(context.evidence[SAMPLE_SD]) * draws.normal(*name)
    own = count.of_sample(draws.uniform(*name, "own"))
    pits = [min(1.0, float(np.sum(b.weights[b.values + error <= own]))) for b in ends]
    places = (pits[0], pits[-1])
    if score.counted_log10 is None:
        return replace(score, pit_ends=places, p_meets=p, meets=None if need is None else False)
    likely = [_plus(b, error + score.counted_log10 - own) for b in ends]
    middle = 0.5 * (likely[0].quantile(0.5) + likely[-1].quantile(0.5))
    return replace(
        score,
        pit_ends=places,
        limits_50=_limits(likely, HALF),
        limits_90=_limits(likely, LEVEL),
        error_log10=score.counted_log10 - middle,
        p_meets=p,
        meets=None if need is None else score.counted_log10 >= need,
    )


def _plus(balance: Balance, change: FloatArray) -> Balance:
    return Balance({"counted": balance.values + change}, log_weight=balance.log_weight)


def _limits(likely: Sequence[Balance], level: float) -> tuple[float, float]:
    tail = 0.5 - 0.5 * level
    return likely[0].quantile(tail), likely[-1].quantile(1 - tail)


def _share(level: float, inside: Sequence[bool]) -> Share:
    if not inside:
        return Share(level, 0, 0, None, None)
    hits, n = sum(inside), len(inside)
    return Share(level, hits, n, *clopper_pearson(hits, n, CONFIDENCE))


def _bias(errors: FloatArray) -> Estimate | None:
    """The mean error with Student limits; without limits where there is one error only."""
    n = errors.size
    if n == 0:
        return None
    mean = float(errors.mean())
    if n == 1:
        return Estimate(mean, None, None, "log10", "log10", CONFIDENCE, "confidence", n=1)
    se = float(errors.std(ddof=1)) / float(np.sqrt(n))
    half = float(stdtrit(n - 1, 0.5 + 0.5 * CONFIDENCE)) * se
    return Estimate(
        mean, mean - half, mean + half, "log10", "log10", CONFIDENCE, "confidence", se, n
    )
