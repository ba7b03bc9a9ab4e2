"""Load and check the evidence tables."""

from __future__ import annotations

import difflib
import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from pathlib import Path
from typing import Any, Literal, TypeVar, cast, get_args, overload

from rhizoledger.errors import EvidenceError, NotFoundError
from rhizoledger.evidence.curves import Curve, curve_of
from rhizoledger.evidence.read import Row, file_rows, packaged_rows, unique

Grade = Literal["own", "standard", "measured", "near", "practice", "assumption"]
IntervalKind = Literal["ci95", "se", "sd_between_studies", "range", "judgement", "none"]
Draw = Literal["normal", "lognormal", "uniform", "triangular", "fixed"]
Varies = Literal["world", "strain", "batch"]

_T = TypeVar("_T")

GRADES: tuple[str, ...] = get_args(Grade)
"""From best to worst."""


@dataclass(frozen=True, slots=True)
class Source:
    """A reference: what it is and how much of it was read."""

    key: str
    citation: str
    locator: str
    how_known: str


@dataclass(frozen=True, slots=True)
class Parameter:
    """One number about the world, with its passport.

    Parameters
    ----------
    id : str
        Dotted name, topic first.
    value : float or None
        The number; None where only a range is published.
    unit : str
        Unit text.
    low, high : float or None
        Interval ends.
    level : float or None
        Coverage of the interval, where it has one.
    interval_kind : {"ci95", "se", "sd_between_studies", "range", "judgement", "none"}
        What the interval is; for ``se`` the ends are value ∓ one standard error.
    scale : {"linear", "log10", "ln"}
        Scale of the numbers as written.
    draw : {"normal", "lognormal", "uniform", "triangular", "fixed"}
        How it is drawn (§2.9).
    varies : {"world", "strain", "batch"}
        Whether one draw serves the world, each strain (inoculant), or each batch.
    covers : tuple of str
        Which losses the number already contains (§2.7): recovery, drying, on_seed, package, ….
    valid_c : tuple of (float, float) or None
        Temperatures in °C inside which it holds; outside it is not quantified.
    moisture : tuple of str
        Moisture states in which it holds (wet, drying, dry).
    grade : {"own", "standard", "measured", "near", "practice", "assumption"}
        From best to worst.
    sources : tuple of str
        Keys into ``sources.toml`` with locators (``"key: table 2"``); never empty.
    conditions : str
        Organism, matrix, and anything that limits its use.
    how_known : str
        "read", "read in abstract", "derived …", "from memory, to be checked", ….
    replaces : str or None
        The id this row supersedes.
    """

    id: str
    value: float | None
    unit: str
    low: float | None
    high: float | None
    level: float | None
    interval_kind: IntervalKind
    scale: Literal["linear", "log10", "ln"]
    draw: Draw
    varies: Varies
    covers: tuple[str, ...]
    valid_c: tuple[float, float] | None
    moisture: tuple[str, ...]
    grade: Grade
    sources: tuple[str, ...]
    conditions: str
    how_known: str
    replaces: str | None = None

    def number(self) -> float:
        """The value, or the middle of the range where only a range is published.

        Raises
        ------
        EvidenceError
            If neither is there.
        """
        if self.value is not None:
            return self.value
        if self.low is not None and self.high is not None:
            return 0.5 * (self.low + self.high)
        raise EvidenceError(f"{self.id}: the row carries no number.")


