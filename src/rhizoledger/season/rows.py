"""Raw tables to typed rows: headers matched, cells read, unknown columns kept."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, timezone
from types import MappingProxyType
from typing import Any

from rhizoledger.season.cells import Context, read_cell
from rhizoledger.season.findings import Findings, nearest
from rhizoledger.season.numerals import Cell, CellError, Style, as_text, for_required
from rhizoledger.season.schema import Column, Table
from rhizoledger.season.source import RawTable
from rhizoledger.season.tables import UTC_OFFSET
from rhizoledger.season.times import parse_offset

NUMERIC = ("number", "integer", "colonies", "years", "number_or_rate", "row_spacing")


@dataclass(frozen=True, slots=True)
class Row:
    """One row: typed values by column name (None where empty), and the texts they came from.

    ``sound`` is false where a cell was wrong, so that later checks do not pile on.
    """

    number: int
    values: dict[str, Any]
    texts: dict[str, str]
    sound: bool


@dataclass(frozen=True, slots=True)
class TypedTable:
    """A table read: where it came from, its rows, and the columns nobody asked for."""

    table: Table
    file: str
    rows: tuple[Row, ...]
    extra: MappingProxyType[int, dict[str, str]] = field(
        default_factory=lambda: MappingProxyType({})
    )


def read_rows(raw: RawTable, table: Table, context: Context, findings: Findings) -> TypedTable:
    """Every row of a raw table with its cells read; what is wrong goes to ``findings``.

    Parameters
    ----------
    raw : RawTable
        The table as it stands.
    table : Table
        Its description.
    context : Context
        The season's zone and units.
    findings : Findings
        Takes every problem.
    """
    columns = [
        UTC_OFFSET if name == UTC_OFFSET.name else table.by_name.get(name) for name in raw.header
    ]
    _check_header(raw, table, columns, findings)
    style = Style.seen_in(
        [
            cell
            for _, cells in raw.rows
            for cell, column in zip(cells, columns, strict=True)
            if column is not None and column.kind in NUMERIC and isinstance(cell, str)
        ],
        raw.separator,
    )
    context = Context(context.zone, style, None, context.area_unit)
    present = {column.name for column in columns if column is not None}
    rows = []
    extra: dict[int, dict[str, str]] = {}
    for number, cells in raw.rows:
        named = {c.name: cell for c, cell in zip(columns, cells, strict=True) if c is not None}
        unknown = {
            name: as_text(cell)
            for name, cell, column in zip(raw.header, cells, columns, strict=True)
            if column is None and cell != ""
        }
        if unknown:
            extra[number] = unknown
        rows.append(_read_row(raw.file, number, named, present, table, context, findings))
    return TypedTable(table, raw.file, tuple(rows), MappingProxyType(extra))


def _check_header(
    raw: RawTable, table: Table, columns: list[Column | None], findings: Findings
) -> None:
    found = [column.name for column in columns if column is not None]
    for name in {n for n in found if found.count(n) > 1}:
        findings.error(raw.file, 1, name, name, "Two columns mean the same.", "Keep one of them.")
    unknown = [name for name, column in zip(raw.header, columns, strict=True) if column is None]
    missing: list[tuple[str, ...]] = [
        (c.name,) for c in table.columns if c.need != "optional" and c.name not in found
    ]
    missing += [group for group in table.one_of if not set(group) & set(found)]
    for group in missing:
        close = nearest(group[0], unknown) if any(unknown) else ""
        findings.error(
            raw.file,
            1,
            group[0],
            None,
            f"The column {' or '.join(group)} is missing.",
            f"Add it to the header. {close if close.startswith('Near') else ''}".rstrip(),
        )
    for name in unknown:
        if name:
            close = nearest(name, table.by_name)
            findings.warning(
                raw.file,
                1,
                name,
                name,
                "This column is not known; it is kept and not used.",
                close if close.startswith("Near") else "",
            )
        elif any(cells[raw.header.index(name)] != "" for _, cells in raw.rows):
            findings.error(
                raw.file, 1, None, "", "A column with entries has no header.", "Give it one."
            )


def _read_row(
    file: str,
    number: int,
    named: dict[str, Cell],
    present: set[str],
    table: Table,
    context: Context,
    findings: Findings,
) -> Row:
    sound = True
    offset: timezone | None = None
    offset_text = as_text(named.get(UTC_OFFSET.name, ""))
    if offset_text:
        offset = parse_offset(offset_text)
        if offset is None:
            sound = False
            findings.error(
                file,
                number,
                UTC_OFFSET.name,
                offset_text,
                "This is not an offset from UTC.",
                "Write it as -05:00 or +10:30.",
            )
    context = Context(context.zone, context.style, offset, context.area_unit)
    values: dict[str, Any] = {}
    for column in table.columns:
        cell = named.get(column.name, "")
        values[column.name] = None
        if cell == "":
            if column.need == "filled" and column.name in present:
                sound = False
                findings.error(
                    file, number, column.name, "", "This cell may not be empty.", _fill(column)
                )
            continue
        try:
            values[column.name] = read_cell(cell, column, context)
        except CellError as error:
            sound = False
            remedy = for_required(error.remedy) if column.need == "filled" else error.remedy
            findings.error(file, number, column.name, as_text(cell), error.what, remedy)
            continue
        if column.wants_time and _is_bare_date(cell):
            findings.warning(
                file,
                number,
                column.name,
                as_text(cell),
                "The hour is not given; 00:00 is taken.",
                "Write the time too, such as 2027-05-10T14:30.",
            )
    texts = {name: as_text(cell) for name, cell in named.items() if cell != ""}
    return Row(number, values, texts, sound)


def _is_bare_date(cell: Cell) -> bool:
    if isinstance(cell, date):
        return not isinstance(cell, datetime)
    return isinstance(cell, str) and ":" not in cell


def _fill(column: Column) -> str:
    if column.choices:
        return f"Use one of: {', '.join(column.choices)}."
    return f"Fill in {column.name}, or take the row away."
