"""A file of catch tests: what was caught over which seed or time, as rates in one unit."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from rhizoledger.errors import InputError, RhizoledgerError, UnitError
from rhizoledger.season.findings import Findings, nearest
from rhizoledger.season.one_table import OneTable, read_table
from rhizoledger.season.times import parse_time
from rhizoledger.treating.bases import Basis, parse_basis
from rhizoledger.treating.conversion import Facts, convert, missing
from rhizoledger.units import item_amount, mass_kg
from rhizoledger.units.names import split_ratio
from rhizoledger.workflows.treat_rate import OPTIONS
from rhizoledger.workflows.treat_written import number_and_unit

AMOUNTS = ("caught", "catch")
RATES = ("rate",)
SEED = ("seed",)
LASTED = {"seconds": 1.0, "minutes": 60.0}
ORDER = ("time", "order")
GROUPS = ("machine", "treater", "nozzle", "pump", "group")
PER_MINUTE = ("mL/min", "g/min")
FLOW_SECONDS = {"s": 1.0, "min": 60.0, "h": 3600.0}
CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")


@dataclass(frozen=True, slots=True)
class Catch:
    """One catch test.

    Parameters
    ----------
    row : int
        As a spreadsheet shows it.
    at : str
        Its time or order as written; empty where the file gives none.
    rate : float
        In the unit of the file's answer.
    """

    row: int
    at: str
    rate: float


@dataclass(frozen=True, slots=True)
class CatchFile:
    """Every group of catches in the order of the day, in one unit."""

    file: str
    unit: str
    groups: tuple[tuple[str, tuple[Catch, ...]], ...]
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Named:
    """A column by its meaning, and the unit that its header says."""

    header: str
    unit: str


def read_catches(path: Path, *, unit: str | None, facts: Facts, seed_flow: str | None) -> CatchFile:
    """Catches of a file as rates in one unit.

    Parameters
    ----------
    path : Path
        CSV with ``rate``; or ``caught`` and ``seed``; or ``caught`` and ``seconds`` or
        ``minutes``. Units stand in the header: ``caught_ml``, ``seed_kg``, ``rate [mL/100 kg]``.
        Also ``time`` or ``order``, and any of ``machine, treater, nozzle, pump, group``.
    unit : str, optional
        Of the answer; mL or g per 100 kg where left out, and per minute for timed catches.
    facts : Facts
        For turning what was measured into that unit.
    seed_flow : str, optional
        Seed that ran meanwhile, such as ``"200 kg/min"``, for timed catches.

    Raises
    ------
    InputError, UnitError
        With every cell and every header that cannot be used.
    """
    table = read_table(path)
    names = {_meaning(h): _Named(h, _unit_in(h)) for h in table.columns}
    named_rate = _first(names, RATES)
    caught = _first(names, AMOUNTS)
    if (named_rate is None) == (caught is None):
        what = "both rate and caught" if caught else "neither rate nor caught"
        raise InputError(
            f"{path.name} has {what}. Have rate_ml_per_100kg alone, or caught_ml with seed_kg or "
            f"seconds. {nearest('rate', table.columns)}"
        )
    if named_rate is not None:
        values, said = _given_rates(path.name, table, named_rate, unit, facts)
    else:
        assert caught is not None
        values, said = _caught_rates(path.name, table, names, caught, unit, facts, seed_flow)
    groups = [n for n in GROUPS if n in names]
    keys = [table.texts(names[g].header) for g in groups]
    where = next((names[o].header for o in ORDER if o in names), None)
    marks = [""] * len(values) if where is None else table.texts(where)
    order = _in_order(path.name, table, where, marks)
    found: dict[str, list[Catch]] = {}
    left_out = 0
    for i in order:
        number = values[i]
        if number is None:
            left_out += 1
            continue
        name = ", ".join(f"{g} {k[i]}" for g, k in zip(groups, keys, strict=True) if k[i])
        found.setdefault(name, []).append(Catch(table.row_numbers()[i], marks[i], number))
    if not found:
        raise InputError(f"{path.name}: no row holds a catch. Fill in what was caught.")
    notes = (f"Rows without a catch are left out ({left_out}).",) if left_out else ()
    return CatchFile(path.name, said, tuple((g, tuple(c)) for g, c in found.items()), notes)


def _meaning(header: str) -> str:
    return re.split(r"[\s_\[(]", header.strip().lower(), maxsplit=1)[0]


def _unit_in(header: str) -> str:
    """The unit that a header says after its first word: caught_ml, seed [lb], rate (mL/kg)."""
    rest = re.split(r"[\s_\[(]", header.strip(), maxsplit=1)[1:]
    return re.sub(r"[\[\]()_]", " ", rest[0]).strip().lower() if rest else ""


def _first(names: dict[str, _Named], wanted: Sequence[str]) -> _Named | None:
    return next((names[w] for w in wanted if w in names), None)


def _given_rates(
    file: str, table: OneTable, column: _Named, unit: str | None, facts: Facts
) -> tuple[list[float | None], str]:
    written = column.unit or unit
    if written is None:
        raise InputError(
            f"{file}: the column {column.header} does not say its unit. Name it "
            "rate_ml_per_100kg, or give --unit."
        )
    if written.lower() in [p.lower() for p in PER_MINUTE]:
        return _above_zero(file, table, column.header), _per_minute(written, unit)
    source = parse_basis(written)
    target = parse_basis(unit or written)
    numbers = _above_zero(file, table, column.header)
    return [None if x is None else _turned(x, source, target, facts) for x in numbers], target.text


def _caught_rates(
    file: str,
    table: OneTable,
    names: dict[str, _Named],
    caught: _Named,
    unit: str | None,
    facts: Facts,
    seed_flow: str | None,
) -> tuple[list[float | None], str]:
    kind, one = _said_amount(file, caught)
    amounts = _above_zero(file, table, caught.header)
    seed, lasted = _first(names, SEED), _first(names, tuple(LASTED))
    if (seed is None) == (lasted is None):
        what = "both seed and time" if seed else "neither seed nor time"
        raise InputError(
            f"{file} says {what} for what was caught. Have seed_kg, or seconds or minutes."
        )
    if seed is not None:
        try:
            per = mass_kg(1, seed.unit)
        except UnitError as error:
            raise InputError(
                f"{file}, column {seed.header}: the seed's unit is not said or not known. "
                "Name the column seed_kg or seed_lb."
            ) from error
        below = _above_zero(file, table, seed.header)
    else:
        assert lasted is not None
        seconds = _above_zero(file, table, lasted.header)
        if seed_flow is None:
            plain = PER_MINUTE[kind == "g"]
            minute = LASTED[_meaning(lasted.header)] / LASTED["minutes"]
            rates = _over(file, table, amounts, seconds, one / minute)
            return rates, _per_minute(plain, unit)
        per = LASTED[_meaning(lasted.header)] * _kg_per_s(seed_flow)
        below = seconds
    source = parse_basis(f"{kind}/kg")
    target = parse_basis(unit or f"{kind}/100 kg")
    per_kg = _over(file, table, amounts, below, one / per)
    return [None if x is None else _turned(x, source, target, facts) for x in per_kg], target.text


def _said_amount(file: str, caught: _Named) -> tuple[str, float]:
    """Whether mL or g was caught, and one of the header's unit in it."""
    try:
        kind, one = item_amount(1, caught.unit)
    except UnitError as error:
        raise InputError(
            f"{file}, column {caught.header}: {error.what} Name it caught_ml, caught_fl_oz or "
            "caught_g."
        ) from error
    if kind == "packs":
        raise InputError(f"{file}: a catch is a volume or a mass, not packs.")
    return ("mL" if kind == "volume" else "g"), one


