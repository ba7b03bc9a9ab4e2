"""The whole plan of a season: batches, plantings, fields, runs, and what would tighten them."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

import numpy as np

from rhizoledger.draws import Draws
from rhizoledger.errors import NotFoundError, Problem
from rhizoledger.evidence import Evidence
from rhizoledger.evidence.facts import HazardFact, PublishedRule
from rhizoledger.plan.batch_answer import BatchAnswer, batch_answer
from rhizoledger.plan.batch_facts import batch_facts
from rhizoledger.plan.clock import as_of_date, day_end
from rhizoledger.plan.context import Context, by_item, other_priors
from rhizoledger.plan.counting import sample_counts
from rhizoledger.plan.field_answer import FieldAnswer, field_answers
from rhizoledger.plan.furrow_answer import furrow_answer
from rhizoledger.plan.lot_book import SAMPLE_SD
from rhizoledger.plan.path import path_of
from rhizoledger.plan.planting_answer import PlantingAnswer, drop_time, planting_answer
from rhizoledger.plan.runs import RunAnswer, run_answer
from rhizoledger.records import Field, Planting, Season, Trace

N_DRAWS = 4000  # numeric: Monte Carlo error of a probability stays below 0.8 in a hundred


@dataclass(frozen=True, slots=True)
class Tighten:
    """What would narrow an answer most: interval as a factor between its ends, now and then."""

    answer: str
    table: str
    what: str
    factor_now: float
    factor_then: float
    moved_by: str


@dataclass(frozen=True, slots=True)
class Plan:
    """Every answer of a season, with what each rests on."""

    context: Context
    batches: tuple[BatchAnswer, ...]
    plantings: tuple[PlantingAnswer, ...]
    fields: tuple[FieldAnswer, ...]
    runs: tuple[RunAnswer, ...]
    tighten: tuple[Tighten, ...]
    used: Mapping[str, tuple[str, ...]]
    not_asked: tuple[str, ...]
    problems: tuple[Problem, ...]

    def find(self, name: str) -> tuple[BatchAnswer | None, tuple[FieldAnswer, ...]]:
        """The batch or the field answers of a name.

        Raises
        ------
        NotFoundError
            If neither a batch nor a field has that name; the text lists the names.
        """
        origin = _origin(name, self.context)
        batch = next((b for b in self.batches if b.name == origin), None)
        found = tuple(f for f in self.fields if f.field.field == name)
        if batch is None and not found:
            names = [b.name for b in self.batches] + [f.field.field for f in self.fields]
            listed = ", ".join(dict.fromkeys(names)) or "none"
            raise NotFoundError(f"{name!r} is neither a batch nor a field. There are: {listed}.")
        return batch, found


def plan_season(
    season: Season,
    evidence: Evidence,
    *,
    rules: tuple[PublishedRule, ...],
    hazard_facts: Mapping[str, HazardFact],
    as_of: date | None = None,
    n_draws: int = N_DRAWS,
    told: Callable[[str, int, int], None] | None = None,
) -> Plan:
    """Answer every batch, planting, field and run of a season.

    Parameters
    ----------
    season : Season
        Read and checked.
    evidence, rules, hazard_facts
        What is known elsewhere.
    as_of : date, optional
        The day the answer is for; outranks ``season.toml``, which outranks the latest fact.
    n_draws : int
        Monte Carlo draws.
    told : callable, optional
        Told what is worked on, how many of it are done, and of how many.
    """
    context = make_context(
        season, evidence, rules=rules, hazard_facts=hazard_facts, as_of=as_of, n_draws=n_draws
    )
    season = context.season
    _, count_problems = sample_counts(season)
    problems = [*season.problems, *count_problems]
    facts = {b.batch: batch_facts(b, context) for b in season.batches}
    plantings = sorted(season.plantings, key=lambda p: (p.field, p.seq))
    batches: dict[str, BatchAnswer] = {}
    for name, f in facts.items():
        problems += f.problems
        if told is not None:
            told("batches", len(batches) + 1, len(facts))
        batches[name] = batch_answer(f, _last_drop(name, plantings, context), context)
    runs = {n: run_answer(f, context) for n, f in facts.items() if f.recipe or f.treatments}
    answers = [judge(p, batches, runs, context) for p in plantings]
    money = [
        answer
        for field in season.fields
        for answer in field_answers(
            field, [p for p in plantings if p.field == field.field], facts, context
        )
    ]
    return Plan(
        context,
        tuple(batches.values()),
        tuple(answers),
        tuple(money),
        tuple(runs.values()),
        tuple(_tighten(batches.values(), context)),
        _used(batches.values(), money),
        _not_asked(season),
        tuple(_as_the_user_names_it(p, season) for p in problems),
    )


def judge(
    planting: Planting,
    batches: Mapping[str, BatchAnswer],
    runs: Mapping[str, RunAnswer],
    context: Context,
) -> PlantingAnswer:
    """Answer one planting of a season whose batches and runs are answered."""
    batch = batches.get(_origin(planting.batch, context)) if planting.batch else None
    furrow = tuple(
        furrow_answer(a, planting, context)
        for a in context.season.applications
        if (a.field, a.seq) == (planting.field, planting.seq)
    )
    run = _run_of(batch.name, runs, context) if batch is not None else None
    return planting_answer(planting, _field_of(planting, context), batch, run, furrow, context)


def make_context(
    season: Season,
    evidence: Evidence,
    *,
    rules: tuple[PublishedRule, ...],
    hazard_facts: Mapping[str, HazardFact],
    as_of: date | None = None,
    n_draws: int = N_DRAWS,
) -> Context:
    """What every part of the plan looks at, with facts later than ``as_of`` left out."""
    settings = season.settings
    zone = ZoneInfo(settings.timezone)
    day = as_of or _date(settings.as_of) or as_of_date(season)
    now = day_end(day, zone)
    season = _facts_until(season, now, day)
    counts, _ = sample_counts(season)
    draws = Draws(settings.seed, n_draws)
    return Context(
        season,
        evidence,
        rules,
        hazard_facts,
        draws,
        other_priors(draws),
        day,
        now,
        zone,
        counts,
        {x.lot: x for x in season.lots},
        {x.inoculant: x for x in season.inoculants},
        {x.product: x for x in season.products},
        {x.batch: x for x in season.batches},
        by_item(season.stays),
        by_item(season.events),
    )


def _date(when: date | datetime | None) -> date | None:
    return when.date() if isinstance(when, datetime) else when


def _facts_until(season: Season, now: datetime, day: date) -> Season:
    """The season as it was known at the end of a day; stays stay, because they may be plans."""
    stamp = int(now.timestamp())
    traces = {}
    for name, trace in season.traces.items():
        keep = int(np.searchsorted(trace.time_s, stamp, side="right"))
        traces[name] = Trace(name, trace.time_s[:keep], trace.temp_c[:keep])
    return replace(
        season,
        treatments=tuple(t for t in season.treatments if t.started_at <= now),
        events=tuple(e for e in season.events if e.at <= now),
        plates=tuple(p for p in season.plates if p.sampled_at <= now),
        tubes=tuple(t for t in season.tubes if t.sampled_at <= now),
        roots=tuple(r for r in season.roots if r.sampled_on <= day),
        dispositions=tuple(d for d in season.dispositions if d.on <= day),
        traces=traces,
    )


def _as_the_user_names_it(problem: Problem, season: Season) -> Problem:
    """A problem of a table, with the file that the table stands in."""
    if problem.file not in season.tables:
        return problem
    file = f"{problem.file}.csv"
    if file not in season.digests:
        file = f"season.xlsx:{problem.file}"
    return replace(problem, file=file)


def _last_drop(name: str, plantings: Iterable[Planting], context: Context) -> datetime:
    drops = [
        drop_time(p, context) for p in plantings if p.batch and _origin(p.batch, context) == name
    ]
    return max(drops, default=context.now)


def _field_of(planting: Planting, context: Context) -> Field | None:
    """The row of ``fields`` that speaks of this planting's crop, else of no crop, else any."""
    rows = [f for f in context.season.fields if f.field == planting.field]
    group = context.group_of(planting.crop)
    own = [f for f in rows if f.crop is not None and context.group_of(f.crop) == group]
    general = [f for f in rows if f.crop is None]
    return next(iter([*own, *general, *rows]), None)


