"""The example seasons: each reads without an error, and each holds the situations it is there for.

What the plan answers for them is asserted beside the plan's own tests; here only the data are.
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta
from functools import lru_cache
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from rhizoledger.evidence.facts import host_group_of
from rhizoledger.evidence.load import load_evidence
from rhizoledger.records import NEVER, Batch, Planting, Season, Stay
from rhizoledger.workflows.season import check, load

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
NAMES = ("demo", "southern", "canada")

LARGEST_BYTES = 400_000
MIN_READINGS = 200
DAY_S = 86_400


@lru_cache
def season(name: str) -> Season:
    return load(EXAMPLES / name)


@pytest.fixture(scope="module")
def demo() -> Season:
    return season("demo")


def batch(demo: Season, name: str) -> Batch:
    return next(b for b in demo.batches if b.batch == name)


def items_of(demo: Season, recipe: str | None) -> set[str]:
    return {s.item for s in demo.recipes if s.recipe == recipe}


def planting_of(demo: Season, batch_name: str) -> Planting:
    return next(p for p in demo.plantings if p.batch == batch_name)


def years(demo: Season, field: str) -> float | None:
    return next(f.years_since_group for f in demo.fields if f.field == field)


def on_first_time_ground(demo: Season, batch_name: str) -> bool:
    return any(
        p.batch == batch_name and years(demo, p.field) in (None, NEVER) for p in demo.plantings
    )


def readings(demo: Season, stay: Stay) -> tuple[np.ndarray, np.ndarray]:
    """Times [s] and temperatures [°C] of a stay's logger inside the stay."""
    assert stay.logger is not None and stay.end is not None
    trace = demo.traces[stay.logger]
    inside = (trace.time_s >= stay.start.timestamp()) & (trace.time_s <= stay.end.timestamp())
    return trace.time_s[inside], trace.temp_c[inside]


# every example -----------------------------------------------------------------------------------


def test_these_are_the_only_examples() -> None:
    assert sorted(p.name for p in EXAMPLES.iterdir() if p.is_dir()) == sorted(NAMES)


@pytest.mark.parametrize("name", NAMES)
def test_reads_without_an_error(name: str) -> None:
    """The one warning is the hole in a logger that the demo is there to show."""
    problems = check(EXAMPLES / name)
    places = [(p.severity, p.file) for p in problems]
    meant = [("warning", "loggers/shed-2.csv")] if name == "demo" else []
    assert places == meant, [p.sentence() for p in problems]


@pytest.mark.parametrize("name", NAMES)
def test_says_that_it_is_invented(name: str) -> None:
    assert "invented" in season(name).settings.name.casefold()
    notes = (EXAMPLES / name / "NOTES.md").read_text(encoding="utf-8")
    assert "Nothing in this folder happened" in notes


@pytest.mark.parametrize("name", NAMES)
def test_names_are_plain_codes(name: str) -> None:
    s = season(name)
    products = [i.inoculant for i in s.inoculants] + [p.product for p in s.products]
    assert all(re.fullmatch(r"[A-Z]+(-[A-Z]?\d?)?", p) for p in products), products
    people = [f.grower for f in s.fields] + [b.owner for b in s.batches]
    assert all(p is None or re.fullmatch(r"Grower \d", p) for p in people), people


@pytest.mark.parametrize("name", NAMES)
def test_every_lot_and_stay_is_used_by_something(name: str) -> None:
    s = season(name)
    used = {lot for b in s.batches for lot in b.lots}
    used |= {t.lot for t in s.treatments if t.lot} | {a.lot for a in s.applications}
    used |= {d.item for d in s.dispositions}
    assert {lot.lot for lot in s.lots} <= used
    assert set(s.traces) == {stay.logger for stay in s.stays if stay.logger}


@pytest.mark.parametrize("name", NAMES)
def test_seed_suffices_for_what_is_planted(name: str) -> None:
    """A batch covers the area its plantings take: the figures hang together."""
    lb_kg, acre_ha = 0.45359237, 0.40468564224  # definitions: international pound and acre
    s = season(name)
    parcels = {part: e.item for e in s.events for part in e.parts}
    need: dict[str, float] = {}
    for p in s.plantings:
        if p.batch is None:
            continue
        b = batch(s, parcels.get(p.batch, p.batch))
        assert b.seeds_per_kg is not None
        per_area = {
            "seeds/ac": p.seeding_rate / b.seeds_per_kg,
            "seeds/ha": p.seeding_rate / b.seeds_per_kg,
            "lb/ac": p.seeding_rate * lb_kg,
            "kg/ha": p.seeding_rate,
        }[p.seeding_unit]
        area = p.area
        if p.seeding_unit.endswith("/ha") != (s.settings.units.area == "ha"):
            area = p.area * (acre_ha if s.settings.units.area == "ac" else 1 / acre_ha)
        need[b.batch] = need.get(b.batch, 0.0) + per_area * area
    for name_of_batch, kg in need.items():
        mass = batch(s, name_of_batch).mass_kg
        assert mass is not None and kg <= mass, name_of_batch


