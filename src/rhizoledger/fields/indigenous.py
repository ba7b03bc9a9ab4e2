"""Rhizobia that are in the soil already: information only, never a gain (§4.3)."""

from __future__ import annotations

import math
from dataclasses import dataclass

from rhizoledger.errors import EvidenceError, InputError
from rhizoledger.evidence import Parameter

FULL_PCT = 100.0


@dataclass(frozen=True, slots=True)
class Occupancy:
    """Share of nodules that an inoculant formed in published trials at such a soil count.

    Parameters
    ----------
    pct : float
        0 to 100 [% of nodules]. It says nothing of yield.
    extrapolated : bool
        True above the highest soil count of those trials.
    says : str
        The number in a sentence, with its limits.
    """

    pct: float
    extrapolated: bool
    says: str


def occupancy_pct(
    mpn_per_g: float,
    intercept: Parameter,
    drop_per_log10: Parameter,
    highest_mpn_per_g: Parameter,
) -> Occupancy:
    """Published regression of nodule occupancy on the count of rhizobia in soil.

    Parameters
    ----------
    mpn_per_g : float
        Rhizobia of the crop's group in the soil, >= 0 [cells per g].
    intercept : Parameter
        Occupancy where none were found [%].
    drop_per_log10 : Parameter
        Fall for each tenfold of (count + 1), written as a positive number [%].
    highest_mpn_per_g : Parameter
        Highest count of the trials behind it [cells per g].

    Returns
    -------
    Occupancy
        Clipped to 0 to 100. Not a gain, and not a reason to treat or to skip.

    Raises
    ------
    InputError
        If the count is negative or not finite.
    EvidenceError
        If the fall is not positive.

    Notes
    -----
    §4.3: y = a − b·log10(x + 1), fitted to several hosts with r² near one half, so it carries no
    interval for one field.

    References
    ----------
    Thies, Bohlool and Singleton 1992, Canadian Journal of Microbiology 38, 493-500.

    Examples
    --------
    >>> from rhizoledger.evidence import Parameter
    >>> def row(name, value):
    ...     return Parameter(name, value, "%", None, None, None, "none", "linear", "fixed", "world",
    ...                      (), None, (), "measured", ("a paper",), "", "read")
    >>> occupancy_pct(9, row("a", 90), row("b", 10), row("top", 1000)).pct
    80.0
    """
    if not (math.isfinite(mpn_per_g) and mpn_per_g >= 0):
        raise InputError(
            f"The soil count is {mpn_per_g}. Give cells per gram of soil, not negative."
        )
    drop = drop_per_log10.number()
    if drop <= 0:
        raise EvidenceError(
            f"{drop_per_log10.id}: the fall per tenfold is {drop:g}. Write it as a positive number."
        )
    raw = intercept.number() - drop * math.log10(mpn_per_g + 1)
    pct = min(max(raw, 0.0), FULL_PCT)
    extrapolated = mpn_per_g > highest_mpn_per_g.number()
    says = (
        f"At {mpn_per_g:g} rhizobia per g of soil, inoculants formed about {pct:.0f} % of nodules "
        "in published trials on several hosts; single fields lay far to either side. It says "
        "nothing of yield."
    )
    if extrapolated:
        says += " This soil count lies above those trials."
    return Occupancy(pct, extrapolated, says)
