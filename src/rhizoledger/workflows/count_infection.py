"""Counts by infected plants: codes or a file in, densities by two estimators out."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal

from rhizoledger.counts.infection import Controls, InfectionCount, count_infection, serial_amounts
from rhizoledger.counts.mpn import LEAST, MOST
from rhizoledger.errors import InputError, Problem
from rhizoledger.season.one_table import read_table
from rhizoledger.workflows.planted import Design, read_designs

Basis = Literal["g", "mL", "seed"]

WHOLE = re.compile(r"0|[1-9]\d{0,8}", re.ASCII)
"""No leading zeros: 1,000 is a thousand with its separator, not one plant and none."""
MOST_ROWS = 50_000
"""Of one file: about a minute's work."""
PATTERNS = 4096
"""Patterns whose counts are kept, since files of many items hold few."""
MOST_ML = 1000.0
"""Of suspension for one plant."""


@dataclass(frozen=True, slots=True)
class Suspension:
    """What one plant received, so that a count per aliquot becomes one per g, mL or seed.

    Parameters
    ----------
    volume_ml : float
        Suspension given to each plant, > 0 [mL].
    first_dilution : float or None
        Sample in each mL of the first dilution; at most 1 for g and mL. None: not told.
    basis : {"g", "mL", "seed"}
        What the sample is measured in.
    """

    volume_ml: float = 1.0
    first_dilution: float | None = None
    basis: Basis = "g"

    def __post_init__(self) -> None:
        _above_zero(self.volume_ml, "--volume")
        if self.volume_ml > MOST_ML:
            raise InputError(
                f"--volume is {self.volume_ml:g}; it is mL for one plant, up to {MOST_ML:g}."
            )
        if self.first_dilution is not None:
            _above_zero(self.first_dilution, "--first-dilution")
            if not LEAST <= self.first_dilution <= MOST:
                raise InputError(
                    f"--first-dilution is {self.first_dilution:g}; it lies between {LEAST:g} and "
                    f"{MOST:g}."
                )
            if self.basis != "seed" and self.first_dilution > 1:
                raise InputError(
                    f"--first-dilution is {self.first_dilution:g}; a dilution is at most 1. "
                    "Write 0.1 where 10 g were made up to 100 mL."
                )

    @property
    def sample(self) -> float | None:
        """Sample that each plant of the first dilution received, in ``basis``."""
        return None if self.first_dilution is None else self.first_dilution * self.volume_ml


def infection_from_codes(
    codes: str,
    plants: str,
    dilution_factor: float,
    *,
    suspension: Suspension | None = None,
    control: str | None = None,
    positive_control: str | None = None,
    level: float = 0.95,
) -> dict[str, Any]:
    """One count from the numbers of nodulated plants, first dilution first.

    Parameters
    ----------
    codes : str
        Nodulated plants on each dilution, such as ``"3,3,2,0"`` or ``"3-3-2-0"``.
    plants : str
        Plants on each dilution: one number, or as many as there are codes.
    dilution_factor : float
        10 for tenfold.
    suspension : Suspension or None
        What each plant received; None: 1 mL of a first dilution that is not told.
    control, positive_control : str or None
        Nodulated plants over plants, such as ``"0/4"``, of the plants without any sample and of
        those given plenty.
    level : float
        Coverage of the intervals.

    Returns
    -------
    dict
        ``m_ml``, ``m_total`` and so on, as the command prints with ``--json``.

    Raises
    ------
    InputError
        If a number is not possible; the error names the option and the step.
    """
    nodulated, each = _listed(codes, "--codes"), _listed(plants, "--plants")
    if len(each) == 1:
        each = each * len(nodulated)
    if len(each) != len(nodulated):
        raise InputError(
            f"--plants has {len(each)} numbers and --codes has {len(nodulated)}. Give one number "
            "of plants for all dilutions, or one for each."
        )
    for i, (k, n) in enumerate(zip(nodulated, each, strict=True), start=1):
        if n == 0:
            raise InputError(_at(i, "--plants", "0", "There are no plants.", "Leave it out."))
        if k > n:
            what = f"{k} of {n} plants nodulated; that cannot be."
            raise InputError(_at(i, "--codes", str(k), what, "Check --codes and --plants."))
    count = count_infection(
        serial_amounts(dilution_factor, len(nodulated)),
        each,
        nodulated,
        level=level,
        uninoculated=_pair(control, "--control-nodulated"),
        inoculated=_pair(positive_control, "--positive-control"),
    )
    return _as_dict(count, suspension or Suspension(), level, control, positive_control)


