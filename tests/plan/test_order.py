"""The order of treating runs: costs by definition, calendars, dates that bind, the command."""

from __future__ import annotations

import csv
import json
import math
import shutil
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rhizoledger.cli.app import main
from rhizoledger.errors import InputError
from rhizoledger.plan.order_cost import Due, chance_later, hours_late, start_cost
from rhizoledger.plan.work_time import Shifts, free_days, parse_days, parse_hours, work_time
from rhizoledger.report.treat_order import order_text
from rhizoledger.workflows.treat_order import Shop, treat_order_folder

DEMO = Path(__file__).parents[2] / "examples" / "demo"
SOUTH = Path(__file__).parents[2] / "examples" / "southern"
CHICAGO = ZoneInfo("America/Chicago")
APRIL, MAY = "2027-04-20", "2027-05-03"

Edit = Callable[[list[dict[str, str]]], None]

pytestmark = pytest.mark.thorough


@pytest.fixture
def season(tmp_path: Path) -> Path:
    folder = tmp_path / "season"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("plan"))
    return folder


def edited(folder: Path, table: str, edit: Edit) -> None:
    with (folder / f"{table}.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    edit(rows)
    with (folder / f"{table}.csv").open("w", newline="") as file:
        writer = csv.DictWriter(file, list(dict.fromkeys(k for row in rows for k in row)))
        writer.writeheader()
        writer.writerows(rows)


def put(batch: str, **cells: str) -> Edit:
    def edit(rows: list[dict[str, str]]) -> None:
        for row in rows:
            row.update(dict.fromkeys(cells, ""))
            if row["batch"] == batch:
                row.update(cells)

    return edit


def keep_cells(batch: str, **cells: str) -> Edit:
    def edit(rows: list[dict[str, str]]) -> None:
        for row in rows:
            if row["batch"] == batch:
                row.update(cells)

    return edit


# ---- costs


@given(st.floats(-200, 200), st.floats(0.5, 90))
@settings(max_examples=60, deadline=None)
def test_expected_hours_late_is_the_mean_over_dates(ready: float, sd: float) -> None:
    """Slow twin: the mean over a fine grid of dates and their normal weights."""
    z = np.linspace(-9, 9, 200_001)
    weight = np.exp(-z * z / 2)
    mean = float((np.maximum(0, ready - sd * z) * weight).sum() / weight.sum())
    assert float(hours_late(np.array([ready]), sd)[0]) == pytest.approx(mean, abs=1e-4)
    later = float((weight * (sd * z > ready)).sum() / weight.sum())
    assert float(chance_later(np.array([ready]), sd)[0]) == pytest.approx(later, abs=2e-4)


def test_a_small_spread_is_nearly_none() -> None:
    x = np.array([-5.0, 2.0])
    assert hours_late(x, 1e-6) == pytest.approx(hours_late(x, 0.0), abs=1e-5)
    assert chance_later(x, 1e-6) == pytest.approx(chance_later(x, 0.0), abs=1e-9)


def test_later_starts_are_later_and_windows_close_less() -> None:
    at = datetime(2027, 5, 10, 12, tzinfo=UTC)
    dues = (Due("a", at, 48, 0.5, 2.0, 100.0), Due("b", at, 24, 0.5, 2.0, 100.0))
    start = at.timestamp() + 3600 * np.linspace(-200, 100, 61)
    cost = start_cost(start, 60.0, dues, 48.0)
    assert (np.diff(cost.late) >= 0).all() and (np.diff(cost.again) <= 0).all()
    assert cost.again[0] == pytest.approx(200.0, rel=1e-3)
    alone = [start_cost(start, 60.0, (d,), 48.0).whole for d in dues]
    assert cost.whole == pytest.approx(alone[0] + alone[1])
    assert start_cost(start, 60.0, dues, None).again.max() == 0


# ---- working time


def test_days_of_a_clock_change_have_the_hours_they_have() -> None:
    all_day = Shifts(parse_hours("0-24"), parse_days("mon-sun"))
    for day, hours in ((date(2027, 3, 14), 23), (date(2027, 3, 15), 24), (date(2027, 11, 7), 25)):
        first = datetime(day.year, day.month, day.day, tzinfo=CHICAGO)
        time = work_time(all_day, first, [day], CHICAGO, 30)
        assert len(time) == 2 * hours
        assert np.diff(time.start_s) == pytest.approx(1800)


def test_nights_breaks_and_closed_days_are_left_out() -> None:
    shifts = Shifts(parse_hours("8-12,13-18"), parse_days("mon-fri"), frozenset([date(2027, 5, 4)]))
    first = datetime(2027, 5, 1, tzinfo=CHICAGO)
    time = work_time(shifts, first, free_days(date(2027, 5, 1), 7), CHICAGO, 60)
    local = [time.at(i).astimezone(CHICAGO) for i in range(len(time))]
    assert {x.date().isoformat()[-2:] for x in local} == {"03", "05", "06", "07"}
    assert [x.hour for x in local[:9]] == [8, 9, 10, 11, 13, 14, 15, 16, 17]
    assert time.ends[:9].tolist() == [4] * 4 + [9] * 5
    late = work_time(shifts, first + timedelta(days=2, hours=9.5), [date(2027, 5, 3)], CHICAGO, 60)
    assert late.at(0).astimezone(CHICAGO).hour == 10


@pytest.mark.parametrize("text", ["", "8", "18-8", "8-25", "8-12,11-15", "8:75-9", "a-b", "8-9-10"])
def test_hours_that_are_none_are_refused(text: str) -> None:
    with pytest.raises(InputError, match="--hours"):
        parse_hours(text)


@pytest.mark.parametrize("text", ["", "noday", "mon-", "mon-tue-wed"])
def test_days_that_are_none_are_refused(text: str) -> None:
    with pytest.raises(InputError, match="--days"):
        parse_days(text)


# ---- a season


def test_every_run_is_placed_once_in_working_hours_without_overlap() -> None:
    found = treat_order_folder(DEMO, as_of=APRIL)
    assert found["status"] == "best"
    placed = [r["batch"] for r in found["runs"]]
    assert sorted(placed) == ["S01", "S02", "S04", "S06", "S07", "S08", "S09", "S11", "S12", "S13"]
    assert [x["batch"] for x in found["left_out"]] == ["S05"]
    before = datetime(2027, 4, 21, tzinfo=CHICAGO)
    for r in found["runs"]:
        start, end = datetime.fromisoformat(r["start"]), datetime.fromisoformat(r["end"])
        assert start.weekday() < 6 and start.hour >= 8
        assert (end.hour, end.minute) <= (18, 0) and end.date() == start.date()
        assert start - before >= timedelta(minutes=0)
        same_day = before.date() == start.date()
        if same_day:
            assert start - before >= timedelta(minutes=r["cleanout_min"])
        before = end
    c = found["cost"]
    assert c["whole"] == pytest.approx(c["late"] + c["cleanout"] + c["reinoculate"])
    assert c["whole"] <= c["greedy"] + 1e-9
    assert c["whole"] == pytest.approx(sum(sum(r["cost"].values()) for r in found["runs"]))


def test_a_run_that_a_rule_stops_is_in_no_order() -> None:
    found = treat_order_folder(DEMO)
    assert [r["batch"] for r in found["runs"]] == ["S13"]
    text = order_text(found)
    assert text.startswith("Run S13 first:")
    assert "Not in the order: S05. STOP." in text


def test_money_where_prices_are_and_points_where_one_is_missing(season: Path) -> None:
    assert treat_order_folder(season)["cost"]["unit"] == "money"
    toml = (season / "season.toml").read_text().replace("[delay.soybean]", "[delay.pea]")
    (season / "season.toml").write_text(toml)
    found = treat_order_folder(season)
    assert found["cost"]["unit"] == "points"
    assert "Points, because" in order_text(found)
    own = treat_order_folder(season, shop=Shop(late_per_hour=7.0, reinoculate=300.0))
    assert own["cost"]["unit"] == "money"
    assert {p["late_per_hour"] for r in own["runs"] for p in r["plantings"]} == {7.0}


def test_an_hour_of_waiting_costs_the_yield_lost_over_the_area() -> None:
    found = treat_order_folder(DEMO, as_of=MAY)
    (s01,) = [r for r in found["runs"] if r["batch"] == "S01"]
    by_field = {p["planting"]: p for p in s01["plantings"]}
    # 0.3 bu/ac a day at 10 a bushel over 240 ac, by the hour
    assert by_field["A1/1"]["late_per_hour"] == pytest.approx(0.3 * 10 * 240 / 24)
    assert by_field["A2/1"]["spread_days"] == 1.0
    assert by_field["A1/1"]["share"] == pytest.approx(0.75)


def test_a_run_lasts_as_long_as_its_seed_passes_and_waits() -> None:
    (s13,) = treat_order_folder(DEMO)["runs"]
    # 4000 lb at 600 lb/min twice, because the first items dry, and their 20 min
    assert s13["minutes"] == pytest.approx(2 * 4000 / 600 + 20)
    slow = treat_order_folder(DEMO, shop=Shop(pace=3.0))["runs"][0]
    assert slow["minutes"] == pytest.approx(3 * s13["minutes"])


def test_small_tanks_are_filled_again(season: Path) -> None:
    toml = (season / "season.toml").read_text().replace("tank_l = 200.0", "tank_l = 2.0")
    (season / "season.toml").write_text(toml)
    (s13,) = treat_order_folder(season)["runs"]
    fl_oz = 29.5735295625
    fills = [math.ceil(rate * 40 * fl_oz / 2000) for rate in (3.5, 2.8)]  # tanks A and B, 40 cwt
    assert s13["refills"] == sum(n - 1 for n in fills) > 0
    assert s13["minutes"] == pytest.approx(2 * 4000 / 600 + 20 + 10 * s13["refills"])


def test_no_run_starts_before_its_seed_is_there(season: Path) -> None:
    edited(season, "batches", put("S01", ready_on="2027-05-12T15:00"))
    found = treat_order_folder(season, as_of=MAY)
    (s01,) = [r for r in found["runs"] if r["batch"] == "S01"]
    assert s01["start"] >= "2027-05-12T15:00"
    assert "the seed is there from" in s01["not_before"]


@pytest.mark.parametrize("text", ["soon", "2027-03-14T02:30", "2027-02-30"])
def test_a_day_of_seed_that_is_none_is_refused(season: Path, text: str) -> None:
    edited(season, "batches", put("S01", ready_on=text))
    with pytest.raises(InputError, match="ready_on"):
        treat_order_folder(season, as_of=MAY)


def test_a_clean_out_table_outranks_the_default_and_turns_the_order(season: Path) -> None:
    base = treat_order_folder(season, as_of=MAY)
    pairs = [(a["recipe"], b["recipe"]) for a, b in pairwise(base["runs"])]
    dear = [(a, b) for a, b in pairs if a != b]
    lines = ["from_recipe,to_recipe,minutes", *(f"{a},{b},600" for a, b in dear)]
    (season / "cleanouts.csv").write_text("\n".join(lines))
    found = treat_order_folder(season, as_of=MAY)
    after = [(a["recipe"], b["recipe"]) for a, b in pairwise(found["runs"])]
    assert found["assumed"]["cleanouts"] is True
    assert set(after) & set(dear) < set(dear)
    assert found["cost"]["whole"] >= base["cost"]["whole"] - 1e-9


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("R-NONE,R-STD,30", "no recipe of the season"),
        ("R-STD,R-ZN,-5", "may not be negative"),
        ("R-STD,R-ZN,", "Minutes are missing"),
        ("R-STD,R-ZN,abc", "not a number"),
        ("R-STD,R-ZN,30\nR-STD,R-ZN,40", "other minutes"),
    ],
)
def test_clean_outs_that_cannot_be_used_are_named(season: Path, row: str, words: str) -> None:
    (season / "cleanouts.csv").write_text(f"from_recipe,to_recipe,minutes\n{row}\n")
    with pytest.raises(InputError, match=words):
        treat_order_folder(season)


