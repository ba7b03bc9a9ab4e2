"""Ask of one batch: what if it waits longer, stands cooler, or carries other things."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from rhizoledger.errors import InputError
from rhizoledger.evidence.facts import cautions_for
from rhizoledger.plan.batch_answer import applied_estimate
from rhizoledger.plan.clock import local_text
from rhizoledger.plan.context import Context
from rhizoledger.plan.what_if import Outcome, Question, Store, WhatIf, what_if
from rhizoledger.units import temperature_c
from rhizoledger.workflows.plan import season_context

CAUTION = "label_first"


def what_if_folder(
    folder: Path,
    batch: str,
    *,
    delay_days: float = 0.0,
    store_c: float | None = None,
    store_f: float | None = None,
    stack: str | None = None,
    as_of: str | None = None,
) -> dict[str, Any]:
    """Answer one question about a batch of a season folder, and the table around it.

    Parameters
    ----------
    folder : Path
        The season.
    batch : str
        A batch, or a parcel split from one.
    delay_days : float
        Days after the planned seed drop.
    store_c, store_f : float, optional
        Temperature of the seed until then; one of the two.
    stack : str, optional
        Another recipe.
    as_of : str, optional
        ISO date that the answer is for.

    Returns
    -------
    dict
        Ready for JSON.

    Raises
    ------
    InputError, NotFoundError
        As :func:`rhizoledger.plan.what_if.what_if`; and if both temperatures are given.
    """
    if store_c is not None and store_f is not None:
        raise InputError("The store is given in °C and in °F. Give one of the two.")
    if store_f is not None:
        store_c = temperature_c(store_f, "F")
    context = season_context(folder, as_of)
    found = what_if(batch, Question(delay_days, store_c, stack), context)
    settings = context.season.settings
    return {
        "batch": found.name,
        "season": settings.name,
        "as_of": context.as_of.isoformat(),
        "temperature_unit": settings.units.temperature,
        "question": {"delay_days": delay_days, "store_c": store_c, "stack": stack},
        "wanted": found.wanted,
        "requirement_log10": _requirement(found),
        "seed_drop_planned": local_text(found.base, context.zone),
        "waits_from": local_text(found.waits_from, context.zone),
        "planned": _outcome(found.planned, context),
        "what_if": _outcome(found.asked, context),
        "delays_days": list(found.delays_days),
        "stores": [_store(s, found.delays_days) for s in found.stores],
        "warnings": list(found.notes),
        "cautions": [
            c.sentence for c in cautions_for(settings.country, "grower") if c.id == CAUTION
        ],
    }


def _requirement(found: WhatIf) -> dict[str, Any] | None:
    r = found.facts.requirement
    if r is None:
        return None
    return {"cells_per_seed": r.cells_per_seed, "basis": r.basis}


def _outcome(o: Outcome, context: Context) -> dict[str, Any]:
    def numbers(e: Any) -> dict[str, Any]:
        return {"value": e.value, "low": e.low, "high": e.high, "status": e.status}

    return {
        "seed_drop": local_text(o.drop, context.zone),
        "cells_log10": numbers(o.at.cells),
        "applied_log10": numbers(applied_estimate(o.at)),
        "p_meets": o.at.p,
        "p_low": o.at.p_low,
        "p_high": o.at.p_high,
        "why_no_p": o.at.why_no_p,
        "arrival": o.arrival,
        "sentence": o.sentence,
        "limit_past": None if o.closed is None else o.closed.by,
    }


def _store(s: Store, delays: tuple[float, ...]) -> dict[str, Any]:
    return {
        "store_c": s.temp_c,
        "latest_delay_days": s.latest_days,
        "latest_is_open": s.open,
        "cells": [
            {
                "delay_days": d,
                "p_meets": o.at.p,
                "p_low": o.at.p_low,
                "p_high": o.at.p_high,
                "arrival": o.arrival,
                "limit_past": None if o.closed is None else o.closed.by,
                "why_no_p": o.at.why_no_p,
            }
            for d, o in zip(delays, s.outcomes, strict=True)
        ],
    }
