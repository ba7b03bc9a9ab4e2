"""How many pairs, blocks or sites a power needs, the smallest difference found, and curves."""

from __future__ import annotations

import inspect
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from scipy.optimize import brentq

from rhizoledger.errors import InputError
from rhizoledger.stats.power import DESIGNS, Design, DesignName
from rhizoledger.stats.power_arguments import MOST, probability

TARGET = 0.8  # exact: the customary power
_EXAMPLE = "0.9 for 90 %"
_SMALLEST = -40.0  # numeric: ln of a difference, in standard errors, that adds nothing to alpha
_SETTLED = 1e-13  # numeric: relative step at which a root is settled


@dataclass(frozen=True, slots=True)
class Needed:
    """The smallest number that reaches a power.

    Parameters
    ----------
    n : int
        Smallest whole number of whatever ``over`` names.
    power : float
        Power with ``n``, at least ``target``.
    target : float
        Power asked for.
    over : str
        ``n`` (pairs), ``blocks`` or ``sites``.
    exact : float or None
        Real number at which the power is ``target``; None where the least possible ``n`` is enough.
    design : str
        Name of the design.
    """

    n: int
    power: float
    target: float
    over: str
    exact: float | None
    design: DesignName

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready, ``n`` and ``power`` first."""
        return asdict(self)


def n_for(
    design: DesignName,
    target: float = TARGET,
    *,
    over: str | None = None,
    **arguments: Any,
) -> Needed:
    """The smallest number of pairs, blocks or sites that reaches a power.

    Parameters
    ----------
    design : {"paired", "rcbd", "rcbd_contrast", "sites"}
        Which function of :mod:`~rhizoledger.stats.power`; ``sites`` is ``multi_site``.
    target : float
        Power wanted, in (0, 1).
    over : str or None
        What is sought: ``n``, ``blocks``, ``blocks``, and ``sites`` or ``blocks``; the first named
        of each design by default.
    **arguments
        All other arguments of that function.

    Raises
    ------
    InputError
        If no number reaches the power: more blocks never remove the variance between sites.

    Examples
    --------
    >>> n_for("paired", 0.8, delta=1, sd=3).n
    73
    """
    asked = _asked(design, arguments, over=over)
    over = over or next(iter(asked.least))
    least = asked.least[over]
    probability("power", target, _EXAMPLE)

    def reached(x: float) -> float:
        return asked.formula(**arguments, **{over: x}).power

    first = asked.power(**arguments, **{over: least}).power
    if first >= target:
        return Needed(least, first, target, over, None, design)
    high = float(least)
    while reached(high) < target:
        high = max(2 * high, 2.0)
        if high > MOST:
            raise InputError(_never(over, target, reached(float(MOST)), arguments))
    low = max(0.5 * high, float(least))
    exact = float(brentq(lambda x: reached(x) - target, low, high, rtol=_SETTLED))
    n = math.ceil(exact)
    # A root that is whole but for rounding goes to the number that does reach the power.
    while n - 1 >= least and reached(n - 1) >= target:
        n -= 1
    while (power := reached(n)) < target:
        n += 1
    return Needed(n, power, target, over, exact, design)


def delta_for(
    design: DesignName,
    target: float = TARGET,
    **arguments: Any,
) -> float:
    """The smallest difference that a design finds with a wanted power, in its unit.

    Parameters
    ----------
    design : {"paired", "rcbd", "rcbd_contrast", "sites"}
        Which function of :mod:`~rhizoledger.stats.power`; ``sites`` is ``multi_site``.
    target : float
        Power wanted, in (0, 1), above that without any difference.
    **arguments
        All arguments of that function but ``delta``.

    Raises
    ------
    InputError
        If the power wanted is not above what chance alone gives.

    Examples
    --------
    >>> round(delta_for("paired", 0.8, n=73, sd=3), 2)
    1.0
    """
    evaluate = _asked(design, arguments, free="delta").power
    probability("power", target, _EXAMPLE)
    unit = evaluate(**arguments, delta=1.0)
    scale = 1 / math.sqrt(unit.ncp) if unit.df1 is not None else 1 / unit.ncp  # its standard error

    def short(log_delta: float) -> float:
        return evaluate(**arguments, delta=scale * math.exp(log_delta)).power - target

    low, high = _SMALLEST, math.log(10.0)
    if short(low) >= 0:
        raise InputError(
            f"power {target:g}: chance alone rejects that often at alpha {unit.alpha:g}. "
            "Ask for more power or a smaller alpha."
        )
    while short(high) < 0:
        high += 1.0
    return scale * math.exp(float(brentq(short, low, high, xtol=_SETTLED)))


@dataclass(frozen=True, slots=True)
class Curve:
    """Power along one argument.

    Parameters
    ----------
    design, over : str
        Design, and the argument that varies.
    x, power : tuple of float
        Values of the argument and power at each.
    """

    design: DesignName
    over: str
    x: tuple[float, ...]
    power: tuple[float, ...]

    def to_dict(self) -> dict[str, Any]:
        """JSON-ready."""
        return asdict(self)


def curve(design: DesignName, over: str, values: Sequence[float], **arguments: Any) -> Curve:
    """Power along one argument of a design.

    Parameters
    ----------
    design : {"paired", "rcbd", "rcbd_contrast", "sites"}
        Which function of :mod:`~rhizoledger.stats.power`; ``sites`` is ``multi_site``.
    over : str
        Any of its arguments.
    values : sequence of float
        Values that argument takes, one or more.
    **arguments
        All other arguments.

    Examples
    --------
    >>> [round(p, 2) for p in curve("paired", "n", [4, 8, 16], delta=2, sd=2).power]
    [0.29, 0.68, 0.96]
    """
    evaluate = _asked(design, arguments, free=over).power
    points = list(values)
    if not points:
        raise InputError(f"{over}: no value. Give one or more for the curve.")
    power = tuple(evaluate(**arguments, **{over: x}).power for x in points)
    return Curve(design, over, tuple(points), power)


def _asked(
    design: DesignName,
    arguments: Mapping[str, Any],
    *,
    over: str | None = None,
    free: str | None = None,
) -> Design:
    """A design by its name, all names of its arguments known and none but the free one missing."""
    if design not in DESIGNS:
        raise InputError(f"design {design!r}: not known. Take one of {', '.join(DESIGNS)}.")
    found = DESIGNS[design]
    if over and over not in found.least:
        raise InputError(f"over {over!r}: for {design} it can be {' or '.join(found.least)}.")
    free = free or over or next(iter(found.least))
    parameters = inspect.signature(found.power).parameters
    names = parameters.keys()
    if free not in names:
        raise InputError(
            f"{free}: {design} has no such argument. It has {', '.join(sorted(names))}."
        )
    others = names - {free}
    unknown = sorted(arguments.keys() - others)
    if unknown:
        raise InputError(
            f"{', '.join(unknown)}: not an argument here. Besides {free}, {design} takes "
            f"{', '.join(sorted(others))}."
        )
    required = {name for name in others if parameters[name].default is inspect.Parameter.empty}
    missing = sorted(required - arguments.keys())
    if missing:
        raise InputError(f"{', '.join(missing)}: missing. Give it for the design {design}.")
    return found


def _never(over: str, target: float, reached: float, arguments: Mapping[str, Any]) -> str:
    if over == "blocks" and "sites" in arguments:
        return (
            f"No number of blocks gives power {target:g} with {arguments['sites']} sites: the "
            f"variance between sites remains, and the power never passes {reached:.4f}. "
            "Take more sites."
        )
    return (
        f"More than {MOST:g} {over} would be needed for power {target:g}. Check the unit of the "
        "difference, or ask for a larger one."
    )
