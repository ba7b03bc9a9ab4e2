"""The footer of a Parquet file, read before any reader is let near the rows.

The footer is in the Thrift compact protocol. Only what bounds the work is kept: how many rows and
how many unpacked bytes each row group asks for. What the footer says is checked against the header
of every page, since a footer may lie.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

MAGIC = b"PAR1"
LARGEST_FOOTER = 4 * 1024 * 1024
DEEPEST = 16
MOST_VALUES = 1_000_000

# Field numbers of the published format.
NUM_ROWS, ROW_GROUPS = 3, 4
GROUP_COLUMNS, GROUP_BYTES, GROUP_ROWS = 1, 2, 3
CHUNK_META = 3
META_VALUES, META_UNPACKED, META_PACKED, META_DATA_AT, META_DICTIONARY_AT = 5, 6, 7, 9, 11
PAGE_UNPACKED, PAGE_PACKED, PAGE_DATA, PAGE_DATA_V2 = 2, 3, 5, 8
PAGE_VALUES = 1

# Type codes of the compact protocol.
STOP, TRUE, FALSE, BYTE, I16, I32, I64, DOUBLE, BINARY, LIST, SET, MAP, STRUCT = range(13)


class BrokenFooter(Exception):
    """The file is not Parquet, or its footer cannot be read."""


@dataclass(frozen=True, slots=True)
class RowGroup:
    """What one row group asks for."""

    rows: int
    unpacked_bytes: int


@dataclass(slots=True)
class Compact:
    """A bounded reader of the compact protocol."""

    data: bytes
    at: int = 0
    values_left: int = MOST_VALUES

    def byte(self) -> int:
        """The next byte."""
        if self.at >= len(self.data):
            raise BrokenFooter
        self.at += 1
        return self.data[self.at - 1]

    def varint(self) -> int:
        """An unsigned number of up to ten bytes."""
        value = shift = 0
        while True:
            byte = self.byte()
            value |= (byte & 0x7F) << shift
            if not byte & 0x80:
                return value
            shift += 7
            if shift > 63:
                raise BrokenFooter

    def zigzag(self) -> int:
        """A signed number."""
        value = self.varint()
        return (value >> 1) ^ -(value & 1)

    def skip(self, length: int) -> None:
        """Pass over bytes that are not needed."""
        if length < 0 or self.at + length > len(self.data):
            raise BrokenFooter
        self.at += length

    def value(self, kind: int, depth: int) -> Any:
        """One value; texts are passed over, structures become dicts by field number."""
        self.values_left -= 1
        if self.values_left < 0 or depth > DEEPEST:
            raise BrokenFooter
        if kind in (TRUE, FALSE):
            return kind == TRUE
        if kind == BYTE:
            return self.byte()
        if kind in (I16, I32, I64):
            return self.zigzag()
        if kind == DOUBLE:
            return self.skip(8)
        if kind == BINARY:
            return self.skip(self.varint())
        if kind in (LIST, SET):
            return self.list(depth)
        if kind == STRUCT:
            return self.struct(depth)
        # Maps do not occur in a footer.
        raise BrokenFooter

    def list(self, depth: int) -> list[Any]:
        """A list of values of one kind."""
        head = self.byte()
        size, kind = head >> 4, head & 0x0F
        if size == 15:
            size = self.varint()
        if size > self.values_left:
            raise BrokenFooter
        if kind in (TRUE, FALSE):
            return [self.byte() == TRUE for _ in range(size)]
        return [self.value(kind, depth + 1) for _ in range(size)]

    def struct(self, depth: int = 0) -> dict[int, Any]:
        """A structure as a dict by field number."""
        fields: dict[int, Any] = {}
        number = 0
        while True:
            head = self.byte()
            if head == STOP:
                return fields
            step, kind = head >> 4, head & 0x0F
            number = number + step if step else self.zigzag()
            fields[number] = self.value(kind, depth + 1)


def row_groups(data: bytes) -> tuple[RowGroup, ...]:
    """Rows and unpacked bytes of each row group, as the footer declares them.

    Parameters
    ----------
    data : bytes
        The whole file.

    Raises
    ------
    BrokenFooter
        If it is not Parquet or the footer does not add up.

    References
    ----------
    Apache Parquet format: file layout, FileMetaData, RowGroup, ColumnMetaData.
    """
    if len(data) < 12 or data[:4] != MAGIC or data[-4:] != MAGIC:
        raise BrokenFooter
    length = int.from_bytes(data[-8:-4], "little")
    if length > min(LARGEST_FOOTER, len(data) - 12):
        raise BrokenFooter
    footer = Compact(data[len(data) - 8 - length : len(data) - 8]).struct()
    groups = []
    for group in _structs(footer.get(ROW_GROUPS)):
        rows, unpacked = _count(group.get(GROUP_ROWS)), _count(group.get(GROUP_BYTES))
        for chunk in _structs(group.get(GROUP_COLUMNS)):
            meta = chunk.get(CHUNK_META)
            if not isinstance(meta, dict) or _count(meta.get(META_VALUES)) < rows:
                raise BrokenFooter
            rows = max(rows, _count(meta.get(META_VALUES)))
            unpacked = max(unpacked, _count(meta.get(META_UNPACKED)), _pages_unpacked(data, meta))
        groups.append(RowGroup(rows, unpacked))
    if sum(group.rows for group in groups) < _count(footer.get(NUM_ROWS)):
        raise BrokenFooter
    return tuple(groups)


def _pages_unpacked(data: bytes, meta: dict[int, Any]) -> int:
    """Unpacked bytes of a column chunk by its page headers, whose values must add up."""
    at = _count(meta.get(META_DATA_AT))
    dictionary_at = meta.get(META_DICTIONARY_AT)
    if dictionary_at:
        at = min(at, _count(dictionary_at))
    end = at + _count(meta.get(META_PACKED))
    if end > len(data):
        raise BrokenFooter
    values = unpacked = 0
    while at < end:
        reader = Compact(data, at)
        page = reader.struct()
        unpacked += _count(page.get(PAGE_UNPACKED))
        at = reader.at + _count(page.get(PAGE_PACKED))
        header = page.get(PAGE_DATA) or page.get(PAGE_DATA_V2)
        if isinstance(header, dict):
            values += _count(header.get(PAGE_VALUES))
    if at != end or values != _count(meta.get(META_VALUES)):
        raise BrokenFooter
    return unpacked


def _structs(value: Any) -> list[dict[int, Any]]:
    if not isinstance(value, list) or not all(isinstance(v, dict) for v in value):
        raise BrokenFooter
    return value


def _count(value: Any) -> int:
    if not isinstance(value, int) or isinstance(value, bool) or value < 0:
        raise BrokenFooter
    return value
