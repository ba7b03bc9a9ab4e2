"""The row of a CSV file that cannot be taken apart: looked for only once a reader has given up."""

from __future__ import annotations

import csv

from rhizoledger.errors import InputError, Problem
from rhizoledger.season.logger_headers import Header

REMEDY = (
    "Give every row one cell per column; a decimal comma in a file with commas goes between quotes."
)


def ragged_row(lines: bytes, first_row: int, header: Header, file: str) -> InputError:
    """The error that names the row.

    Parameters
    ----------
    lines : bytes
        Whole lines below the header.
    first_row : int
        Row of the first of them, as a spreadsheet shows it.
    header : Header
        Columns and separator.
    file : str
        Name of the file.
    """
    wide = len(header.names)
    texts = lines.decode("utf-8", "replace").splitlines(keepends=True)
    rows = csv.reader(texts, delimiter=header.separator, strict=True)
    row: int | None = first_row
    what = ""
    try:
        for cells in rows:
            if len(cells) > wide:
                what = f"The row has {len(cells)} cells, the header {wide}."
                break
            row = first_row + rows.line_num
    except csv.Error as error:
        what = f"The row cannot be taken apart ({error})."
    if not what:
        row, what = None, "The rows cannot be taken apart."
    return InputError([Problem(file, row, None, None, what, REMEDY)])
