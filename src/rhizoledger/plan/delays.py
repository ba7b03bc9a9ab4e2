"""Rained out: what a planting's answer would be if the planter stood for some days."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta

from rhizoledger.plan.planting_answer import PlantingAnswer
from rhizoledger.plan.season_plan import Plan, judge

DAYS = (2, 5, 10)  # numeric: days of rain asked about, a choice
"""Days of rain that a grower's page answers for."""


@dataclass(frozen=True, slots=True)
class Delayed:
    """One planting, some days later than planned."""

    days: int
    answer: PlantingAnswer


def rained_out(
    plan: Plan, answer: PlantingAnswer, days: tuple[int, ...] = DAYS
) -> tuple[Delayed, ...]:
    """The same planting, judged at later days, the seed kept as its last row of ``stays`` says.

    Seed in the ground cannot wait: it has no answers here.
    """
    if answer.planted:
        return ()
    batches = {b.name: b for b in plan.batches}
    runs = {r.sheet.batch: r for r in plan.runs}
    row = answer.planting
    return tuple(
        Delayed(
            n,
            judge(
                replace(row, planned_on=row.planned_on + timedelta(days=n)),
                batches,
                runs,
                plan.context,
            ),
        )
        for n in days
    )
