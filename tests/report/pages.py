"""What was written, as its readers find it: letters on a sheet, elements, cells of a book."""

from __future__ import annotations

import re
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import lru_cache
from html.parser import HTMLParser
from itertools import combinations
from pathlib import Path

import numpy as np
import pypdfium2 as pdfium
import pypdfium2.raw as raw

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
FILES = (
    "plan.json",
    "predictions.csv",
    "plan.html",
    "plan.pdf",
    "run-sheets.pdf",
    "growers.pdf",
    "plan.xlsx",
)
PDFS = ("plan.pdf", "run-sheets.pdf", "growers.pdf")
PAPERS = {"a4": (595.276, 841.89), "us-letter": (612.0, 792.0)}
"""Width and height [pt]."""
EDGE_PT = 0.5
NEAR_PT = 20
LIGATURE = 3


@dataclass(frozen=True, slots=True)
class Letter:
    """One printed letter: its size as it comes out on the paper, and its box [pt]."""

    text: str
    size: float
    left: float
    bottom: float
    right: float
    top: float

    @property
    def area(self) -> float:
        return max(0.0, self.right - self.left) * max(0.0, self.top - self.bottom)


@dataclass(frozen=True, slots=True)
class Sheet:
    """One page of a PDF."""

    width: float
    height: float
    letters: tuple[Letter, ...]

    @property
    def text(self) -> str:
        """The words in reading order, one blank between them."""
        return " ".join("".join(x.text for x in self.letters).split())

    def outside(self) -> str:
        """What stands beyond the paper's edge."""
        return "".join(
            x.text
            for x in self.letters
            if x.text.strip()
            and (
                x.left < -EDGE_PT
                or x.bottom < -EDGE_PT
                or x.right > self.width + EDGE_PT
                or x.top > self.height + EDGE_PT
            )
        )

    def smallest(self) -> float:
        return min(x.size for x in self.letters if x.text.strip())

    def at_least(self, size: float) -> str:
        """The letters of this size and more, without blanks."""
        return closed("".join(x.text for x in self.letters if x.size >= size - 0.01))

    def printed_over(self) -> str:
        """Letters half of which lie under another one; neighbours may be one ligature."""
        near: dict[tuple[int, int], list[tuple[int, Letter]]] = {}
        for i, x in enumerate(self.letters):
            if x.text.strip() and x.area > 0:
                at = (int((x.left + x.right) / 2 / NEAR_PT), int((x.bottom + x.top) / 2 / NEAR_PT))
                near.setdefault(at, []).append((i, x))
        out = ""
        for some in near.values():
            for (i, a), (j, b) in combinations(some, 2):
                wide = min(a.right, b.right) - max(a.left, b.left)
                high = min(a.top, b.top) - max(a.bottom, b.bottom)
                hidden = wide > 0 and high > 0 and wide * high > 0.5 * min(a.area, b.area)
                if hidden and j - i > LIGATURE:
                    out += a.text
        return out


def closed(text: str) -> str:
    """Text without any blank, seen or not, as lines may break anywhere.

    A hyphen at the end of a line is read out of a PDF as U+0002.
    """
    return "".join(text.replace("\u200b", "").replace("\x02", "-").split())


@lru_cache(maxsize=32)
def sheets(path: Path) -> tuple[Sheet, ...]:
    """Every page of a PDF, letter by letter."""
    with pdfium.PdfDocument(path) as document:
        return tuple(_sheet(page) for page in document)


def _sheet(page: pdfium.PdfPage) -> Sheet:
    text = page.get_textpage()
    whole = text.get_text_range()
    width, height = page.get_size()
    letters = []
    for i in range(text.count_chars()):
        unicode = raw.FPDFText_GetUnicode(text, i)
        matrix = raw.FS_MATRIX()
        scale = 1.0
        if raw.FPDFText_GetMatrix(text, i, matrix):
            scale = float(np.hypot(matrix.c, matrix.d))
        left, bottom, right, top = text.get_charbox(i)
        size = raw.FPDFText_GetFontSize(text, i) * scale
        letters.append(Letter(chr(unicode), size, left, bottom, right, top))
    assert whole.strip(), "a page without a word"
    return Sheet(width, height, tuple(letters))


def pixels(path: Path, index: int, scale: float) -> np.ndarray:
    """A page as it comes out of a printer that has colours: rows, columns, red, green, blue."""
    with pdfium.PdfDocument(path) as document:
        return np.asarray(document[index].render(scale=scale).to_pil().convert("RGB"))


@dataclass(slots=True)
class Element:
    """An element of a page, with everything in it."""

    tag: str
    attributes: dict[str, str]
    parent: Element | None = None
    children: list[Element] = field(default_factory=list)
    pieces: list[str] = field(default_factory=list)

    def every(self, *tags: str) -> Iterator[Element]:
        """The elements of these names in it (all where none is named), in order."""
        for child in self.children:
            if not tags or child.tag in tags:
                yield child
            yield from child.every(*tags)

    @property
    def text(self) -> str:
        return "".join(self.pieces)


VOID = {"meta", "link", "br", "hr", "img", "input"}


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = self.here = Element("", {})
        self.left_open: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names)), f"<{tag}> says an attribute twice"
        made = Element(tag, {name: value or "" for name, value in attrs}, self.here)
        self.here.children.append(made)
        if tag not in VOID:
            self.here = made

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag not in VOID:
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.here.tag == tag, f"</{tag}> closes <{self.here.tag}>"
        assert self.here.parent is not None
        self.here = self.here.parent

    def handle_data(self, data: str) -> None:
        at: Element | None = self.here
        while at is not None:
            at.pieces.append(data)
            at = at.parent


def page(path: Path) -> Element:
    """A page's elements; one that is closed by another's end fails here."""
    reader = _Reader()
    reader.feed(path.read_text(encoding="utf-8"))
    reader.close()
    assert reader.here is reader.root, f"<{reader.here.tag}> is left open"
    return reader.root


def parts_of(book: Path) -> dict[str, str]:
    """The files inside a workbook."""
    with zipfile.ZipFile(book) as archive:
        return {name: archive.read(name).decode() for name in archive.namelist()}


def is_nothing_but_cells(book: Path) -> None:
    """No formula, no link and nothing that is run or fetched stands in a workbook."""
    for name, text in parts_of(book).items():
        assert not re.search(r"<f[\s/>]|<hyperlink|<ddeLink|<oleLink|TargetMode", text), name
        assert "vba" not in name.lower() and "external" not in name.lower(), name
