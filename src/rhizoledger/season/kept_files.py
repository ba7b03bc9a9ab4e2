"""Files that cells name: label texts, kept, and field boundaries, measured against the area."""

from __future__ import annotations

import json
from collections.abc import Mapping

from rhizoledger.errors import InputError
from rhizoledger.season.findings import Findings, nearest
from rhizoledger.season.rows import Row, TypedTable
from rhizoledger.season.source import MIB, Folder
from rhizoledger.units import from_ha

LARGEST_KEPT = 5 * MIB

AREA_TOLERANCE = 0.1
"""A boundary and an area that differ by more than this share of the area are pointed out."""


def check_kept_files(
    folder: Folder,
    names: tuple[str, ...],
    typed: Mapping[str, TypedTable],
    area_unit: str,
    findings: Findings,
) -> dict[str, str]:
    """Every label and boundary file that a cell names is there, digested, and readable.

    Parameters
    ----------
    folder : Folder
        The season folder.
    names : tuple of str
        What is in it.
    typed : mapping of str to TypedTable
        Tables as read.
    area_unit : str
        The season's area unit, for messages.
    findings : Findings
        Takes every problem.

    Returns
    -------
    dict of str to str
        Text of each label file that is text, by file name, word for word.
    """
    labels: dict[str, str] = {}
    others = [n for n in names if not n.endswith((".csv", ".toml", ".xlsx"))]
    for table in typed.values():
        for column in table.table.columns:
            if column.kind != "file" or column.name == "logger":
                continue
            for row in table.rows:
                name = row.values[column.name]
                if name is None:
                    continue
                if name not in names:
                    findings.error(
                        table.file,
                        row.number,
                        column.name,
                        name,
                        "This file is not in the season folder.",
                        f"Put it there, or empty the cell. {nearest(name, others)}",
                    )
                    continue
                data = folder.read(name, LARGEST_KEPT)
                if data is not None and column.name == "boundary":
                    _check_boundary(data, table.file, row, area_unit, findings)
                elif data is not None and b"\0" not in data and not data.startswith(b"%PDF"):
                    labels[name] = _text(data)
    return labels


def _text(data: bytes) -> str:
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def _check_boundary(data: bytes, file: str, row: Row, area_unit: str, findings: Findings) -> None:
    from rhizoledger.geo import boundary_area_ha

    name, area = row.values["boundary"], row.values["area"]
    try:
        area_ha = boundary_area_ha(json.loads(data))
    except InputError as error:
        what = f"The boundary cannot be used: {error}"
        findings.error(file, row.number, "boundary", name, what, "Export it again as GeoJSON.")
        return
    except (ValueError, RecursionError):
        what = "The file is not GeoJSON."
        findings.error(file, row.number, "boundary", name, what, "Export it again as GeoJSON.")
        return
    drawn = from_ha(area_ha, area_unit)
    if area is not None and abs(drawn - area) > AREA_TOLERANCE * area:
        findings.warning(
            file,
            row.number,
            "area",
            row.texts.get("area"),
            f"The boundary holds {drawn:.1f} {area_unit}.",
            "Check which of the two is right; the area in the table is used.",
        )
