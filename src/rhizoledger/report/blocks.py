"""What a page is made of: headings, sentences, tables and figures, whatever they are printed on.

The same blocks become HTML, PDF and workbook sheets, so that no two of them can say different
things. Text is plain: each renderer makes it harmless in its own way.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Literal

Cell = str | float | int | date | datetime | None
"""None prints as "not known"; an empty text prints as nothing."""


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading of level 2 or 3; ``anchor`` is unique on its page."""

    text: str
    level: Literal[2, 3]
    anchor: str


@dataclass(frozen=True, slots=True)
class Paragraph:
    """Sentences; ``tone`` sets apart what answers, what warns and what is said in passing."""

    text: str
    tone: Literal["plain", "answer", "stop", "aside"] = "plain"


@dataclass(frozen=True, slots=True)
class Points:
    """Short sentences one under another."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Table:
    """A table with a caption and column names.

    ``name`` is its sheet in the workbook; tables of one name and the same columns stand under one
    another there, each row led by ``about``. ``numbers`` are columns set flush right.
    """

    name: str
    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    numbers: tuple[int, ...] = ()
    about: str = ""
    folded: bool = False
    """Whether a page on screen shows it only when asked (a figure's own numbers)."""


@dataclass(frozen=True, slots=True)
class Figure:
    """A figure as a Vega-Lite specification, what it shows in a sentence, and its table."""

    anchor: str
    spec: Mapping[str, Any]
    says: str
    table: Table


Block = Heading | Paragraph | Points | Table | Figure


@dataclass(frozen=True, slots=True)
class Document:
    """A titled run of blocks, with what its foot says of where it came from."""

    title: str
    subtitle: str
    blocks: tuple[Block, ...]
    foot: str
    made: datetime