def infection_file(
    path: Path,
    *,
    dilution_factor: float | None = None,
    suspension: Suspension | None = None,
    level: float = 0.95,
    told: Callable[[str, int, int], None] | None = None,
) -> dict[str, Any]:
    """Every count of a file: a row for each dilution of each item.

    Parameters
    ----------
    path : Path
        CSV with ``plants``, ``nodulated``, either ``dilution`` (sample in each mL, at most 1) or
        ``step`` (1 for the first dilution, planted or not), and ``item`` where there are several.
        A row whose dilution or step says "control" or "positive control" holds that control.
    dilution_factor : float or None
        Needed where the file gives steps.
    suspension : Suspension or None
        As for :func:`infection_from_codes`; the first dilution comes from the file where it can.
    level : float
        Coverage of the intervals.
    told : callable or None
        Told ``("items", done, of)`` now and then.

    Returns
    -------
    dict
        ``results``, each as :func:`infection_from_codes` gives it, with ``item``; ``warnings``.

    Raises
    ------
    InputError
        With every cell that cannot be used.
    """
    table = read_table(path, most_rows=MOST_ROWS)
    by_step = "dilution" not in table.columns
    used = ("item", "step" if by_step else "dilution", "plants", "nodulated")
    table.check_named("item", used)
    suspension = suspension or Suspension()
    if by_step and "step" not in table.columns:
        table.texts("dilution")  # says which columns there are
    if by_step and dilution_factor is None:
        raise InputError(
            f"{path.name} gives steps, and not how far apart they are. "
            "Say it with --dilution-factor, such as 10."
        )
    if not by_step and (dilution_factor is not None or suspension.first_dilution is not None):
        raise InputError(
            f"{path.name} gives every dilution itself. "
            "Leave --dilution-factor and --first-dilution out."
        )
    results = []
    designs = read_designs(table, by_step)
    for done, (item, design) in enumerate(designs.items()):
        found = _count(path.name, item, design, dilution_factor, suspension, level)
        results.append(({"item": item} if item else {}) | found)
        if told is not None:
            told("items", done, len(designs))
    return {"results": results, "warnings": list(table.unused(used))}


def _count(
    file: str,
    item: str,
    design: Design,
    factor: float | None,
    suspension: Suspension,
    level: float,
) -> dict[str, Any]:
    places = sorted(design.rows, reverse=factor is None)
    if not places:
        raise InputError(
            f"{file}{f', {item}' if item else ''}: there are controls and no dilutions. "
            "Add a row for each dilution."
        )
    first = places[0]
    gaps: list[int] = []
    rows = [design.rows[place] for place in places]
    controls = {kind: pair for kind, (_, pair) in design.controls.items()}
    try:
        if factor is None:
            amounts = [d / first for d in places]
            suspension = Suspension(suspension.volume_ml, first, suspension.basis)
        else:
            series = serial_amounts(factor, int(places[-1]))
            amounts = [series[int(s) - 1] for s in places]
            gaps = sorted(set(range(int(first), int(places[-1]))) - {int(s) for s in places})
        count = _once(
            tuple(amounts),
            tuple(n for _, n, _ in rows),
            tuple(k for _, _, k in rows),
            level,
            controls.get("uninoculated"),
            controls.get("inoculated"),
        )
    except InputError as error:
        raise InputError(f"{file}{f', {item}' if item else ''}: {error}") from error
    told = {kind: f"{k}/{n}" for kind, (k, n) in controls.items()}
    found = _as_dict(count, suspension, level, told.get("uninoculated"), told.get("inoculated"))
    if gaps:
        named = ", ".join(map(str, gaps))
        found["warnings"].append(
            f"No row for step {named}: the count goes on without it. Add the row if it was planted."
        )
    return found


