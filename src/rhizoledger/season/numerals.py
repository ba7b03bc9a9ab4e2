"""Numbers in cells: a decimal sign is recognised, a separator that may mean thousands refused."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from rhizoledger.season.schema import Column

Cell = str | float | bool | date | datetime | time | timedelta
"""What a cell may hold: CSV gives text only."""

NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d{1,3})?", re.ASCII)
GROUPED = re.compile(r"[+-]?[1-9]\d{0,2}([.,' \u00a0\u2009\u202f]\d{3})+([.,]\d+)?", re.ASCII)
ONE_GROUP = re.compile(r"[+-]?[1-9]\d{0,2}[.,]\d{3}", re.ASCII)
DECIMAL_COMMA = re.compile(r"[+-]?\d*,\d+([eE][+-]?\d{1,3})?", re.ASCII)
DECIMAL_POINT = re.compile(r"[+-]?\d*\.\d+([eE][+-]?\d{1,3})?", re.ASCII)
OR_EMPTY = "; leave the cell empty if it is not known."
PLAIN_NUMBER = f"Write a plain number, such as 1250 or 0.5{OR_EMPTY}"
ONE_NUMBER = "Write it without separators between thousands; 1e6 is allowed too."


class CellError(Exception):
    """A cell that cannot be read: what is wrong, and what to do."""

    def __init__(self, what: str, remedy: str) -> None:
        self.what, self.remedy = what, remedy
        super().__init__(f"{what} {remedy}")


@dataclass(frozen=True, slots=True)
class Style:
    """How a table writes decimals, as seen in its unmistakable numbers.

    ``semicolons`` stand between cells where a comma is often the decimal sign, so that a point may
    separate thousands.
    """

    comma: bool = False
    point: bool = False
    semicolons: bool = False

    @classmethod
    def seen_in(cls, texts: Sequence[str], separator: str = ",") -> Style:
        """The decimal signs that occur where they cannot mean thousands.

        Examples
        --------
        >>> Style.seen_in(["1,5", "2,000"])
        Style(comma=True, point=False, semicolons=False)
        """
        comma = point = False
        for text in texts:
            if ONE_GROUP.fullmatch(text) is None:
                comma = comma or DECIMAL_COMMA.fullmatch(text) is not None
                point = point or DECIMAL_POINT.fullmatch(text) is not None
        return cls(comma, point, separator == ";")


def as_text(cell: Cell) -> str:
    """A cell as the text a person would have typed."""
    if isinstance(cell, bool):
        return "yes" if cell else "no"
    if isinstance(cell, float):
        return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)
    if isinstance(cell, datetime):
        return cell.isoformat(" ", "minutes" if cell.second == 0 else "seconds")
    return str(cell).strip()


def read_number(cell: Cell, style: Style) -> float:
    """A finite number; a separator that may mean thousands is refused, not guessed.

    Examples
    --------
    >>> read_number("1,5", Style())
    1.5
    >>> read_number("1,500", Style(comma=True))
    1.5
    >>> read_number("1,500", Style())
    Traceback (most recent call last):
        ...
    rhizoledger.season.numerals.CellError: This may be 1500 or 1.5. Write it without separators ...
    """
    if isinstance(cell, bool) or not isinstance(cell, str | float | int):
        raise CellError("This is not a number.", PLAIN_NUMBER)
    if not isinstance(cell, str):
        return _finite(float(cell))
    text = cell.strip()
    if ONE_GROUP.fullmatch(text):
        sign = "," if "," in text else "."
        other = style.point if sign == "," else style.comma
        unsure = not style.comma if sign == "," else style.semicolons and not style.point
        if other or unsure:
            joined, decimal = text.replace(sign, ""), float(text.replace(",", "."))
            raise CellError(f"This may be {joined} or {decimal:g}.", ONE_NUMBER)
    elif GROUPED.fullmatch(text):
        raise CellError("Thousands are separated here.", ONE_NUMBER)
    if NUMBER.fullmatch(text) is None:
        raise CellError("This is not a number.", PLAIN_NUMBER)
    return _finite(float(text.replace(",", ".")))


def _finite(number: float) -> float:
    if not math.isfinite(number):
        raise CellError("This number is not finite.", PLAIN_NUMBER)
    return number


def within(number: float, column: Column) -> float:
    """The number, if it lies within the column's bounds."""
    low, above, high = column.at_least, column.above, column.at_most
    unit = f" {column.unit}" if column.unit else ""
    if low is not None and number < low:
        what = "This may not be negative." if low == 0 else f"This is below {low:g}{unit}."
        raise CellError(what, _bounds(column))
    if above is not None and number <= above:
        raise CellError(f"This must be above {above:g}{unit}.", _bounds(column))
    if high is not None and number > high:
        raise CellError(f"This is above {high:g}{unit}.", _bounds(column))
    return number


def _bounds(column: Column) -> str:
    parts = []
    if column.at_least is not None:
        parts.append(f"at least {column.at_least:g}")
    if column.above is not None:
        parts.append(f"above {column.above:g}")
    if column.at_most is not None:
        parts.append(f"at most {column.at_most:g}")
    unit = f" [{column.unit}]" if column.unit else ""
    return f"Write a number {' and '.join(parts)}{unit}{OR_EMPTY}"


def for_required(remedy: str) -> str:
    """A remedy where the cell may not be left empty.

    Examples
    --------
    >>> for_required(PLAIN_NUMBER)
    'Write a plain number, such as 1250 or 0.5.'
    """
    return remedy.replace(OR_EMPTY, ".")