def test_the_examples_are_small() -> None:
    """What is shipped; a plan that somebody made there is none of it."""
    shipped = [p for p in EXAMPLES.rglob("*") if p.is_file() and p.parent.name != "plan"]
    assert sum(p.stat().st_size for p in shipped) < LARGEST_BYTES


# the demo ----------------------------------------------------------------------------------------


def test_demo_loggers_are_long_enough(demo: Season) -> None:
    assert len(demo.traces) == 4
    assert all(len(t.time_s) >= MIN_READINGS for t in demo.traces.values())


def test_demo_has_liquid_peat_and_granule_lots(demo: Season) -> None:
    form = {i.inoculant: i.form for i in demo.inoculants}
    assert {form[lot.inoculant] for lot in demo.lots} >= {"liquid", "peat", "granule"}


def test_demo_has_own_custom_and_bought_in_batches(demo: Season) -> None:
    assert {b.origin for b in demo.batches} >= {"own_run", "custom", "bought_in"}


def test_demo_changes_a_jug_in_mid_run(demo: Season) -> None:
    jugs = [t for t in demo.treatments if t.batch == "S01" and t.item == "INO-L1"]
    assert [j.lot for j in jugs] == ["L1-A", "L1-B"]
    assert len({j.run for j in jugs}) == 1
    assert jugs[0].finished_at is not None and jugs[0].finished_at <= jugs[1].started_at


def test_demo_runs_were_done_near_plan(demo: Season) -> None:
    """Every amount done lies within 2 % of the recipe's rate on the batch's mass."""
    for t in demo.treatments:
        b = batch(demo, t.batch)
        step = next(s for s in demo.recipes if s.recipe == b.recipe and s.item == t.item)
        assert step.rate_unit == f"{t.unit}/cwt" and b.quantity_unit == "lb"
        done = sum(x.amount for x in demo.treatments if (x.run, x.item) == (t.run, t.item))
        assert done == pytest.approx(step.rate * b.quantity / 100, rel=0.02), t


def test_demo_puts_seed_and_furrow_on_never_soybean_ground(demo: Season) -> None:
    furrow = {(a.field, a.seq) for a in demo.applications}
    both = [p for p in demo.plantings if p.batch and (p.field, p.seq) in furrow]
    assert any(years(demo, p.field) == NEVER for p in both)


def test_demo_has_bare_seed_with_a_furrow_dose(demo: Season) -> None:
    bare = [p for p in demo.plantings if p.batch is None]
    assert {(p.field, p.seq) for p in bare} <= {(a.field, a.seq) for a in demo.applications}
    assert bare


def test_demo_has_a_replant_and_leftovers(demo: Season) -> None:
    replant = next(p for p in demo.plantings if p.reason == "replant")
    assert replant.seq == 2
    assert any(p.field == replant.field and p.seq == 1 for p in demo.plantings)
    assert {d.fate for d in demo.dispositions} >= {"planted", "disposed", "returned_unopened"}


def test_demo_has_a_split_parcel(demo: Season) -> None:
    parts = [part for e in demo.events if e.event == "split" for part in e.parts]
    assert any(p.batch in parts for p in demo.plantings)


def test_demo_has_a_crop_without_gain_evidence(demo: Season) -> None:
    field = next(f for f in demo.fields if f.crop == "lentil")
    assert field.years_since_group not in (None, NEVER)
    assert not any(p.startswith("gain.lentil") for p in load_evidence())
    assert "lentil" not in {r.crop for r in demo.requirements}


def test_demo_has_a_crop_of_unknown_host_group(demo: Season) -> None:
    crops = {p.crop for p in demo.plantings}
    assert {c for c in crops if host_group_of(c) is None} == {"guar"}


