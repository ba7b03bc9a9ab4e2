"""The season folder as hostile ground: names checked, links refused, sizes bounded.

Everything is read through an open handle of a regular file inside the folder; no cell text ever
reaches a reader as a path.
"""

from __future__ import annotations

import codecs
import csv
import io
import os
import stat
from collections.abc import Sequence
from dataclasses import dataclass, field
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


@dataclass(frozen=True, slots=True)
class RawTable:
    """A table as it stands: header texts, and rows with the number a spreadsheet shows."""

    file: str
    header: tuple[str, ...]
    rows: tuple[tuple[int, tuple[Cell, ...]], ...]


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
        flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
        flags |= getattr(os, "O_BINARY", 0)
        try:
            if path.is_symlink():
                self._refuse_link(name)
                return None
            with os.fdopen(os.open(path, flags), "rb") as handle:
                status = os.fstat(handle.fileno())
                if not stat.S_ISREG(status.st_mode):
                    self.findings.error(
                        name, None, None, None, "This is not a regular file.", "Take it away."
                    )
                    return None
                data = b"" if status.st_size > limit else handle.read(limit + 1)
                size = max(status.st_size, len(data))
        except OSError as error:
            self._unreadable(name, error)
            return None
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
    """Comma or semicolon, whichever the header uses outside quotes.

    Examples
    --------
    >>> separator_of('lot;inoculant;expires_on')
    ';'
    """
    bare = "".join(first_line.split('"')[::2])
    return ";" if bare.count(";") > bare.count(",") else ","


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
    reader = csv.reader(
        io.StringIO(text, newline=""),
        delimiter=separator_of(text.lstrip("\r\n").split("\n", 1)[0]),
        strict=True,
    )
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
    return shape(file, lines, findings)


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
                file, 1, name, name, "Two columns have this header.", "Rename or remove one."
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
