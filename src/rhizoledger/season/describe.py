"""The schema in words and as a Data Package: NOTES.md and datapackage.json."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rhizoledger.season.schema import Column, Table
from rhizoledger.season.tables import TRIAL_COLUMNS, UTC_OFFSET

KINDS = {
    "text": "text",
    "id": "a name",
    "ids": "names joined by +",
    "texts": "texts joined by +",
    "number": "a number",
    "integer": "a whole number",
    "date": "a date",
    "moment": "a date and time",
    "date_or_moment": "a date, or a date and time",
    "choice": "one of",
    "choices": "one or more, joined by +, of",
    "yes_no": "yes or no",
    "colonies": "a whole number, TNTC, SPR or LA",
    "years": "a number, never or unknown",
    "rate_unit": "a rate unit",
    "seed_rate_unit": "a rate unit per mass, unit, bag or bushel of seed",
    "furrow_rate_unit": "a rate unit per area or length of row",
    "amount_unit": "a unit of volume or mass, or pack",
    "stock_unit": "a unit of seed, volume or mass, or pack",
    "number_or_rate": "a number, with a rate unit or without",
    "row_spacing": "a number, with in, cm or m or without",
    "file": "a file name",
}

FIELD_TYPES = {
    "number": "number",
    "integer": "integer",
    "date": "date",
    "yes_no": "boolean",
}
"""Types of Table Schema; every other kind is a string with a description."""

GENERAL = f"""\
# Notes on the tables

The first row of a table is its header. Columns may stand in any order; columns marked (optional)
may be left out. An empty cell means unknown, never zero.

- Names: up to 64 letters, digits, `_`, `.`, `-` or spaces, the first a letter, digit or `_`. Lots,
  batches and parcels share one namespace. Several names in a cell are joined by `+` (or `;`).
- Dates: `2027-05-10`. Times: `2027-05-10T14:30`, on the clock of the season's time zone. A date
  where a time is asked for stands for 00:00 of that day. Around a clock change give the offset:
  `2027-11-07T01:30-05:00`, or in a column `{UTC_OFFSET.name}`, which any table may carry.
- Numbers: a decimal point or a decimal comma, nothing between thousands; `1e6` is allowed.
- Yes or no: `yes`, `no`.
- File names: the name alone; the file stands in this folder (loggers in `loggers/`).
- `loggers/*`: CSV with `time` and `temp_c` or `temp_f`, or Parquet with the same two columns.
- `trials/*`: CSV with `{", ".join(TRIAL_COLUMNS)}` and `weight, weight_unit` or `yield`.
- A table may be a CSV file, or a sheet of the same name in `season.xlsx`, not both.
"""


def meaning(column: Column) -> str:
    """What a cell of the column holds, in words.

    Examples
    --------
    >>> meaning(Column("volume_ml", "number", "filled", "Plated.", "mL", above=0))
    'Plated. A number [mL], above 0.'
    """
    words = KINDS[column.kind]
    if column.choices:
        words += " " + ", ".join(column.choices)
    if column.unit:
        words += f" [{column.unit}]"
    bounds = [
        f"{word} {value:g}"
        for word, value in (
            ("at least", column.at_least),
            ("above", column.above),
            ("at most", column.at_most),
        )
        if value is not None
    ]
    if bounds:
        words += ", " + ", ".join(bounds)
    if column.refers:
        words += f" from {', '.join(column.refers)}"
    words = words[0].upper() + words[1:] + "."
    return f"{column.note} {words}".strip()


def notes(tables: Sequence[Table]) -> str:
    """NOTES.md: units and notes of every column."""
    parts = [GENERAL]
    for table in tables:
        lines = [f"## {table.name}", "", table.about, ""]
        for column in table.columns:
            optional = " (optional)" if column.need == "optional" else ""
            lines.append(f"- `{column.name}`{optional}: {meaning(column)}")
        parts.append("\n".join(lines) + "\n")
    return "\n".join(parts)


def descriptor(name: str, tables: Sequence[Table]) -> dict[str, Any]:
    """A Data Package descriptor of the tables, for other software; never read back.

    Parameters
    ----------
    name : str
        Name of the season, lower case with dashes.
    tables : sequence of Table
        Tables that stand beside it.
    """
    own_name = {table.name: table.key[0] for table in tables if table.key}
    return {
        "name": name,
        "profile": "tabular-data-package",
        "resources": [
            {
                "name": table.name,
                "path": table.file,
                "profile": "tabular-data-resource",
                "description": table.about,
                "format": "csv",
                "mediatype": "text/csv",
                "encoding": "utf-8",
                "schema": _table_schema(table, own_name),
            }
            for table in tables
        ],
    }


def _table_schema(table: Table, own_name: Mapping[str, str]) -> dict[str, Any]:
    schema: dict[str, Any] = {
        "fields": [_field(column) for column in table.columns],
        "missingValues": [""],
    }
    filled = {column.name for column in table.columns if column.need == "filled"}
    if table.key and set(table.key) <= filled:
        schema["primaryKey"] = list(table.key)
    links = [
        {
            "fields": column.name,
            "reference": {
                "resource": column.refers[0],
                "fields": own_name[column.refers[0]],
            },
        }
        for column in table.columns
        # Only a single name in a single table can be said in Table Schema.
        if column.kind == "id" and len(column.refers) == 1 and column.refers[0] in own_name
    ]
    if links:
        schema["foreignKeys"] = links
    return schema


def _field(column: Column) -> dict[str, Any]:
    field: dict[str, Any] = {
        "name": column.name,
        "type": FIELD_TYPES.get(column.kind, "string"),
        "description": meaning(column),
    }
    if column.kind == "yes_no":
        field |= {"trueValues": ["yes"], "falseValues": ["no"]}
    constraints: dict[str, Any] = {}
    if column.need == "filled":
        constraints["required"] = True
    if column.kind == "choice":
        constraints["enum"] = list(column.choices)
    if column.kind in ("number", "integer"):
        if column.at_least is not None:
            constraints["minimum"] = column.at_least
        if column.at_most is not None:
            constraints["maximum"] = column.at_most
    if constraints:
        field["constraints"] = constraints
    return field
