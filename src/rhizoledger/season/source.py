"""The season folder as hostile ground: names checked, links refused, sizes bounded.

Everything is read through an open handle of a regular file inside the folder; no cell text ever
reaches a reader as a path.
"""

from __future__ import annotations

import codecs
import csv
import io
import os
import re
import stat
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from rhizoledger.provenance import digest_bytes
from rhizoledger.season.findings import Findings
from rhizoledger.season.numerals import Cell

MIB = 1024 * 1024
LARGEST_TABLE = 20 * MIB
MOST_ROWS = 200_000
MOST_COLUMNS = 256
MOST_CELLS = 2_000_000

EMPTY_REMEDY = "Write the header in the first row, or take the file away."
HEADER_REMEDY = "Take it out, so that the names of the columns stand in row 1."
SEPARATORS = re.compile("[,;\t]")
FEW_LINES = 4
SEPARATOR_LINE = re.compile(r'"?sep=.?"?', re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class RawTable:
    """A table as it stands: header texts, and rows with the number a spreadsheet shows.

    ``separator`` is what stood between the cells, where they were text.
    """

    file: str
    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[Cell, ...]], ...]
    separator: str = ","


@dataclass(slots=True)
class Folder:
    """A season folder; reads files by bare name and remembers their digests."""

    root: Path
    findings: Findings
    digests: dict[str, str] = field(default_factory=dict)

    def names(self, under: str = "") -> tuple[str, ...]:
        """Names in the folder (or in one folder below it), hidden ones left out."""
        place = self.root / under if under else self.root
        try:
            if under and place.is_symlink():
                self._refuse_link(under)
                return ()
            found = sorted(entry.name for entry in os.scandir(place))
        except FileNotFoundError:
            return ()
        except OSError as error:
            self._unreadable(under or self.root.name, error)
            return ()
        return tuple(name for name in found if not name.startswith((".", "~$")))

    def read(self, name: str, limit: int, advice: str = "") -> bytes | None:
        """The bytes of a file, or None after saying why not.

        Parameters
        ----------
        name : str
            Bare name, or ``loggers/…`` and ``trials/…`` with a bare name behind.
        limit : int
            Largest size [bytes].
        advice : str
            What to do about a file that is too large.
        """
        path = self.root / name
        try:
            if path.is_symlink():
                self._refuse_link(name)
                return None
            found = read_regular(path, limit, os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0))
        except OSError as error:
            self._unreadable(name, error)
            return None
        if found is None:
            self.findings.error(
                name, None, None, None, "This is not a regular file.", "Take it away."
            )
            return None
        data, size = found
        if size > limit:
            self.findings.error(
                name,
                None,
                None,
                f"{size / MIB:.1f} MiB",
                f"The file is larger than the limit of {limit / MIB:g} MiB.",
                advice or "Keep only this season's rows.",
            )
            return None
        self.digests[name] = digest_bytes(data)
        return data

    def _refuse_link(self, name: str) -> None:
        self.findings.error(
            name,
            None,
            None,
            None,
            "This is a link; links are not followed, since they may lead out of the folder.",
            "Put the file itself into the season folder.",
        )

    def _unreadable(self, name: str, error: OSError) -> None:
        reason = (error.strerror or "it cannot be opened").lower()
        self.findings.error(
            name, None, None, None, f"The file cannot be read: {reason}.", "Check its permissions."
        )


def read_regular(path: Path, limit: int, flags: int = os.O_RDONLY) -> tuple[bytes, int] | None:
    """Bytes and size of a regular file, no bytes where it is larger than ``limit``.

    None for a folder, a pipe or a device, none of which is waited for.

    Raises
    ------
    OSError
        If it is not there or cannot be read.
    """
    if path.is_dir():  # some systems refuse to open one
        return None
    flags |= getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    with os.fdopen(os.open(path, flags), "rb") as handle:
        status = os.fstat(handle.fileno())
        if not stat.S_ISREG(status.st_mode):
            return None
        data = b"" if status.st_size > limit else handle.read(limit + 1)
    size = max(status.st_size, len(data))
    return (b"" if size > limit else data), size


def decode(data: bytes, file: str, findings: Findings) -> str | None:
    """Bytes of a CSV file as text: UTF-8 with or without mark, else Windows-1252.

    Returns None after saying what is wrong.
    """
    if data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)) or b"\0" in data:
        row = data[: data.index(b"\0")].count(b"\n") + 1 if b"\0" in data else None
        findings.error(
            file,
            row,
            None,
            None,
            "The file holds NUL bytes: it is not plain text, or it is UTF-16.",
            "Save it as CSV in UTF-8.",
        )
        return None
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        pass
    try:
        return data.decode("cp1252")
    except UnicodeDecodeError as error:
        findings.error(
            file,
            data[: error.start].count(b"\n") + 1,
            None,
            None,
            "The file is neither UTF-8 nor Windows-1252.",
            "Save it as CSV in UTF-8.",
        )
        return None


