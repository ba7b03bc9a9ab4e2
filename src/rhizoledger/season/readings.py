"""Columns of a logger file as they stand, and how its rows are named in messages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any


@dataclass(frozen=True, slots=True)
class Readings:
    """Columns of a logger file before its clock is put on UTC.

    Parameters
    ----------
    time_s : array of int64, shape (n,)
        Seconds since 1970-01-01 on the file's clock.
    temp : array of float64, shape (n,)
        Temperature in the file's scale.
    row : array of int64, shape (n,)
        Row as a spreadsheet shows it.
    utc : array of bool, shape (n,)
        True where ``time_s`` is UTC already.
    fahrenheit : bool
        Scale of the file.
    time_column, temp_column : str
        Headers as written.
    """

    time_s: Any
    temp: Any
    row: Any
    utc: Any
    fahrenheit: bool
    time_column: str
    temp_column: str


def joined(pieces: Sequence[Readings]) -> Readings:
    """Pieces of one file, one after the other; at least one."""
    import numpy as np

    columns: dict[str, Any] = {
        name: np.concatenate([getattr(piece, name) for piece in pieces])
        for name in ("time_s", "temp", "row", "utc")
    }
    return replace(pieces[0], **columns)


def count_of(n: int) -> str:
    """How many rows, in words that fit into brackets.

    Examples
    --------
    >>> count_of(1), count_of(3)
    ('1 row', '3 rows')
    """
    return f"{n} row" if n == 1 else f"{n} rows"


def clock_text(seconds: Any) -> str:
    """Seconds on a clock as date and time."""
    import numpy as np

    return str(np.datetime64(int(seconds), "s")).replace("T", " ")
