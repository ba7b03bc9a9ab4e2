"""The main job on real hourly readings: a week of Seattle's May, in °F, beside a batch of seed.

The readings are those that the PyPI package vega_datasets carries. The season's own evidence fixes
the parameters, so that the ledger can be held against an integral worked out here step by step.
"""

from __future__ import annotations

import csv
import math
import shutil
from datetime import datetime
from importlib.util import find_spec
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from rhizoledger.workflows.plan import make_plan

BY_HAND = Path(__file__).parent / "by_hand"
ZONE = ZoneInfo("America/Los_Angeles")
TREATED, PLANTED = datetime(2010, 5, 10, 8), datetime(2010, 5, 17, 8)
LOSS, SHARE, Z, REFERENCE, PERIOD_D = 1.8, 0.25, 60.0, 22.5, 21.0
EDGE = 15.0  # below it the rate at it is charged

pytestmark = pytest.mark.skipif(
    find_spec("vega_datasets") is None, reason="vega_datasets, which carries the file, is missing"
)


def readings() -> list[tuple[str, float]]:
    """Hourly readings of May 2010: local time as text, temperature [°F]."""
    spec = find_spec("vega_datasets")
    assert spec is not None and spec.submodule_search_locations
    path = Path(next(iter(spec.submodule_search_locations))) / "_data" / "seattle-temps.csv"
    with path.open(encoding="utf-8", newline="") as f:
        rows = list(csv.DictReader(f))
    return [
        (r["date"].replace("/", "-").replace(" ", "T"), float(r["temp"]))
        for r in rows
        if r["date"].startswith("2010/05")
    ]


@pytest.fixture
def season(tmp_path: Path) -> Path:
    folder = tmp_path / "season"
    shutil.copytree(BY_HAND, folder)
    toml = (folder / "season.toml").read_text(encoding="utf-8")
    toml = toml.replace('"UTC"', f'"{ZONE.key}"').replace("2027", "2010")
    (folder / "season.toml").write_text(toml, encoding="utf-8")
    for name in ("lots.csv", "batches.csv", "plantings.csv"):
        text = (folder / name).read_text(encoding="utf-8").replace("2027", "2010")
        text = text.replace("2010-05-01T08:00", TREATED.isoformat(timespec="minutes"))
        text = text.replace("2010-05-03T08:00", PLANTED.isoformat(timespec="minutes"))
        (folder / name).write_text(text, encoding="utf-8")
    (folder / "stays.csv").write_text(
        "item,stage,start,end,place,logger,covered\n"
        f"B1,on_seed,{TREATED.isoformat()},{PLANTED.isoformat()},store,shed.csv,yes\n",
        encoding="utf-8",
    )
    (folder / "loggers").mkdir()
    with (folder / "loggers" / "shed.csv").open("w", encoding="utf-8", newline="") as f:
        writer = csv.writer(f)
        writer.writerow(["Date/Time", "Temperature (°F)"])
        writer.writerows(readings())
    return folder


def pace(temp_c: np.ndarray) -> np.ndarray:
    return 10 ** ((np.maximum(temp_c, EDGE) - REFERENCE) / Z)


def test_the_ledger_agrees_with_an_integral_worked_out_step_by_step(season: Path) -> None:
    times = [datetime.fromisoformat(t).replace(tzinfo=ZONE).timestamp() for t, _ in readings()]
    temps = (np.array([f for _, f in readings()]) - 32) * 5 / 9
    start, end = (t.replace(tzinfo=ZONE).timestamp() for t in (TREATED, PLANTED))
    middle = np.arange(start, end, 10.0) + 5.0
    mean_pace = float(pace(np.interp(middle, times, temps)).mean())
    days = (end - start) / 86_400
    loss = LOSS * (SHARE * mean_pace + (1 - SHARE) * mean_pace * days / PERIOD_D)
    closing = math.log10(5e9 * 2 / 6000) - loss

    (batch,) = make_plan(season).document["batches"]
    assert batch["cells_per_seed_log10"]["value"] == pytest.approx(closing, abs=2e-5)
    last = batch["ledger"][-1]
    assert (last["step"], last["state"]) == ("on_seed", "quantified")
    assert "below 15 °C the rate at 15 °C is charged" in last["why"]


def test_a_warmer_record_of_the_same_week_costs_more(season: Path) -> None:
    before = make_plan(season).document["batches"][0]["cells_per_seed_log10"]["value"]
    path = season / "loggers" / "shed.csv"
    rows = list(csv.reader(path.read_text(encoding="utf-8").splitlines()))
    lines = [",".join(rows[0]), *(f"{t},{float(f) + 9}" for t, f in rows[1:])]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    after = make_plan(season).document["batches"][0]["cells_per_seed_log10"]["value"]
    assert after < before
