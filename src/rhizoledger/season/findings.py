"""One list that every reading step writes its problems to, so that all come out in one run."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any

from rhizoledger.errors import Problem, Severity

MOST_PER_COLUMN = 100
"""A table that is wrong in every row says so this often per column, then gives the count."""

LONGEST_VALUE = 120
"""Offending text is quoted up to this length."""


@dataclass(slots=True)
class Findings:
    """Problems in the order they were found; identical columns are capped and counted."""

    problems: list[Problem] = field(default_factory=list)
    _seen: dict[tuple[str, str | None, Severity], int] = field(default_factory=dict)

    def error(
        self, file: str, row: int | None, column: str | None, value: object, what: str, remedy: str
    ) -> None:
        """Add an error: the season cannot be used until it is put right."""
        self._add(file, row, column, value, what, remedy, "error")

    def warning(
        self, file: str, row: int | None, column: str | None, value: object, what: str, remedy: str
    ) -> None:
        """Add a warning: the season can be used, and the plan prints this."""
        self._add(file, row, column, value, what, remedy, "warning")

    def _add(
        self,
        file: str,
        row: int | None,
        column: str | None,
        value: object,
        what: str,
        remedy: str,
        severity: Severity,
    ) -> None:
        key = (file, column, severity)
        self._seen[key] = self._seen.get(key, 0) + 1
        if self._seen[key] <= MOST_PER_COLUMN:
            self.problems.append(Problem(file, row, column, shown(value), what, remedy, severity))

    def has_errors(self) -> bool:
        """True once anything was found that stops the season."""
        return any(p.severity == "error" for p in self.problems)

    def in_order(self) -> tuple[Problem, ...]:
        """All problems, each table's by row, with a last line where a column was capped."""
        rest = [
            Problem(
                file,
                None,
                column,
                None,
                f"There are {count - MOST_PER_COLUMN} more problems like these.",
                "Put the first ones right and check again.",
                severity,
            )
            for (file, column, severity), count in self._seen.items()
            if count > MOST_PER_COLUMN
        ]
        files = list(dict.fromkeys(p.file for p in self.problems))
        return tuple(
            sorted(
                [*self.problems, *rest],
                key=lambda p: (files.index(p.file), p.row if p.row is not None else -1),
            )
        )


def shown(value: object) -> str | None:
    """The offending value as text, cut to a readable length; None stays None."""
    if value is None:
        return None
    text = f"{value:g}" if isinstance(value, float) else str(value)
    return text if len(text) <= LONGEST_VALUE else text[:LONGEST_VALUE] + "…"


def nearest(name: str, known: Iterable[Any], most: int = 3) -> str:
    """Known names that look like ``name``, else the first few, as the end of a sentence.

    Examples
    --------
    >>> nearest("A1", ["A-1", "B-7"])
    "Near names: 'A-1'."
    >>> nearest("x", [])
    'There are none.'
    """
    names = sorted({str(k) for k in known})
    if not names:
        return "There are none."
    folded = {n.casefold(): n for n in names}
    close = [folded[n] for n in get_close_matches(name.casefold(), folded, most, 0.5)]
    if close:
        return "Near names: " + ", ".join(repr(n) for n in close) + "."
    listed = ", ".join(repr(n) for n in names[:8])
    return f"There {'is' if len(names) == 1 else 'are'}: {listed}{', …' if len(names) > 8 else ''}."
