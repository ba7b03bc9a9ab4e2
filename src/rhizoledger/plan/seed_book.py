"""The book of a batch: from the jug, through treating and waiting, to the seed drop."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from rhizoledger.plan.balance import Balance
from rhizoledger.plan.batch_facts import AppliedLot, BatchFacts, batch_facts
from rhizoledger.plan.clock import DAY_S, day_end, hours_after
from rhizoledger.plan.context import Context
from rhizoledger.plan.hazards import run_hazards
from rhizoledger.plan.ledger import Book, Change
from rhizoledger.plan.lot_book import SAMPLE_SD, VEHICLE_RISE, kept_lot_book
from rhizoledger.plan.on_seed import Ages, on_seed_model
from rhizoledger.plan.own_loss import OwnLoss, own_curves
from rhizoledger.plan.path import Path, moments_on, path_of, stays_on
from rhizoledger.plan.spoken import grouped
from rhizoledger.plan.timeline import Run, build_runs

LOW = 0.1  # numeric: the quantile by which the weakest of several lots is found


def seed_book(
    facts: BatchFacts,
    until: datetime,
    context: Context,
    *,
    then: Path = (),
    brief: bool = False,
) -> tuple[Book, Balance | None]:
    """Keep a batch's book from its lots to ``until``.

    Several lots on one batch were not mixed unless the user says so: a jug changed in mid-run
    leaves half the seed with the second lot. The book follows the weakest. So it does for a blend:
    what came from other batches keeps their books, and then shares this batch's stays.

    Parameters
    ----------
    facts : BatchFacts
    until : datetime
        Seed drop, or the moment asked about.
    context : Context
    then : tuple of Leg
        Batches that the seed went into afterwards; their stays and counts follow.
    brief : bool
        Keep balances only, for an answer that needs no more than P.

    Returns
    -------
    book : Book
        Balances in log10 cells per seed.
    applied : Balance or None
        The balance as applied, before anything on the seed cost cells; None where not known.
    """
    batch = facts.batch
    parents = [context.batches[p] for p in batch.parents if p in context.batches]
    if parents and not facts.applied and not batch.tag_cells_per_seed:
        kept = [
            seed_book(
                batch_facts(p, context),
                until,
                context,
                then=(*path_of(batch.batch, context), *then),
                brief=brief,
            )
            for p in parents
        ]
        return min(kept, key=lambda pair: _rank(pair[0]))
    book = Book(context.draws, context.evidence[SAMPLE_SD], brief)
    start = min(facts.treated_at or _first_contact(facts, until, context), until)
    if facts.applied:
        book = _from_lots(facts, start, context, brief)
    else:
        _from_tag(book, facts, start)
    applied = book.worse if book.worse.known else None
    if start < until:
        _on_seed(book, facts, start, until, context, (*path_of(batch.batch, context), *then))
    if batch.tag_use_by is not None and book.worse.at_least:
        end = day_end(batch.tag_use_by, context.zone)
        if end < until:
            why = f"the tag's date ({batch.tag_use_by:%Y-%m-%d}) is past, and its claim with it"
            book.not_quantified("tag", end, until, why, harm=True)
    return book, applied


def _first_contact(facts: BatchFacts, until: datetime, context: Context) -> datetime:
    """The first moment anything is written down of this seed: a stay, an event or a count."""
    path = path_of(facts.batch.batch, context)
    met = [r.at for r in moments_on(path, context.season.events)]
    met += [r.at for r in moments_on(path, context.counts)]
    met = [at - timedelta(seconds=1) for at in met]  # so that what was met lies after the start
    return min([until, *met, *(s.start for s in stays_on(path, context))])


def _from_tag(book: Book, facts: BatchFacts, at: datetime) -> None:
    """Open from what the tag claims; a tag's claim is no count."""
    batch = facts.batch
    if batch.tag_cells_per_seed:
        claim = np.full(book.draws.n, np.log10(batch.tag_cells_per_seed))
        why = f"the tag says {grouped(batch.tag_cells_per_seed)} cells per seed"
        book.open("tag", at, f"tag {batch.batch}", claim, why, at_least=True)
    else:
        book.open_unknown("tag", at, "nothing says how many cells are on this seed")


