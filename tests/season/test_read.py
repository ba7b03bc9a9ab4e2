"""What a good season means: forms of tables, derived values, times, digests, kept extras."""

from __future__ import annotations

import hashlib
import json
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

import pytest

from rhizoledger.errors import InputError
from rhizoledger.records import NEVER, Season
from rhizoledger.season.read import check_season, read_season
from rhizoledger.season.tables import TABLES
from tests.season.make import TINY, TOML, Row, tiny, trace, write_season, write_table

LB_KG = 0.45359237


def without_digests(season: Season) -> dict[str, Any]:
    names = [f for f in Season.__slots__ if f not in ("digests", "traces", "trials", "extra")]
    return {name: getattr(season, name) for name in names}


def write_workbook(path: Path, tables: dict[str, list[Row]]) -> None:
    import xlsxwriter

    with xlsxwriter.Workbook(path) as book:
        for name, rows in tables.items():
            sheet = book.add_worksheet(name)
            header = list(dict.fromkeys(key for row in rows for key in row))
            sheet.write_row(0, 0, header)
            for number, row in enumerate(rows, start=1):
                sheet.write_row(number, 0, [row.get(key) for key in header])


@pytest.fixture
def season(tmp_path: Path) -> Season:
    return read_season(write_season(tmp_path / "season"))


def test_settings(season: Season) -> None:
    settings = season.settings
    assert (settings.name, settings.seed) == ("Invented season", 7)
    assert (settings.starts_on, settings.ends_on) == (date(2027, 3, 1), date(2027, 12, 31))
    assert settings.markets["soybean"].price == 10.0
    assert settings.max_liquid["soybean"] == "12 fl oz/cwt"
    assert settings.units.yield_ == "bu/ac"
    assert (settings.ambient_low_c, settings.ambient_high_c) == (5.0, 25.0)


def test_every_row_becomes_a_record_with_its_spreadsheet_row(season: Season) -> None:
    for table in TABLES:
        rows = getattr(season, table.name)
        assert [r.row for r in rows] == list(range(2, 2 + len(TINY[table.name])))
    assert season.tables == tuple(table.name for table in TABLES)


def test_masses_and_seed_sizes_are_derived(season: Season) -> None:
    first, second, third = season.batches
    assert first.mass_kg == 5000 * LB_KG
    assert first.seeds_per_kg == 2800 / LB_KG
    assert second.mass_kg == 40 * 140_000 / 6200
    assert third.mass_kg == 30 * 22.7
    assert (first.lots, second.lots, third.lots) == (("L-1",), ("L-1", "L-2"), ())


def test_bushels_need_the_crop_s_weight(tmp_path: Path) -> None:
    batch = {**TINY["batches"][0], "quantity": "100", "quantity_unit": "bu", "crop": "Dry bean"}
    folder = write_season(tmp_path / "season", tiny(batches=[batch, *TINY["batches"][1:]]))
    assert read_season(folder, {"dry_bean": 60.0}).batches[0].mass_kg == 100 * 60 * LB_KG
    unknown = read_season(folder)
    assert unknown.batches[0].mass_kg is None
    (warning,) = unknown.problems
    assert (warning.row, warning.column, warning.severity) == (2, "quantity", "warning")
    assert "bushel weight" in warning.what


def test_words_and_lists(season: Season) -> None:
    assert season.inoculants[0].placements == ("seed", "furrow_liquid")
    assert (season.inoculants[0].organic_ok, season.inoculants[1].organic_ok) == (True, False)
    assert season.products[0].label_crops == ("soybean", "lentil")
    assert (season.products[0].label_rate_max, season.products[0].label_rate_unit) == (
        0.5,
        "fl oz/cwt",
    )
    assert season.stacks[0].with_ == ("F1",)
    assert season.events[0].parts == ("B-1a", "B-1b")
    assert (season.plates[0].colonies, season.plates[1].colonies) == (12, "TNTC")
    assert season.treatments[0].lot == "L-1"


def test_unknown_never_and_zero_stay_apart(season: Season) -> None:
    north, south = season.fields
    assert north.years_since_group == NEVER
    assert south.years_since_group == 3.0
    assert (north.flooded_days, south.flooded_days) == (None, 0.0)


def test_bare_seed_has_no_batch_and_row_spacing_has_metres(season: Season) -> None:
    north, south = season.plantings
    assert (north.batch, south.batch) == ("B-1", None)
    assert (north.row_spacing, north.row_spacing_m) == (30.0, 30 * 0.0254)
    assert (south.row_spacing, south.row_spacing_m) == (38.0, 0.38)