def separator_of(first_line: str) -> str:
    r"""Comma, semicolon or tab, whichever the header uses most outside quotes.

    Examples
    --------
    >>> separator_of('lot;inoculant;expires_on'), separator_of("lot\tinoculant")
    (';', '\t')
    """
    bare = "".join(first_line.split('"')[::2])
    return max(",", ";", "\t", key=bare.count)  # the first of equals


def undo_defusing(text: str) -> str:
    """Take off the quote that a careful writer puts before a leading = + - @.

    Examples
    --------
    >>> undo_defusing("'-5")
    '-5'
    """
    return text[1:] if text[:1] == "'" and text[1:2] in ("=", "+", "-", "@", "\t", "\r") else text


def parse_csv(data: bytes, file: str, findings: Findings) -> RawTable | None:
    """A CSV table as it stands, or None after saying what is wrong."""
    text = decode(data, file, findings)
    if text is None:
        return None
    if not text.strip():
        findings.error(file, None, None, None, "The file is empty.", EMPTY_REMEDY)
        return None
    first = text.lstrip("\r\n").split("\n", 1)[0].strip()
    if SEPARATOR_LINE.fullmatch(first):
        what = f"Row 1 is not the header: {first} is a note of a spreadsheet program."
        findings.error(file, 1, None, None, what, HEADER_REMEDY)
        return None
    # A title above the header has no cells to take apart; what follows it has.
    heads = text.lstrip("\r\n").split("\n", FEW_LINES)[:FEW_LINES]
    separator = separator_of(next((line for line in heads if SEPARATORS.search(line)), first))
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=True)
    lines: list[tuple[str, ...]] = []
    cells_left = MOST_CELLS
    try:
        for cells in reader:
            lines.append(tuple(undo_defusing(cell.strip()) for cell in cells))
            cells_left -= len(cells)
            if len(lines) > MOST_ROWS + 1 or cells_left < 0:
                too_many_rows(file, findings)
                return None
    except csv.Error as error:
        findings.error(
            file,
            len(lines) + 1,
            None,
            None,
            f"The row cannot be taken apart ({error}).",
            'Check its quotes: a quote inside a cell is written twice, "".',
        )
        return None
    table = shape(file, lines, findings)
    return None if table is None else replace(table, separator=separator)


def too_many_rows(file: str, findings: Findings) -> None:
    """Say that a table is longer than the limit."""
    findings.error(
        file,
        None,
        None,
        None,
        f"The table has more than the limit of {MOST_ROWS} rows or {MOST_CELLS} cells.",
        "Keep only this season's rows.",
    )


def shape(file: str, lines: Sequence[tuple[Cell, ...]], findings: Findings) -> RawTable | None:
    """Header and rows from lines of cells; blank rows are skipped, ragged ones refused."""
    header = [str(cell).strip().casefold() for cell in lines[0]] if lines else []
    while header and header[-1] == "":
        header.pop()
    if not header:
        findings.error(file, 1, None, None, "The first row holds no header.", EMPTY_REMEDY)
        return None
    if _is_title(header, lines):
        what = "Row 1 is not the header: it holds one title."
        findings.error(file, 1, None, header[-1], what, HEADER_REMEDY)
        return None
    if len(header) > MOST_COLUMNS:
        findings.error(
            file,
            1,
            None,
            str(len(header)),
            f"The table has more than the limit of {MOST_COLUMNS} columns.",
            "Take the others away.",
        )
        return None
    sound = True
    for position, name in enumerate(header):
        if name and name in header[:position]:
            findings.error(
                file,
                1,
                name if name.isprintable() else None,
                name,
                "Two columns have this header.",
                "Rename or remove one.",
            )
            sound = False
    rows: list[tuple[int, tuple[Cell, ...]]] = []
    for number, cells in enumerate(lines[1:], start=2):
        if all(cell == "" for cell in cells):
            continue
        beyond = [cell for cell in cells[len(header) :] if cell != ""]
        if beyond or len(cells) < len(header):
            findings.error(
                file,
                number,
                None,
                str(beyond[0]) if beyond else None,
                f"The row has {len(cells)} cells, the header {len(header)}.",
                "Give every row one cell per column; a cell that holds the separator, or a "
                "decimal comma in a file with commas, goes between quotes.",
            )
            continue
        rows.append((number, cells[: len(header)]))
    return RawTable(file, tuple(header), tuple(rows)) if sound else None


def _is_title(header: Sequence[str], lines: Sequence[tuple[Cell, ...]]) -> bool:
    """Whether row 1 is one cell and the next row several words without a digit: a header."""
    if sum(map(bool, header)) > 1:
        return False
    rows = ([str(cell) for cell in cells if cell != ""] for cells in lines[1:])
    below = next((row for row in rows if row), [])
    return len(below) > 1 and all(text[:1].isalpha() for text in below)