def test_demo_has_a_requirement_that_cites_its_source(demo: Season) -> None:
    row = next(r for r in demo.requirements if r.crop == "soybean")
    assert row.basis == "recovered_at_planting"
    assert row.cells_per_seed == 1e5
    assert "repealed 2013" in row.source


def colonies_per(demo: Season, item: str) -> float:
    """Colonies over volume times dilution, countable plates only."""
    rows = [p for p in demo.plates if p.item == item and isinstance(p.colonies, int)]
    plated = sum(p.volume_ml * p.dilution for p in rows)
    return sum(int(p.colonies) for p in rows) / plated


def test_demo_has_a_count_that_contradicts_a_guarantee(demo: Season) -> None:
    guarantee = next(i.guaranteed_titre for i in demo.inoculants if i.inoculant == "INO-L1")
    assert guarantee is not None
    rows = [p for p in demo.plates if p.item == "L1-C"]
    assert len({p.dilution for p in rows}) >= 3 and len(rows) >= 9
    assert colonies_per(demo, "L1-C") < guarantee / 10
    assert colonies_per(demo, "L1-A") == pytest.approx(guarantee, rel=0.3)
    assert on_first_time_ground(demo, "S12") and batch(demo, "S12").lots == ("L1-C",)


def test_demo_has_a_count_that_rescues_a_batch(demo: Season) -> None:
    hot = next(s for s in demo.stays if s.place == "vehicle_closed")
    event = next(e for e in demo.events if e.event == "closed_vehicle")
    rows = [p for p in demo.plates if p.basis == "seed"]
    assert {hot.item, event.item} == {p.item for p in rows} == {"S07"}
    assert all(p.sampled_at > event.at and p.colonies_are == "target" for p in rows)
    wash_ml, seeds = rows[0].wash_ml, rows[0].seeds_washed
    assert wash_ml is not None and seeds is not None
    per_seed = colonies_per(demo, "S07") * wash_ml / seeds
    assert per_seed > 5 * demo.requirements[0].cells_per_seed
    assert on_first_time_ground(demo, "S07")


def test_demo_has_every_kind_of_plate(demo: Season) -> None:
    assert {p.colonies for p in demo.plates if isinstance(p.colonies, str)} == {"TNTC", "SPR"}


def test_demo_has_a_hot_afternoon_with_a_harmless_mean(demo: Season) -> None:
    stay = next(s for s in demo.stays if s.place == "tender")
    _, temp_c = readings(demo, stay)
    top = load_evidence()["survival.on_seed.soybean.log10_loss_21d"].valid_c
    assert top is not None
    assert 17 < temp_c.mean() < 22
    assert temp_c.max() > top[1]
    assert on_first_time_ground(demo, stay.item)


def test_demo_has_a_bounded_gap(demo: Season) -> None:
    stay = next(s for s in demo.stays if s.logger == "shed-2.csv")
    time_s, _ = readings(demo, stay)
    assert np.diff(time_s).max() == 9 * 3_600
    assert stay.temp_low_c is not None and stay.temp_high_c is not None


def test_demo_has_every_kind_of_stack(demo: Season) -> None:
    assert {s.verdict for s in demo.stacks} == {"label_allows", "label_forbids", "tested_harmful"}
    allowed = [s for s in demo.stacks if s.verdict == "label_allows"]
    assert all(s.max_hours for s in allowed)
    harmful = next(s for s in demo.stacks if s.verdict == "tested_harmful")
    assert (harmful.loss_basis, harmful.by) == ("over_check", "independent")
    spoken_of = {name for s in demo.stacks for name in s.with_}
    untested = items_of(demo, batch(demo, "S04").recipe) - spoken_of - {"INO-L1"}
    assert untested == {"ZNMIX-D"} and batch(demo, "S04").recipe not in spoken_of
    assert next(p for p in demo.products if p.product == "ZNMIX-D").metals == "Zn+Mn"
    assert "BIO-E" in items_of(demo, batch(demo, "S05").recipe)


def test_demo_has_a_closed_window_on_first_time_ground(demo: Season) -> None:
    zone = ZoneInfo(demo.settings.timezone)
    start = min(t.started_at for t in demo.treatments if t.batch == "S11")
    window = next(s for s in demo.stacks if s.with_ == ("FUNG-A",))
    planned = planting_of(demo, "S11").planned_on
    assert window.max_hours is not None
    closes = (start + timedelta(hours=window.max_hours)).astimezone(zone)
    assert closes.date() < (planned.date() if isinstance(planned, datetime) else planned)
    assert on_first_time_ground(demo, "S11")


