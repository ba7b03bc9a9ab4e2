"""The shape of a table's description: columns, kinds, bounds and references."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Literal

Kind = Literal[
    "text",  # any text
    "id",  # a name that matches the id pattern
    "ids",  # several names joined by + or ;
    "texts",  # several texts joined by + or ;
    "number",
    "integer",
    "date",
    "moment",  # date and time; a bare date stands for 00:00 local
    "date_or_moment",  # kept as written: a date stays a date
    "choice",
    "choices",  # several choices joined by + or ;
    "yes_no",
    "colonies",  # a whole number, TNTC, SPR or LA
    "years",  # a number, never, unknown
    "rate_unit",  # the rate grammar
    "seed_rate_unit",  # a rate per seed
    "furrow_rate_unit",  # a rate per area or length of row
    "amount_unit",  # a volume, a mass, or packs
    "stock_unit",  # any unit of seed, volume, mass, or packs
    "number_or_rate",  # a number, or a number with its rate unit
    "row_spacing",  # a number, or a number with in, cm or m
    "file",  # a bare file name inside the folder
]

Need = Literal[
    "filled",  # the column must be there and no cell empty
    "column",  # the column must be there; an empty cell is "unknown"
    "optional",
]


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a table.

    Parameters
    ----------
    name : str
        Header as SEASON writes it.
    kind : Kind
        How a cell is read.
    need : {"filled", "column", "optional"}
        Whether the column, and each cell, must be there.
    note : str
        What it means, for NOTES.md and the descriptor.
    unit : str
        Unit text, where a number has a fixed one.
    choices : tuple of str
        Allowed words.
    at_least, above, at_most : float or None
        Bounds; ``above`` excludes its end.
    refers : tuple of str
        Tables (or ``parcels``) one of which must hold this name.
    field : str
        Field of the record; the column's name where empty.
    also : tuple of str
        Other headers that mean the same column.
    wants_time : bool
        Warn where a bare date was given though the hour matters.
    """

    name: str
    kind: Kind = "text"
    need: Need = "optional"
    note: str = ""
    unit: str = ""
    choices: tuple[str, ...] = ()
    at_least: float | None = None
    above: float | None = None
    at_most: float | None = None
    refers: tuple[str, ...] = ()
    field: str = ""
    also: tuple[str, ...] = ()
    wants_time: bool = False

    @property
    def record_field(self) -> str:
        """Name of the field that holds this column in the record."""
        return self.field or self.name


@dataclass(frozen=True, slots=True)
class Table:
    """One table of a season.

    ``key`` are the columns that together may not repeat; ``order`` are pairs of columns of which
    the first may not come after the second (``strict``: nor at the same time).
    """

    name: str
    about: str
    columns: tuple[Column, ...]
    record: Callable[..., Any]
    key: tuple[str, ...]
    order: tuple[tuple[str, str, bool], ...] = ()
    one_of: tuple[tuple[str, ...], ...] = ()
    by_name: dict[str, Column] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        by_name = {name: c for c in self.columns for name in (c.name, *c.also)}
        object.__setattr__(self, "by_name", by_name)

    @property
    def file(self) -> str:
        """The CSV name of the table."""
        return f"{self.name}.csv"
