"""``--help`` as plain aligned text: 80 columns, no boxes, no colours."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

from rhizoledger.cli.console import COLUMNS, say

if TYPE_CHECKING:
    from cyclopts.help import HelpEntry, HelpPanel
    from rich.console import Console, ConsoleOptions

WIDEST_LABEL = 24
"""A longer label has its text start on the next line."""


class HelpText:
    """Prints usage, description and each list of commands or options.

    The parameters ``console`` and ``options`` belong to the interface that cyclopts calls; the
    text goes through :func:`~rhizoledger.cli.console.say`, which knows what the console can print.
    """

    def render_usage(self, console: Console, options: ConsoleOptions, usage: Any) -> None:
        """Print the line that shows how the command is written."""
        text = _plain(usage)
        say((text if text.startswith("Usage:") else f"Usage: {text}") + "\n")

    def render_description(
        self, console: Console, options: ConsoleOptions, description: Any
    ) -> None:
        """Print what the command is for."""
        paragraphs = _plain(description).split("\n\n")
        say("\n" + "\n\n".join(_filled(p) for p in paragraphs))

    def __call__(self, console: Console, options: ConsoleOptions, panel: HelpPanel) -> None:
        """Print one list: the labels to the left, what each means to the right."""
        rows = [(_label(entry), _meaning(entry)) for entry in panel.entries]
        if not rows:
            return
        longest = max(len(label) for label, _ in rows)
        width = min(longest, WIDEST_LABEL)
        say(f"\n{_plain(panel.title)}:")
        for label, meaning in rows:
            margin = " " * (width + 4)
            text = _filled(meaning, margin)
            if len(label) <= width:
                say(f"  {label:{width}}  {text[len(margin) :]}")
            else:
                say(f"  {label}\n{text}")


def _label(entry: HelpEntry) -> str:
    names = ", ".join(name for name in entry.display_labels)
    return f"{names} {entry.metavar}" if entry.metavar and not entry.positional_label else names


def _meaning(entry: HelpEntry) -> str:
    meaning = _plain(entry.description)
    return f"{meaning} One of: {', '.join(entry.choices)}." if entry.choices else meaning


def _filled(text: str, margin: str = "") -> str:
    return textwrap.fill(
        " ".join(text.split()),
        COLUMNS,
        initial_indent=margin,
        subsequent_indent=margin,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _plain(renderable: Any) -> str:
    """The characters of whatever cyclopts hands over, without style or line breaks of its own."""
    if renderable is None:
        return ""
    if isinstance(renderable, str):
        return renderable.strip()
    plain = getattr(renderable, "plain", None)
    if isinstance(plain, str):
        return plain.strip()
    from io import StringIO

    from rich.console import Console

    page = StringIO()
    Console(file=page, width=10_000, color_system=None).print(renderable, soft_wrap=True)
    return page.getvalue().strip()
