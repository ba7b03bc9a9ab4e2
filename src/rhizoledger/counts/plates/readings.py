"""Plates as they were read, checked."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeVar

from rhizoledger.errors import InputError

Word = Literal["TNTC", "SPR", "LA"]
Colonies = int | Word
T = TypeVar("T")

LEAST_ML = 1e-30  # numeric: less sample than this is a slip in the dilution
MOST_COLONIES = 1_000_000  # numeric: more than a plate can hold
MOST_DROPS = 1000  # numeric: more than a plate has room for
SPREADER_SHARE = 0.25  # exact: both rules leave a plate out where spreaders cover more of it
_WORDS: tuple[Word, ...] = ("TNTC", "SPR", "LA")


@dataclass(frozen=True, slots=True)
class PlateReading:
    """One plate, or one drop of a plate.

    Parameters
    ----------
    colonies : int, "TNTC", "SPR" or "LA"
        Whole number, on the part free of spreaders; too numerous to count; spreader; laboratory
        accident.
    whole_ml : float
        Volume of *undiluted* sample on the plate, volume × dilution × drops [mL].
    tntc_limit : float
        The count above which this plate would be called TNTC.
    spreader_share : float
        Share of the plate under spreaders and the growth they repress, 0 to 0.25.
    plate_cm2 : float or None
        Area of the plate, where known [cm²].
    plate : str or None
        Name of the plate that this reading is a part of; None where it is a plate of its own.
    overgrown : bool
        Whether it is called SPR because its spreaders cover more than a quarter.
    """

    colonies: Colonies
    whole_ml: float
    tntc_limit: float
    spreader_share: float = 0.0
    plate_cm2: float | None = None
    plate: str | None = None
    overgrown: bool = False

    @property
    def portion_ml(self) -> float:
        """Undiluted sample on the part that was counted [mL]."""
        return self.whole_ml * (1 - self.spreader_share)


def read_plates(
    colonies: Sequence[int | str],
    volume_ml: float | Sequence[float],
    dilution: float | Sequence[float],
    tntc_limit: float | Sequence[float],
    *,
    drops: float | Sequence[float] = 1,
    spreader_share: float | Sequence[float] = 0.0,
    plate_cm2: float | Sequence[float | None] | None = None,
    plate: Sequence[str | None] | None = None,
) -> tuple[PlateReading, ...]:
    """Plates from columns; single numbers hold for every plate.

    Raises
    ------
    InputError
        On anything that is not a plate; the text names the plate by its place in the list.

    Examples
    --------
    >>> read_plates([90], 0.02, 0.5, 250, drops=6)[0].portion_ml
    0.06
    """
    n = len(colonies)
    if n == 0:
        raise InputError("There are no plates. Give at least one.")
    volumes, dilutions, limits, parts, shares = (
        _column(value, n, name)
        for name, value in (
            ("volume_ml", volume_ml),
            ("dilution", dilution),
            ("tntc_limit", tntc_limit),
            ("drops", drops),
            ("spreader_share", spreader_share),
        )
    )
    areas: Sequence[float | None] = (
        [None] * n if plate_cm2 is None else _column(plate_cm2, n, "plate_cm2")
    )
    names = [None] * n if plate is None else _full(plate, n, "plate")
    return tuple(
        _reading(i + 1, colonies[i], _whole_ml(volumes[i], dilutions[i], parts[i], i + 1),
                 limits[i], shares[i], areas[i], names[i])
        for i in range(n)
    )  # fmt: skip


def _reading(
    i: int,
    colonies: int | str,
    whole_ml: float,
    limit: float,
    share: float,
    area: float | None,
    plate: str | None,
) -> PlateReading:
    read = _colonies(colonies, i)
    limit = _above_zero(limit, i, "the TNTC limit", "Write the count it stands for.")
    if limit > MOST_COLONIES:
        raise InputError(
            f"plate {i}: the TNTC limit is {limit:g}; no plate holds so many. "
            "Write the count it stands for."
        )
    if not 0 <= share <= 1:
        raise InputError(
            f"plate {i}: the share under spreaders is {share!r}; it lies between 0 and 1. "
            "Write 0.1 for a tenth of the plate."
        )
    if area is not None:
        area = _above_zero(area, i, "the plate's area", "Write it in cm².")
    overgrown = share > SPREADER_SHARE and read != "LA"
    return PlateReading(
        "SPR" if overgrown else read,
        whole_ml,
        limit,
        0.0 if share > SPREADER_SHARE else float(share),
        area,
        plate,
        overgrown and read != "SPR",
    )


def _column(value: float | Sequence[T], n: int, name: str) -> Sequence[T | float]:
    return [value] * n if isinstance(value, int | float) else _full(value, n, name)


def _full(value: Sequence[T], n: int, name: str) -> Sequence[T]:
    if len(value) != n:
        raise InputError(f"{name} has {len(value)} values for {n} plates. Give one per plate.")
    return value


def _above_zero(value: float, i: int, what: str, remedy: str) -> float:
    if not (math.isfinite(value) and value > 0):
        raise InputError(f"plate {i}: {what} is {value!r}; it must be above zero. {remedy}")
    return float(value)


def _whole_ml(volume_ml: float, dilution: float, drops: float, i: int) -> float:
    volume = _above_zero(volume_ml, i, "the volume plated", "Write it in mL.")
    if not (math.isfinite(dilution) and 0 < dilution <= 1):
        raise InputError(
            f"plate {i}: the dilution is {dilution!r}; it is a fraction above 0 and up to 1. "
            "Write 1e-6 for one in a million, not 1e6."
        )
    if not (1 <= drops <= MOST_DROPS and drops % 1 == 0):
        raise InputError(
            f"plate {i}: the number of drops is {drops!r}; it is a whole number, one or more. "
            "Write how many drops its colonies were counted on."
        )
    if volume * dilution < LEAST_ML:
        raise InputError(
            f"plate {i}: {volume_ml!r} mL at a dilution of {dilution!r} holds no sample. "
            "Check both numbers."
        )
    return volume * dilution * drops


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
