"""How evenly cells lie on seeds: from a paper count and a variation, or from plates of seeds."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import Any

from rhizoledger.errors import InputError
from rhizoledger.evidence import load_evidence
from rhizoledger.season.cells import Context
from rhizoledger.season.findings import Findings
from rhizoledger.season.one_table import read_table
from rhizoledger.season.rows import Row, read_rows
from rhizoledger.season.schema import Column as C
from rhizoledger.season.schema import Table
from rhizoledger.treating.bases import parse_basis
from rhizoledger.treating.conversion import Facts, convert, missing
from rhizoledger.treating.evenness import (
    Shape,
    effects,
    mean_needed,
    share_below,
)
from rhizoledger.treating.single_seeds import seed_spread
from rhizoledger.workflows.treat_rate import OPTIONS
from rhizoledger.workflows.treat_written import read_rate

CV = "treating.seed_to_seed_cv"
SINGLE_SEEDS = Table(
    "seeds",
    "Plates of single seeds, one plate a row.",
    (
        C("seed", "text", "filled", "The seed; rows of one name are plates of one seed."),
        C("dilution", "number", "filled", "A fraction: 1e-3.", above=0, at_most=1),
        C("volume_ml", "number", "filled", "Plated.", "mL", above=0),
        C("wash_ml", "number", "filled", "Liquid the seed was washed in.", "mL", above=0),
        C("colonies", "colonies", "filled", "A whole number."),
    ),
    dict,
    key=(),
)


@dataclass(frozen=True, slots=True)
class _Variation:
    """A coefficient of variation, its limits where it has any, and where it is from."""

    value: float
    ends: tuple[float, float] | None
    source: str
    grade: str


def evenness(
    path: Path | None = None,
    *,
    requirement: float | None = None,
    cells_per_seed: float | None = None,
    rate: str | None = None,
    facts: Facts | None = None,
    cv: float | None = None,
    share: float = 0.05,
    shape: Shape = "lognormal",
    level: float = 0.95,
) -> dict[str, Any]:
    """Share of seeds below a requirement, the mean that would do, and what each factor does.

    Parameters
    ----------
    path : Path, optional
        Plates of single seeds; their variation is used, and their mean where no other is given.
    requirement : float, optional
        Cells per seed; without it only the file is told.
    cells_per_seed : float, optional
        On average. Or ``rate`` with ``facts`` that hold a titre and the seed size.
    cv : float, optional
        Seed to seed, as 0.5; without it and without a file an assumption, at both its ends.
    share : float
        Of seeds that may lie below, for the mean that is needed.
    shape : {"lognormal", "gamma"}
        Of the amount on a seed.
    level : float
        Of limits from the file.

    Returns
    -------
    dict
        Ready for JSON.

    Raises
    ------
    InputError
        If what is given does not make a question.
    """
    if path is None and requirement is None:
        raise InputError(
            "Give --requirement, such as 1e5 cells per seed, or a file of seed plates."
        )
    if path is not None and cv is not None:
        raise InputError("The variation is in the file. Leave --cv out, or leave the file out.")
    if cells_per_seed is not None and rate is not None:
        raise InputError("--cells-per-seed and --rate say the same thing. Give one of them.")
    seeds = None if path is None else _counted(path, level)
    mean = cells_per_seed if rate is None else _paper(rate, facts or Facts())
    if mean is None and seeds is not None:
        mean = seeds["mean"]["value"]
    found: dict[str, Any] = {"seeds": seeds, "shape": shape, "level": level}
    if requirement is None:
        return found | {"question": None}
    if mean is None:
        raise InputError(
            "The cells per seed are not given. Give --cells-per-seed, or --rate with --titre and "
            "the seed size."
        )
    varied = _variation(cv, seeds)
    other: Shape = "gamma" if shape == "lognormal" else "lognormal"
    ends = None
    if varied.ends is not None:
        ends = [share_below(mean, requirement, end, shape) for end in varied.ends]
    return found | {
        "question": {"cells_per_seed": mean, "requirement": requirement, "share_wanted": share},
        "cv": {
            "value": varied.value,
            "low": varied.ends and varied.ends[0],
            "high": varied.ends and varied.ends[1],
            "from": varied.source,
            "grade": varied.grade,
        },
        "share_below": {
            "value": share_below(mean, requirement, varied.value, shape),
            "at_cv_low": ends and ends[0],
            "at_cv_high": ends and ends[1],
        },
        "share_below_other_shape": {
            "shape": other,
            "value": share_below(mean, requirement, varied.value, other),
        },
        "mean_needed": {
            "value": mean_needed(requirement, varied.value, share, shape),
            "other_shape": mean_needed(requirement, varied.value, share, other),
        },
        "effects": [
            {"what": f.what, "cells_per_seed": f.mean, "cv": f.cv, "share_below": f.share}
            for f in effects(mean, requirement, varied.value, shape)
        ],
    }


def _variation(cv: float | None, seeds: dict[str, Any] | None) -> _Variation:
    if cv is not None:
        return _Variation(cv, None, "given", "own")
    if seeds is not None:
        found = seeds["cv"]
        low, high = found["low"], found["high"]
        return _Variation(found["value"], None if high is None else (low, high), "file", "own")
    row = load_evidence()[CV]
    low, high = row.low or row.number(), row.high or row.number()
    return _Variation(row.number(), (low, high), CV, row.grade)


def _paper(rate: str, facts: Facts) -> float:
    """Cells per seed on paper from a rate, a titre and a seed size."""
    value, source = read_rate(rate)
    target = parse_basis("cells/seed")
    absent = missing(source, target, facts)
    if absent:
        raise InputError(
            f"Cells per seed from {rate!r} take {' and '.join(OPTIONS[f] for f in absent)}."
        )
    return convert(value, source, target, facts)


def _counted(path: Path, level: float) -> dict[str, Any]:
    """Mean and variation of the single seeds of a file."""
    findings = Findings()
    raw = read_table(path).raw
    rows = read_rows(raw, SINGLE_SEEDS, Context(UTC), findings).rows
    for row in rows:
        counted = "colonies" in row.texts
        if row.sound and counted and not isinstance(row.values["colonies"], int | float):
            what = "Single seeds need counted colonies."
            remedy = "Count a plate of a higher dilution, and leave this row out."
            findings.error(raw.file, row.number, "colonies", row.texts["colonies"], what, remedy)
    if findings.has_errors():
        raise InputError(findings.in_order())
    by_seed: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        by_seed[row.values["seed"]].append(row)
    colonies = [int(sum(r.values["colonies"] for r in plates)) for plates in by_seed.values()]
    plated = [sum(_plated(r.values) for r in plates) for plates in by_seed.values()]
    found = seed_spread(colonies, plated, level)
    return {
        "file": path.name,
        "seeds": found.seeds,
        "mean": {"value": found.mean, "low": found.mean_low, "high": found.mean_high},
        "cv": {
            "value": found.cv,
            "low": found.cv_low,
            "high": None if found.cv_high == float("inf") else found.cv_high,
        },
        "p_even": found.p_even,
        "warnings": [p.sentence() for p in findings.in_order()],
    }


def _plated(v: dict[str, Any]) -> float:
    """Share of a seed's wash on one plate."""
    return float(v["volume_ml"] * v["dilution"] / v["wash_ml"])