def test_a_lot_that_expires_too_soon_is_named_with_its_hours(season: Path) -> None:
    def expire(rows: list[dict[str, str]]) -> None:
        for row in rows:
            if row["lot"] == "L1-B":
                row["expires_on"] = "2027-05-13"

    edited(season, "lots", expire)
    found = treat_order_folder(season, start="2027-05-14")
    assert found["status"] == "impossible" and not found["runs"]
    (over,) = found["overruns"]
    assert over["batch"] == "S13" and over["even_alone"]
    # S13 could end at 08:33 at the soonest, after 30 min of cleaning out; L1-B ends at midnight.
    assert over["hours"] == pytest.approx(8 + (30 + 2 * 4000 / 600 + 20) / 60, abs=0.01)
    text = order_text(found)
    assert text.startswith("No order of these runs keeps every last day.")
    assert "lot L1-B expires on 2027-05-13" in text


def test_days_before_a_last_day_are_kept(season: Path) -> None:
    def expire(rows: list[dict[str, str]]) -> None:
        for row in rows:
            if row["lot"] == "L1-B":
                row["expires_on"] = "2027-05-11"

    edited(season, "lots", expire)
    found = treat_order_folder(season, as_of=MAY)
    lots = {r["batch"]: r["end"] for r in found["runs"]}
    for name in ("S01", "S04", "S08", "S11", "S13"):
        assert lots[name] <= "2027-05-12T00:00"
    assert any("expires on 2027-05-11, before its planned planting" in n for n in found["notes"])


