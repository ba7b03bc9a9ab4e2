"""What goes into the furrow: cells per metre of row and per hectare, kept apart from the seed's."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from rhizoledger import units
from rhizoledger.errors import RhizoledgerError
from rhizoledger.plan.clock import MIDNIGHT, day_end, moment
from rhizoledger.plan.context import Context
from rhizoledger.plan.lot_book import lot_book
from rhizoledger.records import Application, Inoculant, Lot, Planting
from rhizoledger.treating.furrow import furrow_cells
from rhizoledger.treating.rates import pack_of
from rhizoledger.treating.stacks import judge_stack


@dataclass(frozen=True, slots=True)
class FurrowAnswer:
    """One furrow dose of one planting; numbers are as applied, by plate count."""

    application: Application
    cells_per_m_row: float | None
    cells_per_ha: float | None
    why: str
    backs_up: bool
    wrong_group: str = ""
    """The sentence that stops a dose of another host group's rhizobia, or nothing."""


def furrow_answer(a: Application, planting: Planting, context: Context) -> FurrowAnswer:
    """Work out one furrow dose from the lot's balance on the day of planting."""
    lot = context.lots[a.lot]
    inoculant = context.inoculants[lot.inoculant]
    at = a.at or moment(planting.planned_on, context.zone, MIDNIGHT)
    wrong = _wrong_group(lot, inoculant, planting, context)
    book = lot_book(lot, inoculant, at, context)
    if not book.worse.known:
        lost = [e.why for e in book.entries if e.state != "quantified"]
        why = lost[-1] if lost else "the titre is not known"
        return FurrowAnswer(a, None, None, wrong or why, False, wrong)
    titre = 10 ** book.worse.quantile(0.5)
    pack = pack_of(inoculant.pack_size, inoculant.pack_unit)
    spacing = planting.row_spacing_m
    try:
        per_m, per_ha = furrow_cells(
            titre,
            a.rate,
            units.parse_rate_unit(a.rate_unit),
            spacing,
            titre_unit=inoculant.titre_unit,
            pack_amount=pack.amount if pack else None,
        )
    except RhizoledgerError as error:
        return FurrowAnswer(a, None, None, wrong or str(error), False, wrong)
    doubt = wrong or _doubt(a, lot, inoculant, planting, at, context)
    if book.flags and not doubt:
        doubt = book.flags[-1]
    why = doubt or ("" if per_m is not None else "row_spacing is not written down")
    right = context.group_served(inoculant) == context.group_of(planting.crop)
    return FurrowAnswer(a, per_m, per_ha, why, right and not doubt, wrong)


def _wrong_group(lot: Lot, inoculant: Inoculant, planting: Planting, context: Context) -> str:
    served, needed = context.group_served(inoculant), context.group_of(planting.crop)
    if None in (served, needed) or served == needed:
        return ""
    carries = f"Furrow lot {lot.lot} carries rhizobia for {inoculant.host_group}"
    return f"{carries}; {planting.crop} needs those for {needed}."


def _doubt(
    a: Application,
    lot: Lot,
    inoculant: Inoculant,
    planting: Planting,
    at: datetime,
    context: Context,
) -> str:
    """Why a dose of the right rhizobia may not be counted on, or nothing."""
    if day_end(lot.expires_on, context.zone) < at:
        return f"lot {lot.lot} expires on {lot.expires_on}"
    if a.placement not in inoculant.placements:
        return f"the label of {inoculant.inoculant} does not give {a.placement.replace('_', ' ')}"
    planned = planting.planted_to or moment(planting.planned_on, context.zone, MIDNIGHT)
    if a.at is not None and a.at >= day_end(planned.astimezone(context.zone).date(), context.zone):
        return "it is dated after the seed went in"
    if a.tank_mix:
        stack = judge_stack(
            context.season.stacks, inoculant.inoculant, a.tank_mix, None, "furrow_tank"
        )
        if stack.state not in ("alone", "whole"):
            return stack.why
    return ""
