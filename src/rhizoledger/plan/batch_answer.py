"""A batch's ledger, the chance that enough arrives, and by when it must be planted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from rhizoledger.estimate import Estimate
from rhizoledger.evidence import GRADES, worst_grade
from rhizoledger.plan.balance import LEVEL, UNIT, Balance, pooled_estimate
from rhizoledger.plan.batch_facts import BatchFacts, batch_facts
from rhizoledger.plan.context import Context
from rhizoledger.plan.ledger import Book, Ledger
from rhizoledger.plan.reweigh import moved_draws, reaches
from rhizoledger.plan.seed_book import seed_book
from rhizoledger.plan.verdict import Standing
from rhizoledger.plan.windows import ON_SEED, Limit, hard_limits, model_limit
from rhizoledger.treating.evenness import share_below_in_draws
from rhizoledger.units import degrees

SEED_CV = "treating.seed_to_seed_cv"
NOISE_Z = 2.0  # numeric: standard errors of Monte Carlo that a band is widened by
CHAIN_LOST = ("returned", "carried_over", "blend")
"""Seed of mixed or unknown past: no label's window can be taken as open, only a count speaks."""
PRINTABLE = GRADES[: GRADES.index("near") + 1]
"""Grades on which a probability may be printed (SEASON, verdict rules)."""


@dataclass(frozen=True, slots=True)
class At:
    """A batch at one moment: its book, cells as applied, and P where it may be printed.

    ``p`` holds every gap at its worse end and decides; ``p_better`` holds them at the other.
    ``p_low`` and ``p_high`` are the prior-sensitivity band, Monte Carlo error included.
    """

    moment: datetime
    book: Book
    applied: Balance | None
    why_no_p: str
    p: float | None = None
    p_better: float | None = None
    p_low: float | None = None
    p_high: float | None = None
    share_meeting: float | None = None
    """Share of single seeds with enough, to a tenth: the seed-to-seed spread is an assumption."""

    @property
    def cells(self) -> Estimate:
        """Cells per seed at the moment [log10], by plate count."""
        return self.book.closing()


@dataclass(frozen=True, slots=True)
class BatchAnswer:
    """Everything the plan says of one batch."""

    facts: BatchFacts
    at_drop: At
    limits: tuple[Limit, ...]
    plant_by: Limit | None
    if_stored: str
    worst_grade: str | None

    @property
    def name(self) -> str:
        """The batch's id."""
        return self.facts.batch.batch

    @property
    def window(self) -> Limit | None:
        """What sets the hour to plant by; None where nothing speaks of waiting on seed.

        A lot's expiry alone would read as leave to wait for months.
        """
        return self.plant_by if any(x.by in ON_SEED for x in self.limits) else None

    @property
    def requirement_log10(self) -> float | None:
        """What the crop needs [log10 cells/seed]; None where the season sets nothing."""
        r = self.facts.requirement
        return None if r is None else float(np.log10(r.cells_per_seed))

    @property
    def ledger(self) -> Ledger:
        """The ledger up to the latest seed drop."""
        return self.at_drop.book.close(self.name, self.requirement_log10, self.at_drop.p)


def batch_at(facts: BatchFacts, moment: datetime, context: Context, *, brief: bool = False) -> At:
    """Work a batch's book up to a moment, with the probability that may be printed there.

    A ``brief`` one has its closing balance, and entries without numbers.
    """
    book, applied = seed_book(facts, moment, context, brief=brief)
    why = _too_early(facts, moment) or _why_no_p(facts, book, applied)
    if why:
        return At(moment, book, applied, why)
    p = _p(facts, book, applied)
    assert p is not None
    ends = [p]
    for draws in context.other_priors:
        turned = replace(context, draws=draws)
        other = _p(facts, *seed_book(facts, moment, turned, brief=True))
        ends += [] if other is None else [other]
    low, high = _with_noise(min(ends), book.worse.ess), _with_noise(max(ends), book.worse.ess)
    return At(
        moment,
        book,
        applied,
        "",
        p,
        _p(facts, book, applied, better=True),
        low[0],
        high[1],
        None if brief else _share_meeting(facts, book, context),
    )


