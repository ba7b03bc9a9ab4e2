"""Takes settings out of a parsed ``season.toml`` one by one and says what is wrong with each."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from datetime import date
from typing import Any

from rhizoledger.errors import UnitError
from rhizoledger.season.findings import Findings
from rhizoledger.season.times import parse_date
from rhizoledger.units import parse_rate

FILE = "season.toml"
LARGEST = 1e300
"""A whole number of TOML may have more digits than any number can."""


@dataclass(slots=True)
class Reader:
    """The parsed file, its lines for row numbers, and where problems go."""

    data: dict[str, Any]
    lines: list[str]
    findings: Findings

    def wrong(self, key: str, value: object, what: str, remedy: str) -> None:
        """Say what is wrong with a key's value."""
        shown = None if value is None else str(value)
        self.findings.error(FILE, self.line(key), key, shown, what, remedy)

    def line(self, key: str) -> int | None:
        """Line of a dotted key, found in the text; None where it is not there."""
        *section, name = key.split(".")
        here: list[str] = []
        for number, line in enumerate(self.lines, start=1):
            header = re.match(r"\s*\[\s*([^\]]+?)\s*\]", line)
            if header:
                here = [p.strip().strip("\"'") for p in header[1].split(".")]
                if ".".join(here) == key:
                    return number
            elif here == section and re.match(rf"\s*[\"']?{re.escape(name)}[\"']?\s*=", line):
                return number
        return None

    def get(self, key: str) -> Any:
        """The value of a dotted key; None where it is not there."""
        here: Any = self.data
        for part in key.split("."):
            if not isinstance(here, dict):
                return None
            here = here.get(part)
        return here

    def text(self, key: str, *, required: bool = False) -> str | None:
        """A text; an empty one is not given."""
        value = self.get(key)
        if value is None or value == "":
            if required:
                self.wrong(key, value, f"The setting {key} is missing.", f'Add {key} = "…".')
            return None
        if not isinstance(value, str):
            self.wrong(key, value, "This must be a text.", "Put it between quotes.")
            return None
        return value

    def number(
        self,
        key: str,
        low: float | None = None,
        high: float | None = None,
        *,
        required: bool = False,
        open_ends: bool = False,
    ) -> float | None:
        """A finite number within bounds."""
        value = self.get(key)
        if value is None:
            if required:
                self.wrong(key, None, f"The setting {key} is missing.", f"Add {key} = a number.")
            return None
        ends = (("at least", low), ("at most", high))
        bounds = " and ".join(f"{word} {end:g}" for word, end in ends if end is not None)
        if open_ends:
            bounds = f"between {low:g} and {high:g}"
        remedy = f"Write a number {bounds}".rstrip() + ", without quotes."
        if isinstance(value, bool) or not isinstance(value, int | float):
            self.wrong(key, value, "This is not a number.", remedy)
            return None
        number = float(value) if abs(value) < LARGEST else math.inf
        outside = (low is not None and number < low) or (high is not None and number > high)
        if outside or number != number or abs(number) == float("inf"):
            self.wrong(key, value, "This number is out of range.", remedy)
            return None
        if open_ends and number in (low, high):
            self.wrong(key, value, "This number is out of range.", remedy)
            return None
        return number

    def day(self, key: str, *, required: bool = False) -> date | None:
        """A date, as TOML or as text."""
        value = self.get(key)
        # A date of TOML is read again from its text, so that the same years are believed.
        day = parse_date(str(value)) if isinstance(value, str | date) else None
        if day is not None:
            return day
        if self.get(key) is not None:
            self.wrong(key, self.get(key), "This is not a date.", "Write it as 2027-05-10.")
        elif required:
            self.wrong(key, None, f"The setting {key} is missing.", f"Add {key} = 2027-05-10.")
        return None

    def table(self, key: str) -> dict[str, Any]:
        """A table; empty where it is not there."""
        value = self.get(key)
        if value is None:
            return {}
        if not isinstance(value, dict):
            self.wrong(key, value, "This must be a table.", f"Write it as [{key}].")
            return {}
        return value

    def rate(self, key: str) -> str | None:
        """A text that holds a number and a rate unit."""
        value = self.text(key)
        if value is not None:
            try:
                parse_rate(value)
            except UnitError as error:
                self.wrong(key, value, error.what, error.remedy)
                return None
        return value
