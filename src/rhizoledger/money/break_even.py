"""The gain that just pays, and the checks that every sum of money passes (§4.4)."""

from __future__ import annotations

import math

from rhizoledger.errors import InputError, RuleError


def margin(price: float, cost_per_gain: float = 0.0) -> float:
    """Money left per unit of gain after what each unit costs to bring in.

    Parameters
    ----------
    price : float
        Price, >= 0 [money per unit of gain].
    cost_per_gain : float
        Hauling, drying and the like, >= 0 [money per unit of gain].

    Raises
    ------
    InputError
        If a number is missing, negative or not finite.
    RuleError
        If nothing is left: then no gain can pay and no break-even exists (§4.4).

    Examples
    --------
    >>> margin(9.0, 1.0)
    8.0
    """
    left = amount("price", price) - amount("cost per unit of gain", cost_per_gain)
    if left <= 0:
        raise RuleError(
            f"The price ({price:g}) does not exceed the cost per unit of gain ({cost_per_gain:g}), "
            "so no gain can pay (§4.4). Check the price and its unit."
        )
    return left


def break_even(price: float, cost: float, *, cost_per_gain: float = 0.0) -> float:
    """The gain that just pays the cost, c/m.

    Parameters
    ----------
    price : float
        Price [money per unit of gain].
    cost : float
        Added cost, >= 0 [money per area].
    cost_per_gain : float
        Cost that comes with each unit of gain [money per unit of gain].

    Returns
    -------
    float
        Break-even gain [gain per area].

    Raises
    ------
    InputError, RuleError
        As :func:`margin`.

    Examples
    --------
    >>> break_even(10.0, 5.0)
    0.5
    """
    return checked("break-even gain", amount("cost", cost) / margin(price, cost_per_gain))


def number(name: str, value: float) -> float:
    """``value`` if it is a finite number, else an :class:`InputError` naming it."""
    if not math.isfinite(value):
        raise InputError(f"The {name} is {value}. Give a finite number.")
    return float(value)


def amount(name: str, value: float) -> float:
    """``value`` if it is finite and not negative, else an :class:`InputError` naming it."""
    if number(name, value) < 0:
        raise InputError(f"The {name} is {value:g}. Give a number that is not negative.")
    return float(value)


def checked(name: str, value: float) -> float:
    """A result if it can be held as a number, else an :class:`InputError` saying it overflowed."""
    if not math.isfinite(value):
        raise InputError(f"The {name} is too large to compute. Check the units of the inputs.")
    return value
