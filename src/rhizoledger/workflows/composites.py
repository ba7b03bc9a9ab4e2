"""Plates of several composite samples: one file in, one count for each sample out."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import UTC
from pathlib import Path
from typing import Any

from rhizoledger.counts.guarantee import Composite, composite_of, plate_levels
from rhizoledger.counts.per_seed import per_seed_factor
from rhizoledger.counts.plates import PlateCount, count_plates
from rhizoledger.errors import InputError, Problem, RhizoledgerError
from rhizoledger.season.cells import Context
from rhizoledger.season.findings import Findings
from rhizoledger.season.ground_tables import BASES
from rhizoledger.season.one_table import read_table
from rhizoledger.season.rows import Row, read_rows
from rhizoledger.season.schema import Column as C
from rhizoledger.season.schema import Table

COMPOSITES = Table(
    "plates",
    "Plates of composite samples, one plate a row.",
    (
        C("item", "id", "filled", "The lot."),
        C("sample", "text", note="The composite; one for each lot where left out."),
        C("sampled_at", "text"),
        C("basis", "choice", choices=BASES),
        C("dilution", "number", "filled", "A fraction: 1e-6.", above=0, at_most=1),
        C("volume_ml", "number", "filled", "Plated.", "mL", above=0),
        C("colonies", "colonies", "filled", "A whole number, TNTC, SPR or LA."),
        C("tntc_limit", "number", note="What TNTC stands for.", above=0),
        C("medium", "text"),
        C("colonies_are", "choice", choices=("target", "total", "contaminant")),
        C("wash_ml", "number", unit="mL", above=0),
        C("seeds_washed", "number", unit="seeds", above=0),
        C("day_read", "number", unit="day", at_least=0),
    ),
    dict,
    key=(),
)


@dataclass(frozen=True, slots=True)
class CountedComposite:
    """One composite counted.

    Parameters
    ----------
    sample : str
        Its name; "1" where the file gives none.
    count : PlateCount
        Per mL of what was diluted.
    factor : float
        Turns that into the basis: 1, or wash volume over seeds.
    composite : Composite
        In log10 of the basis.
    """

    sample: str
    count: PlateCount
    factor: float
    composite: Composite

    @property
    def plated(self) -> float:
        """Undiluted sample on all counted plates, in the basis."""
        return self.count.plated_ml / self.factor


@dataclass(frozen=True, slots=True)
class LotPlates:
    """The composites of one lot, in the order of the file.

    Parameters
    ----------
    item, basis : str
    composites : tuple of CountedComposite
    only_lowers : bool
        Whether other bacteria may have been counted with the rhizobia (§1.5).
    """

    item: str
    basis: str
    composites: tuple[CountedComposite, ...]
    only_lowers: bool


def read_composites(
    path: Path, confidence: float, *, tntc_limit: float, tntc_at_least: bool = False
) -> tuple[tuple[LotPlates, ...], tuple[str, ...]]:
    """Every lot of a file with its composites counted, and what a reader must know of the file.

    Parameters
    ----------
    path : Path
        CSV with ``item, dilution, volume_ml, colonies``, ``sample`` where a lot has several
        composites, and any of ``basis, tntc_limit, colonies_are, wash_ml, seeds_washed``.
    confidence : float
        One-sided, of each limit by plates alone.
    tntc_limit : float
        Where the file's own column is empty.
    tntc_at_least : bool
        Whether TNTC means at least the limit rather than above it.

    Raises
    ------
    InputError
        With every cell that cannot be used.
    """
    findings = Findings()
    raw = read_table(path).raw
    rows = read_rows(raw, COMPOSITES, Context(UTC), findings).rows
    _check_samples(path.name, rows, findings)
    _check_basis(path.name, rows, findings)
    if findings.has_errors():
        raise InputError(findings.in_order())
    said = tuple(p.sentence() for p in findings.in_order())
    lots: dict[str, dict[str, list[Row]]] = defaultdict(lambda: defaultdict(list))
    left_out = 0
    for row in rows:
        if row.values["colonies_are"] == "contaminant":
            left_out += 1
            continue
        lots[row.values["item"]][row.values["sample"] or "1"].append(row)
    if not lots:
        raise InputError(f"{path.name}: every plate counts contaminants. Add those of the lot.")
    if left_out:
        said += (
            f"Plates of contaminants are left out here ({left_out}); judge them by the label.",
        )
    level, alpha = plate_levels(confidence)
    found = []
    for item, samples in lots.items():
        counted = tuple(
            _counted(path.name, item, name, plates, level, alpha, tntc_limit, tntc_at_least)
            for name, plates in samples.items()
        )
        every = [row for plates in samples.values() for row in plates]
        basis = every[0].values["basis"] or "mL"
        lowers = any(_may_hold_others(row, basis) for row in every)
        found.append(LotPlates(item, basis, counted, lowers))
    return tuple(found), said


def _may_hold_others(row: Row, basis: str) -> bool:
    """Whether a plate may hold other bacteria: said so, or not said of a wash of seed (§1.5)."""
    kind = row.values["colonies_are"]
    return kind == "total" or (kind is None and basis == "seed")


def _check_samples(file: str, rows: tuple[Row, ...], findings: Findings) -> None:
    """Named and unnamed composites of one lot cannot be told apart."""
    named = {row.values["item"] for row in rows if row.values["sample"]}
    for row in rows:
        if row.values["item"] in named and not row.values["sample"]:
            what = "Other plates of this lot name their sample, and this one does not."
            findings.error(file, row.number, "sample", "", what, "Write which composite it is.")


def _check_basis(file: str, rows: tuple[Row, ...], findings: Findings) -> None:
    """One basis in a file, and wash and seeds alike within a sample."""
    first = next((r.values["basis"] for r in rows if r.values["basis"]), None)
    washes: dict[tuple[str, str], tuple[int, object]] = {}
    for row in rows:
        v = row.values
        if not row.sound:
            continue
        if (v["basis"] or "mL") != (first or "mL"):
            what = f"Other rows are counted per {first or 'mL'}; one guarantee has one basis."
            remedy = "Keep rows of one basis in a file, and fill the column in every row."
            findings.error(file, row.number, "basis", v["basis"] or "", what, remedy)
        if first != "seed":
            continue
        for column in ("wash_ml", "seeds_washed"):
            if v[column] is None:
                what = "A count per seed needs it."
                findings.error(file, row.number, column, "", what, "Fill it in on every plate.")
        wash = (v["wash_ml"], v["seeds_washed"])
        key = (v["item"], v["sample"] or "1")
        before = washes.setdefault(key, (row.number, wash))
        if before[1] != wash:
            what = f"Row {before[0]} is the same sample with another wash."
            remedy = "Give each wash its own name in the column sample."
            findings.error(file, row.number, "wash_ml", v["wash_ml"], what, remedy)


def _counted(
    file: str,
    item: str,
    name: str,
    plates: list[Row],
    level: float,
    alpha: float,
    tntc_limit: float,
    tntc_at_least: bool,
) -> CountedComposite:
    first: dict[str, Any] = plates[0].values
    factor = 1.0
    basis = first["basis"] or "mL"
    if basis == "seed":
        factor = per_seed_factor(first["wash_ml"], first["seeds_washed"])
    try:
        count = count_plates(
            [row.values["colonies"] for row in plates],
            [row.values["volume_ml"] for row in plates],
            [row.values["dilution"] for row in plates],
            tntc_limit=[row.values["tntc_limit"] or tntc_limit for row in plates],
            tntc_at_least=tntc_at_least,
            level=level,
            bound_alpha=alpha,
            unit=f"CFU/{basis}",
        )
    except RhizoledgerError as error:
        what = f"The plates of {item}, sample {name}, cannot be counted. {error}"
        raise InputError([Problem(file, plates[0].number, None, None, what, "")]) from error
    return CountedComposite(name, count, factor, composite_of(count, factor))
