"""A file of tubes: rows checked, and gathered into one design for each item and sampling."""

from __future__ import annotations

from dataclasses import dataclass, field

from rhizoledger.counts.mpn import LEAST, MOST, MOST_TUBES
from rhizoledger.errors import InputError
from rhizoledger.season.findings import Findings
from rhizoledger.season.ground_tables import BASES
from rhizoledger.season.numerals import CellError, read_number
from rhizoledger.season.one_table import OneTable

COLUMNS = ("item", "sampled_at", "basis", "amount", "tubes", "positive", "control_positive")
CONTROL_BAD = ("yes", "y", "true", "pos", "positive", "+")
CONTROL_CLEAN = ("", "no", "n", "false", "neg", "negative", "-")


@dataclass(slots=True)
class Tubes:
    """Rows of one item and sampling, as they are read.

    Parameters
    ----------
    basis : str
        g, mL or seed; empty where the file does not say.
    rows : list of tuple
        Amount, tubes and positive tubes.
    places : dict
        The rows of the file for each amount.
    bad_controls : list of int
        Rows of the file whose control turned positive.
    """

    basis: str = ""
    rows: list[tuple[float, int, int]] = field(default_factory=list)
    places: dict[float, list[int]] = field(default_factory=dict)
    bad_controls: list[int] = field(default_factory=list)

    def warnings(self) -> list[str]:
        """What a reader of the count must know about its rows."""
        said = [
            f"The amount {z:g} stands in rows {_and(rows)}; its tubes were added up."
            for z, rows in self.places.items()
            if len(rows) > 1
        ]
        if self.bad_controls:
            said.append(
                f"The control turned positive (row {_and(self.bad_controls)}): organisms from "
                "elsewhere are in this count. Do not use it before the cause is known."
            )
        return said


def _and(rows: list[int]) -> str:
    return f"{', '.join(map(str, rows[:-1]))} and {rows[-1]}" if len(rows) > 1 else str(rows[0])


def read_tubes(table: OneTable) -> dict[tuple[str, str], Tubes]:
    """Rows of tubes by item and time of sampling, both empty where the file does not say.

    Parameters
    ----------
    table : OneTable
        With ``amount``, ``tubes`` and ``positive``; ``item``, ``sampled_at``, ``basis`` and
        ``control_positive`` if known.

    Raises
    ------
    InputError
        With every cell that cannot be used, and where one unnamed design has an amount twice.
    """
    table.check_named("item", COLUMNS)
    amounts, tubes, positive = (
        table.numbers(name, required=True) for name in ("amount", "tubes", "positive")
    )
    items, ats, bases, controls = (
        _optional(table, name) for name in ("item", "sampled_at", "basis", "control_positive")
    )
    named = _has(table, "item")
    findings = Findings()
    designs: dict[tuple[str, str], Tubes] = {}
    for i, row in enumerate(table.row_numbers()):
        if named and not items[i]:
            what, remedy = "The item is empty.", "Write which sample this row belongs to."
            findings.error(table.raw.file, row, "item", "", what, remedy)
        basis = _basis(table, row, bases[i], findings)
        grown = _control(table, row, controls[i], findings)
        tube = _row(table, row, (amounts[i], tubes[i], positive[i]), findings)
        if tube is None:
            continue
        design = designs.setdefault((items[i], ats[i]), Tubes(basis))
        if design.basis != basis:
            what = f"Another row of this design says {design.basis or 'nothing'}."
            remedy = "Say one basis for one design; give each design its own item."
            findings.error(table.raw.file, row, "basis", bases[i], what, remedy)
        before = design.places.setdefault(tube[0], [])
        if before and not named:
            what = f"Row {before[0]} has this amount too: these are two designs, or one in parts."
            remedy = "Name each design in a column item, or add the tubes up."
            findings.error(table.raw.file, row, "amount", f"{tube[0]:g}", what, remedy)
        before.append(row)
        design.rows.append(tube)
        if grown:
            design.bad_controls.append(row)
    if findings.has_errors():
        raise InputError(findings.in_order())
    return designs


def _has(table: OneTable, column: str) -> bool:
    return column in [name.strip().casefold() for name in table.columns]


def _optional(table: OneTable, column: str) -> list[str]:
    return table.texts(column) if _has(table, column) else [""] * len(table.row_numbers())


def _basis(table: OneTable, row: int, text: str, findings: Findings) -> str:
    known = {name.casefold(): name for name in BASES}
    if text and text.casefold() not in known:
        what, remedy = "This basis is not known.", f"Write {', '.join(BASES)}, or leave it empty."
        findings.error(table.raw.file, row, "basis", text, what, remedy)
    return known.get(text.casefold(), "")


def _control(table: OneTable, row: int, text: str, findings: Findings) -> bool:
    """Whether the control turned positive: a word, or how many of its tubes did."""
    word = text.casefold()
    if word in CONTROL_BAD or word in CONTROL_CLEAN:
        return word in CONTROL_BAD
    try:
        number = read_number(text, table.style)
    except CellError:
        number = -1.0
    if number < 0 or number % 1 != 0:
        what, remedy = "This is neither yes, no nor a number of tubes.", "Write 0, 1, 2 and so on."
        findings.error(table.raw.file, row, "control_positive", text, what, remedy)
    return number > 0


def _row(
    table: OneTable, row: int, given: tuple[float | None, ...], findings: Findings
) -> tuple[float, int, int] | None:
    """Amount, tubes and positive tubes, or None after saying what is wrong."""
    least = {"amount": LEAST, "tubes": 1.0, "positive": 0.0}
    most = {"amount": MOST, "tubes": MOST_TUBES, "positive": MOST_TUBES}
    kept: list[float] = []
    for (column, low), number in zip(least.items(), given, strict=True):
        what = ""
        remedy = "Write a whole number, or take the row out."
        if number is None:
            what, remedy = "The cell is empty.", "Fill it in, or take the row out."
        elif column == "amount" and not low <= number <= most[column]:
            what = f"An amount is a number above zero, from {LEAST:g} to {MOST:g}."
            remedy = "Write the undiluted sample that went into each tube."
        elif column != "amount" and number % 1 != 0:
            what = "Tubes are counted whole."
        elif number < low:
            what = "A row has at least one tube." if column == "tubes" else "It is below zero."
        elif number > most[column]:
            what = "There are too many tubes."
        if what:
            said = "" if number is None else f"{number:g}"
            findings.error(table.raw.file, row, column, said, what, remedy)
        elif number is not None:
            kept.append(number)
    if len(kept) < len(given):
        return None
    z, n, x = kept
    if x > n:
        what = f"{x:g} of {n:g} tubes are positive; that cannot be."
        findings.error(table.raw.file, row, "positive", f"{x:g}", what, "Check both columns.")
        return None
    return z, int(n), int(x)
