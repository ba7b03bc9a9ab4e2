"""Season folders for tests, made from plain dicts. Every name and number in TINY is invented."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from copy import deepcopy
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

Row = dict[str, Any]
Tables = dict[str, list[Row]]

TOML = """\
schema = 1
name = "Invented season"
timezone = "America/Chicago"
starts_on = 2027-03-01
ends_on = 2027-12-31
seed = 7

[place]
country = "Nowhere"

[units]
seed_mass = "lb"
area = "ac"
temperature = "F"
yield = "bu/ac"

[decision]
probability = 0.9
toss_up = [0.4, 0.6]

[market.soybean]
price = 10.0
unit = "bu"

[costs]
treating_fee = 1.0

[ambient]
low_c = 5
high_c = 25

[treater]
tank_l = 100

[treater.max_liquid]
soybean = "12 fl oz/cwt"
"""

TINY: Tables = {
    "requirements": [
        {
            "crop": "soybean",
            "cells_per_seed": "1e5",
            "basis": "recovered_at_planting",
            "source": "invented",
        }
    ],
    "inoculants": [
        {
            "inoculant": "liquid A",
            "host_group": "soybean",
            "species": "invented species",
            "form": "liquid",
            "placements": "seed;furrow_liquid",
            "guaranteed_titre": "1e10",
            "titre_unit": "CFU/mL",
            "guarantee_holds": "to_expiry",
            "rate": "3",
            "rate_unit": "fl oz/cwt",
            "label_rate_min": "2",
            "label_rate_max": "4",
            "pack_size": "3",
            "pack_unit": "L",
            "pack_price": "100",
            "store_min_c": "2",
            "store_max_c": "25",
            "organic_ok": "yes",
        },
        {
            "inoculant": "peat B",
            "host_group": "soybean",
            "species": "invented species",
            "form": "peat",
            "placements": "seed",
            "guaranteed_titre": "2e9",
            "titre_unit": "CFU/g",
            "guarantee_holds": "at_manufacture",
            "rate": "4",
            "rate_unit": "g/kg",
            "pack_size": "1",
            "pack_unit": "kg",
            "organic_ok": "no",
        },
    ],
    "products": [
        {
            "product": "F1",
            "kind": "fungicide",
            "metals": "none",
            "density_g_per_ml": "1.1",
            "label_rate_max": "0.5 fl oz/cwt",
            "label_crops": "soybean+lentil",
        },
        {"product": "water", "kind": "water", "label_crops": ""},
    ],
    "recipes": [
        {
            "recipe": "R1",
            "step": "1",
            "tank": "A",
            "item": "F1",
            "rate": "0.4",
            "rate_unit": "fl oz/cwt",
            "wait_minutes": "10",
            "dry_before_next": "yes",
        },
        {
            "recipe": "R1",
            "step": "2",
            "tank": "B",
            "item": "liquid A",
            "rate": "3",
            "rate_unit": "fl oz/cwt",
        },
        {
            "recipe": "R2",
            "step": "1",
            "tank": "A",
            "item": "peat B",
            "rate": "4",
            "rate_unit": "g/kg",
        },
    ],
    "stacks": [
        {
            "inoculant": "liquid A",
            "with": "F1",
            "contact": "on_seed",
            "verdict": "tested_ok",
            "max_hours": "72",
            "by": "independent",
            "source": "invented",
        }
    ],
    "lots": [
        {
            "lot": "L-1",
            "inoculant": "liquid A",
            "made_on": "2026-11-01",
            "expires_on": "2027-11-01",
            "received_on": "2027-03-02",
            "packs": "4",
        },
        {"lot": "L-2", "inoculant": "peat B", "expires_on": "2027-09-01", "packs": "10"},
    ],
    "batches": [
        {
            "batch": "B-1",
            "crop": "soybean",
            "origin": "own_run",
            "quantity": "5000",
            "quantity_unit": "lb",
            "seeds_per_lb": "2800",
            "seed_size_how": "tag",
            "recipe": "R1",
            "lot": "L-1",
            "treat_on": "2027-05-06",
        },
        {
            "batch": "B-2",
            "crop": "soybean",
            "origin": "custom",
            "quantity": "40",
            "quantity_unit": "unit",
            "seeds_per_unit": "140000",
            "seeds_per_kg": "6200",
            "recipe": "R2",
            "lot": "L-1+L-2",
        },
        {
            "batch": "B-3",
            "crop": "soybean",
            "origin": "bought_in",
            "quantity": "30",
            "quantity_unit": "bag",
            "kg_per_bag": "22.7",
            "seeds_per_lb": "2900",
            "tag_use_by": "2027-06-01",
            "tag_cells_per_seed": "2e5",
        },
    ],
    "treatments": [
        {
            "run": "T-1",
            "batch": "B-1",
            "item": "liquid A",
            "lot_or_blank": "L-1",
            "amount": "150",
            "unit": "fl oz",
            "started_at": "2027-05-06T08:00",
            "finished_at": "2027-05-06T09:30",
        }
    ],
    "stays": [
        {
            "item": "L-1",
            "stage": "package",
            "start": "2027-03-02",
            "end": "2027-05-06T08:00",
            "place": "store",
            "temp_low_c": "4",
            "temp_high_c": "8",
        },
        {
            "item": "B-1",
            "stage": "on_seed",
            "start": "2027-05-06T10:00",
            "end": "2027-05-10T07:00",
            "place": "store",
            "logger": "shed.csv",
            "temp_low_c": "5",
            "temp_high_c": "25",
            "moisture": "dry",
            "covered": "yes",
            "packaging": "breathable",
        },
        {
            "item": "B-1a",
            "stage": "planter",
            "start": "2027-05-10T07:00",
            "place": "planter",
            "temp_low_c": "10",
            "temp_high_c": "30",
        },
    ],
    "events": [
        {"item": "B-1", "at": "2027-05-10T07:00", "event": "split", "parts": "B-1a+B-1b"},
        {"item": "B-2", "at": "2027-05-09T13:00", "event": "direct_sun", "minutes": "20"},
    ],
    "plates": [
        {
            "item": "L-1",
            "sampled_at": "2027-05-05T15:00",
            "basis": "mL",
            "dilution": "1e-8",
            "volume_ml": "0.1",
            "colonies": "12",
        },
        {
            "item": "B-1",
            "sampled_at": "2027-05-09T09:00",
            "basis": "seed",
            "dilution": "0.001",
            "volume_ml": "0.1",
            "colonies": "TNTC",
            "wash_ml": "100",
            "seeds_washed": "100",
        },
    ],
    "tubes": [
        {
            "item": "North",
            "sampled_at": "2027-04-01",
            "basis": "g",
            "amount": "0.1",
            "tubes": "4",
            "positive": "3",
        },
        {
            "item": "North",
            "sampled_at": "2027-04-01",
            "basis": "g",
            "amount": "0.01",
            "tubes": "4",
            "positive": "1",
        },
    ],
    "fields": [
        {
            "field": "North",
            "area": "80",
            "crop": "soybean",
            "years_since_group": "never",
            "ph": "6.4",
            "irrigated": "no",
        },
        {"field": "South", "area": "40.5", "years_since_group": "3", "flooded_days": "0"},
    ],
    "plantings": [
        {
            "field": "North",
            "seq": "1",
            "batch": "B-1",
            "crop": "soybean",
            "planned_on": "2027-05-10",
            "planted_from": "2027-05-10T08:00",
            "planted_to": "2027-05-10T18:00",
            "area": "80",
            "seeding_rate": "140000",
            "seeding_unit": "seeds/ac",
            "row_spacing": "30",
        },
        {
            "field": "South",
            "seq": "1",
            "batch": "none",
            "crop": "soybean",
            "planned_on": "2027-05-12",
            "area": "40.5",
            "seeding_rate": "55",
            "seeding_unit": "lb/ac",
            "row_spacing": "38 cm",
        },
    ],
    "applications": [
        {
            "field": "North",
            "seq": "1",
            "lot": "L-1",
            "placement": "furrow_liquid",
            "rate": "16",
            "rate_unit": "fl oz/ac",
            "water_rate": "5 gal/ac",
            "at": "2027-05-10T08:00",
        }
    ],
    "roots": [
        {
            "field": "North",
            "seq": "1",
            "stage": "V4",
            "sampled_on": "2027-06-15",
            "plant": "1",
            "nodules": "9",
            "crown": "5",
            "dug": "spaded",
        }
    ],
    "dispositions": [
        {
            "item": "B-2",
            "on": "2027-06-20",
            "quantity": "3",
            "unit": "unit",
            "fate": "returned_unopened",
        }
    ],
}


def tiny(**changes: list[Row]) -> Tables:
    """A copy of TINY with whole tables changed."""
    return {**deepcopy(TINY), **changes}


def write_season(
    directory: Path,
    tables: Mapping[str, Sequence[Mapping[str, Any]]] | None = None,
    toml: str | None = None,
    loggers: Mapping[str, str] | None = None,
) -> Path:
    """Write a season folder of CSV tables and return it.

    Parameters
    ----------
    directory : Path
        Folder to make.
    tables : mapping of str to rows
        TINY where None; a table of no rows is left out.
    toml : str
        TOML where None.
    loggers : mapping of str to str
        Texts of ``loggers/``; ``shed.csv`` where None.
    """
    directory.mkdir(parents=True, exist_ok=True)
    (directory / "season.toml").write_text(TOML if toml is None else toml, encoding="utf-8")
    for name, rows in (TINY if tables is None else tables).items():
        if rows:
            write_table(directory / f"{name}.csv", rows)
    (directory / "loggers").mkdir(exist_ok=True)
    for name, text in ({"shed.csv": trace()} if loggers is None else loggers).items():
        (directory / "loggers" / name).write_text(text, encoding="utf-8")
    return directory


def write_table(path: Path, rows: Sequence[Mapping[str, Any]]) -> None:
    """Write rows as CSV; the header holds every key in order of first use."""
    header = list(dict.fromkeys(key for row in rows for key in row))
    with path.open("w", encoding="utf-8", newline="") as handle:
        writer = csv.writer(handle, lineterminator="\n")
        writer.writerow(header)
        writer.writerows([[row.get(key, "") for key in header] for row in rows])


def trace(
    start: str = "2027-05-06T00:00", hours: int = 120, low_c: float = 8.0, high_c: float = 18.0
) -> str:
    """An hourly logger file whose readings go up and down between two temperatures each day."""
    first = datetime.fromisoformat(start)
    lines = ["time,temp_c"]
    for hour in range(hours):
        share = 1 - abs(12 - hour % 24) / 12
        moment = first + timedelta(hours=hour)
        lines.append(
            f"{moment.isoformat(timespec='minutes')},{low_c + (high_c - low_c) * share:.2f}"
        )
    return "\n".join(lines) + "\n"
