"""What a wash left on the seed: recovery, and counts corrected for it (§1.5)."""

from __future__ import annotations

import math
from dataclasses import dataclass

from rhizoledger.errors import InputError
from rhizoledger.estimate import Estimate


@dataclass(frozen=True, slots=True)
class Recovery:
    """The share of live cells on seed that a wash brings into the liquid.

    Parameters
    ----------
    share : float
        Above 0, up to 1.
    low, high : float
        Its limits; both the share itself where it is taken as exact.
    level : float or None
        Of the limits; None where it is taken as exact.
    measured : float
        The share before it was held at 1.
    """

    share: float
    low: float
    high: float
    level: float | None
    measured: float

    @property
    def held(self) -> bool:
        """Whether more was recovered than applied, and 1 is used."""
        return self.measured > 1


def given_recovery(share: float) -> Recovery:
    """A recovery known from elsewhere, taken as exact.

    Examples
    --------
    >>> given_recovery(0.4).share
    0.4
    """
    if not 0 < share <= 1:
        raise InputError(
            f"The recovery is {share!r}; it is a share above 0 and up to 1. Write 0.4 for 40 %."
        )
    return Recovery(share, share, share, None, share)


def recovery_from_control(recovered: Estimate, applied_per_seed: float) -> Recovery:
    """Recovery of a zero-time control: seed washed at once, with known cells on it.

    Parameters
    ----------
    recovered : Estimate
        Cells per seed in the wash of the control, linear, with limits.
    applied_per_seed : float
        Cells put on each seed, > 0; taken as exact.

    Raises
    ------
    InputError
        If the control gives no number, or its lower limit is above what was applied.

    Examples
    --------
    >>> control = Estimate(4e5, 3e5, 5e5, "CFU/seed", level=0.95)
    >>> share = recovery_from_control(control, 1e6)
    >>> share.share, share.low, share.high
    (0.4, 0.3, 0.5)
    """
    if not (math.isfinite(applied_per_seed) and applied_per_seed > 0):
        raise InputError(
            f"The cells applied per seed are {applied_per_seed!r}; they must be above zero."
        )
    value, low, high = recovered.value, recovered.low, recovered.high
    if not value or not low or high is None:
        raise InputError(
            "The zero-time control has no countable plates, so it shows no recovery. "
            "Plate it again, or give the recovery as a share."
        )
    if low > applied_per_seed:
        raise InputError(
            f"The zero-time control holds more than was applied ({low:.3g} or more against "
            f"{applied_per_seed:.3g} per seed). Check the titre, the rate and the seeds washed."
        )
    part = [x / applied_per_seed for x in (value, low, high)]
    return Recovery(
        min(part[0], 1.0), part[1], min(part[2], 1.0), recovered.level, measured=part[0]
    )


def corrected(recovered: Estimate, recovery: Recovery) -> Estimate:
    """Cells per seed corrected for recovery, the recovery's own error in the limits.

    Parameters
    ----------
    recovered : Estimate
        Cells per seed in the wash, linear.
    recovery : Recovery

    Notes
    -----
    §1.5. Recovered over share. Recovery is a nuisance parameter: on the log scale the distances of
    both to their limits are squared and added, the lower limit of the one with the upper of the
    other. Of a bound only the end is known, and that is divided by the recovery's far limit.

    References
    ----------
    Zou & Donner, Statistics in Medicine 27 (2008) 1693-1702, for squaring and adding distances.

    Examples
    --------
    >>> wash = Estimate(2e4, 1.6e4, 2.5e4, "CFU/seed", level=0.95)
    >>> whole = corrected(wash, given_recovery(0.4))
    >>> round(whole.value), round(whole.low), round(whole.high)
    (50000, 40000, 62500)
    """
    value, low, high = recovered.value, recovered.low, recovered.high
    if value is not None and value > 0 and low is not None:
        down = _distance(value, low, recovery.high, recovery.share)
        up = None if high is None else _distance(high, value, recovery.share, recovery.low)
        middle = value / recovery.share
        low, high = middle * math.exp(-down), None if up is None else middle * math.exp(up)
        value = middle
    else:
        low = None if low is None else low / recovery.high
        high = None if high is None else high / recovery.low
    exact = ", recovery taken as exact" if recovery.level is None else ", recovery's error in it"
    return Estimate(
        value, low, high, recovered.unit, recovered.scale, recovered.level, recovered.kind,
        n=recovered.n, method=f"{recovered.method}; over recovery{exact}", status=recovered.status,
    )  # fmt: skip


def _distance(above: float, below: float, share_above: float, share_below: float) -> float:
    """Two distances on the log scale, squared and added."""
    if below <= 0 or math.isinf(above):
        return math.inf
    return math.hypot(math.log(above / below), math.log(share_above / share_below))
