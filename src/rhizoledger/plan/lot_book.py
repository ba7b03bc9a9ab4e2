"""The book of a lot: what lives in the jug or bag at the moment it is used."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from rhizoledger.counts.per_seed import agrees_with_guarantee
from rhizoledger.draws import FloatArray
from rhizoledger.plan.clock import DAY_S, MIDNIGHT, moment
from rhizoledger.plan.context import Context
from rhizoledger.plan.hazards import run_hazards
from rhizoledger.plan.ledger import Book, Change
from rhizoledger.plan.own_loss import own_package_curve, package_loss
from rhizoledger.plan.spoken import grouped
from rhizoledger.plan.timeline import Run, build_runs
from rhizoledger.records import Inoculant, Lot
from rhizoledger.units import degrees

SAMPLE_SD = "count.between_sample_sd_log10"
PEAT_LOSS = "survival.package.peat.log10_loss_per_day"
PEAT_GROWS = "survival.package.peat.grows_above_c"
LIQUID_D = "survival.package.liquid_warm.d_days"
LIQUID_EDGE = "survival.package.liquid_warm.edge_down_to_c"
VEHICLE_RISE = "survival.vehicle.rise_max_c"
UNTOLD = "storage not written down; taken to be as the label says, so no loss is charged"


def kept_lot_book(
    lot: Lot | None, inoculant: Inoculant, used_at: datetime, context: Context
) -> Book:
    """:func:`lot_book`, worked out once for each lot and moment; not to be written in."""
    key = ("lot", lot.lot if lot else "", inoculant.inoculant, used_at.isoformat())
    return context.once(key, lambda: lot_book(lot, inoculant, used_at, context))


def lot_book(lot: Lot | None, inoculant: Inoculant, used_at: datetime, context: Context) -> Book:
    """Keep a lot's book from its guarantee or first count up to the moment it is used.

    A guarantee that holds to expiry takes no loss while stored inside the label's range: only time
    outside it counts, and the balance reads "at least" (§2.7). A count outranks the guarantee.

    Parameters
    ----------
    lot : Lot or None
        None where the lot is not written down: then only the guarantee speaks.
    inoculant : Inoculant
        What the label says.
    used_at : datetime
        Treating time; the book ends there.
    context : Context

    Returns
    -------
    Book
        Balances in log10 of CFU per mL or g, by plate count.
    """
    book = Book(context.draws, context.evidence[SAMPLE_SD])
    name = lot.lot if lot else inoculant.inoculant
    basis = inoculant.titre_unit.removeprefix("CFU/")
    counts = [c for c in context.counts_of(name, basis) if c.at <= used_at]
    now = _first_moment(lot, min([used_at, *(c.at for c in counts)]), context)
    if inoculant.guaranteed_titre and inoculant.guarantee_holds:
        titre = np.full(context.draws.n, np.log10(inoculant.guaranteed_titre))
        until = "to expiry" if inoculant.guarantee_holds == "to_expiry" else "when made"
        why = f"{name}: guarantee of {grouped(inoculant.guaranteed_titre)} {inoculant.titre_unit}"
        book.open("package", now, f"guarantee {name}", titre, f"{why}, {until}", at_least=True)
    else:
        book.open_unknown("package", now, f"{name}: neither a guarantee nor a count")
    for count in counts:
        _keep(book, lot, inoculant, now, count.at, context)
        note = ""
        if inoculant.guaranteed_titre:
            note = agrees_with_guarantee(count.estimate, inoculant.guaranteed_titre) or ""
        book.count(count, note=note)
        now = count.at
    _keep(book, lot, inoculant, now, used_at, context)
    return book


def _first_moment(lot: Lot | None, latest: datetime, context: Context) -> datetime:
    """Where a lot's book opens: when it was made, else received, else first stored, else used."""
    if lot is None:
        return latest
    dates = [d for d in (lot.made_on, lot.received_on) if d is not None]
    moments = [moment(dates[0], context.zone, MIDNIGHT)] if dates else []
    moments += [s.start for s in context.stays.get(lot.lot, ())]
    return min([latest, *moments[:1]])


def _keep(
    book: Book,
    lot: Lot | None,
    inoculant: Inoculant,
    start: datetime,
    end: datetime,
    context: Context,
) -> None:
    """Enter the time a lot spends in its package between two moments."""
    stays = context.stays.get(lot.lot, ()) if lot else ()
    inside = [s for s in stays if s.stage == "package" and s.start < end]
    if end <= start:
        return
    by_label = inoculant.guarantee_holds == "to_expiry"
    told_from = min((s.start for s in inside), default=end)
    told_to = max((s.end or end for s in inside), default=end)
    if by_label and start < told_from:
        _untold(book, lot, inoculant, start, min(told_from, end), context)
        start = told_from
    until = min(end, told_to) if by_label else end
    runs = build_runs(
        inside,
        start,
        until,
        cuts=(),
        traces=context.season.traces,
        settings=context.season.settings,
        vehicle_rise_c=context.evidence[VEHICLE_RISE].number(),
        default_stage="package",
        default_moisture="wet" if inoculant.form == "liquid" else "dry",
    )
    for run in runs:
        _keep_run(book, lot, inoculant, run, by_label, context)
    if by_label and max(start, until) < end:
        _untold(book, lot, inoculant, max(start, until), end, context)