def _share_meeting(facts: BatchFacts, book: Book, context: Context) -> float | None:
    """Share of single seeds with at least the requirement, gaps at their worse end (§3.5).

    The mean over draws; only what is on the seed at the moment is judged so, never a rate.
    """
    r, cv = facts.requirement, context.parameter(SEED_CV)
    if r is None or cv is None or r.basis == "nominal_applied" or not book.worse.known:
        return None
    spread = context.draws.parameter(cv, facts.batch.batch)
    below = share_below_in_draws(10.0**book.worse.values, r.cells_per_seed, spread)
    book.used[cv.id] = cv
    return round(1 - float(np.sum(book.worse.weights * below)), 1)


def _with_noise(p: float, draws: float) -> tuple[float, float]:
    """A probability from draws with its Monte Carlo error, never of no width (Agresti–Coull)."""
    n = draws + NOISE_Z**2
    middle = (p * draws + 0.5 * NOISE_Z**2) / n
    half = NOISE_Z * float(np.sqrt(middle * (1 - middle) / n))
    return max(0.0, middle - half), min(1.0, middle + half)


def _too_early(facts: BatchFacts, moment: datetime) -> str:
    """What is wrong with the order of dates, or nothing."""
    if facts.treated_at is not None and facts.treated_at > moment:
        return "the seed is dated as planted before it is treated"
    return ""


def _p(
    facts: BatchFacts, book: Book, applied: Balance | None, *, better: bool = False
) -> float | None:
    """P(≥ requirement) with gaps at their worse end, or at their ``better`` one."""
    r = facts.requirement
    if r is None:
        return None
    at_drop = book.better if better else book.worse
    balance = applied if r.basis == "nominal_applied" else at_drop
    if balance is None or not balance.known:
        return None
    return balance.p_at_least(float(np.log10(r.cells_per_seed)))


def _why_no_p(facts: BatchFacts, book: Book, applied: Balance | None) -> str:
    """Why no probability is printed, or nothing (SEASON, verdict rules)."""
    r = facts.requirement
    if r is None:
        return f"no requirement is set for {facts.batch.crop}; only label, tag and tests speak"
    if facts.stack is None:
        return "what else is on this seed is not known"
    if facts.stack.state not in ("alone", "whole", "harmful"):
        return facts.stack.why
    if facts.tank_doubt:
        return facts.tank_doubt
    protectant = facts.inoculant.protectant if facts.inoculant else None
    if protectant in (None, "", "unknown"):
        return "the inoculant's protectant is not known"
    if r.basis == "nominal_applied" and book.flags:
        return book.flags[-1]
    if (applied if r.basis == "nominal_applied" else book.worse.known or None) is None:
        lost = [e for e in book.entries if e.state != "quantified"]
        return lost[-1].why if lost else "the balance is not known"
    worst = worst_grade(book.grades)
    if worst is not None and worst not in PRINTABLE:
        if facts.batch.seed_size_how == "guess":
            return "the seed size is a guess: count seed first"
        return f"it would rest on evidence of grade {worst}"
    return ""


def standing(at: At, limits: Sequence[Limit], facts: BatchFacts) -> Standing:
    """What the arrival rules need to know of a batch at one planting."""
    past = [limit for limit in limits if limit.by != "model" and limit.at < at.moment]
    windows = [limit for limit in limits if limit.by in ("label", "tag", "stack")]
    doubt = facts.tank_doubt or _too_early(facts, at.moment)
    if facts.batch.origin in CHAIN_LOST:
        doubt = f"{facts.batch.origin.replace('_', ' ')} seed; count cells on a sample"
    if facts.nothing_applied:
        doubt = "the run put none of the inoculant on this seed"
    if doubt:
        windows = []  # a window speaks of the whole stack, kept as its label says
    missing = ""
    if at.p is None and facts.requirement is not None:
        missing = f"Not known: {at.why_no_p.rstrip('.')}."
    if doubt and at.p is None:
        missing = f"Not known: {doubt.rstrip('.')}."
    elif at.p is None and facts.requirement is None and not windows:
        missing = (
            "Not known: no requirement is set for this crop, and no label, tag or test speaks."
        )
    return Standing(
        at.p,
        at.p_low,
        at.p_high,
        bool(windows),
        past[0].says if past else "",
        not at.book.flags,
        missing,
        _too_few(at, facts),
    )


