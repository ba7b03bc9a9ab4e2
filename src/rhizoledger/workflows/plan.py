"""The main job: a season folder in, a plan out."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from rhizoledger import __version__
from rhizoledger.errors import InputError, Problem
from rhizoledger.evidence import Evidence, load_evidence
from rhizoledger.evidence.facts import hazard_facts, published_rules
from rhizoledger.plan.context import Context
from rhizoledger.plan.document import document
from rhizoledger.plan.predictions import predictions
from rhizoledger.plan.season_plan import Plan, make_context, plan_season
from rhizoledger.provenance import generated
from rhizoledger.workflows.kept_predictions import FILE, added, kept_text, read_kept
from rhizoledger.workflows.season import load

READ_FOLDERS = ("loggers", "trials")
FIRST_YEAR, LAST_YEAR = 1900, 2199


@dataclass(frozen=True, slots=True)
class PlanResult:
    """A plan as made and as written."""

    plan: Plan
    document: dict[str, Any]
    written: tuple[Path, ...]


def make_plan(
    folder: Path,
    out: Path | None = None,
    as_of: str | None = None,
    told: Callable[[str, int, int], None] | None = None,
) -> PlanResult:
    """Plan a season folder, write ``plan.json`` and keep its predictions beside it.

    Parameters
    ----------
    folder : Path
        The season.
    out : Path, optional
        Where to write; ``folder/plan`` by default. Nothing there enters the plan.
    as_of : str, optional
        ISO date that the answer is for.
    told : callable, optional
        Told what is worked on, how many of it are done, and of how many.

    Raises
    ------
    InputError
        With every problem of the folder.
    """
    out = plan_folder(folder, out)
    plan, whole = _plan(folder, as_of, told)
    target, kept = out / "plan.json", out / FILE
    rows = added(read_kept(kept), predictions(plan), plan.context.as_of)
    try:
        out.mkdir(parents=True, exist_ok=True)
        target.write_text(to_text(whole), encoding="utf-8", newline="\n")
        kept.write_text(kept_text(rows), encoding="utf-8", newline="\n")
    except OSError as error:
        what = f"The plan cannot be written there: {error.strerror}."
        raise InputError(
            [Problem(str(out), None, None, None, what, "Name another folder with --out.")]
        ) from error
    return PlanResult(plan, whole, (target, kept))


def plan_folder(folder: Path, out: Path | None) -> Path:
    """Where a plan is written; never among the season's own files.

    Raises
    ------
    InputError
        If ``out`` is a folder that the season is read from.
    """
    if out is None:
        return folder / "plan"
    read = {folder.resolve(), *((folder / name).resolve() for name in READ_FOLDERS)}
    if out.resolve() in read:
        raise InputError(
            f"--out {str(out)!r} is a folder that the season is read from. Name another folder, "
            f"such as {folder / 'plan'}."
        )
    return out


def plan_only(folder: Path, as_of: str | None = None) -> Plan:
    """Plan a season folder without writing anything."""
    return _plan(folder, as_of)[0]


def season_context(folder: Path, as_of: str | None = None) -> Context:
    """What every question about a season folder looks at, with nothing answered yet.

    Raises
    ------
    InputError
        With every problem of the folder.
    """
    return make_context(
        load(folder),
        _evidence(folder),
        rules=published_rules(),
        hazard_facts=hazard_facts(),
        as_of=_day(as_of),
    )


def to_text(whole: dict[str, Any]) -> str:
    """The document as JSON text: the same plan, the same bytes."""
    return json.dumps(whole, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _plan(
    folder: Path, as_of: str | None, told: Callable[[str, int, int], None] | None = None
) -> tuple[Plan, dict[str, Any]]:
    season = load(folder)
    plan = plan_season(
        season,
        _evidence(folder),
        rules=published_rules(),
        hazard_facts=hazard_facts(),
        as_of=_day(as_of),
        told=told,
    )
    made = generated(__version__, season.settings.seed, season.digests)
    return plan, document(plan, made)


def _evidence(folder: Path) -> Evidence:
    """What was shipped, outranked by the season's own."""
    own = folder / "evidence.toml"
    return load_evidence(own if own.is_file() else None)


def _day(text: str | None) -> date | None:
    if text is None:
        return None
    try:
        day = date.fromisoformat(text)
    except ValueError as error:
        raise InputError(
            f"--as-of {text!r} is not a date. Write it as year-month-day, for example 2027-05-10."
        ) from error
    if not FIRST_YEAR <= day.year <= LAST_YEAR:
        raise InputError(
            f"--as-of {text!r} lies outside the years {FIRST_YEAR} to {LAST_YEAR}. Check the year."
        )
    return day
