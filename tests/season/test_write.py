"""A new season folder: what is written, what is never overwritten, and the descriptor."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import pytest

from rhizoledger.errors import ConflictError, InputError
from rhizoledger.provenance import digest_bytes, digest_file, generated
from rhizoledger.season.describe import FIELD_TYPES, KINDS, descriptor
from rhizoledger.season.read import check_season
from rhizoledger.season.tables import BY_NAME, MINIMAL, TABLES
from rhizoledger.season.write import new_season
from rhizoledger.workflows import season as workflow
from tests.season.make import TINY, tiny, write_season


def header(path: Path) -> list[str]:
    return next(csv.reader(path.read_text(encoding="utf-8").splitlines()))


def test_a_new_season_has_every_table_and_no_problem(tmp_path: Path) -> None:
    folder = tmp_path / "a" / "season"
    written = workflow.new(folder)
    assert set(written) == {p.name for p in folder.iterdir()} - {"loggers", "trials"}
    for table in TABLES:
        assert header(folder / table.file) == [c.name for c in table.columns]
    assert workflow.check(folder) == ()


def test_a_minimal_season_has_fields_and_the_four_seed_tables(tmp_path: Path) -> None:
    written = workflow.new(tmp_path / "season", minimal=True)
    tables = {name.removesuffix(".csv") for name in written if name.endswith(".csv")}
    assert tables == set(MINIMAL) == {"fields", "inoculants", "lots", "recipes", "batches"}
    assert {"season.toml", "NOTES.md", "datapackage.json"} <= set(written)
    assert workflow.check(tmp_path / "season") == ()


@pytest.mark.parametrize("name", ["lots.csv", "season.toml", "NOTES.md", "season.xlsx"])
def test_nothing_is_overwritten(name: str, tmp_path: Path) -> None:
    (tmp_path / name).write_text("mine", encoding="utf-8")
    with pytest.raises(ConflictError, match=name):
        new_season(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == [name]
    assert (tmp_path / name).read_text(encoding="utf-8") == "mine"


def test_a_link_to_nowhere_is_not_written_through(tmp_path: Path) -> None:
    folder = tmp_path / "season"
    folder.mkdir()
    (folder / "season.toml").symlink_to(tmp_path / "elsewhere.toml")
    with pytest.raises(ConflictError):
        new_season(folder)
    assert not (tmp_path / "elsewhere.toml").exists()


def test_a_file_in_the_way(tmp_path: Path) -> None:
    (tmp_path / "season").write_text("", encoding="utf-8")
    with pytest.raises(InputError, match="is a file"):
        new_season(tmp_path / "season")


def test_notes_explain_every_column(tmp_path: Path) -> None:
    new_season(tmp_path / "season")
    notes = (tmp_path / "season" / "NOTES.md").read_text(encoding="utf-8")
    for table in TABLES:
        section = notes.split(f"## {table.name}\n")[1].split("\n## ")[0]
        for column in table.columns:
            assert f"- `{column.name}`" in section


def test_the_descriptor_follows_the_schema(tmp_path: Path) -> None:
    new_season(tmp_path / "season")
    text = (tmp_path / "season" / "datapackage.json").read_text(encoding="utf-8")
    package = json.loads(text)
    assert package == json.loads(json.dumps(descriptor("season", TABLES)))
    assert [r["path"] for r in package["resources"]] == [t.file for t in TABLES]
    by_name = {r["name"]: r["schema"] for r in package["resources"]}
    lots = by_name["lots"]
    assert lots["primaryKey"] == ["lot"]
    assert lots["foreignKeys"] == [
        {"fields": "inoculant", "reference": {"resource": "inoculants", "fields": "inoculant"}}
    ]
    fields = {field["name"]: field for field in by_name["plates"]["fields"]}
    assert fields["colonies"]["type"] == "string"  # TNTC is no number
    assert fields["dilution"]["constraints"] == {"required": True, "maximum": 1}
    basis = {field["name"]: field for field in by_name["requirements"]["fields"]}["basis"]
    assert basis["constraints"]["enum"] == ["nominal_applied", "recovered_at_planting"]
    for name, schema in by_name.items():
        names = {field["name"] for field in schema["fields"]}
        for link in schema.get("foreignKeys", []):
            target = by_name[link["reference"]["resource"]]
            assert link["fields"] in names
            assert link["reference"]["fields"] in {f["name"] for f in target["fields"]}
        assert names == {c.name for c in BY_NAME[name].columns}


def test_every_kind_is_explained() -> None:
    used = {column.kind for table in TABLES for column in table.columns}
    assert used <= set(KINDS)
    assert set(FIELD_TYPES) <= set(KINDS)


def test_records_take_every_column() -> None:
    for table in TABLES:
        fields = {f for f in table.record.__slots__ if f != "row"}  # type: ignore[attr-defined]
        given = {c.record_field for c in table.columns}
        derived = {"mass_kg", "label_rate_unit", "row_spacing_m"}
        assert given - {"seeds_per_lb"} == fields - derived, table.name


def test_the_workflow_knows_bushels(tmp_path: Path) -> None:
    batch = {**TINY["batches"][0], "quantity": "1", "quantity_unit": "bu"}
    folder = write_season(tmp_path / "season", tiny(batches=[batch, *TINY["batches"][1:]]))
    season = workflow.load(folder)
    assert season.batches[0].mass_kg == 60 * 0.45359237  # a bushel of soybean is 60 lb
    assert workflow.check(folder) == ()
    assert check_season(folder) != ()  # without evidence the mass is not known, and said so


def test_digests(tmp_path: Path) -> None:
    # FIPS 180-4 test vector for "abc".
    abc = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert digest_bytes(b"abc") == abc
    (tmp_path / "abc").write_bytes(b"abc")
    assert digest_file(tmp_path / "abc") == abc
    block = generated("0.1.0", 7, {"b": "2", "a": "1"})
    assert json.dumps(block) == '{"inputs": {"a": "1", "b": "2"}, "seed": 7, "version": "0.1.0"}'
