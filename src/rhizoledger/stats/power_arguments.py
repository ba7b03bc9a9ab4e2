"""Arguments of power and its simulations as they come in: what cannot be used is said."""

from __future__ import annotations

import math
from collections.abc import Sequence
from numbers import Real
from typing import TypeVar, get_args

import numpy as np
from numpy.typing import NDArray

from rhizoledger.errors import InputError

T = TypeVar("T")

MOST = 10**9  # numeric: more plots than any trial will have
LAST_SEED = 2**63  # exact: the largest whole number of a file
_EVEN = 1e-9  # numeric: relative; thirds do not add up in binary


def number(name: str, value: object) -> float:
    """A finite number; an :class:`InputError` otherwise, as from all functions here."""
    if isinstance(value, bool) or not isinstance(value, Real):
        raise InputError(f"{name} {value!r}: not a number. Give a number.")
    if not math.isfinite(value):
        raise InputError(f"{name} {value!r}: missing or infinite. Give a finite number.")
    return float(value)


def whole(name: str, value: object, least: int, why: str = "", most: int = MOST) -> int:
    """A whole number from ``least`` to ``most``; ``why`` says what the least is needed for."""
    x = number(name, value)
    if x != math.floor(x):
        raise InputError(f"{name} {x:g}: not a whole number. Give a whole number.")
    if x < least:
        raise InputError(f"{name} {x:g}: it must be {least} or more. {why}".rstrip())
    if x > most:
        raise InputError(f"{name} {x:g}: more than {most:g}. Check the number.")
    return int(x)


def seed_number(seed: object) -> int:
    """A seed: a whole number >= 0."""
    return whole("seed", seed, 0, most=LAST_SEED)


def positive_sd(name: str, value: object, of: str = "plots") -> float:
    """A standard deviation > 0; ``of`` says of what."""
    x = number(name, value)
    if x <= 0:
        raise InputError(
            f"{name} {x:g}: it must be above zero. Give the standard deviation of {of}."
        )
    return x


def sd_or_zero(name: str, value: object, where: str = "all sites respond alike") -> float:
    """A standard deviation >= 0; ``where`` says when it is 0."""
    x = number(name, value)
    if x < 0:
        raise InputError(
            f"{name} {x:g}: it must not be below zero. Give a standard deviation, or 0 where "
            f"{where}."
        )
    return x


def difference(value: object) -> float:
    """A true difference, not 0."""
    x = number("delta", value)
    if x == 0:
        raise InputError(
            "delta 0: there is nothing to be found, and the power is alpha. Give the smallest "
            "difference that is worth money."
        )
    return x


def probability(name: str, value: object, example: str = "0.05 for 5 %") -> float:
    """A probability strictly inside (0, 1)."""
    x = number(name, value)
    if not 0 < x < 1:
        raise InputError(f"{name} {x:g}: it must lie between 0 and 1. Write {example}.")
    return x


def one_of(name: str, value: T, names: object) -> T:
    """One of the words of a ``Literal``."""
    words = get_args(names)
    if value not in words:
        raise InputError(f"{name} {value!r}: not known. Take one of {', '.join(words)}.")
    return value


def contrast_weights(weights: Sequence[float], treatments: int) -> tuple[float, ...]:
    """Weights that sum to 0, not all 0, one a treatment at most."""
    w = tuple(number("weights", x) for x in weights)
    if len(w) > treatments:
        raise InputError(f"weights: {len(w)} for {treatments} treatments. Give one each at most.")
    size = math.hypot(*w)
    if size == 0 or abs(math.fsum(w)) > _EVEN * size:
        raise InputError("weights: a contrast sums to zero, and is not all zeros. Correct them.")
    return w


def blocks_of_sites(blocks: int | Sequence[int], sites: int) -> NDArray[np.intp]:
    """Blocks at every site, from one number or one for each."""
    each = list(blocks) if isinstance(blocks, Sequence) else [blocks] * sites
    if len(each) != sites:
        raise InputError(f"blocks: {len(each)} numbers for {sites} sites. Give one for each site.")
    why = "Each site needs one block or more."
    return np.array([whole("blocks", x, 1, why) for x in each])
