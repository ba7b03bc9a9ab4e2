"""What can go wrong, each with its facts in attributes.

Every error text says what is wrong with the value and the place, then what to do.
Exit codes and HTTP statuses are translated in one place each (``cli`` and ``web``).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

Severity = Literal["error", "warning"]


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with an input, in the one shape that errors and warnings share.

    Parameters
    ----------
    file : str
        Name of the table or file inside the season folder, as the user knows it.
    row : int or None
        Row number as a spreadsheet shows it (the header is row 1); None for a whole file.
    column : str or None
        Column header; None where no single column is to blame.
    value : str or None
        The offending text as it stands in the cell.
    what : str
        What is wrong, in a sentence.
    remedy : str
        What to do about it, in a sentence.
    severity : {"error", "warning"}
        An error stops the plan; a warning is printed and kept.
    """

    file: str
    row: int | None
    column: str | None
    value: str | None
    what: str
    remedy: str
    severity: Severity = "error"

    def sentence(self) -> str:
        """The problem as one line that can be read out.

        Examples
        --------
        >>> Problem("lots.csv", 3, "lot", "", "A lot needs a name.", "Write one.").sentence()
        "lots.csv, row 3, column lot, value '': A lot needs a name. Write one."
        """
        place = self.file
        if self.row is not None:
            place += f", row {self.row}"
        if self.column is not None:
            place += f", column {self.column}"
        if self.value is not None:
            place += f", value {self.value!r}"
        return f"{place}: {self.what} {self.remedy}".rstrip()

    def to_dict(self) -> dict[str, Any]:
        """The problem as plain JSON-ready values, in the order of SEASON's ``problems``."""
        return asdict(self)


class RhizoledgerError(Exception):
    """Any error this package raises on purpose."""


class InputError(RhizoledgerError):
    """Input that cannot be used; carries *every* problem found, not just the first."""

    def __init__(self, problems: Sequence[Problem] | str) -> None:
        if isinstance(problems, str):
            self.problems: tuple[Problem, ...] = ()
            text = problems
        else:
            self.problems = tuple(problems)
            text = "\n".join(p.sentence() for p in self.problems)
        super().__init__(text)


class UnitError(RhizoledgerError):
    """A unit text that is unknown, ambiguous, or of the wrong kind."""

    def __init__(self, text: str, what: str, remedy: str) -> None:
        self.text, self.what, self.remedy = text, what, remedy
        super().__init__(f"{text!r}: {what} {remedy}")


class FitError(RhizoledgerError):
    """A fit that does not exist; the text gives what to look at first, second, third."""


class EvidenceError(RhizoledgerError):
    """An evidence table that is wrong, or a parameter used where it does not hold."""


class RuleError(RhizoledgerError):
    """A numbered rule of the models that the request would break."""


class NotFoundError(RhizoledgerError):
    """A named thing that is not there; the text lists the names that are."""


class ConflictError(RhizoledgerError):
    """Two facts that cannot both stand."""