def test_demo_has_an_expired_lot(demo: Season) -> None:
    assert isinstance(demo.settings.as_of, type(demo.lots[0].expires_on))
    expired = [lot.lot for lot in demo.lots if lot.expires_on < demo.settings.as_of]
    assert expired == ["P1-B"]


def test_demo_has_slurry_chlorine_guess_and_organic(demo: Season) -> None:
    assert any(s.stage == "slurry" and s.moisture == "wet" for s in demo.stays)
    assert any(r.water_source == "chlorinated" for r in demo.recipes)
    assert any(e.event == "opened" for e in demo.events)
    assert [b.batch for b in demo.batches if b.seed_size_how == "guess"] == ["S02"]
    organic = [f.field for f in demo.fields if f.organic]
    assert organic == [planting_of(demo, "S12").field]


def test_demo_fields_have_histories_of_every_kind(demo: Season) -> None:
    past = {f.years_since_group for f in demo.fields}
    assert past >= {NEVER, None, 1, 2, 6, 17}
    assert any(f.ph is not None and f.ph < 5.5 for f in demo.fields)
    assert any((f.flooded_days or 0) > 7 for f in demo.fields)
    assert any((f.sand_pct or 0) >= 70 for f in demo.fields)
    assert {t.item for t in demo.tubes} <= {f.field for f in demo.fields}


def test_demo_has_plans_and_facts(demo: Season) -> None:
    """Stays go on as plans after the last fact; two batches are yet to be treated."""
    treated = {t.batch for t in demo.treatments}
    planned = [b.batch for b in demo.batches if b.treat_on and b.batch not in treated]
    assert planned == ["S05", "S13"]
    last = max(int(t.time_s[-1]) for t in demo.traces.values())
    assert any(s.start.timestamp() > last for s in demo.stays)


def test_every_batch_is_followed_without_a_hole(demo: Season) -> None:
    """A hole would be bounded by the ambient range only; the demo's one gap is meant."""
    for b in demo.batches:
        stays = sorted((s for s in demo.stays if s.item == b.batch), key=lambda s: s.start)
        for before, after in pairwise(stays):
            assert before.end == after.start, (b.batch, after.row)
        started = [t.started_at for t in demo.treatments if t.batch == b.batch]
        assert not started or stays[0].start == min(started), b.batch


# the other two -----------------------------------------------------------------------------------


def test_southern_season_crosses_the_year() -> None:
    s = season("southern").settings
    assert s.starts_on.year < s.ends_on.year
    assert s.lat is not None and s.lat < 0
    assert (s.units.seed_mass, s.units.area, s.units.temperature, s.units.yield_) == (
        "kg",
        "ha",
        "C",
        "kg/ha",
    )


def test_southern_tables_use_semicolons_and_decimal_commas() -> None:
    folder = EXAMPLES / "southern"
    with_commas = [
        p.name
        for p in folder.glob("*.csv")
        if re.search(r"(?:^|;)\d+,\d+(?:;|$)", p.read_text(encoding="utf-8"), re.MULTILINE)
    ]
    assert {"batches.csv", "fields.csv", "stays.csv"} <= set(with_commas)
    assert next(f.area for f in season("southern").fields) == 60.5
    assert season("southern").batches[0].mass_kg == pytest.approx(6500.5)


def test_southern_logger_reads_as_its_file_says() -> None:
    lines = (EXAMPLES / "southern/loggers/galpon.csv").read_text(encoding="utf-8").splitlines()
    trace = season("southern").traces["galpon.csv"]
    assert len(trace.time_s) == len(lines) - 1 >= MIN_READINGS
    first = datetime.fromisoformat(lines[1].split(";")[0])
    zone = ZoneInfo("America/Argentina/Buenos_Aires")
    assert trace.time_s[0] == first.replace(tzinfo=zone).timestamp()
    assert trace.temp_c[0] == pytest.approx(float(lines[1].split(";")[1].replace(",", ".")))


def test_canadian_shop_mixes_its_units() -> None:
    s = season("canada")
    assert (
        s.settings.units.seed_mass,
        s.settings.units.area,
        s.settings.units.temperature,
        s.settings.units.yield_,
    ) == ("kg", "ac", "C", "bu/ac")
    assert {p.crop for p in s.plantings} == {"soybean", "pea"}
    assert {b.quantity_unit for b in s.batches} == {"kg", "bu"}
    assert s.requirements == ()
