"""Trials: one file of results in, one pooled or analysed answer out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from rhizoledger.errors import InputError, Problem
from rhizoledger.season.one_table import OneTable, read_table
from rhizoledger.stats.pooling import pool
from rhizoledger.stats.pooling_answer import Convention, Test
from rhizoledger.stats.studies import Method

FEW_TRIALS = 10


def pool_file(
    path: Path,
    effect: str,
    variance: str,
    *,
    method: Method = "REML",
    test: Test = "knha",
    moderators: Sequence[str] = (),
    prediction: Convention = "t",
    level: float = 0.95,
) -> dict[str, Any]:
    """Pool the effects of one file, one row for each trial.

    Parameters
    ----------
    path : Path
        CSV with a row for each trial.
    effect, variance : str
        Columns of the effect and of its sampling variance.
    method, test, prediction, level
        As for :func:`rhizoledger.stats.pooling.pool`.
    moderators : sequence of str
        Columns that may explain differences between trials; numbers, or words taken as levels.

    Returns
    -------
    dict
        ``mu``, ``tau2``, ``prediction`` and so on, as the command prints with ``--json``;
        ``prediction.caution`` says where the interval for a new trial holds less than its level.

    Raises
    ------
    InputError
        If a column is missing or a cell cannot be used; rows with an empty effect or variance are
        left out with a warning.
    """
    table = read_table(path)
    _different((effect, variance, *moderators), path.name)
    effects, variances = table.numbers(effect), table.numbers(variance)
    both = {
        i: (y, v)
        for i, (y, v) in enumerate(zip(effects, variances, strict=True))
        if y is not None and v is not None
    }
    kept = list(both)
    for i, (_, v) in both.items():
        _positive(table, i, variance, v)
    if not kept:
        raise InputError(f"No row of {path.name} has both {effect} and {variance}. Fill them in.")
    given = {name: _moderator(table, name, kept) for name in moderators}
    try:
        found = pool(
            [y for y, _ in both.values()],
            [v for _, v in both.values()],
            method=method,
            test=test,
            moderators=given or None,
            prediction=prediction,
            level=level,
        ).to_dict()
    except InputError as error:
        if not error.problems:
            raise InputError(f"{path.name}: {error}") from error
        names = {"effect": effect, "variance": variance}
        raise InputError([_placed(p, table, kept, names) for p in error.problems]) from error
    found["prediction"]["caution"] = _caution(found)
    left_out = len(effects) - len(kept)
    if left_out:
        rows = [table.row_numbers()[i] for i in range(len(effects)) if i not in set(kept)]
        named = ", ".join(map(str, rows[:10])) + ("" if len(rows) <= 10 else " and more")
        found["warnings"] = [
            *found["warnings"],
            f"{left_out} row{'s' if left_out > 1 else ''} without effect or variance left out "
            f"(row {named}).",
        ]
    return found


def _caution(found: Mapping[str, Any]) -> str | None:
    """That an interval for a new trial holds less than it says; docs/statistics.md has the table.

    Fewer than ten trials, or none of the variance between them seen: τ² is then often too low.
    """
    few, none = found["k"] < FEW_TRIALS, found["tau2"] == 0
    if found["prediction"]["low"] is None or not (few or none):
        return None
    seen = [
        "fewer than ten trials" if few else "",
        "a variance between trials of 0" if none else "",
    ]
    said = (
        f"With {' and '.join(filter(None, seen))} this interval holds less than it says: in "
        "simulated sets of trials 95 % intervals held 82 to 92 %."
    )
    if found["prediction"]["convention"] == "hts":
        return said
    return f"{said} For few trials --prediction hts is the more careful."


def _different(columns: Sequence[str], file: str) -> None:
    """Refuse a column that is named for two things."""
    seen: set[str] = set()
    for column in columns:
        name = column.strip().casefold()
        if name in seen:
            what = "This column is named twice: as effect, variance or moderator."
            remedy = "Name a column of its own for each; a variance is a squared standard error."
            raise InputError([Problem(file, None, column, None, what, remedy)])
        seen.add(name)


def _placed(p: Problem, table: OneTable, kept: Sequence[int], names: Mapping[str, str]) -> Problem:
    """A problem of the studies as they were pooled, with the file, row and column of the user."""
    row = None if p.row is None else table.row_numbers()[kept[p.row - 2]]  # exact: header, from 0
    column = None if p.column is None else names.get(p.column, p.column)
    return replace(p, file=table.raw.file, row=row, column=column)


def _positive(table: OneTable, i: int, column: str, value: float) -> None:
    if value <= 0:
        what = "A sampling variance must be above zero."
        remedy = "Square the standard error; leave the cell empty where it is not known."
        row = table.row_numbers()[i]
        raise InputError([Problem(table.raw.file, row, column, f"{value:g}", what, remedy)])


def _moderator(table: OneTable, name: str, kept: Sequence[int]) -> list[Any]:
    texts = table.texts(name)
    empty = [table.row_numbers()[i] for i in kept if not texts[i]]
    if empty:
        what = "A moderator is empty here."
        remedy = "Fill it in, or leave the moderator out."
        raise InputError([Problem(table.raw.file, empty[0], name, None, what, remedy)])
    try:
        return [n for n in (table.numbers(name)[i] for i in kept) if n is not None]
    except InputError as error:
        rows = {table.row_numbers()[i] for i in kept}
        odd = [p for p in error.problems if p.row in rows]
        if len(odd) == len(kept):
            return [texts[i] for i in kept]
        what = "This is no number, and other cells of this moderator are."
        remedy = "Correct it; where the numbers are names of levels, write them as words (soil 3)."
        raise InputError([replace(p, what=what, remedy=remedy) for p in odd]) from error
