"""Unit names: a closed table of spellings, and errors that say what was probably meant."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches

from rhizoledger.errors import InputError, UnitError

# Upper case that means another unit, or could: guessing would be a factor of a million.
_CASE_TRAPS: Mapping[str, tuple[str, str]] = {
    "ML": ("ML is a million litres.", "Write mL."),
    "Ml": ("Ml is a million litres.", "Write mL."),
    "Mg": ("Mg is a million grams.", "Write mg, or t for 1,000 kg."),
    "MG": ("MG may be mg or a million grams.", "Write mg, or t for 1,000 kg."),
    "T": ("T may be a tonne or another ton.", "Write t, short ton or long ton."),
    "M": ("M is not a unit here.", "Write m for metres."),
}


@dataclass(frozen=True, slots=True)
class UnitKind:
    """One kind of quantity with every spelling that is accepted for it.

    Parameters
    ----------
    what : str
        The kind with its article, for messages ("a mass").
    factors : mapping of str to float
        Canonical unit name to its exact factor to the kind's base unit.
    spellings : mapping of str to str
        Lower-case spelling to canonical name.
    hints : mapping of str to (str, str)
        Lower-case text that is refused, with what is wrong and what to write.
    """

    what: str
    factors: Mapping[str, float]
    spellings: Mapping[str, str]
    hints: Mapping[str, tuple[str, str]]

    def find(self, text: str) -> str | None:
        """The canonical name of a tidied spelling, or None."""
        if text in _CASE_TRAPS:
            return None
        return self.spellings.get(text.lower())

    def name(self, text: str) -> str:
        """The canonical name of a unit text; refuses what it does not know.

        Raises
        ------
        UnitError
            On an unknown or ambiguous unit; the text says what was probably meant.
        """
        tidy = tidied(text)
        found = self.find(tidy)
        if found is None:
            raise unknown_unit(text, tidy, self)
        return found

    def factor(self, text: str) -> float:
        """The exact factor of a unit text to the kind's base unit."""
        return self.factors[self.name(text)]


def tidied(text: str) -> str:
    """One space between words, no dots after letters; the case stays.

    Examples
    --------
    >>> tidied(" fl.  oz. ")
    'fl oz'
    """
    return " ".join(re.sub(r"(?<=[A-Za-z])\.", "", text).split())


def split_ratio(text: str) -> tuple[str, str]:
    """The two sides of a unit written with ``/`` or the word ``per``.

    Raises
    ------
    UnitError
        If there is not exactly one separator with text on both sides.

    Examples
    --------
    >>> split_ratio("fl oz per cwt")
    ('fl oz', 'cwt')
    """
    parts = re.split(r"\s*/\s*|\s+per\s+", tidied(text), flags=re.IGNORECASE)
    if len(parts) != 2 or not all(parts):
        raise UnitError(
            text,
            "A rate has an amount and one thing it is counted per.",
            "Write it like 'fl oz/cwt' or 'kg/ha'.",
        )
    return parts[0], parts[1]


def finite(value: float, unit: str) -> float:
    """The value, if it is a finite number; an :class:`InputError` otherwise."""
    number = float(value)
    if not math.isfinite(number):
        raise InputError(f"{value!r} {unit}: this is not a finite number. Write a number.")
    return number


def unknown_unit(text: str, tidy: str, *kinds: UnitKind) -> UnitError:
    """The error for a unit that none of the kinds knows, with what was probably meant."""
    if tidy in _CASE_TRAPS:
        return UnitError(text, *_CASE_TRAPS[tidy])
    lower = tidy.lower()
    for kind in kinds:
        if lower in kind.hints:
            return UnitError(text, *kind.hints[lower])
    what = " or ".join(kind.what for kind in kinds)
    known = ", ".join(name for kind in kinds for name in kind.factors)
    if not lower:
        return UnitError(text, "The unit is missing.", f"Write one of: {known}.")
    spellings = {s: name for kind in kinds for s, name in kind.spellings.items()}
    # Two letters are near to everything: a suggestion from them would be a guess.
    near = get_close_matches(lower, spellings, n=1) if len(lower) > 2 else []
    meant = f"Did you mean {spellings[near[0]]}? " if near else ""
    return UnitError(text, f"This is not known as {what}.", f"{meant}Write one of: {known}.")
