"""A file of test plants: rows checked, and gathered into one design for each item."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass, field

from rhizoledger.counts.infection import Controls
from rhizoledger.counts.mpn import LEAST
from rhizoledger.errors import InputError
from rhizoledger.season.findings import Findings
from rhizoledger.season.numerals import CellError, for_required, read_number
from rhizoledger.season.one_table import OneTable

UNINOCULATED = ("control", "uninoculated", "uninoculated control", "blank")
INOCULATED = ("positive", "positive control", "inoculated", "inoculated control")


@dataclass(slots=True)
class Design:
    """Rows of one item, as they are read: the step or dilution of each, and its plants."""

    rows: dict[float, tuple[int, int, int]] = field(default_factory=dict)
    controls: dict[str, tuple[int, Controls]] = field(default_factory=dict)


def read_designs(table: OneTable, by_step: bool) -> dict[str, Design]:
    """Rows by item; every cell that cannot be used is named at once."""
    column = "step" if by_step else "dilution"
    items = table.texts("item") if "item" in table.columns else [""] * len(table.row_numbers())
    places = table.texts(column)
    plants, nodulated = (table.numbers(name, required=True) for name in ("plants", "nodulated"))
    findings = Findings()
    designs: dict[str, Design] = defaultdict(Design)
    lines = zip(table.row_numbers(), items, places, plants, nodulated, strict=True)
    for row, item, place, n, k in lines:
        pair = _plants_of(table, row, n, k, findings)
        if "item" in table.columns and not item:
            what, remedy = "The item is empty.", "Write which sample this row belongs to."
            findings.error(table.raw.file, row, "item", "", what, remedy)
        if pair is None:
            continue
        try:
            where = _place(place, table, by_step)
        except CellError as error:
            remedy = for_required(error.remedy)
            findings.error(table.raw.file, row, column, place, error.what, remedy)
            continue
        design = designs[item]
        before = design.controls.get(where) if isinstance(where, str) else design.rows.get(where)
        if before is not None:
            what = f"Row {before[0]} has it too{f' for {item}' if item else ''}."
            remedy = "Give each design its own name in a column item, or add the plants up."
            findings.error(table.raw.file, row, column, place, what, remedy)
        elif isinstance(where, str):
            design.controls[where] = (row, (pair[1], pair[0]))
        else:
            design.rows[where] = (row, *pair)
    if findings.has_errors():
        raise InputError(findings.in_order())
    return designs


def _plants_of(
    table: OneTable, row: int, n: float | None, k: float | None, findings: Findings
) -> tuple[int, int] | None:
    """Plants and nodulated plants of a row, or None after saying what is wrong."""
    sound = True
    for column, number in (("plants", n), ("nodulated", k)):
        if number is None:
            what, remedy = "The cell is empty.", "Write a whole number, or take the row out."
            findings.error(table.raw.file, row, column, "", what, remedy)
            sound = False
        elif number < (1 if column == "plants" else 0) or number % 1 != 0:
            what = "Plants are counted whole" + (", from 1 on." if column == "plants" else ".")
            remedy = "Write a whole number, or take the row out."
            findings.error(table.raw.file, row, column, number, what, remedy)
            sound = False
    if not sound or n is None or k is None:
        return None
    if k > n:
        what = f"{k:g} of {n:g} plants nodulated; that cannot be."
        findings.error(table.raw.file, row, "nodulated", k, what, "Check both columns.")
        return None
    return int(n), int(k)


def _place(text: str, table: OneTable, by_step: bool) -> float | str:
    """A step, a dilution, or which control a row holds."""
    word = " ".join(text.casefold().split())
    if word in UNINOCULATED:
        return "uninoculated"
    if word in INOCULATED:
        return "inoculated"
    number = read_number(text, table.style)
    if by_step and not (number % 1 == 0 and number >= 1):
        raise CellError("Steps are whole numbers.", "Write 1 for the first dilution planted.")
    if not by_step and number < LEAST:
        what = "A dilution is above zero." if number <= 0 else "This is no dilution of a sample."
        raise CellError(what, "Write 0.1 for one in ten.")
    if not by_step and number > 1:
        raise CellError("A dilution is at most 1.", f"Write {1 / number:.3g} for 1 in {number:g}.")
    return number
