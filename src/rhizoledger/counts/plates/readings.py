"""Plates as they were read, checked."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from rhizoledger.errors import InputError

Word = Literal["TNTC", "SPR", "LA"]
Colonies = int | Word
LEAST_ML = 1e-30  # numeric: less sample than this is a slip in the dilution
MOST_COLONIES = 1_000_000  # numeric: more than a plate can hold
_WORDS: tuple[Word, ...] = ("TNTC", "SPR", "LA")


@dataclass(frozen=True, slots=True)
class PlateReading:
    """One plate.

    Parameters
    ----------
    colonies : int, "TNTC", "SPR" or "LA"
        Whole number; too numerous to count; spreader; laboratory accident.
    portion_ml : float
        Volume of *undiluted* sample on the plate, volume plated times dilution [mL].
    tntc_limit : float
        The count above which this plate would be called TNTC.
    """

    colonies: Colonies
    portion_ml: float
    tntc_limit: float


def read_plates(
    colonies: Sequence[int | str],
    volume_ml: float | Sequence[float],
    dilution: float | Sequence[float],
    tntc_limit: float | Sequence[float],
) -> tuple[PlateReading, ...]:
    """Plates from columns; single numbers hold for every plate.

    Raises
    ------
    InputError
        On anything that is not a plate; the text names the plate by its place in the list.
    """
    n = len(colonies)
    if n == 0:
        raise InputError("There are no plates. Give at least one.")
    volumes = _column(volume_ml, n, "volume_ml")
    dilutions = _column(dilution, n, "dilution")
    limits = _column(tntc_limit, n, "tntc_limit")
    return tuple(
        PlateReading(
            _colonies(c, i),
            _portion_ml(v, d, i),
            _above_zero(limit, i, "the TNTC limit", "Write the count it stands for."),
        )
        for i, (c, v, d, limit) in enumerate(
            zip(colonies, volumes, dilutions, limits, strict=True), start=1
        )
    )


def _column(value: float | Sequence[float], n: int, name: str) -> Sequence[float]:
    if isinstance(value, int | float):
        return [value] * n
    if len(value) != n:
        raise InputError(f"{name} has {len(value)} values for {n} plates. Give one per plate.")
    return value


def _above_zero(value: float, i: int, what: str, remedy: str) -> float:
    if not (math.isfinite(value) and value > 0):
        raise InputError(f"plate {i}: {what} is {value!r}; it must be above zero. {remedy}")
    return float(value)


def _portion_ml(volume_ml: float, dilution: float, i: int) -> float:
    volume = _above_zero(volume_ml, i, "the volume plated", "Write it in mL.")
    if not (math.isfinite(dilution) and 0 < dilution <= 1):
        raise InputError(
            f"plate {i}: the dilution is {dilution!r}; it is a fraction above 0 and up to 1. "
            "Write 1e-6 for one in a million, not 1e6."
        )
    if volume * dilution < LEAST_ML:
        raise InputError(
            f"plate {i}: {volume_ml!r} mL at a dilution of {dilution!r} holds no sample. "
            "Check both numbers."
        )
    return volume * dilution


def _colonies(value: int | str, i: int) -> Colonies:
    if isinstance(value, str):
        for word in _WORDS:
            if value.strip().upper() == word:
                return word
    elif not isinstance(value, bool) and 0 <= value <= MOST_COLONIES and value % 1 == 0:
        return int(value)
    raise InputError(
        f"plate {i}: {value!r} is not a count. "
        "Write a whole number of colonies, or TNTC, SPR or LA."
    )
