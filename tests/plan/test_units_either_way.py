"""Units either way give the same bytes: °F or °C beside the seed, kg or lb of it."""

from __future__ import annotations

import csv
import shutil
from pathlib import Path

import pytest

from rhizoledger.workflows.plan import make_plan, to_text

DEMO = Path(__file__).parents[2] / "examples" / "demo"
LB_KG = 0.45359237


@pytest.fixture
def season(tmp_path: Path) -> Path:
    folder = tmp_path / "season"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("plan"))
    return folder


def answers(folder: Path) -> dict[str, str]:
    """Batches, plantings and fields as text, by name."""
    d = make_plan(folder).document
    out = {f"batch {b['batch']}": to_text(b) for b in d["batches"]}
    out |= {f"planting {p['field']}/{p['seq']}": to_text(p) for p in d["plantings"]}
    return out | {f"field {f['field']} {f['crop']}": to_text(f) for f in d["fields"]}


def rewrite(path: Path, change: object) -> int:
    """Apply ``change`` to every row; how many rows it changed."""
    assert callable(change)
    with path.open(encoding="utf-8-sig", newline="") as f:
        rows = list(csv.DictReader(f))
    changed = [change(dict(row)) for row in rows]
    header = list(dict.fromkeys(key for row in changed for key in row))
    with path.open("w", encoding="utf-8", newline="") as f:
        writer = csv.DictWriter(f, header)
        writer.writeheader()
        writer.writerows(changed)
    return sum(a != b for a, b in zip(rows, changed, strict=True))


@pytest.mark.thorough
def test_fahrenheit_or_celsius(season: Path) -> None:
    before = answers(season)
    changed = 0

    def turned(row: dict[str, str]) -> dict[str, str]:
        if "temp_c" in row:
            return {"time": row["time"], "temp_f": repr(float(row["temp_c"]) * 9 / 5 + 32)}
        return {"time": row["time"], "temp_c": repr((float(row["temp_f"]) - 32) * 5 / 9)}

    for path in sorted((season / "loggers").glob("*.csv")):
        changed += rewrite(path, turned)
    assert changed > 800
    assert answers(season) == before


@pytest.mark.thorough
def test_pounds_or_kilograms(season: Path) -> None:
    before = answers(season)

    def turned(row: dict[str, str]) -> dict[str, str]:
        if row["quantity_unit"] == "lb":
            row |= {"quantity": repr(float(row["quantity"]) * LB_KG), "quantity_unit": "kg"}
        if row.get("seeds_per_lb"):
            row |= {"seeds_per_kg": repr(float(row["seeds_per_lb"]) / LB_KG), "seeds_per_lb": ""}
        return row

    assert rewrite(season / "batches.csv", turned) >= 5
    assert answers(season) == before
