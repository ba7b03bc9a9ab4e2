"""Printed numbers: rows of a data file, and how far a printed number may be from a computed one."""

from __future__ import annotations

import csv
from decimal import Decimal
from pathlib import Path

DATA = Path(__file__).parent / "data"


def rows(name: str) -> list[dict[str, str]]:
    """Rows of a data file; each carries its source or how it is known."""
    with (DATA / name).open(encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    assert found, f"{name} is empty"
    return found


def half_last_digit(printed: str) -> float:
    """Half a unit in the last printed digit, counting the zeros that end a whole number."""
    exponent = Decimal(printed.replace(",", "")).as_tuple().exponent
    assert isinstance(exponent, int)
    return 0.5 * 10.0**exponent


def agrees(computed: float, printed: str) -> bool:
    """Whether a computed number rounds to the printed one (the rounding itself may go either way).

    A millionth of the tolerance is added for ties that binary numbers cannot hold.
    """
    number = float(printed.replace(",", ""))
    return abs(computed - number) <= half_last_digit(printed) * (1 + 1e-6)


def two_figures_agree(computed: float, printed: str) -> bool:
    """Whether a number printed with two significant figures is what a computed one rounds to."""
    number = float(printed.replace(",", ""))
    exponent = Decimal(f"{number:.1e}").adjusted() - 1
    return abs(computed - number) <= 0.5 * 10.0**exponent * (1 + 1e-6)