def test_local_times_become_utc_and_a_date_is_its_first_moment(season: Season) -> None:
    package, on_seed, planter = season.stays
    assert package.start == datetime(2027, 3, 2, 6, tzinfo=UTC)  # UTC-6 in winter
    assert on_seed.start == datetime(2027, 5, 6, 15, tzinfo=UTC)  # UTC-5 in summer
    assert planter.end is None
    assert season.plantings[0].planned_on == date(2027, 5, 10)
    assert season.tubes[0].sampled_at == datetime(2027, 4, 1, 5, tzinfo=UTC)


@pytest.mark.parametrize(
    ("text", "offset", "utc"),
    [
        ("2027-11-07T01:30-05:00", "", datetime(2027, 11, 7, 6, 30, tzinfo=UTC)),
        ("2027-11-07 01:30", "-06:00", datetime(2027, 11, 7, 7, 30, tzinfo=UTC)),
        ("2027-11-07T07:30Z", "-05:00", datetime(2027, 11, 7, 7, 30, tzinfo=UTC)),
    ],
)
def test_an_offset_settles_a_repeated_hour(
    text: str, offset: str, utc: datetime, tmp_path: Path
) -> None:
    events = [{"item": "B-1", "at": text, "event": "opened", "utc_offset": offset}]
    tables = tiny(events=events, stays=TINY["stays"][:2])
    assert read_season(write_season(tmp_path / "season", tables)).events[0].at == utc


