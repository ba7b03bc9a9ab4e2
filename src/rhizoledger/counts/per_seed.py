"""From a count to cells per seed, and from a label to what is on seed on paper (§1.5)."""

from __future__ import annotations

import math

from rhizoledger.errors import InputError
from rhizoledger.estimate import Estimate


def per_seed_factor(wash_ml: float, seeds_washed: float) -> float:
    """What turns a count per mL of wash into *recovered* cells per seed [mL/seed].

    Parameters
    ----------
    wash_ml : float
        Liquid that the seeds were washed in, > 0 [mL].
    seeds_washed : float
        Seeds washed, > 0.

    Notes
    -----
    §1.5. Cells that the wash left on the seed are not in it; recovery is its own entry.

    Examples
    --------
    >>> per_seed_factor(100.0, 50)
    2.0
    """
    return _above_zero(wash_ml, "wash_ml") / _above_zero(seeds_washed, "seeds_washed")


def paper_count(titre_per_amount: float, amount_per_kg: float, seeds_per_kg: float) -> float:
    """Cells per seed on paper: titre × rate ÷ seeds.

    Parameters
    ----------
    titre_per_amount : float
        Cells per mL or per g, >= 0.
    amount_per_kg : float
        Product per kg of seed in the same mL or g, >= 0.
    seeds_per_kg : float
        Seed size, > 0.

    Returns
    -------
    float
        Cells *applied* per seed, if all of it reached the seed; not cells alive later.

    Notes
    -----
    §1.5.

    Examples
    --------
    >>> paper_count(6e9, 1.0, 6000)
    1000000.0
    """
    cells_per_kg = _not_negative(titre_per_amount, "titre") * _not_negative(amount_per_kg, "rate")
    return cells_per_kg / _above_zero(seeds_per_kg, "seeds_per_kg")


def amount_for(cells_per_seed: float, seeds: float, titre_per_amount: float) -> float:
    """Amount of product that puts so many cells on each seed on paper [mL or g, as the titre].

    Notes
    -----
    §1.5. The inverse of :func:`paper_count` for a number of seeds.

    Examples
    --------
    >>> amount_for(1.2e6, 140_000, 5e9)
    33.6
    """
    cells = _not_negative(cells_per_seed, "cells_per_seed") * _above_zero(seeds, "seeds")
    return cells / _above_zero(titre_per_amount, "titre")


def agrees_with_guarantee(estimate: Estimate, guarantee: float) -> str | None:
    """A sentence where a count's interval excludes the guarantee, else None.

    Parameters
    ----------
    estimate : Estimate
        The count, linear or log10, in the guarantee's unit.
    guarantee : float
        Guaranteed titre, > 0, linear.

    Returns
    -------
    str or None
        What disagrees and how far; a count outranks a guarantee. None where they agree, or where
        the count has no interval.

    Examples
    --------
    >>> count = Estimate(1e8, 8e7, 1.2e8, "CFU/mL", level=0.9)
    >>> print(agrees_with_guarantee(count, 5e9))
    The count (90 % interval 8.0e7 to 1.2e8 CFU/mL) is below the guarantee of 5.0e9, about 0.02 \
times it; the count is used.
    """
    target = _above_zero(guarantee, "the guarantee")
    log10 = estimate.scale == "log10"
    if log10:
        target = math.log10(target)
    if estimate.low is not None and estimate.low > target:
        side, end = "above", estimate.low
    elif estimate.high is not None and estimate.high < target:
        side, end = "below", estimate.high
    else:
        return None

    def shown(number: float | None) -> str:
        if number is None or math.isinf(number):
            return "no limit"
        return _power(10**number if log10 else number)

    unit = estimate.unit.removeprefix("log10 ")
    level = f"{100 * estimate.level:.0f} % interval" if estimate.level else "range"
    middle = end if estimate.value is None or estimate.status == "at_limit" else estimate.value
    times = 10 ** (middle - target) if log10 else middle / target
    return (
        f"The count ({level} {shown(estimate.low)} to {shown(estimate.high)} {unit}) is {side} the "
        f"guarantee of {_power(guarantee)}, about {times:.2g} times it; the count is used."
    )


def _power(number: float) -> str:
    """Two figures and a power of ten, without the padding of the machine's own form."""
    figures, exponent = f"{number:.1e}".split("e")
    return f"{figures}e{int(exponent)}"


def _above_zero(value: float, what: str) -> float:
    if not (math.isfinite(value) and value > 0):
        raise InputError(f"{what} is {value!r}; it must be a number above zero.")
    return float(value)


def _not_negative(value: float, what: str) -> float:
    if not (math.isfinite(value) and value >= 0):
        raise InputError(f"{what} is {value!r}; it must be a number, zero or more.")
    return float(value)