@lru_cache(maxsize=PATTERNS)
def _once(
    amounts: tuple[float, ...],
    plants: tuple[int, ...],
    nodulated: tuple[int, ...],
    level: float,
    uninoculated: Controls | None,
    inoculated: Controls | None,
) -> InfectionCount:
    """One pattern counted, however many items show it."""
    return count_infection(
        amounts, plants, nodulated, level=level, uninoculated=uninoculated, inoculated=inoculated
    )


def _listed(text: str, option: str) -> list[int]:
    """Whole numbers joined by commas, or by hyphens or blanks where there is no comma."""
    parts = text.split(",") if "," in text else re.split(r"[-\s]+", text.strip())
    numbers = []
    for i, part in enumerate((p.strip() for p in parts), start=1):
        if not WHOLE.fullmatch(part):
            what = "The number is missing." if not part else "This is not a whole number of plants."
            raise InputError(_at(i, option, part, what, "Write numbers such as 3,3,2,0."))
        numbers.append(int(part))
    return numbers


def _at(i: int, option: str, value: str, what: str, remedy: str) -> list[Problem]:
    return [Problem(f"{option}, number {i}", None, None, value, what, remedy)]


def _pair(text: str | None, option: str) -> Controls | None:
    if text is None:
        return None
    found = re.fullmatch(r"\s*(\d{1,9})\s*/\s*(\d{1,9})\s*", text, re.ASCII)
    if found is None or not int(found[1]) <= int(found[2]) or int(found[2]) == 0:
        what = "These are not nodulated plants over plants."
        raise InputError([Problem(option, None, None, text, what, "Write it as 0/4.")])
    return int(found[1]), int(found[2])


def _as_dict(
    count: InfectionCount,
    suspension: Suspension,
    level: float,
    control: str | None,
    positive_control: str | None,
) -> dict[str, Any]:
    ml, total = count.by_likelihood.to_dict(), count.by_total.to_dict()
    ends = {
        "ml": (ml["value"], ml["low"], ml["high"]),
        "total": (total["value"], total["low"], total["high"]),
    }
    found: dict[str, Any] = {
        "m_ml": ends["ml"][0],
        "m_total": ends["total"][0],
        "low_ml": ends["ml"][1],
        "high_ml": ends["ml"][2],
        "low_total": ends["total"][1],
        "high_total": ends["total"][2],
        "total": count.total,
        "plants": count.plants,
        "rarity_index": count.rarity_index,
        "status": count.status,
        "disagree": count.disagree,
        "level": level,
        "alpha": round(1 - level, 12) if count.status.startswith("all_") else None,
        "method_ml": count.by_likelihood.method.replace("tubes", "plants"),
        "method_total": count.by_total.method,
        "volume_ml": suspension.volume_ml,
        "control": control,
        "positive_control": positive_control,
    }
    if suspension.sample is not None:
        found["first_dilution"], found["basis"] = suspension.first_dilution, suspension.basis
        for name, (value, low, high) in ends.items():
            for part, number in (("", value), ("low_", low), ("high_", high)):
                scaled = None if number is None else number / suspension.sample
                found[f"per_{suspension.basis}_{part}{name}"] = scaled
    found["warnings"] = list(count.warnings)
    return found


def _above_zero(value: float, option: str) -> None:
    if not (math.isfinite(value) and value > 0):
        raise InputError(f"{option} is {value!r}; it must be a number above zero.")