@pytest.mark.parametrize(
    ("shop", "words"),
    [
        (Shop(seed_flow="0 lb/min"), "moves no seed"),
        (Shop(seed_flow="-3 lb/min"), "moves no seed"),
        (Shop(seed_flow="600"), "no flow of seed"),
        (Shop(seed_flow="600 L/min"), "no flow of seed"),
        (Shop(seed_flow="nan lb/min"), "moves no seed"),
        (Shop(seed_flow="1 lb/h"), "longest stretch of work"),
        (Shop(pace=0.0), "--pace"),
        (Shop(cleanout_min=-1.0), "--cleanout-min"),
        (Shop(spread_days=float("nan")), "--spread-days"),
        (Shop(late_per_hour=-1.0), "--late-per-hour"),
        (Shop(reinoculate=float("inf")), "--reinoculate"),
        (Shop(step_min=1), "--step-min"),
        (Shop(closed=("someday",)), "--closed"),
        (Shop(hours="18-8"), "--hours"),
    ],
)
def test_options_that_cannot_be_used_are_refused(shop: Shop, words: str) -> None:
    with pytest.raises(InputError, match=words):
        treat_order_folder(DEMO, shop=shop)


def test_a_first_day_that_is_past_is_refused() -> None:
    with pytest.raises(InputError, match="--from 2027-05-01 is past"):
        treat_order_folder(DEMO, start="2027-05-01")
    with pytest.raises(InputError, match="--from 'soon' is not a date"):
        treat_order_folder(DEMO, start="soon")


