"""What reaches the screen: sentences, one JSON object, or a complaint.

A console that cannot print a sign gets the nearest ASCII spelling of it, never a crash and never
a question mark where a comparison stood. No colours are used, so NO_COLOR holds by itself.
"""

from __future__ import annotations

import json
import sys
import textwrap
import unicodedata
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, TextIO

if TYPE_CHECKING:
    from rich.progress import TaskID

COLUMNS = 80

ASCII_SPELLINGS = {
    "≥": ">=",
    "≤": "<=",
    "≠": "!=",
    "≈": "~",
    "±": "+/-",
    "∓": "-/+",
    "×": "x",
    "·": "*",
    "−": "-",  # minus sign
    "‑": "-",  # hyphen that does not break
    "–": "-",
    "—": "-",
    "…": "...",
    "“": '"',
    "”": '"',
    "„": '"',
    "‘": "'",
    "’": "'",
    "°": " deg ",
    "µ": "u",
    "μ": "u",
    "σ": "sigma",
    "λ": "lambda",
    "τ": "tau",
    "Σ": "sum",
    "→": "->",
    "§": "section ",
    "●": "o",
    "○": ".",
    "✕": "x",
    "✗": "x",
    "\u00a0": " ",
    "\u2009": " ",
    "\u202f": " ",
}
"""Longer or plainer spellings of the signs this program prints."""


@contextmanager
def progress() -> Iterator[Callable[[str, int, int], None] | None]:
    """A bar on a terminal's error stream for each kind of long work; nothing elsewhere."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    console = Console(stderr=True, no_color=True, highlight=False)
    columns = TextColumn("{task.description:<8}"), BarColumn(), MofNCompleteColumn()
    with Progress(*columns, console=console, transient=True) as bars:
        tasks: dict[str, TaskID] = {}

        def told(what: str, done: int, of: int) -> None:
            if what not in tasks:
                tasks[what] = bars.add_task(what, total=of)
            bars.update(tasks[what], completed=done, total=of)

        yield told


def spelled(text: str, encoding: str | None) -> str:
    """The text with every sign that ``encoding`` lacks spelled in ASCII.

    Parameters
    ----------
    text : str
        What is to be printed.
    encoding : str or None
        The stream's encoding; None is taken as ASCII.

    Returns
    -------
    str
        Text that the encoding can carry; signs it does carry are left alone.

    Examples
    --------
    >>> spelled("P ≥ 0.9 at 20 °C", "ascii")
    'P >= 0.9 at 20 deg C'
    >>> spelled("P ≥ 0.9 at 20 °C", "cp1252")
    'P >= 0.9 at 20 °C'
    """
    encoding = encoding or "ascii"
    if _carries(text, encoding):
        return text
    return "\n".join(_line(line, encoding) for line in text.split("\n"))


def _line(line: str, encoding: str) -> str:
    if _carries(line, encoding):
        return line
    if not _carries("°", encoding):
        line = line.replace(" °", "°")
    longer = "".join(c if _carries(c, encoding) else _ascii(c) for c in line)
    if len(longer) <= COLUMNS:
        return longer
    # The spellings made the line too long: fold it again, at its own indent.
    indent = longer[: len(longer) - len(longer.lstrip(" "))]
    return textwrap.fill(
        longer,
        COLUMNS,
        subsequent_indent=indent,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _carries(text: str, encoding: str) -> bool:
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True


def _ascii(character: str) -> str:
    if character in ASCII_SPELLINGS:
        return ASCII_SPELLINGS[character]
    plain = unicodedata.normalize("NFKD", character).encode("ascii", "ignore").decode("ascii")
    return plain or "?"


def say(text: str, stream: TextIO | None = None) -> None:
    """Print sentences to standard output, or to ``stream``."""
    stream = sys.stdout if stream is None else stream
    stream.write(spelled(text, stream.encoding).rstrip("\n") + "\n")


def complain(text: str) -> None:
    """Print sentences to standard error."""
    say(text, sys.stderr)


def say_json(document: Mapping[str, Any]) -> None:
    """Print one JSON object, and nothing else, to standard output.

    Signs outside ASCII are escaped, so the object survives any console and any pipe.

    Raises
    ------
    ValueError
        If the document carries NaN or an infinity, which JSON cannot.
    """
    sys.stdout.write(json.dumps(document, indent=2, allow_nan=False) + "\n")