def _run_of(
    name: str, runs: Mapping[str, RunAnswer], context: Context, seen: tuple[str, ...] = ()
) -> RunAnswer | None:
    """A batch's run; where it stops nothing, a run that stops seed the batch came from."""
    own = runs.get(name)
    if own is not None and own.stops:
        return own
    for parent in context.batches[name].parents:
        if parent in context.batches and parent not in (name, *seen):
            older = _run_of(parent, runs, context, (name, *seen))
            if older is not None and older.stops:
                return older
    return own


def _origin(name: str, context: Context) -> str:
    """The batch that a parcel was split from, or the batch itself."""
    return path_of(name, context)[0].item


def _tighten(batches: Iterable[BatchAnswer], context: Context) -> list[Tighten]:
    """What a count on seed would do for each balance, widest first.

    A count with between-sample error s leaves an interval of variance 1/(1/sd² + 1/s²).
    """
    count_sd = context.evidence[SAMPLE_SD].number()
    out: list[Tighten] = []
    for b in batches:
        e = b.at_drop.cells
        if e.se is None or e.low is None or e.high is None or e.se <= count_sd:
            continue
        now = e.high - e.low
        then = now * (1 + (e.se / count_sd) ** 2) ** -0.5
        shares = b.at_drop.book.worse.spread_from()
        top = max(shares, key=lambda k: shares[k]) if shares else ""
        out.append(
            Tighten(b.name, "plates", "a plate count of a seed sample", 10**now, 10**then, top)
        )
    return sorted(out, key=lambda t: -t.factor_now)


def _used(
    batches: Iterable[BatchAnswer], fields: Iterable[FieldAnswer]
) -> dict[str, tuple[str, ...]]:
    """Which evidence rows were used, and by which answers."""
    used: dict[str, dict[str, None]] = {}
    for b in batches:
        for key in b.at_drop.book.used:
            used.setdefault(key, {})[b.name] = None
    for f in fields:
        for key in f.parameters:
            used.setdefault(key, {})[f.field.field] = None
    return {key: tuple(used[key]) for key in sorted(used)}


def _not_asked(season: Season) -> tuple[str, ...]:
    out = []
    if not season.batches:
        out.append("the seed question (no batches)")
    if not season.fields:
        out.append("the field question (no fields)")
    return tuple(out)
