"""What inoculation may add to the yield of a *new field*, where there is evidence (§4.2).

First-time ground and ground with history are two populations and are never mixed. A crop without
rows in the evidence has no gain: nothing is lent from one crop to another.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from rhizoledger.draws import Draws
from rhizoledger.errors import EvidenceError
from rhizoledger.estimate import Estimate
from rhizoledger.evidence import Parameter
from rhizoledger.fields.history import History

FloatArray = NDArray[np.float64]

LOW_TAIL, HIGH_TAIL = 0.05, 0.95  # exact: ends of the 90 % intervals of plan.json
INTERVAL_LEVEL = 0.9  # exact: high tail minus low tail
UNIT = "kg/ha"
GENERIC = "generic"
NOT_REGIONS = ("sd_between_fields", "study_spread")
"""Names that stand where a region would, and are none."""


@dataclass(frozen=True, slots=True)
class GainRows:
    """The evidence rows that one field's gain is drawn from.

    Parameters
    ----------
    history : Parameter
        Mean gain of trial programmes on ground with history [kg/ha].
    sd_between_fields : Parameter
        Standard deviation of the true gain between fields [kg/ha].
    first_time : Parameter or None
        First-time ground: value = the *mean* of its population, low and high = its ends [kg/ha].
    study_spread : Parameter or None
        How far programme means lie apart [kg/ha]; lent to a region that has one mean and no
        interval, so that a single published mean is not taken as exact.
    """

    history: Parameter
    sd_between_fields: Parameter
    first_time: Parameter | None = None
    study_spread: Parameter | None = None


@dataclass(frozen=True, slots=True)
class Gain:
    """The gain of a new field: predictive, so it holds the spread between fields.

    Parameters
    ----------
    mean_kg_ha, sd_kg_ha : float
        Mean and standard deviation of the predictive distribution [kg/ha].
    low_kg_ha, high_kg_ha : float
        5 % and 95 % points of the draws [kg/ha].
    draws : array, shape (n,)
        Draws [kg/ha] that share the season's draw index.
    population : {"history", "first_time"}
        Which population it is drawn from.
    parameters : tuple of str
        Ids of the evidence rows used.
    method : str
        How it was reached, in words.
    """

    mean_kg_ha: float
    sd_kg_ha: float
    low_kg_ha: float
    high_kg_ha: float
    draws: FloatArray
    population: Literal["history", "first_time"]
    parameters: tuple[str, ...]
    method: str

    def estimate(self, kg_ha_per_unit: float = 1.0, unit: str = "kg/ha") -> Estimate:
        """The gain in the reader's unit, with its 90 % prediction interval.

        Parameters
        ----------
        kg_ha_per_unit : float
            kg/ha in one reader's unit, > 0.
        unit : str
            Text of that unit.
        """
        return Estimate(
            self.mean_kg_ha / kg_ha_per_unit,
            self.low_kg_ha / kg_ha_per_unit,
            self.high_kg_ha / kg_ha_per_unit,
            unit,
            level=INTERVAL_LEVEL,
            kind="prediction",
            se=self.sd_kg_ha / kg_ha_per_unit,
            method=self.method,
        )


def gain_rows(
    evidence: Mapping[str, Parameter], crop: str, region: str | None = None
) -> GainRows | None:
    """The rows for one crop and region, or None where the crop has no evidence.

    Parameters
    ----------
    evidence : mapping of str to Parameter
        Rows named ``gain.<crop>.history.<region>``, ``….generic``, ``….sd_between_fields``,
        ``….study_spread`` and ``gain.<crop>.first_time``.
    crop : str
        Crop name.
    region : str or None
        ``us_ohio`` falls back to ``us`` and then to the generic row.

    Examples
    --------
    >>> gain_rows({}, "lentil") is None
    True
    """
    stem = f"gain.{_slug(crop)}"
    spread = evidence.get(f"{stem}.history.sd_between_fields")
    if spread is None:
        return None
    for place in (*_places(region), GENERIC):
        row = evidence.get(f"{stem}.history.{place}")
        if row is not None:
            first_time = evidence.get(f"{stem}.first_time")
            return GainRows(row, spread, first_time, evidence.get(f"{stem}.history.study_spread"))
    return None


def gain_prior(
    past: History, rows: GainRows | None, draws: Draws, *, field: str = ""
) -> Gain | None:
    """Predictive gain of one new field, before any trial on it.

    Parameters
    ----------
    past : {"never", "unknown", "history"}
        Answer of :func:`rhizoledger.fields.history.history`. Unknown is treated as first-time
        ground, and says so.
    rows : GainRows or None
        Evidence for the crop; None where there is none.
    draws : Draws
        The season's draws. Programme mean and spread are shared by all fields; the field's own
        departure is seeded by the field's name.
    field : str
        Name of the field.

    Returns
    -------
    Gain or None
        None where nothing is known for this crop on this kind of ground. Never a number lent by
        another crop or population.

    Raises
    ------
    EvidenceError
        If a row lacks the numbers it needs, or they contradict each other.

    Notes
    -----
    §4.2. *History*: gain = M + τ·Z, with M the mean of trial programmes, τ the spread between
    fields and Z standard normal, so its mean is E(M) and its variance Var(M) + E(τ²). A region
    with one mean and no interval gets M ± half the width of ``study_spread``, uniform.

    *First time*: the sources give a typical gain, no response at some sites, and a greatest. The
    typical gain is taken as the mean, and the rest as low + (high − low)·B with B beta(1, b):
    most fields below the mean, few far above, none beyond what was seen. b = (high − mean)/(mean −
    low) is fixed by the mean; the standard deviation is (high − low)·√(b/(b + 2))/(b + 1). A
    triangle with the typical gain as its mode would put the mean at twice the typical gain, which
    no source supports. The ``draw`` of that row is therefore not used.

    With the wider prior the greatest seen is no bound: an exponential of the same mean. The closed
    forms hold for the stated prior; for the wider one mean and sd are those of the draws.
    """
    if rows is None:
        return None
    for row in (rows.history, rows.sd_between_fields, rows.first_time, rows.study_spread):
        if row is not None and row.unit != UNIT:
            raise EvidenceError(f"{row.id}: the unit is {row.unit!r}; gains are kept in {UNIT}.")
    if past == "history":
        return _with_history(rows, draws, field)
    if rows.first_time is None:
        return None
    why = "first-time ground"
    if past == "unknown":
        why = "history not known, treated as first-time ground"
    return _first_time(rows.first_time, draws, field, why)


def _with_history(rows: GainRows, draws: Draws, field: str) -> Gain:
    used = [rows.history, rows.sd_between_fields]
    programme = draws.parameter(rows.history)
    mean, variance = moments(rows.history)
    if rows.history.draw == "fixed" and rows.study_spread is not None:
        low, high = _ends(rows.study_spread)
        programme = programme + (draws.parameter(rows.study_spread) - 0.5 * (low + high))
        variance += _uniform_variance(low, high)
        used.append(rows.study_spread)
    spread_mean, spread_variance = moments(rows.sd_between_fields)
    spread = draws.parameter(rows.sd_between_fields)
    drawn = programme + spread * draws.normal("gain between fields", field)
    sd = math.sqrt(variance + spread_variance + spread_mean * spread_mean)
    method = "mean of trial programmes on ground with history, plus spread between fields"
    return _gain(drawn, mean, sd, draws, "history", used, method)


def _first_time(row: Parameter, draws: Draws, field: str, why: str) -> Gain:
    low, high = _ends(row)
    mean = row.number()
    if not low < mean < high:
        raise EvidenceError(f"{row.id}: the typical gain must lie between low and high.")
    b = (high - mean) / (mean - low)
    upper_tail = 1 - draws.uniform(row.id, field)
    if draws.prior == "stated":
        drawn = low + (high - low) * (1 - upper_tail ** (1 / b))
    else:
        drawn = low - (mean - low) * np.log(upper_tail)
    sd = (high - low) * math.sqrt(b / (b + 2)) / (b + 1)
    method = f"{why}: its own skewed population, mean the typical gain, up to the greatest seen"
    return _gain(drawn, mean, sd, draws, "first_time", [row], method)


def _gain(
    drawn: FloatArray,
    mean: float,
    sd: float,
    draws: Draws,
    population: Literal["history", "first_time"],
    used: list[Parameter],
    method: str,
) -> Gain:
    if draws.prior != "stated":
        mean, sd = float(drawn.mean()), float(drawn.std())
        method += " (wider prior)"
    low, high = (float(q) for q in np.quantile(drawn, (LOW_TAIL, HIGH_TAIL)))
    return Gain(mean, sd, low, high, drawn, population, tuple(p.id for p in used), method)


def moments(parameter: Parameter) -> tuple[float, float]:
    """Mean and variance of the distribution an evidence row is drawn from, as stated.

    Examples
    --------
    A uniform from 0 to 6 has mean 3 and variance 3.

    >>> row = Parameter("x", None, "kg/ha", 0, 6, None, "range", "linear", "uniform", "world",
    ...                 (), None, (), "near", ("a paper",), "", "read")
    >>> moments(row)
    (3.0, 3.0)
    """
    if parameter.scale != "linear":
        raise EvidenceError(f"{parameter.id}: moments are for rows on a linear scale.")
    if parameter.draw == "fixed":
        return parameter.number(), 0.0
    low, high = _ends(parameter)
    if parameter.draw == "uniform":
        return 0.5 * (low + high), _uniform_variance(low, high)
    if parameter.draw == "triangular":
        mode = parameter.number()
        mean = (low + mode + high) / 3  # exact: mean of a triangular distribution
        squares = low * low + mode * mode + high * high
        products = low * mode + low * high + mode * high
        return mean, (squares - products) / 18  # exact: variance of a triangular distribution
    level = parameter.level if parameter.level is not None else INTERVAL_LEVEL
    z = float(ndtri(0.5 + 0.5 * level))
    if parameter.draw == "normal":
        sd = 0.5 * (high - low) / z
        return parameter.number(), sd * sd
    if low <= 0:
        raise EvidenceError(f"{parameter.id}: a lognormal needs both ends above 0.")
    middle, sd = 0.5 * math.log(low * high), 0.5 * math.log(high / low) / z
    mean = math.exp(middle + 0.5 * sd * sd)
    return mean, mean * mean * math.expm1(sd * sd)


def _uniform_variance(low: float, high: float) -> float:
    return (high - low) ** 2 / 12  # exact: variance of a uniform distribution


def _ends(parameter: Parameter) -> tuple[float, float]:
    low, high = parameter.low, parameter.high
    if low is None or high is None:
        raise EvidenceError(f"{parameter.id}: both low and high are needed.")
    if low > high:
        raise EvidenceError(f"{parameter.id}: low ({low:g}) is above high ({high:g}).")
    return float(low), float(high)


def _places(region: str | None) -> tuple[str, ...]:
    """``us_ohio`` first, then ``us``."""
    if not region:
        return ()
    parts = _slug(region).split("_")
    places = ("_".join(parts[:n]) for n in range(len(parts), 0, -1))
    return tuple(place for place in places if place not in NOT_REGIONS)


def _slug(text: str) -> str:
    return "_".join(text.replace("-", " ").replace("_", " ").replace(",", " ").casefold().split())
