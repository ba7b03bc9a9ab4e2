"""Read the evidence tables strictly: every key known, every text there, every number finite.

A file holds arrays of tables (``[[parameter]]``, ``[[source]]``, …). Any file may hold any kind;
a kind, key or word that is not known is an error that names the file and the row.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Collection, Iterable, Mapping
from dataclasses import dataclass, fields
from importlib.resources import files
from pathlib import Path
from typing import Any, TypeVar, cast

from rhizoledger.errors import EvidenceError

KINDS = (
    "parameter",
    "source",
    "host_group",
    "crop",
    "rule",
    "hazard",
    "caution",
    "gap",
    "use",
    "curve",
)
"""The kinds of row an evidence file may hold."""

MAX_BYTES = 1_000_000  # numeric: a bound on a user's file, so that a huge one is refused at once

LARGEST = 1e300  # numeric: nothing measured comes near it

_T = TypeVar("_T")

_ID = re.compile(r"[a-z0-9_]+(\.[a-z0-9_]+)*")


@dataclass(frozen=True, slots=True)
class Row:
    """One row of an evidence file, with the place to name in errors."""

    file: str
    kind: str
    number: int
    data: Mapping[str, Any]

    @property
    def place(self) -> str:
        """File and row, by id where the row has one."""
        name = self.data.get("id", self.data.get("key"))
        label = repr(name) if isinstance(name, str) else f"number {self.number}"
        return f"{self.file}, {self.kind} {label}"

    def fault(self, what: str) -> EvidenceError:
        """An error about this row."""
        return EvidenceError(f"{self.place}: {what}")

    def only(self, known: Collection[str]) -> None:
        """Refuse any key that is not in ``known``."""
        unknown = sorted(set(self.data) - set(known))
        if unknown:
            raise self.fault(f"unknown key {', '.join(unknown)}. Known: {', '.join(known)}.")

    def text(self, key: str) -> str:
        """A text that must be there and not be empty."""
        value = self.data.get(key)
        if value is None:
            raise self.fault(f"{key} is missing. Write it.")
        if not isinstance(value, str) or not value.strip():
            raise self.fault(f"{key} = {value!r} is not a text. Write at least one word.")
        return value.strip()

    def optional_text(self, key: str) -> str | None:
        """A text, or None where the key is absent."""
        return self.text(key) if key in self.data else None

    def identifier(self, key: str = "id") -> str:
        """A dotted name in lower case."""
        value = self.text(key)
        if not _ID.fullmatch(value):
            raise self.fault(f"{key} = {value!r} must be lower-case words joined by dots.")
        return value

    def choice(self, key: str, options: Collection[str], default: str | None = None) -> str:
        """One of a closed set of words."""
        if key not in self.data and default is not None:
            return default
        value = self.text(key)
        if value not in options:
            raise self.fault(f"{key} = {value!r} is not one of {', '.join(options)}.")
        return value

    def optional_number(self, key: str) -> float | None:
        """A finite number, or None where the key is absent."""
        value = self.data.get(key)
        if value is None:
            return None
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self.fault(f"{key} = {value!r} is not a number.")
        if not abs(value) < LARGEST:  # so it is for what is no number
            said = f"{value}" if isinstance(value, float) else "a whole number of many digits"
            raise self.fault(f"{key} = {said} is not a number. Leave the key out if not known.")
        return float(value)

    def items(self, key: str) -> tuple[Any, ...]:
        """A list, empty where the key is absent."""
        value = self.data.get(key, [])
        if not isinstance(value, list):
            raise self.fault(f"{key} = {value!r} is not a list.")
        return tuple(value)

    def texts(self, key: str, *, needed: bool = False) -> tuple[str, ...]:
        """A list of texts; ``needed`` refuses an empty one."""
        values = self.items(key)
        if needed and not values:
            raise self.fault(f"{key} is missing or empty. Name at least one.")
        for value in values:
            if not isinstance(value, str) or not value.strip():
                raise self.fault(f"{key} holds {value!r}, which is not a text.")
        return tuple(value.strip() for value in values)

    def sources(self, known: Collection[str]) -> tuple[str, ...]:
        """Source references ``"key"`` or ``"key: locator"``, each key in ``known``."""
        references = self.texts("sources", needed=True)
        for reference in references:
            key = source_key(reference)
            if key not in known:
                raise self.fault(f"source {key!r} is not in the source tables. Add it there.")
        return references


def source_key(reference: str) -> str:
    """The key of a source reference.

    Examples
    --------
    >>> source_key("handbook_1994: table 2")
    'handbook_1994'
    """
    return reference.partition(":")[0].strip()


def parse_rows(text: str, file: str) -> list[Row]:
    """Rows of one evidence file given as text.

    Raises
    ------
    EvidenceError
        If the text is not TOML, or holds anything but arrays of known tables.
    """
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise EvidenceError(f"{file}: not valid TOML, {error}. Mend the file.") from None
    except RecursionError:
        raise EvidenceError(f"{file}: lists within lists beyond reason. Mend the file.") from None
    rows: list[Row] = []
    for kind, entries in tables.items():
        if kind not in KINDS:
            raise EvidenceError(f"{file}: unknown table {kind!r}. Known: {', '.join(KINDS)}.")
        if not isinstance(entries, list) or not all(isinstance(e, dict) for e in entries):
            raise EvidenceError(f"{file}: {kind} must be written as [[{kind}]].")
        rows += [Row(file, kind, i, entry) for i, entry in enumerate(entries, start=1)]
    return rows


def packaged_rows() -> list[Row]:
    """All rows that come with the package, files in name order."""
    folder = files(__package__ or "rhizoledger.evidence")
    tables = sorted((f for f in folder.iterdir() if f.name.endswith(".toml")), key=lambda f: f.name)
    return [row for f in tables for row in parse_rows(f.read_text(encoding="utf-8"), f.name)]


def file_rows(path: Path) -> list[Row]:
    """Rows of a user's own evidence file.

    Raises
    ------
    EvidenceError
        If the file cannot be read, is too large, or is not UTF-8.
    """
    try:
        with path.open("rb") as stream:
            raw = stream.read(MAX_BYTES + 1)
    except OSError as error:
        raise EvidenceError(f"{path.name}: cannot be read, {error.strerror}.") from None
    if len(raw) > MAX_BYTES:
        raise EvidenceError(f"{path.name}: larger than {MAX_BYTES} bytes. Keep rows, not data.")
    try:
        text = raw.decode("utf-8-sig")  # a spreadsheet writes its mark before
    except UnicodeDecodeError:
        raise EvidenceError(f"{path.name}: not UTF-8. Save it as UTF-8.") from None
    return parse_rows(text, path.name)


def unique(rows: Iterable[Row], key: str = "id") -> None:
    """Refuse a name that two rows of one kind share."""
    first: dict[str, Row] = {}
    for row in rows:
        name = row.identifier(key)
        if name in first:
            raise row.fault(f"{key} already stands in {first[name].file}. Ids are used once.")
        first[name] = row


_NAMED_BY = {"host_group": "group", "hazard": "kind"}
"""The key that names a row, where it is not ``id``."""


def facts_from_rows(
    rows: Iterable[Row], kind: str, shape: type[_T], build: Callable[[Row], _T]
) -> tuple[_T, ...]:
    """Facts of one kind from rows; unknown keys and shared names are refused."""
    own = [row for row in rows if row.kind == kind]
    unique(own, _NAMED_BY.get(kind, "id"))
    for row in own:
        row.only([f.name for f in fields(cast(Any, shape))])
    return tuple(build(row) for row in own)
