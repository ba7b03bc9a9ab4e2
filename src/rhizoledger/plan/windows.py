"""By when a batch must be in the ground, and what sets that hour (§2.13)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from rhizoledger.plan.batch_facts import BatchFacts
from rhizoledger.plan.clock import day_end, hours_after
from rhizoledger.plan.context import Context

By = Literal["label", "tag", "stack", "expiry", "opened_life", "slurry_life", "model"]
HORIZON_DAYS = 60  # numeric: how far ahead the model is asked; published losses end before
STEP_HOURS = 1.0


ON_SEED: tuple[By, ...] = ("label", "tag", "stack", "model")
"""Limits that speak of waiting on seed; an expiry alone says nothing of it."""


@dataclass(frozen=True, slots=True)
class Limit:
    """One reason why seed cannot wait longer than a moment."""

    by: By
    at: datetime
    says: str

    @property
    def in_the_shop(self) -> str:
        """What sets it, in words without a probability, as a sheet on the floor says it."""
        return "live cells on the seed fall with waiting" if self.by == "model" else self.says


def hard_limits(facts: BatchFacts, treated_at: datetime | None, context: Context) -> list[Limit]:
    """Limits that labels, tags, tests and dates set; hours count from first wetting."""
    batch = facts.batch
    limits: list[Limit] = []
    if batch.tag_use_by is not None:
        limits.append(
            Limit("tag", day_end(batch.tag_use_by, context.zone), "the tag's use-by date")
        )
    stack = facts.stack
    if stack is not None and stack.max_hours is not None and treated_at is not None:
        rows = [r for r in context.season.stacks if r.row in stack.rows]
        label = any(r.verdict == "label_allows" and r.max_hours == stack.max_hours for r in rows)
        by: By = "label" if label else "stack"
        where = "label" if label else "test"
        says = f"the {where} of this stack allows {stack.max_hours:g} h from first wetting"
        limits.append(Limit(by, hours_after(treated_at, stack.max_hours), says))
    for a in facts.applied:
        if a.lot is None:
            continue
        end = day_end(a.lot.expires_on, context.zone)
        limits.append(Limit("expiry", end, f"lot {a.lot.lot} expires on {a.lot.expires_on}"))
        limits += _before_treating(facts, a.lot.lot, treated_at, context)
    return sorted(limits, key=lambda limit: limit.at)


def _before_treating(
    facts: BatchFacts, lot: str, treated_at: datetime | None, context: Context
) -> list[Limit]:
    """Lives that bind the treating hour: they limit planting only if they were overrun."""
    inoculant = facts.inoculant
    limits: list[Limit] = []
    if inoculant is None:
        return limits
    opened = [e.at for e in context.events.get(lot, ()) if e.event == "opened"]
    if opened and inoculant.opened_life_days is not None:
        end = hours_after(min(opened), 24 * inoculant.opened_life_days)  # exact: h in a day
        if treated_at is None or treated_at > end:
            says = f"lot {lot} was opened and keeps {inoculant.opened_life_days:g} d open"
            limits.append(Limit("opened_life", end, says))
    life = inoculant.slurry_life_hours
    for item in (lot, facts.batch.batch):
        for stay in context.stays.get(item, ()):
            if stay.stage != "slurry" or life is None:
                continue
            end = hours_after(stay.start, life)
            used = stay.end or treated_at
            if used is None or used > end:
                says = f"the slurry keeps {life:g} h"
                limits.append(Limit("slurry_life", end, says))
    return limits


def model_limit(
    p_at: Callable[[datetime], float | None],
    wanted: float,
    start: datetime,
    latest: datetime | None,
) -> Limit | None:
    """The last whole hour at which P(≥ requirement) is still what is wanted.

    Parameters
    ----------
    p_at : callable
        P at a moment; falls with time. None where it is not known.
    wanted : float
        The season's decision probability.
    start : datetime
        From when the batch waits.
    latest : datetime or None
        The earliest hard limit: a model may shorten it, never lengthen it.

    Returns
    -------
    Limit or None
        None where the model sets no limit before ``latest`` (or the horizon), or knows no P, or P
        is already too low at the start: then no date would help and the planting's arrival says so.
    """
    end = start + timedelta(days=HORIZON_DAYS)
    if latest is not None:
        end = min(end, latest)
    first = p_at(start)
    if end <= start or first is None or first < wanted:
        return None
    last = p_at(end)
    if last is not None and last >= wanted:
        return None
    low, high = 0, int((end - start) / timedelta(hours=STEP_HOURS))
    while high - low > 1:
        middle = (low + high) // 2
        p = p_at(start + timedelta(hours=middle * STEP_HOURS))
        if p is not None and p >= wanted:
            low = middle
        else:
            high = middle
    at = start + timedelta(hours=low * STEP_HOURS)
    says = f"after that the chance of enough cells is below {wanted:g}"
    if p_at(start + timedelta(hours=high * STEP_HOURS)) is None:
        says = "no published number reaches further"
    return Limit("model", at, says)