def test_no_batch_to_treat_is_said_with_why() -> None:
    with pytest.raises(InputError, match=r"No batch is left to treat after 2027-06-10"):
        treat_order_folder(DEMO, as_of="2027-06-10")


def test_a_season_without_a_machine_asks_for_its_flow() -> None:
    with pytest.raises(InputError, match="seed_flow under"):
        treat_order_folder(SOUTH)
    found = treat_order_folder(SOUTH, shop=Shop(seed_flow="12 t/h"))
    (t2,) = found["runs"]
    assert t2["minutes"] == pytest.approx(2300.5 / 200)


def test_seed_of_unknown_mass_is_named(season: Path) -> None:
    cells = {"quantity_unit": "unit", "quantity": "100", "seeds_per_lb": "", "seed_size_how": ""}
    edited(season, "batches", keep_cells("S13", **cells))
    with pytest.raises(InputError, match=r"batches\.csv, row 14, column quantity"):
        treat_order_folder(season)


def test_an_unknown_wait_is_assumed_short_and_said() -> None:
    found = treat_order_folder(DEMO, as_of=MAY)
    unknown = [r for r in found["runs"] if not r["window_known"]]
    assert {r["batch"] for r in unknown} == {"S02", "S04", "S06", "S12"}
    assert all(r["plant_by"] is None and r["window_hours"] == 24.0 for r in unknown)
    assert "24 h, which is assumed" in order_text(found).replace("\n  ", " ")
    label = {r["batch"]: r["window_hours"] for r in found["runs"] if r["window_known"]}
    assert label["S11"] == 72.0 and label["S01"] == 240.0


def test_the_command_prints_and_writes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["treat", "order", str(DEMO), "--as-of", MAY, "--out", str(tmp_path)]) == 0
    text = capsys.readouterr().out
    assert text.startswith("Run S01 first: ")
    assert "never outranks" in text or "never\n" in text
    assert max(map(len, text.splitlines()[:-3])) <= 80
    with (tmp_path / "order.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert main(["treat", "order", str(DEMO), "--as-of", MAY, "--json"]) == 0
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert [r["batch"] for r in rows] == [r["batch"] for r in found["runs"]]
    assert (tmp_path / "order.png").read_bytes()[:4] == b"\x89PNG"
    svg = (tmp_path / "order.svg").read_text()
    assert all(r["batch"] in svg for r in found["runs"])
    assert main(["treat", "order", str(DEMO), "--from", "2027-01-01"]) == 2
    assert "is past" in capsys.readouterr().err
