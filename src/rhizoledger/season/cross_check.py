"""Checks that need more than one cell: names, references, duplicates, order, overlap."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date, datetime
from itertools import pairwise
from typing import Any

from rhizoledger.season.findings import Findings, nearest
from rhizoledger.season.rows import Row, TypedTable

Tables = Mapping[str, TypedTable]

OWN_NAME = {
    "inoculants": "inoculant",
    "products": "product",
    "recipes": "recipe",
    "lots": "lot",
    "batches": "batch",
    "fields": "field",
}
"""Column that holds a table's own names."""

NO_BATCH = "none"
"""``plantings.batch`` for bare seed."""


def check_tables(tables: Tables, findings: Findings) -> None:
    """Run every check across rows and tables; what is wrong goes to ``findings``."""
    for typed in tables.values():
        _duplicates(typed, findings)
        _order(typed, findings)
    _shared_names(tables, findings)
    _one_kind_of_item(tables, findings)
    _references(tables, findings)
    _planting_references(tables, findings)
    _splits(tables, findings)
    _stays(tables, findings)
    _stacks(tables, findings)
    _recipes(tables, findings)
    _parents(tables, findings)
    _seed_sizes(tables, findings)


def _rows(tables: Tables, name: str) -> tuple[Row, ...]:
    return tables[name].rows if name in tables else ()


def _comparable(value: Any) -> Any:
    return tuple(sorted(value)) if isinstance(value, tuple) else value


def _duplicates(typed: TypedTable, findings: Findings) -> None:
    key = typed.table.key
    if not key:
        return
    first: dict[tuple[Any, ...], int] = {}
    for row in typed.rows:
        value = tuple(_comparable(row.values[name]) for name in key)
        if value[0] is None:
            continue
        if value in first:
            findings.error(
                typed.file,
                row.number,
                key[0],
                row.texts.get(key[0]),
                f"Row {first[value]} has the same {', '.join(key)}.",
                "Keep one of the two rows, or give one of them another name.",
            )
        else:
            first[value] = row.number


def _order(typed: TypedTable, findings: Findings) -> None:
    for before, after, strict in typed.table.order:
        for row in typed.rows:
            low, high = row.values[before], row.values[after]
            if low is None or high is None:
                continue
            if low > high or (strict and low == high):
                word = "before" if isinstance(low, date | datetime) else "below"
                equal = "" if strict else " or equal to"
                findings.error(
                    typed.file,
                    row.number,
                    after,
                    row.texts.get(after),
                    f"This is not after {before} ({row.texts.get(before)})."
                    if word == "before"
                    else f"This is less than {before} ({row.texts.get(before)}).",
                    f"{before} must be {word}{equal} {after}; correct one of them.",
                )


def _shared_names(tables: Tables, findings: Findings) -> None:
    """Lots, batches and parcels share one namespace."""
    seen: dict[str, str] = {}
    places = [("lots", "lot"), ("batches", "batch"), ("events", "parts")]
    for table, column in places:
        here: set[str] = set()
        for row in _rows(tables, table):
            value = row.values[column]
            for name in value if isinstance(value, tuple) else (value,):
                if name is None:
                    continue
                # A repeated name inside lots or batches is already a duplicate key.
                if seen.get(name, table) != table or (table == "events" and name in here):
                    findings.error(
                        tables[table].file,
                        row.number,
                        column,
                        name,
                        f"This name is already taken in {seen.get(name, table)}.",
                        "Lots, batches and parcels share one namespace; choose another name.",
                    )
                here.add(name)
                seen.setdefault(name, table)


def _one_kind_of_item(tables: Tables, findings: Findings) -> None:
    inoculants = {row.values["inoculant"] for row in _rows(tables, "inoculants")}
    for row in _rows(tables, "products"):
        name = row.values["product"]
        if name is not None and name in inoculants:
            findings.error(
                tables["products"].file,
                row.number,
                "product",
                name,
                "An inoculant has the same name.",
                "Choose another name; recipes and stacks must know which is meant.",
            )


