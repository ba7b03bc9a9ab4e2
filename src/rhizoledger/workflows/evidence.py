"""Look up the numbers about the world: every row, one row, and what is not known."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

from rhizoledger.evidence import Evidence, Parameter, load_evidence
from rhizoledger.evidence.facts import gaps as known_gaps
from rhizoledger.evidence.facts import used_for
from rhizoledger.evidence.read import source_key

WEAK_GRADES = ("practice", "assumption")


def list_evidence(gaps: bool = False, extra: Path | None = None) -> dict[str, Any]:
    """Every evidence row, or only what is weak or missing.

    Parameters
    ----------
    gaps : bool
        List what is not known, and only the rows that rest on practice, assumption, judgement or
        memory.
    extra : Path, optional
        A season's own ``evidence.toml``.

    Returns
    -------
    dict
        ``"evidence"``: rows with every field, sorted by id; ``"gaps"``: what is not known, what
        is done meanwhile and what would make it known (empty unless asked for).

    Raises
    ------
    EvidenceError
        If a row breaks the rules of the tables.
    """
    evidence = load_evidence(extra)
    rows = [evidence[key] for key in sorted(evidence)]
    if not gaps:
        return {"evidence": [_row(p) for p in rows], "gaps": []}
    return {
        "evidence": [_row(p) for p in rows if _is_weak(p)],
        "gaps": [_plain(asdict(gap)) for gap in known_gaps()],
    }


def show_evidence(id: str, extra: Path | None = None) -> dict[str, Any]:
    """One evidence row with its references in full and what it is used for.

    Parameters
    ----------
    id : str
        The row's id. A superseded one is shown as it stood, with the id that replaced it.
    extra : Path, optional
        A season's own ``evidence.toml``.

    Returns
    -------
    dict
        Every field of the row, ``sources`` with citation, locator and how much was read,
        ``used_for`` in words, and ``replaced_by``.

    Raises
    ------
    NotFoundError
        If there is no such row; the text names the nearest ids.
    """
    evidence = load_evidence(extra)
    heir = evidence[id]
    shown = _row(evidence.superseded.get(id, heir))
    shown["sources"] = [_reference(text, evidence) for text in shown["sources"]]
    shown["replaced_by"] = heir.id if heir.id != id else None
    return shown


def _row(p: Parameter) -> dict[str, Any]:
    row = _plain(asdict(p))
    row["used_for"] = used_for(p.replaces or p.id)
    return row


def _plain(row: dict[str, Any]) -> dict[str, Any]:
    """Lists for tuples, as JSON has them."""
    return {k: list(v) if isinstance(v, tuple) else v for k, v in row.items()}


def _reference(text: str, evidence: Evidence) -> dict[str, str]:
    """One source as a person would look it up."""
    source = evidence.sources[source_key(text)]
    place = text.partition(":")[2].strip()
    return {
        "key": source.key,
        "citation": source.citation,
        "locator": "; ".join(dict.fromkeys(x for x in (place, source.locator) if x)),
        "how_known": source.how_known,
    }


def _is_weak(p: Parameter) -> bool:
    return p.grade in WEAK_GRADES or p.interval_kind == "judgement" or "memory" in p.how_known
