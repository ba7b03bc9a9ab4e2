"""``season.xlsx``, opened only after its true extent is known.

A workbook of 5 kB can ask a reader for 12 GB: by its packed size, by two cells in opposite corners,
or by one long text that a million cells share. So the archive is unpacked here under a budget,
every sheet is scanned for its extent, and only what was scanned is handed on.
"""

from __future__ import annotations

import io
import re
import struct
import zipfile
import zlib
from dataclasses import dataclass, field

from rhizoledger.season.findings import Findings
from rhizoledger.season.numerals import Cell
from rhizoledger.season.source import (
    MIB,
    MOST_CELLS,
    MOST_COLUMNS,
    MOST_ROWS,
    RawTable,
    shape,
    undo_defusing,
)

FILE = "season.xlsx"
LARGEST_FILE = 20 * MIB
LARGEST_UNPACKED = 100 * MIB
MOST_ENTRIES = 500
LARGEST_TEXT_SUM = 256 * MIB
PIECE = 256 * 1024
LONGEST_TAG = MIB

REFERENCE = re.compile(rb"""\br\s*=\s*["']([A-Za-z]{0,8})\$?(\d{1,12})["']""")
DIMENSION = re.compile(rb"""<(?:\w+:)?dimension\s[^>]{0,200}?\bref\s*=\s*["']([^"']{1,60})["']""")
CORNER = re.compile(rb"\$?([A-Za-z]{1,8})\$?(\d{1,12})")
CELL_START = re.compile(rb"<(?:\w+:)?c[\s>/]")
ERROR_CELL = re.compile(
    rb"""<(?:\w+:)?c\s(?=[^>]{0,200}\bt\s*=\s*["']e["'])[^>]{0,200}?\br\s*=\s*["']([A-Z]+\d+)["']"""
)
TEXT_END = re.compile(rb"</(?:\w+:)?si\s*>")

WANTED = re.compile(
    r"\[Content_Types\]\.xml|_rels/\.rels|xl/(workbook\.xml|_rels/workbook\.xml\.rels|styles\.xml|"
    r"sharedStrings\.xml|worksheets/[^/]+\.xml)",
    re.IGNORECASE,
)

REMEDY = "Keep only this season's tables in it, or save each sheet as CSV."


class TooLarge(Exception):
    """The workbook asks for more than a season needs; the text says what."""


@dataclass(slots=True)
class Extent:
    """What a part of the workbook asks for, found piece by piece."""

    rows: int = 0
    columns: int = 0
    cells: int = 0
    longest_text: int = 0
    error_cells: set[str] = field(default_factory=set)

    def see(self, piece: bytes) -> None:
        """Take in one piece of whole tags."""
        if b"\0" in piece:
            raise TooLarge("A sheet is not plain XML.")
        for match in REFERENCE.finditer(piece):
            self._corner(match[1], match[2])
        for match in DIMENSION.finditer(piece):
            for corner in CORNER.finditer(match[1]):
                self._corner(corner[1], corner[2])
        self.cells += len(CELL_START.findall(piece))
        self.error_cells.update(
            m[1].decode("ascii") for m in ERROR_CELL.finditer(piece) if len(self.error_cells) < 1000
        )
        if self.cells > MOST_CELLS:
            raise TooLarge(f"A sheet has more than the limit of {MOST_CELLS} cells.")

    def _corner(self, letters: bytes, digits: bytes) -> None:
        column = 0
        for letter in letters.upper():
            column = column * 26 + letter - 64
        self.rows = max(self.rows, int(digits))
        self.columns = max(self.columns, column)
        if self.rows > MOST_ROWS + 1 or self.columns > MOST_COLUMNS:
            place = (letters.decode("ascii") or "row ") + str(int(digits))
            raise TooLarge(
                f"A sheet reaches to {place}; the limit is {MOST_ROWS} rows and "
                f"{MOST_COLUMNS} columns."
            )
        if self.rows * self.columns > MOST_CELLS:
            raise TooLarge(f"A sheet spans more than the limit of {MOST_CELLS} cells.")