class Evidence(Mapping[str, Parameter]):
    """All parameters by id, with their sources.

    A superseded id still answers, with the row that ``replaces`` it; iteration and length count
    the rows that stand. ``superseded`` keeps the rows that no longer do; ``curves`` holds a
    season's own die-off curves.

    Raises
    ------
    NotFoundError
        On an unknown id; the text names the nearest ids.
    EvidenceError
        If a row replaces one that is not there, that another row replaces too, that is given in
        other units, or itself by a detour.
    """

    def __init__(
        self,
        parameters: Iterable[Parameter],
        sources: Mapping[str, Source],
        curves: Iterable[Curve] = (),
    ) -> None:
        rows = {p.id: p for p in parameters}
        heirs: dict[str, str] = {}
        for p in rows.values():
            if p.replaces is None:
                continue
            old = rows.get(p.replaces)
            if old is None:
                raise EvidenceError(f"{p.id}: replaces {p.replaces!r}, which no row has as id.")
            if old.id in heirs:
                raise EvidenceError(f"{p.id}: {old.id} is already replaced by {heirs[old.id]}.")
            if (old.unit, old.scale) != (p.unit, p.scale):
                raise EvidenceError(
                    f"{p.id}: unit {p.unit!r} ({p.scale}) differs from {old.unit!r} ({old.scale}) "
                    f"of {old.id}, which it replaces. Convert it."
                )
            heirs[old.id] = p.id
        self.sources = dict(sources)
        self.curves = {c.id: c for c in curves}
        self.superseded = {old: rows[old] for old in heirs}
        self._rows = {i: p for i, p in rows.items() if i not in heirs}
        self._current = {i: rows[_heir(i, heirs)] for i in rows}

    def __getitem__(self, key: str) -> Parameter:
        try:
            return self._current[key]
        except KeyError:
            raise NotFoundError(_nearest(key, self._current)) from None

    def __contains__(self, key: object) -> bool:
        return key in self._current

    def __iter__(self) -> Iterator[str]:
        return iter(self._rows)

    def __len__(self) -> int:
        return len(self._rows)

    @overload
    def get(self, key: str, /) -> Parameter | None: ...
    @overload
    def get(self, key: str, default: _T, /) -> Parameter | _T: ...
    def get(self, key: str, default: Any = None, /) -> Any:
        """The row, or ``default`` where no row has that id."""
        return self._current.get(key, default)

    def under(self, prefix: str) -> dict[str, Parameter]:
        """Rows whose id starts with ``prefix`` and a dot, by the rest of the id.

        Superseded ids are included and answered by the row that replaced them.

        Examples
        --------
        >>> sorted(load_evidence().under("standard.brazil"))[:2]
        ['product', 'soybean_dose']
        """
        start = prefix + "."
        return {i.removeprefix(start): p for i, p in self._current.items() if i.startswith(start)}


def load_evidence(extra: Path | None = None) -> Evidence:
    """All evidence rows, with a season's own rows outranking those they replace.

    Parameters
    ----------
    extra : Path, optional
        A season's own ``evidence.toml``: ``[[parameter]]`` rows, all of grade ``own``, the
        ``[[source]]`` rows they cite, and ``[[curve]]`` rows that join some of them.

    Returns
    -------
    Evidence
        Parameters by id. The packaged part is read once per process.

    Raises
    ------
    EvidenceError
        On any row that breaks the rules of the tables; file and id are named.

    Examples
    --------
    >>> load_evidence()["survival.on_seed.soybean.t_ref_c"].number()
    22.5
    """
    if extra is None:
        return _packaged_evidence()
    rows = file_rows(extra)
    for row in rows:
        if row.kind not in ("parameter", "source", "curve"):
            raise row.fault(
                "a season's own file may hold only [[parameter]], [[source]] and [[curve]]."
            )
    return evidence_from_rows([*packaged_rows_once(), *rows], own_file=extra.name)


@lru_cache(maxsize=1)
def packaged_rows_once() -> tuple[Row, ...]:
    """The packaged rows, read once per process."""
    return tuple(packaged_rows())


@lru_cache(maxsize=1)
def _packaged_evidence() -> Evidence:
    return evidence_from_rows(packaged_rows_once())


@lru_cache(maxsize=1)
def packaged_sources() -> Mapping[str, Source]:
    """The references that come with the package, by key."""
    return _sources([r for r in packaged_rows_once() if r.kind == "source"])


def evidence_from_rows(rows: Sequence[Row], own_file: str | None = None) -> Evidence:
    """Check rows and build the evidence from them; rows of ``own_file`` must have grade own."""
    sources = _sources([r for r in rows if r.kind == "source"])
    parameter_rows = [r for r in rows if r.kind == "parameter"]
    unique(parameter_rows)
    parameters = []
    for row in parameter_rows:
        parameter = _parameter(row, sources)
        if (parameter.grade == "own") != (row.file == own_file):
            raise row.fault("grade own belongs in a season's own file, and nothing else does.")
        parameters.append(parameter)
    curve_rows = [r for r in rows if r.kind == "curve"]
    unique(curve_rows)
    by_id = {p.id: p for p in parameters}
    curves = [curve_of(row, by_id, sources) for row in curve_rows]
    return Evidence(parameters, sources, curves)


def worst_grade(grades: Iterable[str]) -> str | None:
    """The worst of some grades, or None if there are none.

    Raises
    ------
    EvidenceError
        If one is not a grade.

    Examples
    --------
    >>> worst_grade(["measured", "assumption", "near"])
    'assumption'
    """
    worst = -1
    for grade in grades:
        if grade not in GRADES:
            raise EvidenceError(f"{grade!r} is not a grade. Grades: {', '.join(GRADES)}.")
        worst = max(worst, GRADES.index(grade))
    return GRADES[worst] if worst >= 0 else None


def _sources(rows: Sequence[Row]) -> dict[str, Source]:
    unique(rows, "key")
    for row in rows:
        row.only([f.name for f in fields(Source)])
    return {
        row.identifier("key"): Source(
            row.identifier("key"), row.text("citation"), row.text("locator"), row.text("how_known")
        )
        for row in rows
    }