def _per_minute(unit: str, wanted: str | None) -> str:
    told = next(p for p in PER_MINUTE if p.lower() == unit.lower())
    if wanted is not None and wanted.replace(" ", "").lower() != told.lower():
        raise InputError(
            f"These catches are in {told}; {wanted} takes the seed that ran. Give --seed-flow "
            "'200 kg/min', or leave --unit out."
        )
    return told


def _kg_per_s(text: str) -> float:
    value, unit = number_and_unit(text, "200 kg/min")
    mass, time = split_ratio(unit)
    if time.lower() not in FLOW_SECONDS:
        raise UnitError(text, f"{time} is not a time here.", "Write it per s, min or h.")
    return mass_kg(value, mass) / FLOW_SECONDS[time.lower()]


def _above_zero(file: str, table: OneTable, column: str) -> list[float | None]:
    findings = Findings()
    numbers = table.numbers(column)
    for row, x in zip(table.row_numbers(), numbers, strict=True):
        if x is not None and x <= 0:
            remedy = "Correct it, or leave the cell empty if the catch failed."
            findings.error(file, row, column, x, "It must be above zero.", remedy)
    if findings.has_errors():
        raise InputError(findings.in_order())
    return numbers


def _over(
    file: str,
    table: OneTable,
    amounts: Sequence[float | None],
    below: Sequence[float | None],
    factor: float,
) -> list[float | None]:
    """What was caught over seed or time; a row with one of the two is wrong, not empty."""
    findings = Findings()
    for row, a, b in zip(table.row_numbers(), amounts, below, strict=True):
        if (a is None) != (b is None):
            what = "What was caught stands here without its seed or time, or the reverse."
            findings.error(file, row, None, None, what, "Fill in both, or leave both empty.")
    if findings.has_errors():
        raise InputError(findings.in_order())
    return [
        None if a is None or b is None else a * factor / b
        for a, b in zip(amounts, below, strict=True)
    ]


def _turned(x: float, source: Basis, target: Basis, facts: Facts) -> float:
    absent = missing(source, target, facts)
    if absent:
        options = " and ".join(OPTIONS[f] for f in absent)
        raise UnitError(source.text, f"It cannot be told in {target.text}.", f"Give {options}.")
    return convert(x, source, target, facts)


def _in_order(file: str, table: OneTable, column: str | None, marks: Sequence[str]) -> list[int]:
    """Rows by their time or order; as they stand where the file gives neither."""
    if column is None:
        return list(range(len(marks)))
    places: Sequence[float | None]
    if _meaning(column) == "order":
        places = table.numbers(column)
    else:
        places = [_clock(text) for text in marks]
    findings = Findings()
    for row, text, place in zip(table.row_numbers(), marks, places, strict=True):
        if place is None:
            what = "This is not a time or a place in the order."
            remedy = "Write 14:30, 2027-05-10T14:30, or a whole number under order."
            findings.error(file, row, column, text, what, remedy)
    if findings.has_errors():
        raise InputError(findings.in_order())
    if len({":" in m and len(m) <= len("14:30") for m in marks}) > 1:
        raise InputError(f"{file}: some times have a day and some do not. Write all alike.")
    return sorted(range(len(marks)), key=lambda i: places[i] or 0.0)


def _clock(text: str) -> float | None:
    """Minutes of a clock time, or of a day and time; None for anything else."""
    match = CLOCK.fullmatch(text)
    if match is not None:
        return 60.0 * int(match[1]) + int(match[2])
    try:
        at = parse_time(text.replace(" ", "T", 1))
    except RhizoledgerError:
        return None
    return (
        None if at is None else (at.replace(tzinfo=None) - datetime(1, 1, 1)).total_seconds() / 60
    )
