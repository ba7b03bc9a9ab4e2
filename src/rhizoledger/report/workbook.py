"""plan.xlsx: every table of the plan, numbers as numbers, text as nothing but text."""

from __future__ import annotations

import io
import re
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from rhizoledger.report.blocks import Block, Figure, Table
from rhizoledger.report.printed import harmless, printed

WIDEST = 60
LONGEST_CELL = 32_000
NOT_IN_NAMES = re.compile(r"[\[\]:*?/\\']")
ESTIMATE = frozenset(("value", "low", "high", "status"))
KEPT_OF_ESTIMATE = ("value", "low", "high", "unit", "scale", "status")
PRINTED_ONLY = ("This week", "Not known", "Worst grades", "Cautions", "Temperature", "Money")
"""Tables that plan.json does not hold; they are taken from the page as printed."""


def workbook(whole: Mapping[str, Any], blocks: Sequence[Block], made: datetime) -> bytes:
    """The workbook's bytes: the same plan gives the same bytes.

    Parameters
    ----------
    whole : mapping
        ``plan.json`` as values.
    blocks : sequence of Block
        The report, for the tables that only it holds.
    made : datetime
        The date written into the file.
    """
    import xlsxwriter

    out = io.BytesIO()
    book = xlsxwriter.Workbook(
        out,
        {
            "in_memory": True,
            "strings_to_formulas": False,
            "strings_to_urls": False,
            "strings_to_numbers": False,
        },
    )
    title = harmless(str(whole["season"]))
    book.set_properties({"title": title, "created": made.replace(tzinfo=None)})
    head = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "top"})
    for name, columns, rows in _sheets(whole, blocks):
        sheet = book.add_worksheet(NOT_IN_NAMES.sub(" ", name)[:31])
        sheet.freeze_panes(1, 1)
        for j, column in enumerate(columns):
            sheet.write_string(0, j, column, head)
            longest = max([len(column), *(len(str(r[j])) for r in rows[:200] if r[j] is not None)])
            sheet.set_column(j, j, min(longest + 2, WIDEST))
        for i, row in enumerate(rows, 1):
            for j, x in enumerate(row):
                _write(sheet, i, j, x)
    book.close()
    return out.getvalue()


def _write(sheet: Any, i: int, j: int, x: Any) -> None:
    if x is None:
        return
    if isinstance(x, bool):
        sheet.write_boolean(i, j, x)
    elif isinstance(x, int | float):
        sheet.write_number(i, j, x)
    else:
        sheet.write_string(i, j, str(x)[:LONGEST_CELL])


Sheet = tuple[str, list[str], list[list[Any]]]


def _sheets(whole: Mapping[str, Any], blocks: Sequence[Block]) -> list[Sheet]:
    printed_ = _printed(blocks)
    out = [printed_.pop("This week")] if "This week" in printed_ else []
    out += _of_document(whole)
    return [*out, *printed_.values()]


def _of_document(whole: Mapping[str, Any]) -> list[Sheet]:
    def under(table: str, key: str, *names: str) -> list[dict[str, Any]]:
        return [
            {n: row.get(n) for n in names} | dict(x) for row in whole[table] for x in row[key] or ()
        ]

    def without(table: str, *names: str) -> list[dict[str, Any]]:
        return [{k: v for k, v in row.items() if k not in names} for row in whole[table]]

    nested = {
        "Ledger": under("batches", "ledger", "batch"),
        "Limits": under("batches", "limits", "batch"),
        "Furrow": under("plantings", "furrow", "field", "seq"),
        "Worth finding out": under("fields", "worth_testing", "field", "crop"),
        "Rules": under("fields", "rules", "field", "crop"),
    }
    doses = [{"batch": r["batch"]} | dict(d) for r in whole["runs"] for d in r["planned"]["doses"]]
    used = [
        {"batch": r["batch"]} | dict(d)
        for r in whole["runs"]
        if r["done"]
        for d in r["done"]["deviations"]
    ]
    stops = [
        {"batch": r["batch"], "kind": kind, "says": says}
        for r in whole["runs"]
        for kind in ("stops", "warnings")
        for says in r[kind]
    ]
    tables: dict[str, Sequence[Mapping[str, Any]]] = {
        "Batches": without("batches", "ledger", "limits"),
        "Plantings": without("plantings", "furrow"),
        "Fields": without("fields", "worth_testing", "rules"),
        **nested,
        "Doses planned": doses,
        "Planned and done": used,
        "Stops and cautions": stops,
        "What would tighten": whole["tighten"],
        "Evidence": whole["evidence"],
        "Warnings": whole["problems"],
        "Inputs": [{"file": k, "sha256": v} for k, v in whole["generated"]["inputs"].items()],
    }  # fmt: skip
    return [_flat(name, rows) for name, rows in tables.items() if rows]


def _flat(name: str, rows: Iterable[Mapping[str, Any]]) -> Sheet:
    flat = [_flat_row(row) for row in rows]
    named = list(dict.fromkeys(key for row in flat for key in row))
    parted = {c for c in named if any(other.startswith(f"{c} ") for other in named)}
    columns = [c for c in named if c not in parted or any(row.get(c) is not None for row in flat)]
    return name, columns, [[row.get(c) for c in columns] for row in flat]


def _flat_row(row: Mapping[str, Any]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for key, x in row.items():
        if isinstance(x, Mapping) and set(x) >= ESTIMATE:
            out |= {f"{key} {part}": x.get(part) for part in KEPT_OF_ESTIMATE}
        elif isinstance(x, Mapping):
            out |= (
                {f"{key} {k}": v for k, v in x.items()}
                if key == "p_pays_k"
                else {key: ", ".join(f"{k} {v}" for k, v in x.items())}
            )
        elif isinstance(x, list):
            out[key] = harmless(", ".join(str(v) for v in x)) if x else None
        else:
            out[key] = harmless(x) if isinstance(x, str) else x
    return out


def _printed(blocks: Sequence[Block]) -> dict[str, Sheet]:
    out: dict[str, Sheet] = {}
    for b in blocks:
        t = b.table if isinstance(b, Figure) else b
        if not isinstance(t, Table) or t.name not in PRINTED_ONLY:
            continue
        lead = ["For"] if t.about else []
        columns = [*lead, *(c or "Note" for c in t.columns)]
        first = [harmless(t.about)] if lead else []
        _, _, rows = out.setdefault(t.name, (t.name, columns, []))
        rows += [[*first, *(_cell(x) for x in row)] for row in t.rows]
    return out


def _cell(x: Any) -> Any:
    return x if isinstance(x, int | float) else printed(x)