def _parameter(row: Row, sources: Collection[str]) -> Parameter:
    """One checked parameter; the rules stand in ``docs/evidence.md``."""
    row.only([f.name for f in fields(Parameter)])
    kind = cast(IntervalKind, row.choice("interval_kind", get_args(IntervalKind), "none"))
    parameter = Parameter(
        id=row.identifier(),
        value=row.optional_number("value"),
        unit=row.text("unit"),
        low=row.optional_number("low"),
        high=row.optional_number("high"),
        level=_level(row, kind),
        interval_kind=kind,
        scale=cast(Any, row.choice("scale", ("linear", "log10", "ln"), "linear")),
        draw=cast(Draw, row.choice("draw", get_args(Draw))),
        varies=cast(Varies, row.choice("varies", get_args(Varies), "world")),
        covers=row.texts("covers"),
        valid_c=_valid_c(row),
        moisture=row.texts("moisture"),
        grade=cast(Grade, row.choice("grade", GRADES)),
        sources=row.sources(sources),
        conditions=row.text("conditions"),
        how_known=row.text("how_known"),
        replaces=row.optional_text("replaces"),
    )
    _check_numbers(row, parameter)
    for state in parameter.moisture:
        if state not in ("wet", "drying", "dry"):
            raise row.fault(f"moisture {state!r} is not one of wet, drying, dry.")
    if "memory" in parameter.how_known and parameter.grade in ("standard", "measured"):
        raise row.fault("a number from memory cannot be graded better than near.")
    return parameter


def _level(row: Row, kind: IntervalKind) -> float | None:
    """Coverage of the interval; what the kind itself fixes is filled in and may not be denied."""
    level = row.optional_number("level")
    if level is not None and not 0 < level < 1:
        raise row.fault(f"level = {level} must lie between 0 and 1, for example 0.9.")
    fixed = {
        "ci95": 0.95,  # exact: by its name
        "se": math.erf(math.sqrt(0.5)),
        "sd_between_studies": math.erf(math.sqrt(0.5)),
    }.get(kind)
    if fixed is not None and level is not None and level != fixed:
        raise row.fault(f"level = {level} contradicts interval_kind {kind}. Leave it out.")
    return fixed if fixed is not None else level


def _valid_c(row: Row) -> tuple[float, float] | None:
    ends = row.items("valid_c")
    if not ends:
        return None
    numbers = [e for e in ends if type(e) in (int, float) and math.isfinite(e)]
    if len(ends) != 2 or len(numbers) != 2 or numbers[0] > numbers[1]:
        raise row.fault(f"valid_c = {list(ends)} must be two temperatures in °C, lower first.")
    return float(numbers[0]), float(numbers[1])


def _check_numbers(row: Row, p: Parameter) -> None:
    if (p.low is None) != (p.high is None):
        raise row.fault("low and high come together. Write both or neither.")
    if (p.low is None) != (p.interval_kind == "none"):
        raise row.fault("an interval needs low, high and its interval_kind; no interval, none.")
    if p.value is None and p.low is None:
        raise row.fault("the row carries no number. A fact in words belongs in another table.")
    if p.low is not None and p.high is not None:
        if p.low > p.high:
            raise row.fault(f"low = {p.low} is above high = {p.high}. Swap them.")
        if p.value is not None and not p.low <= p.value <= p.high:
            raise row.fault(f"value = {p.value} lies outside {p.low} to {p.high}.")
    if p.draw == "fixed":
        if p.value is None or p.interval_kind != "none":
            raise row.fault("draw = 'fixed' needs a value and no interval.")
    elif p.low is None:
        raise row.fault(f"draw = {p.draw!r} needs low and high.")
    elif p.draw == "lognormal" and p.low <= 0:
        raise row.fault("draw = 'lognormal' needs low above zero.")


def _heir(name: str, heirs: Mapping[str, str]) -> str:
    """The id that stands for ``name`` at the end of its chain of replacements."""
    seen = {name}
    while name in heirs:
        name = heirs[name]
        if name in seen:
            raise EvidenceError(f"{name}: rows replace each other in a circle. Break it.")
        seen.add(name)
    return name


def _nearest(key: str, ids: Collection[str]) -> str:
    """What to say about an unknown id: the ids most like it."""
    alike = 0.4  # numeric: least likeness worth naming
    near = difflib.get_close_matches(key, list(ids), n=5, cutoff=alike)  # numeric: how many to name
    hint = f"Nearest: {', '.join(near)}." if near else "Nothing is spelled like it."
    return f"No evidence row has the id {key!r}. {hint} `evidence list` prints all."
