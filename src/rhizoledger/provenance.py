"""What a result came from: digests of its inputs, version and seed."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from pathlib import Path
from typing import Any


def digest_bytes(data: bytes) -> str:
    """SHA-256 of bytes, as 64 hexadecimal digits.

    Examples
    --------
    >>> digest_bytes(b"")[:8]
    'e3b0c442'
    """
    return hashlib.sha256(data).hexdigest()


def digest_file(path: Path) -> str:
    """SHA-256 of a file's bytes, read in pieces so that size does not matter."""
    with path.open("rb") as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


def generated(version: str, seed: int, inputs: Mapping[str, str]) -> dict[str, Any]:
    """The ``generated`` block of a result: version, seed, and input digests in name order.

    Parameters
    ----------
    version : str
        Version of this package.
    seed : int
        Seed of the season.
    inputs : mapping of str to str
        SHA-256 by file name.

    Examples
    --------
    >>> generated("0.1.0", 7, {"lots.csv": "ab", "batches.csv": "cd"})["inputs"]
    {'batches.csv': 'cd', 'lots.csv': 'ab'}
    """
    return {"inputs": dict(sorted(inputs.items())), "seed": seed, "version": version}