def _too_few(at: At, facts: BatchFacts) -> bool:
    """Whether even the upper end of the balance, or of a tag's claim, is below the requirement."""
    r = facts.requirement
    if r is None:
        return False
    most = at.cells.high
    if r.basis == "nominal_applied":
        most = None if at.applied is None else at.applied.quantile(0.5 + 0.5 * LEVEL)
    return most is not None and most < float(np.log10(r.cells_per_seed))


def fine_enough(facts: BatchFacts, until: datetime, context: Context) -> Context:
    """The context, with draws moved where a count leaves too few effective ones (§2.10)."""

    def book_of(c: Context) -> Book:
        return seed_book(facts, until, c, brief=True)[0]

    if reaches(book_of(context), context.draws.n):
        return context
    met = sum(c.at <= until for c in context.counts)
    key = ("moved", facts.batch.batch, facts.batch.recipe or "", str(met))
    n, moved = context.once(key, lambda: moved_draws(book_of, context))
    return context.with_draws(n, moved)


def batch_answer(facts: BatchFacts, drop: datetime, context: Context) -> BatchAnswer:
    """A batch's ledger to its last seed drop, and the hour by which it must be planted."""
    context = fine_enough(facts, drop, context)
    at_drop = batch_at(facts, drop, context)
    treated_at = facts.treated_at
    limits = hard_limits(facts, treated_at, context)
    for parent in facts.batch.parents:
        if parent in context.batches:
            older = batch_facts(context.batches[parent], context)
            limits += hard_limits(older, older.treated_at, context)
    limits.sort(key=lambda limit: limit.at)
    earliest = limits[0] if limits else None
    found = None
    if facts.requirement is not None and treated_at is not None:
        start = max(treated_at + timedelta(hours=1), context.now)

        def p_at(moment: datetime) -> float | None:
            book, applied = seed_book(facts, moment, context, brief=True)
            return None if _why_no_p(facts, book, applied) else _p(facts, book, applied)

        found = model_limit(p_at, context.season.settings.probability, start,
                            earliest.at if earliest else None)  # fmt: skip
    if found is not None:
        limits = sorted([*limits, found], key=lambda limit: limit.at)
    return BatchAnswer(
        facts,
        at_drop,
        tuple(limits),
        limits[0] if limits else None,
        _if_stored(facts, context),
        worst_grade(at_drop.book.grades),
    )


def _if_stored(facts: BatchFacts, context: Context) -> str:
    """The storage that the plant-by hour assumes."""
    s = context.season.settings
    ahead = [
        stay
        for stay in context.stays.get(facts.batch.batch, ())
        if stay.temp_low_c is not None and (stay.end is None or stay.end > context.now)
    ]
    if ahead:
        low = min(x.temp_low_c for x in ahead if x.temp_low_c is not None)
        high = max(x.temp_high_c for x in ahead if x.temp_high_c is not None)
        return f"kept at {degrees(s.units.temperature, low, high)}, shaded and dry"
    if s.ambient_low_c is not None and s.ambient_high_c is not None:
        span = degrees(s.units.temperature, s.ambient_low_c, s.ambient_high_c)
        return f"kept shaded and dry at {span}"
    return "kept cool, shaded and dry"


def applied_estimate(at: At) -> Estimate:
    """Cells per seed as applied [log10]."""
    if at.applied is None:
        return Estimate.not_known(UNIT, "not known what was applied", "log10")
    return pooled_estimate(at.applied, at.applied, "as applied, by plate count")
