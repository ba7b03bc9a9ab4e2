"""Plates of several composite samples: one file in, one count for each sample out."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from pathlib import Path

from rhizoledger.counts.guarantee import Composite, composite_of, plate_levels
from rhizoledger.counts.plates import PlateCount
from rhizoledger.errors import InputError, Problem, RhizoledgerError
from rhizoledger.season.rows import Row
from rhizoledger.workflows.plate_file import RECOVERY, PlateSet, count_rows, read_plate_file

NO_RECOVERY = (
    "Recoveries are not used here: the guarantee is judged by the cells that the washes brought "
    "off, which are fewer than the seed carries."
)


@dataclass(frozen=True, slots=True)
class CountedComposite:
    """One composite counted, in the basis.

    Parameters
    ----------
    sample : str
        Its name; "1" where the file gives none.
    count : PlateCount
    composite : Composite
        In log10.
    """

    sample: str
    count: PlateCount
    composite: Composite

    @property
    def plated(self) -> float:
        """Undiluted sample on all counted plates, in the basis."""
        return self.count.plated_ml


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
        CSV as :func:`rhizoledger.workflows.plate_file.read_plate_file` reads it. Plates of one
        sample name and one time are one composite; a recovery is not used.
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
    sets, said = read_plate_file(path)
    _check_basis(path.name, sets)
    lots: dict[str, list[PlateSet]] = defaultdict(list)
    for plates in sets:
        lots[plates.item].append(plates)
    rows = [row for plates in sets for sample in plates.samples.values() for row in sample]
    if any(row.values[column] is not None for row in rows for column in RECOVERY):
        said += (NO_RECOVERY,)
    found = []
    for item, parts in lots.items():
        counted = tuple(
            _counted(path.name, parts[0], name, plates, confidence, tntc_limit, tntc_at_least)
            for name, plates in _composites(parts).items()
        )
        lowers = any(plates.only_lowers for plates in parts)
        found.append(LotPlates(item, parts[0].basis, counted, lowers))
    return tuple(found), said


def _check_basis(file: str, sets: tuple[PlateSet, ...]) -> None:
    """One guarantee has one basis."""
    first = sets[0].basis
    problems = []
    for plates in sets:
        if plates.basis != first:
            row = next(iter(plates.samples.values()))[0].number
            what = f"Other rows are counted per {first}; one guarantee has one basis."
            remedy = "Keep rows of one basis in a file, and fill the column in every row."
            problems.append(Problem(file, row, "basis", plates.basis, what, remedy))
    if problems:
        raise InputError(problems)


def _composites(parts: list[PlateSet]) -> dict[str, list[Row]]:
    """Plates of each composite, whatever colonies were counted on them; times are told apart."""
    several = len({plates.sampled_at for plates in parts}) > 1
    out: dict[str, list[Row]] = defaultdict(list)
    for plates in parts:
        for name, rows in plates.samples.items():
            out[f"{name}, {plates.sampled_at}" if several else name] += rows
    return out


def _counted(
    file: str,
    lot: PlateSet,
    name: str,
    rows: list[Row],
    confidence: float,
    tntc_limit: float,
    tntc_at_least: bool,
) -> CountedComposite:
    level, alpha = plate_levels(confidence)
    try:
        count = count_rows(
            lot,
            rows,
            tntc_limit=tntc_limit,
            tntc_at_least=tntc_at_least,
            level=level,
            bound_alpha=alpha,
        )
    except RhizoledgerError as error:
        what = f"The plates of {lot.item}, sample {name}, cannot be counted. {error}"
        raise InputError([Problem(file, rows[0].number, None, None, what, "")]) from error
    return CountedComposite(name, count, composite_of(count))