def known_names(tables: Tables) -> dict[str, set[str]]:
    """Names by table, and parcels from the splits in ``events``."""
    known = {
        table: {row.values[column] for row in _rows(tables, table)} - {None}
        for table, column in OWN_NAME.items()
    }
    parts = [row.values["parts"] or () for row in _rows(tables, "events")]
    known["parcels"] = {name for names in parts for name in names}
    return known


def _references(tables: Tables, findings: Findings) -> None:
    known = known_names(tables)
    for typed in tables.values():
        for column in typed.table.columns:
            if not column.refers:
                continue
            names = set().union(*(known[table] for table in column.refers))
            there = [t for t in column.refers if t in tables or (t == "parcels" and known[t])]
            for row in typed.rows:
                value = row.values[column.name]
                for name in value if isinstance(value, tuple) else (value,):
                    if name is None or name in names:
                        continue
                    if (typed.table.name, column.name, name) == ("plantings", "batch", NO_BATCH):
                        continue
                    findings.error(
                        typed.file,
                        row.number,
                        column.name,
                        name,
                        f"This name is not in {_joined(column.refers)}.",
                        nearest(name, names)
                        if there
                        else f"There is no table {_joined(column.refers)}; add it.",
                    )


def _joined(names: Iterable[str]) -> str:
    return " or ".join(names)


def _planting_references(tables: Tables, findings: Findings) -> None:
    plantings = {(row.values["field"], row.values["seq"]) for row in _rows(tables, "plantings")}
    fields = known_names(tables)["fields"]
    for table in ("applications", "roots"):
        for row in _rows(tables, table):
            field, seq = row.values["field"], row.values["seq"]
            if field not in fields or seq is None or (field, seq) in plantings:
                continue
            of_field = [s for f, s in plantings if f == field and s is not None]
            findings.error(
                tables[table].file,
                row.number,
                "seq",
                row.texts.get("seq"),
                f"Field {field} has no planting {seq} in plantings.",
                nearest(str(seq), of_field) if of_field else "Add the planting.",
            )


def _splits(tables: Tables, findings: Findings) -> None:
    for row in _rows(tables, "events"):
        if row.values["event"] is None or not row.sound:
            continue
        split, parts = row.values["event"] == "split", row.values["parts"]
        if split == bool(parts):
            continue
        findings.error(
            tables["events"].file,
            row.number,
            "parts",
            row.texts.get("parts"),
            "A split names its parts." if split else "Only a split has parts.",
            "Write the new parcels joined by +." if split else "Empty this cell.",
        )


def _stays(tables: Tables, findings: Findings) -> None:
    by_item: dict[tuple[str, str], list[Row]] = {}
    for row in _rows(tables, "stays"):
        if row.sound:
            by_item.setdefault((row.values["item"], row.values["stage"]), []).append(row)
            _stay_temperature(tables["stays"].file, row, findings)
    for (item, stage), rows in by_item.items():
        rows.sort(key=lambda r: (r.values["start"], r.number))
        for before, row in pairwise(rows):
            end = before.values["end"]
            if before.values["start"] == row.values["start"]:
                continue  # already a duplicate key
            if end is None or end > row.values["start"]:
                findings.error(
                    tables["stays"].file,
                    row.number,
                    "start",
                    row.texts.get("start"),
                    f"{item} is still in its stay of row {before.number} ({stage}) then.",
                    f"End that stay first, or split {item} into parcels (events).",
                )


def _stay_temperature(file: str, row: Row, findings: Findings) -> None:
    low, high = row.values["temp_low_c"], row.values["temp_high_c"]
    if (low is None) != (high is None):
        missing = "temp_low_c" if low is None else "temp_high_c"
        findings.error(
            file,
            row.number,
            missing,
            "",
            "One end of the temperature range is missing.",
            "Give both ends, or name a logger.",
        )
    elif low is None and row.values["logger"] is None:
        findings.warning(
            file,
            row.number,
            "logger",
            "",
            "This stay has neither a logger nor a temperature range.",
            "Without them its loss is not quantified; give temp_low_c and temp_high_c.",
        )


