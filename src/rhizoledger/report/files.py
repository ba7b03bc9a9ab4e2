"""Writing a file that somebody may have open."""

from __future__ import annotations

from pathlib import Path

from rhizoledger.errors import InputError, Problem


def write_file(path: Path, data: bytes) -> Path:
    """Write bytes, making the folder where it is not there.

    Raises
    ------
    InputError
        If it cannot be written; the error names the file.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    except OSError as error:
        what = f"It cannot be written: {error.strerror}."
        remedy = "Close it, or name another --out."
        raise InputError([Problem(str(path), None, None, None, what, remedy)]) from error
    return path
