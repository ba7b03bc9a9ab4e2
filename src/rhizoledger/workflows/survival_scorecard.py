"""Hold what plans expected of lots and seed against the counts that came later."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from rhizoledger.estimate import Estimate
from rhizoledger.plan.clock import as_of_date, local_text
from rhizoledger.plan.context import Context
from rhizoledger.plan.scorecard import CONFIDENCE, FEW, Score, Scorecard, Share, scorecard
from rhizoledger.workflows.kept_predictions import FILE, read_kept
from rhizoledger.workflows.plan import plan_folder, season_context
from rhizoledger.workflows.season import load


def scorecard_folder(
    folder: Path, *, plan: Path | None = None, as_of: str | None = None
) -> dict[str, Any]:
    """Score every prediction of a season folder that has met its count.

    Parameters
    ----------
    folder : Path
        The season.
    plan : Path, optional
        The folder that plans were written to; ``folder/plan`` by default.
    as_of : str, optional
        ISO date; counts after it are left out. The latest recorded day if not given.

    Returns
    -------
    dict
        Ready for JSON.

    Raises
    ------
    InputError
        If the season, or the file of kept predictions, cannot be read.
    """
    day = as_of or as_of_date(load(folder)).isoformat()
    context = season_context(folder, day)
    kept = read_kept(plan_folder(folder, plan) / FILE)
    return as_dict(scorecard(context, kept), context, len(kept))


def as_dict(card: Scorecard, context: Context, kept_rows: int) -> dict[str, Any]:
    """A scorecard as JSON values."""
    half, most = card.shares
    return {
        "season": context.season.settings.name,
        "as_of": context.as_of.isoformat(),
        "kept_predictions": kept_rows,
        "scores": [_score(s, context) for s in card.scores],
        "summary": {
            "counts": len(card.scores),
            "scored": card.n,
            "too_few": card.too_few,
            "few_below": FEW,
            "coverage_50": _share(half),
            "coverage_90": _share(most),
            "bias_log10": _estimate(card.bias),
            "brier": card.brier,
            "brier_counts": card.brier_n,
        },
    }


def _score(s: Score, context: Context) -> dict[str, Any]:
    return {
        "item": s.count.item,
        "at": local_text(s.count.at, context.zone),
        "basis": s.count.basis,
        "counted_by": s.count.how,
        "prediction": s.how,
        "as_of": s.as_of.isoformat() if s.as_of else None,
        "scored": s.pit is not None,
        "why_not": s.not_scored or None,
        "predicted_log10": _estimate(s.predicted),
        "limits_50": list(s.limits_50) if s.limits_50 else None,
        "limits_90": list(s.limits_90) if s.limits_90 else None,
        "counted_log10": s.counted_log10,
        "inside_50": s.inside_50,
        "inside_90": s.inside_90,
        "pit": s.pit,
        "error_log10": s.error_log10,
        "p_meets": s.p_meets,
        "meets": s.meets,
    }


def _share(share: Share) -> dict[str, Any]:
    return {
        "inside": share.inside,
        "n": share.n,
        "low": share.low,
        "high": share.high,
        "level": CONFIDENCE,
    }


def _estimate(e: Estimate | None) -> dict[str, Any] | None:
    return None if e is None else e.to_dict()
