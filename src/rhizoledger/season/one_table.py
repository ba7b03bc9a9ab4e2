"""One table with columns of its own: a file of trials or counts that is no part of a season."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from rhizoledger.errors import InputError
from rhizoledger.season.findings import Findings, nearest
from rhizoledger.season.numerals import CellError, Style, as_text, read_number
from rhizoledger.season.source import LARGEST_TABLE, RawTable, parse_csv


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
        return [as_text(cells[j]) if j < len(cells) else "" for _, cells in self.raw.rows]

    def numbers(self, column: str) -> list[float | None]:
        """A column as finite numbers; None where a cell is empty.

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
                findings.error(self.raw.file, row, column, text, error.what, error.remedy)
        if findings.has_errors():
            raise InputError(findings.in_order())
        return out

    def row_numbers(self) -> list[int]:
        """The number that a spreadsheet shows for each row."""
        return [row for row, _ in self.raw.rows]

    def _place(self, column: str) -> int:
        names = [name.strip().casefold() for name in self.raw.header]
        if column.strip().casefold() in names:
            return names.index(column.strip().casefold())
        findings = Findings()
        what = f"There is no column {column!r}."
        findings.error(self.raw.file, 1, column, None, what, nearest(column, self.raw.header))
        raise InputError(findings.in_order())


def read_table(path: Path) -> OneTable:
    """Read a CSV file (comma or semicolon, decimal point or comma).

    Raises
    ------
    InputError
        If it cannot be read as a table with a header and at least one row.
    """
    findings = Findings()
    if path.suffix.casefold() not in (".csv", ".txt", ".tsv", ""):
        raise InputError(f"{path.name} is not a CSV file. Save the sheet as CSV first.")
    if path.is_file() and path.stat().st_size > LARGEST_TABLE:
        raise InputError(f"{path.name} is larger than any table of trials. Keep what is needed.")
    raw = parse_csv(path.read_bytes(), path.name, findings)
    if raw is None or findings.has_errors():
        raise InputError(findings.in_order())
    if not raw.rows:
        raise InputError(f"{path.name} has a header and no rows. Add the results below it.")
    return OneTable(raw, Style.seen_in(_all_texts(raw.rows)))


def _all_texts(rows: Sequence[tuple[int, Sequence[object]]]) -> list[str]:
    return [cell for _, cells in rows for cell in cells if isinstance(cell, str)]
