"""Trials: one file of results in, one pooled or analysed answer out."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from rhizoledger.errors import InputError, Problem
from rhizoledger.season.one_table import OneTable, read_table
from rhizoledger.stats.pooling import pool
from rhizoledger.stats.pooling_answer import Convention, Test
from rhizoledger.stats.studies import Method


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
        ``mu``, ``tau2``, ``prediction`` and so on, as the command prints with ``--json``.

    Raises
    ------
    InputError
        If a column is missing or a cell cannot be used; rows with an empty effect or variance are
        left out with a warning.
    """
    table = read_table(path)
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
    found = pool(
        [y for y, _ in both.values()],
        [v for _, v in both.values()],
        method=method,
        test=test,
        moderators=given or None,
        prediction=prediction,
        level=level,
    ).to_dict()
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
    except InputError:
        return [texts[i] for i in kept]
