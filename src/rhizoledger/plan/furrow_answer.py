"""What goes into the furrow: cells per metre of row and per hectare, kept apart from the seed's."""

from __future__ import annotations

from dataclasses import dataclass

from rhizoledger import units
from rhizoledger.errors import RhizoledgerError
from rhizoledger.plan.clock import MIDNIGHT, day_end, moment
from rhizoledger.plan.context import Context
from rhizoledger.plan.lot_book import lot_book
from rhizoledger.records import Application, Planting
from rhizoledger.treating.furrow import furrow_cells
from rhizoledger.treating.rates import pack_of


@dataclass(frozen=True, slots=True)
class FurrowAnswer:
    """One furrow dose of one planting; numbers are as applied, by plate count."""

    application: Application
    cells_per_m_row: float | None
    cells_per_ha: float | None
    why: str
    backs_up: bool


def furrow_answer(a: Application, planting: Planting, context: Context) -> FurrowAnswer:
    """Work out one furrow dose from the lot's balance on the day of planting."""
    lot = context.lots[a.lot]
    inoculant = context.inoculants[lot.inoculant]
    at = a.at or moment(planting.planned_on, context.zone, MIDNIGHT)
    book = lot_book(lot, inoculant, at, context)
    if not book.worse.known:
        lost = [e.why for e in book.entries if e.state != "quantified"]
        why = lost[-1] if lost else "the titre is not known"
        return FurrowAnswer(a, None, None, why, False)
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
        return FurrowAnswer(a, None, None, str(error), False)
    why = "" if per_m is not None else "row_spacing is not written down"
    right = context.group_served(inoculant) == context.group_of(planting.crop)
    in_date = day_end(lot.expires_on, context.zone) >= at
    if not right:
        why = f"{lot.lot} carries rhizobia for {inoculant.host_group}"
    elif not in_date:
        why = f"lot {lot.lot} expires on {lot.expires_on}"
    elif book.flags:
        why = book.flags[-1]
    alive = not book.flags and a.placement in inoculant.placements
    return FurrowAnswer(a, per_m, per_ha, why, right and in_date and alive)
