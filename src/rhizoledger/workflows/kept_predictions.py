"""``predictions.csv``: what each plan expected, kept beside it so that a later count can judge it.

A plan of a later day adds its rows, a plan of the same day replaces that day's, and no plan touches
what an earlier day expected: a prediction mended after the event would be none.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path

from rhizoledger.errors import InputError, Problem
from rhizoledger.plan.predictions import Kept, Status

FILE = "predictions.csv"
QUANTILE_COLUMNS = ("log10_q05", "log10_q25", "log10_q50", "log10_q75", "log10_q95")
COLUMNS = ("item", "as_of", "at", "status", *QUANTILE_COLUMNS, "p_meets", "evidence")
STATES: dict[str, Status] = {"ok": "ok", "at_least": "at_least", "not_known": "not_known"}
REMEDY = "Put the file back as plan wrote it, or move it away: the next plan begins a new one."


def kept_text(kept: Iterable[Kept]) -> str:
    """The rows as CSV, in the order of days, items and moments."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for k in sorted(kept, key=lambda k: (k.as_of, k.item, k.at)):
        numbers = [f"{x:.4f}" for x in k.log10] or [""] * len(QUANTILE_COLUMNS)
        p = "" if k.p_meets is None else f"{k.p_meets:.4f}"
        at = k.at.astimezone(UTC).isoformat(timespec="seconds")
        writer.writerow([k.item, k.as_of.isoformat(), at, k.status, *numbers, p, k.evidence])
    return out.getvalue()


def added(earlier: Sequence[Kept], new: Sequence[Kept], as_of: date) -> tuple[Kept, ...]:
    """Earlier rows with those of one day put in, or as they are where a later day is kept."""
    if any(k.as_of > as_of for k in earlier):
        return tuple(earlier)
    return (*(k for k in earlier if k.as_of != as_of), *new)


def read_kept(path: Path) -> tuple[Kept, ...]:
    """The rows that plans have kept; none where there is no such file.

    Raises
    ------
    InputError
        With the first row that cannot be read.
    """
    if not path.is_file():
        return ()
    try:
        rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"), newline="")))
    except (OSError, UnicodeDecodeError) as error:
        raise _error(path, None, f"It cannot be read: {error}.") from error
    if not rows or tuple(rows[0]) != COLUMNS:
        raise _error(path, 1, f"The columns are not {', '.join(COLUMNS)}.")
    return tuple(_kept(path, i, cells) for i, cells in enumerate(rows[1:], start=2) if cells)


def _kept(path: Path, row: int, cells: Sequence[str]) -> Kept:
    if len(cells) != len(COLUMNS):
        raise _error(path, row, f"There are {len(cells)} cells where {len(COLUMNS)} belong.")
    item, as_of, at, status, *numbers, p, digest = cells
    told = [x for x in numbers if x]
    try:
        day, moment = date.fromisoformat(as_of), datetime.fromisoformat(at)
        log10 = tuple(float(x) for x in told)
        chance = float(p) if p else None
    except ValueError as error:
        raise _error(path, row, f"A cell does not read as it should: {error}.") from error
    whole = len(log10) == (0 if status == "not_known" else len(QUANTILE_COLUMNS))
    ordered = all(a <= b for a, b in pairwise(log10))
    if status not in STATES or not whole or not ordered or moment.tzinfo is None:
        raise _error(path, row, "The quantiles, the status and the moment do not fit together.")
    if chance is not None and not 0 <= chance <= 1:
        raise _error(path, row, f"A chance of {chance:g} is none.")
    return Kept(item, day, moment, STATES[status], log10, chance, digest)


def _error(path: Path, row: int | None, what: str) -> InputError:
    return InputError([Problem(str(path), row, None, None, what, REMEDY)])
