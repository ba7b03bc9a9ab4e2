"""Live cells put in the furrow: per metre of row and per hectare, never added to cells per seed."""

from __future__ import annotations

import math

from rhizoledger.errors import InputError, UnitError
from rhizoledger.units import RateUnit, per_ha, per_row_m

_AMOUNT_OF_TITRE = {"CFU/mL": "volume", "CFU/g": "mass"}


def furrow_cells(
    titre: float,
    rate: float,
    unit: RateUnit,
    row_spacing_m: float | None,
    *,
    titre_unit: str | None = None,
    pack_amount: float | None = None,
) -> tuple[float | None, float | None]:
    """Cells per metre of row and per hectare from a furrow rate.

    Parameters
    ----------
    titre : float
        Live cells per mL or g of inoculant, >= 0.
    rate : float
        Rate, >= 0 [``unit``].
    unit : RateUnit
        Per area or per length of row.
    row_spacing_m : float or None
        Distance between rows, > 0 [m]; without it the other basis is None.
    titre_unit : {"CFU/mL", "CFU/g"}, optional
        Where given, a rate by volume against a titre per gram is refused, and the reverse.
    pack_amount : float, optional
        mL or g in one pack, for a rate in packs.

    Returns
    -------
    cells_per_m_row, cells_per_ha : float or None
        As applied; furrow placement and seed placement are not the same to a root, so this is kept
        beside cells per seed.

    Raises
    ------
    UnitError
        If the rate is on seed, or does not go with the titre.
    InputError
        If a number is negative or not finite.

    Notes
    -----
    Rows of spacing s metres make 10 000/s metres of row per hectare.

    Examples
    --------
    1 L/ha at 1e9 per mL is 1e12 per ha; rows 0.5 m apart are 20 km of row: 5e7 per metre.

    >>> from rhizoledger.units import parse_rate_unit
    >>> furrow_cells(1e9, 1.0, parse_rate_unit("L/ha"), 0.5)
    (50000000.0, 1000000000000.0)
    >>> furrow_cells(1e9, 1.0, parse_rate_unit("L/ha"), None)
    (None, 1000000000000.0)
    """
    for name, value in (("titre", titre), ("rate", rate)):
        if not (math.isfinite(value) and value >= 0):
            raise InputError(f"The {name} is {value}. Give a finite number that is not negative.")
    if unit.per not in ("area", "row"):
        raise UnitError(
            unit.text,
            "This rate is on seed, not in the furrow.",
            "Give a rate per ac, ha, 1000 ft or 100 m of row.",
        )
    wanted = _AMOUNT_OF_TITRE.get(titre_unit or "")
    if titre_unit is not None and wanted is None:
        raise UnitError(titre_unit, "This is not a titre.", "Write CFU/mL or CFU/g.")
    if wanted is not None and unit.amount not in (wanted, "packs"):
        raise UnitError(
            unit.text,
            f"A rate by {unit.amount} does not go with a titre in {titre_unit}.",
            "Give the rate and the titre both by volume or both by mass.",
        )
    row = area = None
    if unit.per == "row" or row_spacing_m is not None:
        spacing = None if unit.per == "row" else row_spacing_m
        row = titre * per_row_m(rate, unit, row_spacing_m=spacing, pack_amount=pack_amount)
    if unit.per == "area" or row_spacing_m is not None:
        area = titre * per_ha(rate, unit, row_spacing_m=row_spacing_m, pack_amount=pack_amount)
    return row, area
