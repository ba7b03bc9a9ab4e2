"""A file of plates: rows checked, and gathered into items, samples and plates."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import UTC
from pathlib import Path
from typing import Any

from rhizoledger.counts.guarantee import HIGHEST_TITRE
from rhizoledger.counts.per_seed import per_seed_factor
from rhizoledger.counts.plates import PlateCount, count_plates
from rhizoledger.counts.plates.readings import MOST_COLONIES, MOST_DROPS
from rhizoledger.counts.plates.rules import Rule
from rhizoledger.errors import InputError
from rhizoledger.season.cells import Context
from rhizoledger.season.findings import Findings
from rhizoledger.season.ground_tables import BASES
from rhizoledger.season.one_table import read_table
from rhizoledger.season.rows import Row, read_rows
from rhizoledger.season.schema import Column as C
from rhizoledger.season.schema import Table

THINNEST = 1e-20
"""No dilution is plated beyond it."""
LEAST_ML, MOST_ML = 1e-6, 1000.0
"""Of sample on one plate, or through one filter."""
MOST_WASH = 1e6
"""Of mL, or of seeds, in one wash."""
LONGEST_NAME = 64
MOST_CM2 = 10_000.0
MOST_ROWS = 20_000
"""Of one file: a few minutes' work."""
PLATES = Table(
    "plates",
    "Plates of samples, one plate a row.",
    (
        C("item", "id", "filled", "Lot, batch or parcel."),
        C("sample", "text", note="One sample of the item; one for each where left out."),
        C("sampled_at", "text"),
        C("basis", "choice", choices=BASES),
        C("dilution", "number", "filled", "A fraction: 1e-6.", above=0, at_most=1),
        C("volume_ml", "number", "filled", "Plated, of one drop where there are drops.", "mL",
          above=0, at_most=MOST_ML),
        C("colonies", "colonies", "filled", "A whole number, TNTC, SPR or LA."),
        C("tntc_limit", "number", note="What TNTC stands for.", above=0),
        C("plate", "text", note="Rows of one name are drops of one plate."),
        C("drops", "integer", note="Drops that the colonies were counted on.", at_least=1),
        C("spreader_share", "number", note="0.1 for a tenth.", at_least=0, at_most=1),
        C("plate_cm2", "number", unit="cm²", above=0, at_most=MOST_CM2),
        C("medium", "text"),
        C("colonies_are", "choice", choices=("target", "total", "contaminant")),
        C("wash_ml", "number", unit="mL", above=0, at_most=MOST_WASH),
        C("seeds_washed", "number", unit="seeds", at_least=1, at_most=MOST_WASH),
        C("recovery", "number", note="A share.", above=0, at_most=1),
        C("recovery_from", "text", note="Item of a zero-time control."),
        C("applied_per_seed", "number", note="Of a zero-time control.", above=0,
          at_most=HIGHEST_TITRE),
        C("day_read", "number", unit="day", at_least=0),
    ),
    dict,
    key=(),
)  # fmt: skip
RECOVERY = ("recovery", "recovery_from", "applied_per_seed")
WASH = ("wash_ml", "seeds_washed")


@dataclass(slots=True)
class PlateSet:
    """Plates that give one result: an item on one basis, sampled at one time.

    Parameters
    ----------
    item, basis, sampled_at : str
    colonies_are : str or None
        target or total; None where the file does not say.
    samples : dict
        Rows of each sample, by its name, in the order of the file.
    """

    item: str
    basis: str
    sampled_at: str
    colonies_are: str | None
    samples: dict[str, list[Row]] = field(default_factory=dict)

    @property
    def first(self) -> dict[str, Any]:
        """Values of its first row, for columns that are alike in all."""
        return next(iter(self.samples.values()))[0].values

    @property
    def only_lowers(self) -> bool:
        """Whether other bacteria may be counted in: said so, or not said of a seed wash (§1.5)."""
        return self.colonies_are == "total" or (self.colonies_are is None and self.basis == "seed")

    def different(self, column: str) -> list[str]:
        """The different entries of a column within one sample, where there are several."""
        for rows in self.samples.values():
            found = list(dict.fromkeys(row.texts.get(column, "") for row in rows))
            if len(found) > 1:
                return [text or "not said" for text in found]
        return []


