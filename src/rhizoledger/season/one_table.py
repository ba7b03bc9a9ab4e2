"""One table with columns of its own: a file of trials or counts that is no part of a season."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from rhizoledger.errors import InputError
from rhizoledger.season.findings import Findings, nearest
from rhizoledger.season.numerals import CellError, Style, as_text, for_required, read_number
from rhizoledger.season.source import LARGEST_TABLE, RawTable, parse_csv, read_regular

NAMES = ("item", "series", "lot", "batch", "sample", "strain", "treatment")
"""Headers that people give to the name of what a row belongs to."""


@dataclass(frozen=True, slots=True)
class OneTable:
    """A table as it stands, with its columns found by name, whatever their case."""

    raw: RawTable
    style: Style

    @property
    def columns(self) -> tuple[str, ...]:
        """Column names as written."""
        return self.raw.header

    def texts(self, column: str) -> list[str]:
        """A column as text, empty cells as empty text.

        Raises
        ------
        InputError
            If there is no such column; the error names the nearest one.
        """
        j = self._place(column)
        return [_one_line(as_text(cells[j])) for _, cells in self.raw.rows]

    def numbers(self, column: str, *, required: bool = False) -> list[float | None]:
        """A column as finite numbers; None where a cell is empty.

        ``required`` is for a column whose cells may not be empty: no remedy says that they may.

        Raises
        ------
        InputError
            With every cell that is not a number.
        """
        findings = Findings()
        out: list[float | None] = []
        for (row, _), text in zip(self.raw.rows, self.texts(column), strict=True):
            try:
                out.append(read_number(text, self.style) if text else None)
            except CellError as error:
                remedy = for_required(error.remedy) if required else error.remedy
                findings.error(self.raw.file, row, column, text, error.what, remedy)
        if findings.has_errors():
            raise InputError(findings.in_order())
        return out

    def row_numbers(self) -> list[int]:
        """The number that a spreadsheet shows for each row."""
        return [row for row, _ in self.raw.rows]

    def unused(self, known: Iterable[str]) -> tuple[str, ...]:
        """A sentence for each column with entries that is none of the known ones."""
        known = tuple(known)
        absent = [name for name in known if name not in self.columns]
        said = []
        for j, name in enumerate(self.columns):
            if name in known or not any(cells[j : j + 1] != ("",) for _, cells in self.raw.rows):
                continue
            near = nearest(name, absent, most=1)
            close = f" {near.replace('names', 'name')}" if near.startswith("Near") else ""
            what = f"Column {name!r}" if name else f"Column {j + 1}, which has no name,"
            said.append(f"{self.raw.file}: {what} is not used.{close}")
        return tuple(said)

    def check_named(self, column: str, known: Iterable[str]) -> None:
        """Refuse a table whose rows are told apart by another column than the one that is read.

        Raises
        ------
        InputError
            If ``column`` is not there, and one such as batch or lot has several entries.
        """
        if column in self.columns:
            return
        for name in NAMES:
            if name in self.columns and name not in known and len(set(self.texts(name))) > 1:
                raise InputError(
                    f"{self.raw.file} has a column {name} and none named {column}: its rows would "
                    f"be taken for one. Rename the column {column}, or take it out."
                )

    def _place(self, column: str) -> int:
        names = [name.strip().casefold() for name in self.raw.header]
        if column.strip().casefold() in names:
            return names.index(column.strip().casefold())
        findings = Findings()
        what = f"There is no column {column!r}."
        findings.error(self.raw.file, 1, column, None, what, nearest(column, self.raw.header))
        raise InputError(findings.in_order())


def read_table(path: Path, *, most_rows: int | None = None) -> OneTable:
    """Read a CSV file (comma, semicolon or tab, decimal point or comma).

    Parameters
    ----------
    path : Path
    most_rows : int, optional
        Rows that the caller can work through.

    Raises
    ------
    InputError
        If it cannot be read as a table with a header and at least one row, or a cell holds what
        would hide or turn the text around it.
    """
    findings = Findings()
    if path.suffix.casefold() not in (".csv", ".txt", ".tsv", ""):
        raise InputError(f"{path.name} is not a CSV file. Save the sheet as CSV first.")
    found = read_regular(path, LARGEST_TABLE)
    if found is None:
        raise InputError(f"{path} is not a regular file. Save the rows as a CSV file first.")
    data, size = found
    if size > LARGEST_TABLE:
        raise InputError(f"{path.name} is larger than any table of trials. Keep what is needed.")
    raw = parse_csv(data, path.name, findings)
    if raw is None or findings.has_errors():
        raise InputError(findings.in_order())
    if not raw.rows:
        raise InputError(f"{path.name} has a header and no rows. Add the results below it.")
    if most_rows is not None and len(raw.rows) > most_rows:
        raise InputError(
            f"{path.name} has {len(raw.rows)} rows; this command takes up to {most_rows}. "
            "Split the file between two items."
        )
    _check_signs(raw, findings)
    if findings.has_errors():
        raise InputError(findings.in_order())
    return OneTable(raw, Style.seen_in(_all_texts(raw.rows), raw.separator))


def _check_signs(raw: RawTable, findings: Findings) -> None:
    """Refuse control signs and overrides of direction, in the header and in every cell."""
    for row, cells in ((1, raw.header), *raw.rows):
        for name, cell in zip(raw.header, cells, strict=False):
            if isinstance(cell, str) and not cell.isprintable() and any(map(_hides, cell)):
                what = "There is a sign here that cannot be seen or that turns text around."
                column = None if row == 1 else name
                findings.error(raw.file, row, column, cell, what, "Type the cell again.")


def _one_line(text: str) -> str:
    return text if text.isprintable() else " ".join(text.split())


def _hides(c: str) -> bool:
    if c in "\n\r\t":  # a spreadsheet breaks lines within a cell
        return False
    return unicodedata.category(c) in ("Cc", "Cs", "Co") or unicodedata.bidirectional(c) in (
        "LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI",
    )  # fmt: skip


def _all_texts(rows: Sequence[tuple[int, Sequence[object]]]) -> list[str]:
    return [cell for _, cells in rows for cell in cells if isinstance(cell, str)]