def _stacks(tables: Tables, findings: Findings) -> None:
    for row in _rows(tables, "stacks"):
        if not row.sound or row.values["verdict"] == "not_tested":
            continue
        for column in ("by", "source"):
            if row.values[column] is None:
                findings.error(
                    tables["stacks"].file,
                    row.number,
                    column,
                    "",
                    "A verdict needs to say who gave it.",
                    "Fill it in, or write not_tested.",
                )
        if row.values["log10_loss"] is not None and row.values["loss_basis"] is None:
            findings.error(
                tables["stacks"].file,
                row.number,
                "loss_basis",
                "",
                "The loss does not say what it is measured against.",
                "Write over_check (beyond the inoculant alone) or total.",
            )


def _recipes(tables: Tables, findings: Findings) -> None:
    tanks: dict[tuple[str, int], tuple[str, int]] = {}
    for row in _rows(tables, "recipes"):
        if not row.sound:
            continue
        key = (row.values["recipe"], row.values["step"])
        tank, first = tanks.setdefault(key, (row.values["tank"], row.number))
        if tank != row.values["tank"]:
            findings.error(
                tables["recipes"].file,
                row.number,
                "tank",
                row.texts.get("tank"),
                f"Row {first} has the same step in tank {tank}.",
                "One step goes on from one tank; number the steps apart.",
            )


def _parents(tables: Tables, findings: Findings) -> None:
    """Nothing may come from itself, by way of blends or of splits."""
    came_from: dict[str, list[str]] = {}
    for row in _rows(tables, "batches"):
        came_from.setdefault(row.values["batch"], []).extend(row.values["parents"] or ())
    for row in _rows(tables, "events"):
        for part in row.values["parts"] or ():
            came_from.setdefault(part, []).append(row.values["item"])
    crops = {r.values["batch"]: str(r.values["crop"] or "") for r in _rows(tables, "batches")}
    for row in _rows(tables, "batches"):
        if row.values["batch"] in _all_before(row.values["batch"], came_from):
            _from_itself(tables["batches"].file, row, "parents", row.values["batch"], findings)
        crop = crops[row.values["batch"]]
        named = [p for p in row.values["parents"] or () if p in crops and crop and crops[p]]
        other = [p for p in named if crops[p].casefold() != crop.casefold()]
        if other:
            findings.warning(
                tables["batches"].file,
                row.number,
                "parents",
                row.texts.get("parents"),
                f"{other[0]} is {crops[other[0]]} and this batch is {crop}.",
                "Correct the parents or the crop.",
            )
    for row in _rows(tables, "events"):
        for part in row.values["parts"] or ():
            if part in _all_before(part, came_from):
                _from_itself(tables["events"].file, row, "parts", part, findings)


def _all_before(name: str, came_from: Mapping[str, list[str]]) -> set[str]:
    """Everything that ``name`` came from, however far back."""
    seen: set[str] = set()
    waiting = list(came_from.get(name, ()))
    while waiting:
        older = waiting.pop()
        if older not in seen:
            seen.add(older)
            waiting.extend(came_from.get(older, ()))
    return seen


def _from_itself(file: str, row: Row, column: str, name: str, findings: Findings) -> None:
    findings.error(
        file, row.number, column, row.texts.get(column),
        f"{name} would come from itself.", f"Correct the {column}.",
    )  # fmt: skip


def _seed_sizes(tables: Tables, findings: Findings) -> None:
    for row in _rows(tables, "batches"):
        if row.values["seeds_per_kg"] is not None and row.values["seeds_per_lb"] is not None:
            findings.error(
                tables["batches"].file,
                row.number,
                "seeds_per_lb",
                row.texts.get("seeds_per_lb"),
                "Seed size is given twice.",
                "Keep seeds_per_kg or seeds_per_lb and empty the other.",
            )
