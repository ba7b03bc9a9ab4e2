"""Own die-off curves: several fitted numbers that belong together, and how their errors do.

A curve names the ``[[parameter]]`` rows of its numbers, so that each keeps its passport; what it
adds is their correlation, how long and how warm the counts were, and which stages it speaks for.
Only a season's own file may hold one: no published curve came with its correlation.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Literal, Protocol, cast, get_args

import numpy as np

from rhizoledger.evidence.read import Row

Curved = Literal["loglinear", "weibull", "biphasic", "shoulder"]
Stage = Literal["package", "drying", "on_seed", "planter"]

NUMBERS: Mapping[Curved, tuple[str, ...]] = {
    "loglinear": ("d_d",),
    "weibull": ("delta_d", "p"),
    "biphasic": ("fraction_fragile", "k1_per_d", "k2_per_d"),
    "shoulder": ("k_max_per_d", "shoulder_d"),
}
"""What each curve needs, by the last word of the rows' ids."""
BESIDE = ("z_c", "log10_recovered")
"""What a curve may have beside: the rise for ten times faster, the share that a wash recovers."""
UNITS = {
    "d_d": "d",
    "delta_d": "d",
    "p": "1",
    "fraction_fragile": "share",
    "k1_per_d": "1/d",
    "k2_per_d": "1/d",
    "k_max_per_d": "1/d",
    "shoulder_d": "d",
    "z_c": "°C",
    "log10_recovered": "log10",
}
ABOVE_ZERO = ("d_d", "delta_d", "p", "k1_per_d", "k2_per_d", "k_max_per_d", "z_c")
COLDEST_C, HOTTEST_C = -20.0, 60.0  # numeric: beyond them no seed or jug was counted; 68 is °F
LONGEST_D = 3650.0  # numeric: ten years
ROUNDING = 1e-6  # numeric: how far a matrix as written may miss being a correlation


class Numbers(Protocol):
    """A row of a number, as far as a curve looks at it."""

    @property
    def unit(self) -> str:
        """Unit text."""

    @property
    def value(self) -> float | None:
        """The number."""

    @property
    def low(self) -> float | None:
        """Lower end."""


@dataclass(frozen=True, slots=True)
class Curve:
    """A die-off curve of a season's own.

    Parameters
    ----------
    id : str
        ``survival.on_seed.CROP`` or ``survival.package.INOCULANT``.
    model : {"loglinear", "weibull", "biphasic", "shoulder"}
        Which curve.
    parameters : tuple of str
        Ids of its rows; the last word says what each is.
    correlation : tuple of tuple of float
        Between the errors of ``parameters``, in their order.
    t_ref_c : float
        Temperature that its rates belong to [°C].
    temp_c : tuple of (float, float)
        Coldest and warmest temperature counted at [°C].
    last_d : float
        Longest time counted, in equivalent days at ``t_ref_c`` [d]; past it nothing is known.
    stages, moisture : tuple of str
        What it speaks for, as one series with one clock.
    sources : tuple of str
        Keys into the source tables.
    """

    id: str
    model: Curved
    parameters: tuple[str, ...]
    correlation: tuple[tuple[float, ...], ...]
    t_ref_c: float
    temp_c: tuple[float, float]
    last_d: float
    stages: tuple[Stage, ...]
    moisture: tuple[str, ...]
    sources: tuple[str, ...]

    def row(self, name: str) -> str | None:
        """The id of the row whose last word is ``name``, or None."""
        return next((p for p in self.parameters if p.rpartition(".")[2] == name), None)


FIELDS = tuple(Curve.__dataclass_fields__)


def curve_of(row: Row, parameters: Mapping[str, Numbers], sources: Collection[str]) -> Curve:
    """One checked curve.

    Raises
    ------
    EvidenceError
        If a row it names is not there, a number it needs is missing, or its matrix is none.
    """
    row.only(FIELDS)
    curve = Curve(
        row.identifier(),
        cast(Curved, row.choice("model", get_args(Curved))),
        row.texts("parameters", needed=True),
        _matrix(row),
        _number(row, "t_ref_c"),
        _span(row),
        _number(row, "last_d"),
        cast(tuple[Stage, ...], _words(row, "stages", get_args(Stage))),
        _words(row, "moisture", ("wet", "drying", "dry")),
        row.sources(sources),
    )
    for name in curve.parameters:
        if name not in parameters:
            raise row.fault(f"parameters names {name!r}, which is no row. Add it, or adopt again.")
    needed = NUMBERS[curve.model]
    last = [name.rpartition(".")[2] for name in curve.parameters]
    lacking = [name for name in needed if name not in last]
    strange = [name for name in last if name not in (*needed, *BESIDE)]
    if lacking or strange or len(set(last)) < len(last):
        raise row.fault(
            f"a {curve.model} curve has {', '.join(needed)}, and perhaps {', '.join(BESIDE)}; "
            f"this one names {', '.join(last)}."
        )
    if len(curve.correlation) != len(curve.parameters):
        raise row.fault("correlation needs one row and one column for each parameter.")
    if not 0 < curve.last_d <= LONGEST_D:
        raise row.fault(f"last_d must be above zero and at most {LONGEST_D:g}.")
    for temp in (curve.t_ref_c, *curve.temp_c):
        if not COLDEST_C <= temp <= HOTTEST_C:
            raise row.fault(f"{temp:g} °C: no seed is counted there. Is this °F? Give it in °C.")
    for id, name in zip(curve.parameters, last, strict=True):
        p = parameters[id]
        if p.unit != UNITS[name]:
            raise row.fault(f"{id} is in {p.unit!r}; the curve reads it in {UNITS[name]!r}.")
        least = p.value if p.low is None else p.low
        if name in ABOVE_ZERO and (least is None or least <= 0):
            raise row.fault(f"{id} reaches down to zero or below, which it cannot. Fit again.")
    return curve


def _number(row: Row, key: str) -> float:
    value = row.optional_number(key)
    if value is None:
        raise row.fault(f"{key} is missing. Write it.")
    return value


def _span(row: Row) -> tuple[float, float]:
    ends = row.items("temp_c")
    if len(ends) != 2 or not all(type(e) in (int, float) for e in ends) or not ends[0] <= ends[1]:
        raise row.fault("temp_c must be two temperatures in °C, lower first.")
    return float(ends[0]), float(ends[1])


def _words(row: Row, key: str, known: Collection[str]) -> tuple[str, ...]:
    words = row.texts(key, needed=True)
    for word in words:
        if word not in known:
            raise row.fault(f"{key} holds {word!r}, which is not one of {', '.join(known)}.")
    return words


def _matrix(row: Row) -> tuple[tuple[float, ...], ...]:
    rows = row.items("correlation")
    square = all(isinstance(r, list) and len(r) == len(rows) for r in rows)
    if not rows or not square or not all(type(x) in (int, float) for r in rows for x in r):
        raise row.fault("correlation must be a square of numbers.")
    matrix = np.array(rows, dtype=np.float64)
    sound = (
        np.isfinite(matrix).all()
        and np.allclose(matrix, matrix.T, atol=ROUNDING)
        and np.allclose(np.diag(matrix), 1.0, atol=ROUNDING)
        and float(np.linalg.eigvalsh(matrix)[0]) >= -ROUNDING
    )
    if not sound:
        raise row.fault("correlation is no correlation: 1 on the diagonal, even on both sides.")
    return tuple(tuple(float(x) for x in r) for r in rows)
