"""plan.json: the plan as plain values, in the shape that SEASON promises."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from datetime import date, datetime
from math import isfinite
from typing import Any

from rhizoledger.estimate import Estimate
from rhizoledger.evidence import Evidence
from rhizoledger.plan.batch_answer import BatchAnswer, applied_estimate
from rhizoledger.plan.clock import local_text
from rhizoledger.plan.context import Context
from rhizoledger.plan.field_answer import FieldAnswer
from rhizoledger.plan.ledger import Entry
from rhizoledger.plan.met import Met
from rhizoledger.plan.planting_answer import PlantingAnswer
from rhizoledger.plan.season_plan import Plan

SCHEMA = 1
DECIMALS = 6  # numeric: digits kept in JSON; far inside the Monte Carlo error


def document(plan: Plan, generated: Mapping[str, Any]) -> dict[str, Any]:
    """The whole plan as JSON values; the same plan gives the same document."""
    context = plan.context
    s = context.season.settings
    units = {"seed_mass": s.units.seed_mass, "area": s.units.area,
             "temperature": s.units.temperature, "yield": s.units.yield_}  # fmt: skip
    whole = {
        "schema": SCHEMA,
        "season": s.name,
        "as_of": context.as_of,
        "units": units,
        "generated": dict(generated),
        "not_asked": list(plan.not_asked),
        "batches": [_batch(b, context) for b in plan.batches],
        "plantings": [_planting(p) for p in plan.plantings],
        "fields": [_field(f, context) for f in plan.fields],
        "runs": [r.sheet.to_dict() for r in plan.runs],
        "tighten": [asdict(t) for t in plan.tighten],
        "evidence": [_evidence(i, by, context.evidence) for i, by in plan.used.items()],
        "problems": [p.to_dict() for p in plan.problems],
    }
    plain: dict[str, Any] = _plain(whole)
    return plain


def _batch(b: BatchAnswer, context: Context) -> dict[str, Any]:
    at, ledger = b.at_drop, b.ledger
    limit = b.plant_by
    r = b.facts.requirement
    return {
        "batch": b.name,
        "crop": b.facts.batch.crop,
        "ledger": [_entry(e, context) for e in ledger.entries],
        "cells_per_seed_log10": ledger.closing,
        "applied_log10": applied_estimate(at),
        "requirement_log10": ledger.requirement_log10,
        "basis": r.basis if r else None,
        "p_meets": ledger.p_meets,
        "p_gap_ends": None if at.p is None else [at.p, at.p_better],
        "p_band": None if at.p is None else [at.p_low, at.p_high],
        "p_is_at_least": at.book.worse.at_least,
        "why_no_p": at.why_no_p or None,
        "share_of_seeds_meeting": at.share_meeting,
        "spread_from": ledger.spread_from,
        "ess": ledger.ess,
        "plant_by": local_text(limit.at, context.zone) if limit else None,
        "limited_by": limit.by if limit else None,
        "limits": [
            {"by": x.by, "at": local_text(x.at, context.zone), "says": x.says} for x in b.limits
        ],
        "if_stored": b.if_stored,
        "worst_grade": b.worst_grade,
    }


def _entry(e: Entry, context: Context) -> dict[str, Any]:
    return {
        "step": e.step,
        "start": local_text(e.start, context.zone),
        "end": local_text(e.end, context.zone),
        "change": e.change,
        "balance": e.balance,
        "state": e.state,
        "why": e.why,
        "parameters": list(e.parameters),
        **({} if e.met is None else {"count": _met(e.met)}),
    }


def _met(met: Met) -> dict[str, Any]:
    """A count on the way; the balance after it is the entry's own."""
    return {
        "did": met.did,
        "before": met.before,
        "alone": met.alone,
        "ess": met.ess,
        "k_hat": None if met.k_hat is None or not isfinite(met.k_hat) else met.k_hat,
        "draws": met.draws,
    }


def _planting(p: PlantingAnswer) -> dict[str, Any]:
    row = p.planting
    return {
        "field": row.field,
        "seq": row.seq,
        "batch": row.batch,
        "crop": row.crop,
        "planned_on": row.planned_on,
        "consequence": p.consequence,
        "arrival": p.arrival,
        "verdict": p.verdict.word,
        "planted": p.planted,
        "reasons": list(p.verdict.reasons),
        "actions": list(p.verdict.actions),
        "cells_per_seed_log10": p.at.cells if p.at else None,
        "p_meets": p.at.p if p.at else None,
        "furrow": [
            {
                "lot": f.application.lot,
                "placement": f.application.placement,
                "cells_per_m_row": f.cells_per_m_row,
                "cells_per_ha": f.cells_per_ha,
                "why": f.why,
            }
            for f in p.furrow
        ],
        "cost_of_waiting_per_day": p.cost_of_waiting,
    }


def _field(f: FieldAnswer, context: Context) -> dict[str, Any]:
    return {
        "field": f.field.field,
        "crop": f.crop,
        "consequence": f.consequence,
        "gain": f.gain,
        "cost_per_area": f.cost_per_area,
        "cost_how": f.cost_how,
        "break_even": f.break_even,
        "p_pays": f.p_pays,
        "p_pays_k": f.p_pays_k,
        "net": f.net,
        "verdict": f.verdict.word,
        "reasons": list(f.verdict.reasons),
        "dose": f.dose,
        "worth_testing": [asdict(t) for t in f.worth_testing],
        "rules": [{"says": r.says, "source": r.source, "points_to": r.points_to} for r in f.rules],
        "worst_grade": f.worst_grade,
    }


def _evidence(key: str, used_by: tuple[str, ...], evidence: Evidence) -> dict[str, Any]:
    p = evidence[key]
    return {
        "id": key,
        "value": p.value,
        "low": p.low,
        "high": p.high,
        "unit": p.unit,
        "grade": p.grade,
        "source": list(p.sources),
        "how_known": p.how_known,
        "used_by": list(used_by),
    }


def _plain(value: Any) -> Any:
    """JSON values only: estimates as objects, dates as text, numbers to six decimals."""
    if isinstance(value, Estimate):
        return _plain(value.to_dict())
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    if isinstance(value, float):
        return round(value, DECIMALS) + 0.0
    if isinstance(value, (datetime, date)):
        return value.isoformat()
    return value