def _from_lots(facts: BatchFacts, at: datetime, context: Context, brief: bool) -> Book:
    """The book of the weakest lot, carried over into cells per seed."""
    books: list[tuple[AppliedLot, Book]] = []
    for a in facts.applied:
        lot = kept_lot_book(a.lot, a.inoculant, at, context)
        book = Book(context.draws, context.evidence[SAMPLE_SD], brief)
        if a.per_seed is None:
            book.open_unknown("as applied", at, f"not known: {a.lack}")
        else:
            book.carry(lot, float(np.log10(a.per_seed)))
        books.append((a, book))
    books.sort(key=lambda pair: _rank(pair[1]))
    weakest, book = books[0]
    if weakest.per_seed is not None:
        book.marked("as applied", at, "" if brief else _applied_text(books))
    if facts.batch.seed_size_how == "guess":
        book.grades.append("assumption")
    return book


def _rank(book: Book) -> float:
    """How weak a lot may be: a low quantile, for a wide balance may fail where a lower holds."""
    return book.worse.quantile(LOW) if book.worse.known else -np.inf


def _applied_text(books: Sequence[tuple[AppliedLot, Book]]) -> str:
    def one(a: AppliedLot, b: Book) -> str:
        n = f"about {grouped(10 ** b.worse.quantile(0.5))} a seed" if b.worse.known else "not known"
        return f"{a.name} {n}"

    if len(books) == 1:
        return f"cells applied: {one(*books[0])}"
    listed = ", ".join(one(a, b) for a, b in books)
    return f"several lots, not taken as mixed: {listed}; the weakest is followed"


def _on_seed(
    book: Book,
    facts: BatchFacts,
    start: datetime,
    until: datetime,
    context: Context,
    path: Path,
) -> None:
    """Enter everything that happens on the seed, run by run and count by count."""
    counted = [c for c in context.counts if c.basis == "seed" and start <= c.at <= until]
    counts = moments_on(path, counted)
    model = on_seed_model(facts.batch.crop, context)
    if own_curves(facts.batch.crop, context):
        model = None  # the season's own counts speak in place of the published series
    ends = _Ends(
        _known_until(facts, start),
        start + timedelta(days=model.period.number()) if model is not None else None,
    )
    cuts = [c.at for c in counts] + [e for e in (ends.stack, ends.series) if e is not None]
    runs = seed_runs(path, start, until, cuts, context)
    ages = OwnLoss.of(runs, facts, context) or Ages.of(runs, facts, context)
    waiting = list(counts)
    for i, run in enumerate(runs):
        while waiting and waiting[0].at <= run.start:
            book.count(waiting.pop(0))
        if isinstance(ages, OwnLoss) and i == ages.first and len(waiting) == len(counts):
            _recovery(book, ages, run.start)
        _run_entry(book, facts, run, i, ages, ends, context, path)
    for count in waiting:
        book.count(count)


def _recovery(book: Book, own: OwnLoss, at: datetime) -> None:
    """Enter what a wash misses of the cells applied, before the first count of this seed."""
    change = own.recovered()
    if change is None:
        why = (
            "own counts begin with what a wash recovers, and what was applied there is not told: "
            "count a sample of this seed, or adopt the curve with --applied"
        )
        book.not_quantified("recovery", at, at, why, harm=False)
        return
    why = "share of the applied cells that a wash recovers, by own counts"
    book.quantified("recovery", at, at, change, own.rows(own.first), why)


def seed_runs(
    path: Path, start: datetime, until: datetime, cuts: Sequence[datetime], context: Context
) -> tuple[Run, ...]:
    """Where the seed on a path was between two moments, and how warm."""
    return build_runs(
        stays_on(path, context),
        start,
        until,
        cuts=cuts,
        traces=context.season.traces,
        settings=context.season.settings,
        vehicle_rise_c=context.evidence[VEHICLE_RISE].number(),
        default_stage="on_seed",
        default_moisture="dry",
    )


@dataclass(frozen=True, slots=True)
class _Ends:
    """Moments past which nothing is known: of the stack, and of the published loss on seed."""

    stack: datetime | None
    series: datetime | None


