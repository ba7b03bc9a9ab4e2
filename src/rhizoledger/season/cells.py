"""One cell at a time: text, or what a workbook holds, to a typed value.

Every reader returns the value or raises :class:`CellError` with what is wrong and what to do.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, time, timezone, tzinfo
from typing import Any
from unicodedata import category

from rhizoledger.errors import UnitError
from rhizoledger.records import NEVER
from rhizoledger.season.findings import nearest
from rhizoledger.season.numerals import Cell, CellError, Style, as_text, read_number, within
from rhizoledger.season.schema import Column
from rhizoledger.season.times import parse_date, parse_time, to_utc
from rhizoledger.units import IN_M, RateUnit, mass_kg, parse_rate_unit, volume_ml

ID = re.compile(r"[\w][\w .-]{0,63}")
NUMBER_THEN_UNIT = re.compile(
    r"(?![+-]?[\d.,]+[eE][+-]?\d+$)([+-]?[\d.,]+(?:[eE][+-]?\d{1,3})?)\s*([^\d.,+-].*)", re.ASCII
)

TRUE = ("yes", "y", "true", "1")
FALSE = ("no", "n", "false", "0")

LONGEST_ID = 64
LONGEST_TEXT = 4_000
LONGEST_NAME = 128


PLAIN = Style()


@dataclass(frozen=True, slots=True)
class Context:
    """What a cell's meaning depends on beyond itself."""

    zone: tzinfo
    style: Style = PLAIN
    offset: timezone | None = None
    area_unit: str = "ac"


def _number(cell: Cell, column: Column, context: Context) -> float:
    return within(read_number(cell, context.style), column)


def _integer(cell: Cell, column: Column, context: Context) -> int:
    number = _number(cell, column, context)
    if not number.is_integer():
        raise CellError("This must be a whole number.", "Write it without decimals.")
    return int(number)


def _text(cell: Cell, column: Column, context: Context) -> str:
    text = as_text(cell)
    if len(text) > LONGEST_TEXT:
        raise CellError(f"This is longer than {LONGEST_TEXT} characters.", "Shorten it.")
    return text


def read_id(text: str) -> str:
    """A name that matches the id pattern; marks on letters, as many scripts have, go with them."""
    letters = text if text.isascii() else "".join(c for c in text if category(c)[0] != "M")
    if len(text) > LONGEST_ID or ID.fullmatch(letters) is None:
        raise CellError(
            "This cannot be a name here.",
            "Use up to 64 letters, digits, _ . - or spaces, the first a letter, digit or _.",
        )
    return text


def _id(cell: Cell, column: Column, context: Context) -> str:
    return read_id(as_text(cell))


def _split(cell: Cell) -> tuple[str, ...]:
    parts = [p.strip() for p in re.split(r"[+;]", as_text(cell))]
    if "" in parts:
        raise CellError("One of the joined names is empty.", "Join names by + with none missing.")
    if len(set(parts)) != len(parts):
        raise CellError("A name stands here twice.", "Keep it once.")
    return tuple(parts)


def _ids(cell: Cell, column: Column, context: Context) -> tuple[str, ...]:
    return tuple(read_id(part) for part in _split(cell))


def _texts(cell: Cell, column: Column, context: Context) -> tuple[str, ...]:
    return _split(cell)


def _one_choice(text: str, column: Column) -> str:
    for choice in column.choices:
        if text.casefold() == choice.casefold():
            return choice
    what = "This unit is not known." if column.name.endswith("unit") else "This word is not known."
    close = nearest(text, column.choices)
    listed = ", ".join(column.choices)
    remedy = f"Use one of: {listed}."
    raise CellError(what, f"{remedy} {close}" if close.startswith("Near") else remedy)


def _choice(cell: Cell, column: Column, context: Context) -> str:
    return _one_choice(as_text(cell), column)


def _choices(cell: Cell, column: Column, context: Context) -> tuple[str, ...]:
    return tuple(_one_choice(part, column) for part in _split(cell))


def _yes_no(cell: Cell, column: Column, context: Context) -> bool:
    text = as_text(cell).casefold()
    if text in TRUE:
        return True
    if text in FALSE:
        return False
    raise CellError("This is neither yes nor no.", "Write yes or no, or leave it empty.")


def _colonies(cell: Cell, column: Column, context: Context) -> int | str:
    text = as_text(cell)
    if text.upper() in ("TNTC", "SPR", "LA"):
        return text.upper()
    remedy = "Write a whole number, TNTC, SPR or LA."
    try:
        number = read_number(cell, context.style)
    except CellError as error:
        raise CellError(error.what, remedy) from None
    if number < 0:
        raise CellError("This may not be negative.", remedy)
    if not number.is_integer():
        raise CellError("Colonies come whole.", remedy)
    return int(number)


def _years(cell: Cell, column: Column, context: Context) -> float | None:
    text = as_text(cell).casefold()
    if text == "never":
        return NEVER
    if text == "unknown":
        return None
    remedy = "Write a number of years, never, or unknown."
    try:
        number = read_number(cell, context.style)
    except CellError as error:
        raise CellError(error.what, remedy) from None
    if number < 0:
        raise CellError("This may not be negative.", remedy)
    return number


def _date(cell: Cell, column: Column, context: Context) -> date:
    if isinstance(cell, datetime):
        raise CellError("This is a date with a time.", "Write the date alone.")
    day = parse_date(as_text(cell))
    if day is None:
        raise CellError("This is not a date.", "Write it as year-month-day, such as 2027-05-10.")
    return day


