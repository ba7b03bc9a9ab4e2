"""Text for paper: every sign that the fonts at hand lack is named, and long words may break.

An accessible PDF may not hold a sign that its fonts cannot draw. What is missing (most emoji, some
scripts) is written as its Unicode name or number, so that nothing a user wrote is lost in silence.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

FONTS = ("Libertinus Serif", "New Computer Modern", "DejaVu Sans Mono")
"""The fonts that the compiler brings with it; the templates name the same."""
DRAWINGS = frozenset(("svg", "code"))
"""Keys whose text is a drawing, not words."""
BREAK = "\u200b"
DROPPED = ("Cc", "Cf", "Cs", "Co")
PLAIN = frozenset(
    map(chr, (*range(0x20, 0x7F), *range(0xA0, 0x180)))
) | frozenset("–—‘’“”…×−≥≤°µ±→☐⁰¹²³⁴⁵⁶⁷⁸⁹⁻" + BREAK)  # fmt: skip
_LONG_WORD = re.compile(r"\S{15,}")
_JOINT = re.compile(r"[._/,;:=-](?=\S)|[^\s._/,;:=-]{12}(?=\S)")
_CANNOT = re.compile(r'the text `"(.*)"` could not be displayed', re.DOTALL)


def legible(data: Any) -> Any:
    """The same values with every text made printable and breakable, drawings left alone.

    Examples
    --------
    >>> legible({"a": ["plain", 3], "svg": "<svg/>"})
    {'a': ['plain', 3], 'svg': '<svg/>'}
    """
    if isinstance(data, Mapping):
        return {k: v if k in DRAWINGS else legible(v) for k, v in data.items()}
    if isinstance(data, list | tuple):
        return [legible(x) for x in data]
    return breakable(named(data)) if isinstance(data, str) else data


def breakable(text: str) -> str:
    """Text whose long words may be broken, after a mark that joins or after so many letters.

    Examples
    --------
    >>> breakable("plain words"), breakable("survival.on_seed.z_c").split(BREAK)
    ('plain words', ['survival.', 'on_', 'seed.', 'z_', 'c'])
    """
    return _LONG_WORD.sub(lambda m: _JOINT.sub(lambda j: j.group() + BREAK, m.group()), text)


def named(text: str) -> str:
    """Text with the signs that no font here can draw written as their names.

    Examples
    --------
    >>> named("soy \U0001f331 15 °C")
    'soy (seedling) 15 °C'
    """
    if PLAIN.issuperset(text):
        return text
    return "".join(c if c in PLAIN or drawable(c) else _name(c) for c in text)


def _name(c: str) -> str:
    kind = unicodedata.category(c)
    if kind in DROPPED:
        return ""
    name = unicodedata.name(c, "").lower() if kind.startswith("S") else ""
    return f"({name or f'U+{ord(c):04X}'})"


@lru_cache(maxsize=4096)
def drawable(c: str) -> bool:
    """Whether one of the fonts at hand can draw a sign in an accessible PDF."""
    return not undrawable(c)


def undrawable(text: str) -> str:
    """What an accessible PDF of a text cannot show, or nothing."""
    import typst

    source = (
        '#set document(title: "x")\n#set text(font: json("fonts.json"))\n#read("text.txt")'
    )  # fmt: skip
    with TemporaryDirectory() as folder:
        (Path(folder) / "main.typ").write_text(source, "utf-8")
        (Path(folder) / "text.txt").write_text(text, "utf-8")
        (Path(folder) / "fonts.json").write_text('["' + '", "'.join(FONTS) + '"]', "utf-8")
        try:
            typst.compile(
                str(Path(folder) / "main.typ"), root=folder, font_paths=[],
                ignore_system_fonts=True, package_path=folder, package_cache_path=folder,
                pdf_standards=["ua-1"],
            )  # fmt: skip
        except typst.TypstError as error:
            found = _CANNOT.search(str(error))
            return found.group(1) if found else text
    return ""