def read_plate_file(path: Path) -> tuple[tuple[PlateSet, ...], tuple[str, ...]]:
    """Every result that a file of plates asks for, and what a reader must know of the file.

    Parameters
    ----------
    path : Path
        CSV with ``item, dilution, volume_ml, colonies`` and any other column of ``PLATES``.

    Raises
    ------
    InputError
        With every cell that cannot be used.
    """
    findings = Findings()
    raw = read_table(path, most_rows=MOST_ROWS).raw
    rows = read_rows(raw, PLATES, Context(UTC), findings).rows
    sound = [row for row in rows if row.sound]
    _check_together(raw.file, sound, findings)
    for row in sound:
        _check_row(raw.file, row, findings)
    _check_recovery(raw.file, sound, findings)
    if findings.has_errors():
        raise InputError(findings.in_order())
    said = tuple(p.sentence() for p in findings.in_order())
    kept = [row for row in rows if row.values["colonies_are"] != "contaminant"]
    if not kept:
        raise InputError(f"{path.name}: every plate counts contaminants. Add those of the item.")
    if len(kept) < len(rows):
        said += (f"Plates of contaminants are left out here ({len(rows) - len(kept)}).",)
    sets: dict[tuple[str, ...], PlateSet] = {}
    for row in kept:
        v = row.values
        at = v["sampled_at"] or ""
        key = (v["item"], v["basis"] or "mL", at, v["colonies_are"] or "")
        found = sets.setdefault(key, PlateSet(v["item"], key[1], at, v["colonies_are"]))
        found.samples.setdefault(v["sample"] or "1", []).append(row)
    return tuple(sets.values()), said


def _check_together(file: str, rows: list[Row], findings: Findings) -> None:
    """Columns that all rows of an item fill or none; and one wash for one sample."""
    for column, what, remedy in (
        ("sample", "Other plates of this item name their sample, and this one does not.",
         "Write which sample it is."),
        ("sampled_at", "Other plates of this item say when they were sampled.", "Fill it in."),
        ("basis", "Other plates of this item say what they are per, and this one does not.",
         "Write mL, g or seed."),
        ("colonies_are", "Other plates of this item say whose colonies they are.",
         "Write target or total."),
    ):  # fmt: skip
        filled = {r.values["item"] for r in rows if r.values[column] not in (None, "contaminant")}
        for row in rows:
            if row.values["item"] in filled and row.values[column] is None:
                findings.error(file, row.number, column, "", what, remedy)
    washes: dict[tuple[object, ...], Row] = {}
    for row in rows:
        v = row.values
        if v["basis"] == "seed":
            key = (v["item"], v["sampled_at"], v["sample"])
            first = washes.setdefault(key, row)
            if any(first.values[c] != v[c] for c in WASH):
                what = f"Row {first.number} is the same sample with another wash."
                remedy = "Give each wash its own name in the column sample."
                findings.error(file, row.number, "wash_ml", v["wash_ml"], what, remedy)


