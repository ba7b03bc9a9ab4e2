"""What the parts of an order weigh against one another: money where prices are, else points."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from rhizoledger.errors import InputError
from rhizoledger.plan.batch_facts import BatchFacts
from rhizoledger.plan.context import Context, same_crop
from rhizoledger.plan.market import kg_ha_per_unit, price_per_gain
from rhizoledger.plan.path import path_of
from rhizoledger.plan.runs import RunAnswer
from rhizoledger.treating.label import pack_held

HOURS = 24.0  # exact: hours in a day
POINTS_LATE, POINTS_CLEANOUT, POINTS_AGAIN = 30.0, 1.0, 1000.0  # numeric: weights, not facts
MONEY_CLEANOUT = 1.0


@dataclass(frozen=True, slots=True)
class Weights:
    """Weights of an order, in one unit.

    Parameters
    ----------
    unit : {"money", "points"}
        The season's money, or points.
    late_per_h : float or None
        For each planting and hour that it waits for seed; None takes the season's prices.
    cleanout_per_min : float
        For each minute of cleaning out.
    again : float or None
        For a batch inoculated a second time; None takes the season's prices.
    """

    unit: Literal["money", "points"]
    late_per_h: float | None
    cleanout_per_min: float
    again: float | None


def chosen_weights(
    batches: Iterable[tuple[BatchFacts, RunAnswer]],
    context: Context,
    *,
    late_per_h: float | None = None,
    cleanout_per_min: float | None = None,
    again: float | None = None,
) -> Weights:
    """Weights as asked for, from the season's prices where all are there, else in points.

    Raises
    ------
    InputError
        If a weight is negative or no number.
    """
    named = {
        "--late-per-hour": late_per_h,
        "--cleanout-per-min": cleanout_per_min,
        "--reinoculate": again,
    }
    for name, value in named.items():
        if value is not None and not 0 <= value < float("inf"):
            raise InputError(f"{name} {value:g} is no weight. Give zero or more.")
    batches = list(batches)
    planted = {path_of(p.batch, context)[0].item for p in context.season.plantings if p.batch}
    late_priced = late_per_h is not None or all(
        _wait_per_area_day(f.batch.crop, context) is not None
        and (f.batch.batch in planted or f.batch.needed_by is None)  # else no area is known
        for f, _ in batches
    )
    again_priced = again is not None or all(
        _product_cost(f, r, context) is not None for f, r in batches
    )
    if late_priced and again_priced:
        per_min = MONEY_CLEANOUT if cleanout_per_min is None else cleanout_per_min
        return Weights("money", late_per_h, per_min, again)
    return Weights(
        "points",
        POINTS_LATE if late_per_h is None else late_per_h,
        POINTS_CLEANOUT if cleanout_per_min is None else cleanout_per_min,
        POINTS_AGAIN if again is None else again,
    )


def late_cost(crop: str, area: float, weights: Weights, context: Context) -> float:
    """Cost of an hour that a planting waits: yield lost at its price, over its area."""
    if weights.late_per_h is not None:
        return weights.late_per_h
    return (_wait_per_area_day(crop, context) or 0.0) * area / HOURS


def again_cost(
    facts: BatchFacts,
    run: RunAnswer,
    share: float,
    area: float,
    weights: Weights,
    context: Context,
) -> float:
    """Cost of inoculating a share of a batch again: inoculant, and the treating fee by area."""
    if weights.again is not None:
        return weights.again * share
    fee = (context.season.settings.treating_fee or 0.0) * area
    return (_product_cost(facts, run, context) or 0.0) * share + fee


def _wait_per_area_day(crop: str, context: Context) -> float | None:
    losses = context.season.settings.delay_loss_per_day
    loss = next((x for name, x in losses.items() if same_crop(name, crop)), None)
    price = price_per_gain(crop, kg_ha_per_unit(crop, context), context)
    return None if loss is None or price is None else loss * price


def _product_cost(facts: BatchFacts, run: RunAnswer, context: Context) -> float | None:
    """What the inoculant on a batch costs; None where amount, pack or price is not known."""
    inoculant = facts.inoculant
    if inoculant is None or inoculant.pack_price is None:
        return None
    pack = pack_held(inoculant)
    doses = [d for d in run.sheet.planned.doses if d.item == inoculant.inoculant]
    if pack is None or not doses:
        return None
    total = 0.0
    for d in doses:
        if d.amount is None or d.unit not in (pack.unit, "packs"):
            return None
        total += d.amount if d.unit == "packs" else d.amount / pack.amount
    return total * inoculant.pack_price