def _known_until(facts: BatchFacts, start: datetime) -> datetime | None:
    """The moment up to which the stack was tested or allowed; later is not known."""
    s = facts.stack
    if s is None or s.state in ("alone", "untested"):
        return None
    hours = [h for h in (s.loss_hours, s.max_hours) if h is not None]
    return hours_after(start, max(hours)) if hours else None


def _run_entry(
    book: Book,
    facts: BatchFacts,
    run: Run,
    index: int,
    ages: Ages | OwnLoss | None,
    ends: _Ends,
    context: Context,
    path: Path,
) -> None:
    events = moments_on(path, context.season.events)
    hazards = run_hazards(
        run,
        events,
        context,
        form=facts.inoculant.form if facts.inoculant else None,
        products=[context.products[i] for i in facts.others if i in context.products],
        water=[s.water_source for s in facts.recipe],
        stack_known=facts.stack is not None and facts.stack.state in ("whole", "alone"),
    )
    if run.stage == "slurry":
        _slurry(book, facts, run, hazards)
        return
    harm = "; ".join(hazards) or (ages.excursion(run) if ages is not None else "")
    why = harm or _cannot(facts, run, ages, ends)
    if why:
        book.not_quantified(run.stage, run.start, run.end, why, harm=bool(harm))
        return
    assert ages is not None
    first = index == ages.first
    stack = facts.stack
    if first and stack is not None and stack.log10_loss:
        extra = np.full(book.draws.n, -stack.log10_loss)
        word = "in place of" if stack.loss_basis == "total" else "on top of"
        why = (
            f"stack test: {stack.log10_loss:.2g} log10 {word} natural loss, charged in full at once"
        )
        book.quantified("stack", run.start, run.start, Change.same({"stack test": extra}), (), why)
        book.grades.append(_stack_grade(stack.by))
    if stack is not None and stack.log10_loss and stack.loss_basis == "total":
        book.marked(run.stage, run.end, "inside the stack test, which contains natural loss")
        return
    if stack is not None and stack.state == "pairs":
        book.grades.append("assumption")
    change = ages.change(index, whole=book.brief)
    text = "" if book.brief else ages.text(index)
    book.quantified(run.stage, run.start, run.end, change, ages.rows(index), text)


def _stack_grade(by: str | None) -> str:
    return {"own": "own", "independent": "measured"}.get(by or "", "near")


def _slurry(book: Book, facts: BatchFacts, run: Run, hazards: Sequence[str]) -> None:
    life = facts.inoculant.slurry_life_hours if facts.inoculant else None
    hours = run.seconds / (DAY_S / 24)  # exact: hours in a day
    if hazards:
        book.not_quantified(run.stage, run.start, run.end, "; ".join(hazards), harm=True)
    elif facts.tank_doubt:
        book.not_quantified(run.stage, run.start, run.end, facts.tank_doubt, harm=False)
    elif life is None or hours > life:
        over = "no slurry life is given" if life is None else f"past the slurry life of {life:g} h"
        why = f"{hours:.1f} h in the slurry: {over}"
        book.not_quantified(run.stage, run.start, run.end, why, harm=life is not None)
    else:
        why = f"{hours:.1f} h in the slurry, inside its life of {life:g} h: no loss is charged"
        book.marked(run.stage, run.end, why)


def _cannot(facts: BatchFacts, run: Run, ages: Ages | OwnLoss | None, ends: _Ends) -> str:
    """Why a run that nothing harmed has no number all the same, or nothing where it has one."""
    stack = facts.stack
    if stack is None:
        return "what else is on this seed is not known"
    if stack.state in ("untested", "forbidden") or (
        stack.state == "harmful" and stack.log10_loss is None
    ):
        return stack.why
    if facts.tank_doubt:
        return facts.tank_doubt
    if ends.stack is not None and run.start >= ends.stack and facts.others:
        return "past the last hour at which this stack was tested or allowed"
    if ages is None:
        return f"no published loss on seed for {facts.batch.crop}"
    if ends.series is not None and run.start >= ends.series:
        return "past the last day of the published loss on seed"
    if run.unknown_s:
        return "temperature not known for part of the time, and nothing bounds it"
    return ages.outside(run)