def _check_row(file: str, row: Row, findings: Findings) -> None:
    v = row.values
    if v["basis"] == "seed":
        for column in WASH:
            if v[column] is None:
                what, remedy = "A count per seed needs it.", "Fill it in on every plate."
                findings.error(file, row.number, column, "", what, remedy)
    else:
        for column in (*WASH, *RECOVERY):
            if v[column] is not None:
                what = "It has a meaning for counts per seed only."
                remedy = "Write seed as basis, or leave it empty."
                findings.error(file, row.number, column, row.texts[column], what, remedy)
    for column, holds in (("colonies", v["colonies"]), ("tntc_limit", v["tntc_limit"])):
        if isinstance(holds, int | float) and holds > MOST_COLONIES:
            what = f"No plate holds more than {MOST_COLONIES} colonies."
            remedy = "Write what was counted on this plate, or TNTC."
            findings.error(file, row.number, column, row.texts[column], what, remedy)
    for column, least in (("dilution", THINNEST), ("volume_ml", LEAST_ML), ("wash_ml", LEAST_ML)):
        if v[column] is not None and v[column] < least:
            what, remedy = f"This is below {least:g}.", "Write what was plated, or washed in."
            findings.error(file, row.number, column, row.texts[column], what, remedy)
    for column in ("sample", "plate"):
        if len(v[column] or "") > LONGEST_NAME:
            what, remedy = f"A name has up to {LONGEST_NAME} letters.", "Shorten it."
            findings.error(file, row.number, column, v[column], what, remedy)
    if v["drops"] is not None and v["drops"] > MOST_DROPS:
        what, remedy = f"No plate has room for more than {MOST_DROPS} drops.", "Correct it."
        findings.error(file, row.number, "drops", row.texts["drops"], what, remedy)
    drop = v["drops"] is not None or v["plate"] is not None
    if drop and v["colonies"] == "TNTC" and v["tntc_limit"] is None:
        what = "TNTC on drops does not stand for what it stands for on a whole plate."
        remedy = "Write the count it stands for."
        findings.error(file, row.number, "tntc_limit", "", what, remedy)


def _check_recovery(file: str, rows: list[Row], findings: Findings) -> None:
    """One recovery for one item, from one place, and controls that are there."""
    first: dict[str, Row] = {}
    for row in rows:
        before = first.setdefault(row.values["item"], row)
        for column in RECOVERY:
            if row.values[column] != before.values[column]:
                what = f"Row {before.number} of this item says something else."
                remedy = "Write the same on every row of an item."
                findings.error(file, row.number, column, row.texts.get(column, ""), what, remedy)
    controls = [item for item, row in first.items() if row.values["applied_per_seed"] is not None]
    for row in first.values():
        v = row.values
        if v["recovery_from"] is None:
            continue
        if v["recovery"] is not None:
            what = "There is a recovery too; only one can be used."
            findings.error(file, row.number, "recovery_from", v["recovery_from"], what,
                           "Keep one of them.")  # fmt: skip
        if v["recovery_from"] not in controls:
            what = "No item of this name has applied_per_seed."
            remedy = "Add the plates of the zero-time control, with the cells applied per seed."
            if controls:
                remedy = f"Zero-time controls here: {', '.join(sorted(controls))}."
            findings.error(file, row.number, "recovery_from", v["recovery_from"], what, remedy)


def count_rows(
    plates: PlateSet,
    rows: list[Row],
    *,
    tntc_limit: float,
    tntc_at_least: bool,
    level: float,
    bound_alpha: float | None = None,
    rule: Rule = "bam",
    plate_cm2: float | None = None,
) -> PlateCount:
    """One sample counted in the basis of its set.

    Parameters
    ----------
    plates : PlateSet
    rows : list of Row
        Of one sample, so with one wash.
    tntc_limit, plate_cm2
        Where the file's own columns are empty.
    tntc_at_least, level, bound_alpha, rule
        As for ``count_plates``.
    """
    first = rows[0].values
    per_seed = plates.basis == "seed"
    factor = per_seed_factor(first["wash_ml"], first["seeds_washed"]) if per_seed else 1.0
    return count_plates(
        values(rows, "colonies"),
        # Millilitres over the wash of one seed are seeds: all that follows is in the basis.
        [v / factor for v in values(rows, "volume_ml")],
        values(rows, "dilution"),
        tntc_limit=[x or tntc_limit for x in values(rows, "tntc_limit")],
        tntc_at_least=tntc_at_least,
        level=level,
        unit=f"CFU/{plates.basis}",
        rule=rule,
        bound_alpha=bound_alpha,
        drops=[x or 1 for x in values(rows, "drops")],
        spreader_share=[x or 0.0 for x in values(rows, "spreader_share")],
        plate_cm2=[x or plate_cm2 for x in values(rows, "plate_cm2")],
        plate=values(rows, "plate"),
    )


def values(rows: Iterable[Row], column: str) -> list[Any]:
    """A column of some rows."""
    return [row.values[column] for row in rows]