def test_windows_1252_and_utf_8_with_a_mark_read_the_same(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season", tiny(fields=[{**TINY["fields"][0]}]))
    text = "field,area,years_since_group,grower\nNorth,80,never,Müller\nSüd,40,3,Åse\nSouth,1,2,x\n"
    read = []
    for encoding in ("utf-8", "utf-8-sig", "cp1252"):
        (folder / "fields.csv").write_bytes(text.encode(encoding))
        read.append(read_season(folder).fields)
    assert read[0] == read[1] == read[2]
    assert read[0][0].grower == "Müller"


def test_semicolons_and_decimal_commas_read_the_same(tmp_path: Path) -> None:
    plain = read_season(write_season(tmp_path / "plain"))
    folder = write_season(tmp_path / "commas")
    for table in TABLES:
        path = folder / f"{table.name}.csv"
        header, *rows = path.read_text(encoding="utf-8").splitlines()
        if ";" in "".join(rows):
            continue
        numeric = [
            row.replace(".csv", "\0").replace(".", ",").replace("\0", ".csv") for row in rows
        ]
        split = [row.split(",") for row in rows]
        lines = [header.replace(",", ";")]
        for cells in split:
            lines.append(";".join(c if c.endswith(".csv") else c.replace(".", ",") for c in cells))
        assert numeric
        path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert without_digests(read_season(folder)) == without_digests(plain)


def test_a_quoted_decimal_comma_in_a_file_with_commas(tmp_path: Path) -> None:
    fields = [{**TINY["fields"][0], "area": "80,5"}, TINY["fields"][1]]
    folder = write_season(tmp_path / "season", tiny(fields=fields))
    assert '"80,5"' in (folder / "fields.csv").read_text(encoding="utf-8")
    assert read_season(folder).fields[0].area == 80.5


def test_ambiguous_thousands_are_settled_by_the_file_s_own_style(tmp_path: Path) -> None:
    fields = [{**TINY["fields"][0], "area": "1,234"}, {**TINY["fields"][1], "area": "40,5"}]
    folder = write_season(tmp_path / "season", tiny(fields=[fields[0], TINY["fields"][1]]))
    assert [p.column for p in check_season(folder)] == ["area"]
    # Another number of the file has an unmistakable decimal comma, and none has a point.
    fields[0] = {k: v for k, v in fields[0].items() if k != "ph"}
    folder = write_season(tmp_path / "settled", tiny(fields=fields))
    assert read_season(folder).fields[0].area == 1.234


def test_a_workbook_reads_like_tables(tmp_path: Path) -> None:
    plain = read_season(write_season(tmp_path / "plain"))
    folder = write_season(tmp_path / "book", {})
    tables = tiny()
    # Numbers as numbers, dates as text: a spreadsheet may hold both.
    for row in tables["fields"]:
        row["area"] = float(row["area"])
    write_workbook(folder / "season.xlsx", tables)
    read = read_season(folder)
    assert without_digests(read) == without_digests(plain)
    assert "season.xlsx" in read.digests


def test_a_workbook_keeps_dates_numbers_marks_and_yes_no(tmp_path: Path) -> None:
    import xlsxwriter

    folder = write_season(tmp_path / "book", tiny(plates=[], lots=[]))
    with xlsxwriter.Workbook(folder / "season.xlsx") as book:
        day = book.add_format({"num_format": "yyyy-mm-dd"})
        time = book.add_format({"num_format": "yyyy-mm-dd hh:mm"})
        plates = book.add_worksheet("plates")
        plates.write_row(0, 0, ["item", "sampled_at", "basis", "dilution", "volume_ml", "colonies"])
        for number, colonies in enumerate([31, "TNTC", 0], start=1):
            plates.write_row(number, 0, ["L-1", None, "mL", 1e-8, 0.1, colonies])
            plates.write_datetime(number, 1, datetime(2027, 5, 5, 15), time)
        lots = book.add_worksheet("Lots")
        lots.write_row(0, 0, ["lot", "inoculant", "expires_on"])
        for number, lot in enumerate(["L-1", "L-2"], start=1):
            lots.write_row(number, 0, [lot, "liquid A"])
            lots.write_datetime(number, 2, datetime(2027, 11, 1), day)
        book.add_worksheet("scratch")
    season = read_season(folder)
    assert [p.colonies for p in season.plates] == [31, "TNTC", 0]
    assert season.plates[0].sampled_at == datetime(2027, 5, 5, 20, tzinfo=UTC)
    assert season.lots[0].expires_on == date(2027, 11, 1)
    assert [p.value for p in season.problems] == ["scratch"]


def test_column_order_is_free_and_unknown_columns_are_kept(tmp_path: Path) -> None:
    lots = [dict(reversed(row.items())) | {"colour": "red"} for row in TINY["lots"]]
    season = read_season(write_season(tmp_path / "season", tiny(lots=lots)))
    assert season.lots[0].lot == "L-1"
    assert season.extra == {"lots": {2: {"colour": "red"}, 3: {"colour": "red"}}}
    (warning,) = season.problems
    assert (warning.file, warning.row, warning.column) == ("lots.csv", 1, "colour")


def test_unknown_settings_are_kept_and_reported(tmp_path: Path) -> None:
    season = read_season(write_season(tmp_path / "season", toml=TOML + "[palce]\nstate = 1\n"))
    assert season.extra == {"season.toml": {"palce": {"state": 1}}}
    assert "place" in season.problems[0].remedy


def test_a_defused_leading_sign_is_restored(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season")
    write_table(folder / "fields.csv", [{**row, "grower": "'=SUM"} for row in TINY["fields"]])
    assert read_season(folder).fields[0].grower == "=SUM"


@pytest.mark.parametrize("fields_only", [True, False])
def test_either_question_may_be_asked_alone(fields_only: bool, tmp_path: Path) -> None:
    names = ("fields",) if fields_only else ("inoculants", "lots", "recipes", "batches", "products")
    tables = {name: TINY[name] for name in names}
    season = read_season(write_season(tmp_path / "season", tables))
    assert set(season.tables) == set(names)


def test_neither_question_is_an_error(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season", {n: TINY[n] for n in ("lots", "inoculants")})
    problems = [p for p in check_season(folder) if p.severity == "error"]
    assert [(p.file, p.row) for p in problems] == [("recipes.csv", None)]
    assert "recipes.csv, batches.csv" in problems[0].remedy


def test_header_only_is_an_empty_table(tmp_path: Path) -> None:
    tables = {"fields": TINY["fields"]}
    folder = write_season(tmp_path / "season", tables)
    (folder / "plantings.csv").write_text(
        "field,seq,batch,crop,planned_on,area,seeding_rate,seeding_unit\n", encoding="utf-8"
    )
    season = read_season(folder)
    assert season.plantings == ()
    assert "plantings" in season.tables


def square(degrees: float) -> str:
    """A square of so many degrees on the equator, as GeoJSON."""
    ring = [[0, 0], [degrees, 0], [degrees, degrees], [0, degrees], [0, 0]]
    return json.dumps({"type": "Polygon", "coordinates": [ring]})


@pytest.mark.parametrize(
    ("text", "severity", "column"),
    [
        (square(0.0051), None, None),  # about 568 m x 564 m: 79 acres against 80
        (square(0.01), "warning", "area"),
        ("{}", "error", "boundary"),
        ("not json", "error", "boundary"),
        ("[" * 100_000, "error", "boundary"),
        (
            '{"type": "Polygon", "coordinates": [[[0, NaN], [1, 0], [1, 1], [0, NaN]]]}',
            "error",
            "boundary",
        ),
    ],
)
def test_a_boundary_is_measured_against_the_area(
    text: str, severity: str | None, column: str | None, tmp_path: Path
) -> None:
    fields = [{**TINY["fields"][0], "boundary": "n.geojson"}, TINY["fields"][1]]
    folder = write_season(tmp_path / "season", tiny(fields=fields))
    (folder / "n.geojson").write_text(text, encoding="utf-8")
    found = [(p.severity, p.row, p.column) for p in check_season(folder)]
    assert found == ([] if severity is None else [(severity, 2, column)])


def test_digests_cover_every_input_file(tmp_path: Path) -> None:
    folder = write_season(
        tmp_path / "season",
        tiny(fields=[{**TINY["fields"][0], "boundary": "n.geojson"}, TINY["fields"][1]]),
    )
    (folder / "n.geojson").write_text(square(0.005), encoding="utf-8")
    (folder / "evidence.toml").write_text("", encoding="utf-8")
    (folder / "NOTES.md").write_text("mine", encoding="utf-8")
    (folder / "plan").mkdir()
    (folder / "plan" / "lots.csv").write_text("not,input\n", encoding="utf-8")
    season = read_season(folder)
    expected = {f"{table.name}.csv" for table in TABLES}
    expected |= {"season.toml", "n.geojson", "evidence.toml", "loggers/shed.csv"}
    assert set(season.digests) == expected
    assert list(season.digests) == sorted(season.digests)
    for name, digest in season.digests.items():
        assert digest == hashlib.sha256((folder / name).read_bytes()).hexdigest()


def test_trials_are_kept_as_they_stand(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season")
    (folder / "trials").mkdir()
    good = "site,block,treatment,yield,moisture_pct\nS1,1,check,50.1,13\n"
    (folder / "trials" / "t1.csv").write_text(good, encoding="utf-8")
    season = read_season(folder)
    row = {"site": "S1", "block": "1", "treatment": "check", "yield": "50.1", "moisture_pct": "13"}
    assert season.trials == {"t1.csv": (row,)}
    assert "trials/t1.csv" in season.digests
    (folder / "trials" / "t1.csv").write_text("site,blok,treatment,yield\n", encoding="utf-8")
    (problem,) = check_season(folder)
    assert (problem.file, problem.row, problem.column) == ("trials/t1.csv", 1, "block")
    assert "blok" in problem.remedy


def test_a_file_that_looks_like_a_table_is_pointed_out(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season")
    (folder / "batchs.csv").write_text("x\n", encoding="utf-8")
    (problem,) = check_season(folder)
    assert (problem.file, problem.severity) == ("batchs.csv", "warning")
    assert "batches.csv" in problem.remedy


def rows_of(problems: Any) -> list[tuple[str, int | None, str | None]]:
    return [(p.file, p.row, p.column) for p in problems if p.severity == "error"]


def test_names_shared_by_lots_batches_and_parcels(tmp_path: Path) -> None:
    split = {**TINY["events"][0], "parts": "B-1a+L-2"}
    folder = write_season(tmp_path / "season", tiny(events=[split]))
    assert rows_of(check_season(folder)) == [("events.csv", 2, "parts")]


def test_a_split_names_parts_and_only_a_split_does(tmp_path: Path) -> None:
    events = [
        {"item": "B-1", "at": "2027-05-10T07:00", "event": "split", "parts": ""},
        {"item": "B-2", "at": "2027-05-10T07:00", "event": "opened", "parts": "B-1a"},
    ]
    folder = write_season(tmp_path / "season", tiny(events=events))
    assert rows_of(check_season(folder)) == [("events.csv", 2, "parts"), ("events.csv", 3, "parts")]


def test_no_parcel_comes_from_itself_by_way_of_splits(tmp_path: Path) -> None:
    first = {"item": "P-1", "at": "2027-05-10T07:00", "event": "split", "parts": "P-2"}
    second = {"item": "P-2", "at": "2027-05-11T07:00", "event": "split", "parts": "P-1"}
    folder = write_season(tmp_path / "season", tiny(events=[first, second]))
    found = {("events.csv", 2, "parts"), ("events.csv", 3, "parts")}
    assert found <= set(rows_of(check_season(folder)))


def test_a_blend_of_another_crop_is_warned_of(tmp_path: Path) -> None:
    b1, *rest = TINY["batches"]
    blend = {**b1, "batch": "B-9", "origin": "blend", "parents": b1["batch"], "crop": "lentil"}
    folder = write_season(tmp_path / "season", tiny(batches=[b1, *rest, blend]))
    problems = [p for p in check_season(folder) if p.column == "parents"]
    assert [(p.file, p.severity) for p in problems] == [("batches.csv", "warning")]


def test_stays_of_one_item_may_not_overlap(tmp_path: Path) -> None:
    first = TINY["stays"][1]
    second = {**first, "start": "2027-05-10T06:59", "end": "2027-05-11T07:00"}
    folder = write_season(tmp_path / "season", tiny(stays=[first, second], events=[]))
    assert rows_of(check_season(folder)) == [("stays.csv", 3, "start")]
    second["start"] = first["end"]
    folder = write_season(tmp_path / "contiguous", tiny(stays=[first, second], events=[]))
    assert check_season(folder) == ()


def test_half_a_temperature_range_is_an_error_and_none_a_warning(tmp_path: Path) -> None:
    stays = [{**TINY["stays"][0], "temp_high_c": ""}]
    folder = write_season(tmp_path / "season", tiny(stays=stays))
    assert rows_of(check_season(folder)) == [("stays.csv", 2, "temp_high_c")]
    stays = [{**TINY["stays"][0], "temp_low_c": "", "temp_high_c": ""}]
    (warning,) = check_season(write_season(tmp_path / "none", tiny(stays=stays)))
    assert (warning.severity, warning.column) == ("warning", "logger")


def test_a_planting_that_is_not_there(tmp_path: Path) -> None:
    roots = [{**TINY["roots"][0], "seq": "2"}]
    folder = write_season(tmp_path / "season", tiny(roots=roots))
    assert rows_of(check_season(folder)) == [("roots.csv", 2, "seq")]


def test_a_batch_cannot_come_from_itself(tmp_path: Path) -> None:
    batches = [dict(row) for row in TINY["batches"]]
    batches[0]["parents"], batches[1]["parents"] = "B-2", "B-1"
    folder = write_season(tmp_path / "season", tiny(batches=batches))
    assert rows_of(check_season(folder)) == [
        ("batches.csv", 2, "parents"),
        ("batches.csv", 3, "parents"),
    ]


def test_a_reference_to_a_missing_table_says_so(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season", tiny(products=[], stacks=[]))
    problems = [p for p in check_season(folder) if p.severity == "error"]
    assert rows_of(problems) == [("recipes.csv", 2, "item")]
    assert problems[0].value == "F1"


def test_a_rate_on_seed_is_no_rate_in_the_furrow(tmp_path: Path) -> None:
    tables = tiny(
        applications=[{**TINY["applications"][0], "rate_unit": "fl oz/cwt"}],
        recipes=[{**row, "rate_unit": "fl oz/ac"} for row in TINY["recipes"][:1]]
        + TINY["recipes"][1:],
    )
    folder = write_season(tmp_path / "season", tables)
    assert rows_of(check_season(folder)) == [
        ("recipes.csv", 2, "rate_unit"),
        ("applications.csv", 2, "rate_unit"),
    ]


def test_a_planting_outside_the_season_is_a_warning(tmp_path: Path) -> None:
    plantings = [{**row, "planned_on": "2017-05-10"} for row in TINY["plantings"]]
    problems = check_season(write_season(tmp_path / "season", tiny(plantings=plantings)))
    assert [(p.row, p.severity) for p in problems] == [(2, "warning"), (3, "warning")]


def test_a_bare_date_where_the_hour_matters_is_a_warning(tmp_path: Path) -> None:
    plates = [{**TINY["plates"][0], "sampled_at": "2027-05-05"}]
    (warning,) = check_season(write_season(tmp_path / "season", tiny(plates=plates)))
    assert (warning.column, warning.severity) == ("sampled_at", "warning")
    assert "00:00" in warning.what


def test_no_folder_and_no_settings(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such folder"):
        read_season(tmp_path / "absent")
    folder = write_season(tmp_path / "season")
    (folder / "season.toml").unlink()
    assert rows_of(check_season(folder)) == [("season.toml", None, None)]


SETTING_FAULTS = [
    ("schema = 1", "schema = 2", 1, "schema"),
    ("schema = 1", "schema = true", 1, "schema"),
    ('name = "Invented season"', "name = 5", 2, "name"),
    ('"America/Chicago"', '"America/Chikago"', 3, "timezone"),
    ('"America/Chicago"', '"America"', 3, "timezone"),
    ('"America/Chicago"', '"../../etc/passwd"', 3, "timezone"),
    ("2027-12-31", "2027-03-01", 5, "ends_on"),
    ("starts_on = 2027-03-01", 'starts_on = "March"', 4, "starts_on"),
    ("starts_on = 2027-03-01", "starts_on = 0001-01-01", 4, "starts_on"),
    ("probability = 0.9", "as_of = 0001-01-01T00:00:00", 18, "decision.as_of"),
    ("probability = 0.9", "as_of = 2027-11-07T01:30:00", 18, "decision.as_of"),
    ("seed = 7", "seed = -7", 6, "seed"),
    ("seed = 7", "seed = 7.5", 6, "seed"),
    ("seed = 7", "", None, "seed"),
    ('seed_mass = "lb"', 'seed_mass = "stone"', 12, "units.seed_mass"),
    ("probability = 0.9", "probability = 1.0", 18, "decision.probability"),
    ("probability = 0.9", "probability = nan", 18, "decision.probability"),
    ("probability = 0.9", "probability = 0.3", 18, "decision.probability"),
    ("price = 10.0", "price = 10.0\nprice_sd = 11", 23, "market.soybean.price_sd"),
    ("[0.4, 0.6]", "[0.6, 0.4]", 19, "decision.toss_up"),
    ("price = 10.0", "price = -1", 22, "market.soybean.price"),
    ('unit = "bu"', 'unit = "hogshead"', 23, "market.soybean.unit"),
    ("treating_fee = 1.0", 'treating_fee = "1"', 26, "costs.treating_fee"),
    ("low_c = 5", "low_c = 30", 29, "ambient.low_c"),
    ("high_c = 25", "", 28, "ambient"),
    ('"12 fl oz/cwt"', '"12 jugs"', 36, "treater.max_liquid.soybean"),
    ("seed = 7", 'seed = 7\ncelsius_confirmed = ["../x"]', 7, "celsius_confirmed"),
    ("seed = 7", 'seed = 7\ncelsius_confirmed = ["x.csv"]', None, "celsius_confirmed"),
    ("seed = 7", "seed = ", 6, None),
    ("seed = 7", "seed = " + "[" * 5000, None, None),
]


@pytest.mark.parametrize(("old", "new", "row", "column"), SETTING_FAULTS)
def test_faults_in_settings(
    old: str, new: str, row: int | None, column: str | None, tmp_path: Path
) -> None:
    assert old in TOML
    folder = write_season(tmp_path / "season", toml=TOML.replace(old, new, 1))
    problems = [p for p in check_season(folder) if p.severity == "error"]
    assert ("season.toml", row, column) in rows_of(problems), problems
    assert all(p.what and p.remedy for p in problems)


def test_canadian_units(tmp_path: Path) -> None:
    toml = TOML.replace('"lb"', '"kg"').replace('"F"', '"°C"').replace('"bu/ac"', '"bu"')
    units = read_season(write_season(tmp_path / "season", toml=toml)).settings.units
    assert (units.seed_mass, units.area, units.temperature, units.yield_) == (
        "kg",
        "ac",
        "C",
        "bu/ac",
    )


def test_the_same_folder_reads_the_same(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season", loggers={"shed.csv": trace()})
    before = sorted(path.name for path in folder.rglob("*"))
    assert without_digests(read_season(folder)) == without_digests(read_season(folder))
    assert sorted(path.name for path in folder.rglob("*")) == before


def test_a_file_that_a_command_of_its_own_reads_is_no_fault(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season", tiny())
    text = "from_recipe,to_recipe,minutes\nA,B,20\n"
    for name in ("cleanouts.csv", "cleanout.csv"):
        (folder / name).write_text(text, encoding="utf-8")
    named = {p.file for p in check_season(folder)}
    assert "cleanout.csv" in named
    assert "cleanouts.csv" not in named