def verified_copy(data: bytes) -> tuple[bytes, dict[str, set[str]]]:
    """The workbook's needed parts, unpacked under the budget and packed again without tricks.

    Returns
    -------
    bytes
        A plain archive that holds only parts that were scanned.
    dict of str to set of str
        Cells that hold a spreadsheet error such as #N/A, by part name.

    Raises
    ------
    TooLarge
        If it asks for too much.
    zipfile.BadZipFile, zlib.error
        If it is broken.
    """
    out = io.BytesIO()
    errors: dict[str, set[str]] = {}
    cells = longest = unpacked = 0
    with zipfile.ZipFile(io.BytesIO(data)) as archive, zipfile.ZipFile(out, "w") as copy:
        entries = archive.infolist()
        if len(entries) > MOST_ENTRIES:
            raise TooLarge(f"The archive has more than the limit of {MOST_ENTRIES} entries.")
        if len({e.filename.casefold() for e in entries}) != len(entries):
            raise TooLarge("The archive holds two parts of the same name.")
        if sum(e.file_size for e in entries) > LARGEST_UNPACKED:
            raise TooLarge(f"It unpacks to more than {LARGEST_UNPACKED / MIB:g} MiB.")
        for entry in entries:
            if WANTED.fullmatch(entry.filename) is None:
                continue
            if entry.flag_bits & 1:
                raise TooLarge("It is protected by a password.")
            kept = bytearray()
            extent = Extent()
            sheet = "worksheets/" in entry.filename
            with archive.open(entry) as part:
                tail = b""
                while piece := part.read(PIECE):
                    unpacked += len(piece)
                    if unpacked > LARGEST_UNPACKED:
                        raise TooLarge(f"It unpacks to more than {LARGEST_UNPACKED / MIB:g} MiB.")
                    kept += piece
                    if sheet:
                        whole, tail = _at_last_tag(tail + piece)
                        extent.see(whole)
            if sheet:
                extent.see(tail)
                cells += extent.cells
                errors[entry.filename] = extent.error_cells
            elif entry.filename.casefold().endswith("sharedstrings.xml"):
                longest = _longest_shared_text(bytes(kept))
            copy.writestr(entry.filename, bytes(kept))
    if cells > MOST_CELLS or cells * longest > LARGEST_TEXT_SUM:
        raise TooLarge("Its cells together hold more text than a season needs.")
    return out.getvalue(), errors


def _at_last_tag(piece: bytes) -> tuple[bytes, bytes]:
    """Cut before the last tag, so that no tag is ever looked at in halves."""
    cut = max(piece.rfind(b"<"), 0)
    if len(piece) - cut > LONGEST_TAG:
        raise TooLarge("A sheet holds a single text that is too long.")
    return piece[:cut], piece[cut:]


def _longest_shared_text(shared: bytes) -> int:
    longest = start = 0
    for match in TEXT_END.finditer(shared):
        longest, start = max(longest, match.end() - start), match.end()
    return longest if start else len(shared)


def read_workbook(data: bytes, known: tuple[str, ...], findings: Findings) -> dict[str, RawTable]:
    """The sheets of ``season.xlsx`` that are tables, as they stand.

    Parameters
    ----------
    data : bytes
        The file.
    known : tuple of str
        Table names; other sheets are named in a warning and not read.
    """
    from python_calamine import CalamineError, CalamineWorkbook

    try:
        safe, errors = verified_copy(data)
        book = CalamineWorkbook.from_filelike(io.BytesIO(safe))
    except TooLarge as error:
        findings.error(FILE, None, None, None, str(error), REMEDY)
        return {}
    except (
        zipfile.BadZipFile,
        zlib.error,
        EOFError,
        NotImplementedError,
        RuntimeError,
        ValueError,  # from offsets that point outside a damaged archive
        struct.error,
        CalamineError,
    ):
        findings.error(
            FILE,
            None,
            None,
            None,
            "This is not a workbook that can be opened (broken, encrypted, or another format).",
            "Save it again as XLSX without a password, or save each sheet as CSV.",
        )
        return {}
    if any(errors.values()):
        places = sorted(set().union(*errors.values()))
        findings.error(
            FILE,
            None,
            None,
            ", ".join(places[:8]),
            "These cells hold a spreadsheet error such as #N/A.",
            "Correct the formulas, or leave the cells empty.",
        )
    tables = {}
    for sheet in book.sheet_names:
        name = sheet.strip().casefold()
        if name not in known:
            findings.warning(
                FILE, None, None, sheet, "This sheet is not a table and is not read.", ""
            )
            continue
        table = _read_sheet(book, sheet, name, findings)
        if table is not None:
            tables[name] = table
    return tables


def _read_sheet(book: object, sheet: str, name: str, findings: Findings) -> RawTable | None:
    from python_calamine import CalamineError, CalamineWorkbook

    assert isinstance(book, CalamineWorkbook)
    file = f"{FILE}:{name}"
    try:
        lines = book.get_sheet_by_name(sheet).to_python(skip_empty_area=False)
    except CalamineError:
        findings.error(
            file, None, None, None, "The sheet cannot be read.", "Save it as CSV, or save it again."
        )
        return None
    if not lines:
        findings.error(
            file, None, None, None, "The sheet is empty.", "Write the header, or take it away."
        )
        return None
    return shape(file, [tuple(map(_clean, line)) for line in lines], findings)


def _clean(cell: Cell | int) -> Cell:
    if isinstance(cell, str):
        return undo_defusing(cell.strip())
    if isinstance(cell, int) and not isinstance(cell, bool):
        return float(cell)
    return cell