def _untold(
    book: Book,
    lot: Lot | None,
    inoculant: Inoculant,
    start: datetime,
    end: datetime,
    context: Context,
) -> None:
    """Enter time in the package that no row tells of: by the label, unless an event says harm."""
    run = Run("package", "", start, end, None, (), 0, 0, ())
    events = context.events.get(lot.lot, ()) if lot else ()
    hazards = run_hazards(run, events, context, form=inoculant.form)
    if hazards:
        book.not_quantified("package", start, end, "; ".join(hazards), harm=True)
    else:
        book.marked("package", end, UNTOLD)


def _keep_run(
    book: Book,
    lot: Lot | None,
    inoculant: Inoculant,
    run: Run,
    by_label: bool,
    context: Context,
) -> None:
    events = context.events.get(lot.lot, ()) if lot else ()
    hazards = run_hazards(run, events, context, form=inoculant.form)
    if hazards:
        book.not_quantified(run.stage, run.start, run.end, "; ".join(hazards), harm=True)
        return
    inside = _inside_label(run, inoculant)
    guaranteed = book.worse.at_least or own_package_curve(inoculant.inoculant, context) is None
    if by_label and inside and guaranteed:
        why = "stored inside the label's range: the guarantee stands, no loss is charged"
        if inoculant.store_min_c is None and inoculant.store_max_c is None:
            why = "the label's storage range is not written down; no loss is charged"
        book.marked(run.stage, run.end, why)
        return
    if not inside and run.span_c is not None:
        book.flags.append(
            f"{_span(run, context)} in the package, outside the label's storage range"
        )
    own = package_loss(run, inoculant.inoculant, context)
    if own is not None:
        change, rows, why = own
        if change is None:
            book.not_quantified(run.stage, run.start, run.end, why, harm=False)
        else:
            book.quantified(run.stage, run.start, run.end, change, rows, why)
    elif inoculant.form == "peat":
        _peat(book, run, context)
    elif inoculant.form == "liquid":
        _liquid(book, run, inoculant, context)
    else:
        why = f"no published loss for a {inoculant.form} product in its package"
        book.not_quantified(run.stage, run.start, run.end, why, harm=False)


def _inside_label(run: Run, inoculant: Inoculant) -> bool:
    """Whether the whole run kept to the label's storage range, as far as the record can tell."""
    if run.unknown_s or run.span_c is None:
        return False
    low, high = run.span_c
    above = inoculant.store_max_c is None or high <= inoculant.store_max_c
    below = inoculant.store_min_c is None or low >= inoculant.store_min_c
    return above and below


def _peat(book: Book, run: Run, context: Context) -> None:
    rate, grows = context.evidence[PEAT_LOSS], context.evidence[PEAT_GROWS]
    assert rate.valid_c is not None
    low, high = run.span_c or (-np.inf, np.inf)
    if run.unknown_s or low < rate.valid_c[0]:
        why = f"{_span(run, context)}: no published loss rate for peat there"
        book.not_quantified(run.stage, run.start, run.end, why, harm=False)
    elif high > grows.number():
        why = f"{_span(run, context)}: peat this warm can grow, and a model of loss does not hold"
        book.not_quantified(run.stage, run.start, run.end, why, "not_valid", harm=False)
    else:
        days = run.seconds / DAY_S
        change: FloatArray = -context.draws.parameter(rate) * days
        parts = Change.same({rate.id: change})
        why = f"{_span(run, context)}, {days:.1f} d of storage"
        book.quantified(run.stage, run.start, run.end, parts, (rate,), why)


def _liquid(book: Book, run: Run, inoculant: Inoculant, context: Context) -> None:
    d_days, edge = context.evidence[LIQUID_D], context.evidence[LIQUID_EDGE]
    assert d_days.valid_c is not None
    low, high = run.span_c or (-np.inf, np.inf)
    protected = inoculant.protectant not in (None, "", "none", "unknown")
    if run.unknown_s or high > d_days.valid_c[1] or low < edge.number() or not protected:
        lack = "" if protected else "; protectant not known"
        why = f"{_span(run, context)}: no published loss rate for a liquid there{lack}"
        book.not_quantified(run.stage, run.start, run.end, why, harm=False)
        return
    days = run.seconds / DAY_S
    warm = degrees(context.season.settings.units.temperature, d_days.valid_c[0])
    parts = Change.same({d_days.id: -days / context.draws.parameter(d_days)})
    why = f"{_span(run, context)}, {days:.1f} d; charged as at {warm} or above"
    book.quantified(run.stage, run.start, run.end, parts, (d_days, edge), why)


def _span(run: Run, context: Context) -> str:
    if run.span_c is None or run.unknown_s:
        return "temperature not known"
    return degrees(context.season.settings.units.temperature, *run.span_c) + run.untold