def _date_or_moment(cell: Cell, column: Column, context: Context) -> date | datetime:
    text = as_text(cell)
    day = parse_date(text)
    if day is not None:
        return day
    local = parse_time(text)
    if local is None:
        raise CellError(
            "This is neither a date nor a date and time.",
            "Write 2027-05-10 or 2027-05-10T14:30 (year first, 24-hour clock).",
        )
    return _utc(local, context)


def _moment(cell: Cell, column: Column, context: Context) -> datetime:
    moment = _date_or_moment(cell, column, context)
    if isinstance(moment, datetime):
        return moment
    return _utc(datetime.combine(moment, time(0)), context)


def _utc(local: datetime, context: Context) -> datetime:
    if local.tzinfo is None and context.offset is not None:
        local = local.replace(tzinfo=context.offset)
    utc = to_utc(local, context.zone)
    if utc == "skipped":
        raise CellError(
            "The clock change skips this hour.",
            "Correct the time, or give its offset (2027-03-14T02:30-06:00, or utc_offset).",
        )
    if utc == "repeated":
        raise CellError(
            "This hour comes twice at the clock change.",
            "Give its offset (2027-11-07T01:30-05:00), or add a column utc_offset.",
        )
    assert isinstance(utc, datetime)
    return utc


def bare_name(text: str) -> str:
    """A file name that is a name and nothing else."""
    bad = (
        text in (".", "..")
        or any(c in text for c in '/\\:|*?"<>')
        or any(ord(c) < 32 for c in text)
        or text.startswith((".", "~", "$", "-"))
        or len(text) > LONGEST_NAME
    )
    if bad:
        raise CellError(
            "This is not a bare file name.",
            "Put the file into the season folder and write its name alone, without a path.",
        )
    return text


def _file(cell: Cell, column: Column, context: Context) -> str:
    return bare_name(as_text(cell))


def known_rate(text: str) -> RateUnit:
    """The rate unit of a text; a :class:`CellError` where the grammar does not know it."""
    try:
        return parse_rate_unit(text)
    except UnitError as error:
        raise CellError(error.what, error.remedy) from None


def _rate_unit(cell: Cell, column: Column, context: Context) -> str:
    text = as_text(cell)
    known_rate(text)
    return text


def _seed_rate_unit(cell: Cell, column: Column, context: Context) -> str:
    text = as_text(cell)
    if not known_rate(text).per.startswith("seed"):
        raise CellError("This unit is not a rate on seed.", "Use one such as fl oz/cwt or g/kg.")
    return text


def _furrow_rate_unit(cell: Cell, column: Column, context: Context) -> str:
    text = as_text(cell)
    if known_rate(text).per.startswith("seed"):
        raise CellError(
            "This unit is a rate on seed, not in the furrow.",
            "Use one such as fl oz/ac, kg/ha or g/100 m.",
        )
    return text


def _amount_unit(cell: Cell, column: Column, context: Context) -> str:
    text = as_text(cell)
    if not is_amount(text):
        raise CellError(
            "This unit is not known.",
            "Use a volume (mL, L, fl oz, gal), a mass (g, kg, oz, lb), or pack.",
        )
    return text


def is_amount(text: str) -> bool:
    """True for a unit of volume or mass, or for packs."""
    if text.casefold() in ("pack", "packs"):
        return True
    for convert in (volume_ml, mass_kg):
        try:
            convert(1.0, text)
        except UnitError:
            continue
        return True
    return False


def _stock_unit(cell: Cell, column: Column, context: Context) -> str:
    text = as_text(cell)
    if text.casefold() in ("unit", "units", "bag", "bags", "bu"):
        return text
    if not is_amount(text):
        raise CellError(
            "This unit is not known.",
            "Use kg, lb, unit, bag, bu, pack, or a volume (mL, L, fl oz, gal).",
        )
    return text


def _number_or_rate(cell: Cell, column: Column, context: Context) -> tuple[float, str | None]:
    if isinstance(cell, str):
        match = NUMBER_THEN_UNIT.fullmatch(cell.strip())
        if match is not None:
            number = within(read_number(match[1], context.style), column)
            known_rate(match[2])
            return number, match[2]
    return _number(cell, column, context), None


CM_M, MM_M = 0.01, 0.001


def _row_spacing(cell: Cell, column: Column, context: Context) -> tuple[float, float]:
    number, factor = cell, IN_M if context.area_unit == "ac" else CM_M
    if isinstance(cell, str):
        match = NUMBER_THEN_UNIT.fullmatch(cell.strip())
        if match is not None:
            factors = {"in": IN_M, "inch": IN_M, "cm": CM_M, "m": 1.0, "mm": MM_M}
            if match[2] not in factors:
                raise CellError("This unit is not known.", "Use in, cm, mm or m: 30 in, 76 cm.")
            number, factor = match[1], factors[match[2]]
    value = within(read_number(number, context.style), column)
    return value, value * factor


READERS: dict[str, Callable[[Cell, Column, Context], Any]] = {
    "text": _text,
    "id": _id,
    "ids": _ids,
    "texts": _texts,
    "number": _number,
    "integer": _integer,
    "date": _date,
    "moment": _moment,
    "date_or_moment": _date_or_moment,
    "choice": _choice,
    "choices": _choices,
    "yes_no": _yes_no,
    "colonies": _colonies,
    "years": _years,
    "rate_unit": _rate_unit,
    "seed_rate_unit": _seed_rate_unit,
    "furrow_rate_unit": _furrow_rate_unit,
    "amount_unit": _amount_unit,
    "stock_unit": _stock_unit,
    "number_or_rate": _number_or_rate,
    "row_spacing": _row_spacing,
    "file": _file,
}


def read_cell(cell: Cell, column: Column, context: Context) -> Any:
    """The typed value of a cell that is not empty.

    Raises
    ------
    CellError
        With what is wrong and what to do.
    """
    return READERS[column.kind](cell, column, context)
