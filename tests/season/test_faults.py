"""Tables × faults: each fault is named by file, row, column and value, with a remedy."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from rhizoledger.errors import InputError, Problem
from rhizoledger.season.read import check_season, read_season
from rhizoledger.season.schema import Column, Table
from rhizoledger.season.tables import BY_NAME, TABLES
from tests.season.make import TINY, tiny, write_season

Change = Callable[[Path], None]

NUMBERS = ("number", "integer", "colonies", "years", "number_or_rate", "row_spacing")
UNIT_KINDS = ("rate_unit", "seed_rate_unit", "furrow_rate_unit", "amount_unit", "stock_unit")
MOMENTS = ("moment", "date_or_moment")

# A change of clocks in the season's zone: 02:30 does not exist, 01:30 comes twice.
SKIPPED, REPEATED = "2027-03-14T02:30", "2027-11-07T01:30"

# What a second value must be so that the first is not after it.
ORDER_BREAKERS = {
    ("lots", "expires_on"): "2026-10-31",
    ("lots", "received_on"): "2026-10-30",
    ("treatments", "finished_at"): "2027-05-06T07:59",
    ("stays", "end"): "2027-03-02T00:00",
    ("stays", "temp_high_c"): "3.9",
    ("inoculants", "label_rate_max"): "1",
    ("inoculants", "store_max_c"): "2",
    ("tubes", "tubes"): "2",
    ("plantings", "planted_to"): "2027-05-10T07:00",
    ("roots", "nodules"): "4",
}


@dataclass(frozen=True)
class Case:
    """A fault, and where it must be found; ``alone`` where nothing else may be reported."""

    table: str
    fault: str
    change: Change
    row: int | None
    column: str | None
    value: str | None = None
    says: str = ""
    alone: bool = True

    @property
    def id(self) -> str:
        return f"{self.table}-{self.fault}-{self.column}"


def edit(table: str, column: str, value: str, row: int = 2) -> Change:
    """Set one cell, adding the column where it is not there yet."""

    def change(folder: Path) -> None:
        header, *rows = read(folder, table)
        if column not in header:
            header.append(column)
            for cells in rows:
                cells.append("")
        rows[row - 2][header.index(column)] = value
        write(folder, table, [header, *rows])

    return change


def read(folder: Path, table: str) -> list[list[str]]:
    with (folder / f"{table}.csv").open(encoding="utf-8", newline="") as handle:
        return list(csv.reader(handle))


def write(folder: Path, table: str, lines: list[list[str]]) -> None:
    with (folder / f"{table}.csv").open("w", encoding="utf-8", newline="") as handle:
        csv.writer(handle, lineterminator="\n").writerows(lines)


def rename(table: str, column: str, other: str) -> Change:
    def change(folder: Path) -> None:
        header, *rows = read(folder, table)
        write(folder, table, [[other if name == column else name for name in header], *rows])

    return change


def repeat_first_row(table: str) -> Change:
    def change(folder: Path) -> None:
        lines = read(folder, table)
        write(folder, table, [*lines, lines[1]])

    return change


def put_bytes(table: str, data: bytes) -> Change:
    return lambda folder: (folder / f"{table}.csv").write_bytes(data) and None


def add_cell(table: str) -> Change:
    def change(folder: Path) -> None:
        header, *rows = read(folder, table)
        write(folder, table, [header, [*rows[0], "stray"], *rows[1:]])

    return change


def drop_cell(table: str) -> Change:
    def change(folder: Path) -> None:
        header, *rows = read(folder, table)
        write(folder, table, [header, rows[0][:-1], *rows[1:]])

    return change


def nul_byte(table: str) -> Change:
    def change(folder: Path) -> None:
        path = folder / f"{table}.csv"
        first, rest = path.read_bytes().split(b"\n", 1)
        path.write_bytes(first + b"\n\0" + rest)

    return change


def undecodable(table: str) -> Change:
    def change(folder: Path) -> None:
        path = folder / f"{table}.csv"
        first, rest = path.read_bytes().split(b"\n", 1)
        path.write_bytes(first + b"\n\x81\x8d" + rest)  # neither UTF-8 nor Windows-1252

    return change


def open_quote(table: str) -> Change:
    def change(folder: Path) -> None:
        path = folder / f"{table}.csv"
        path.write_bytes(path.read_bytes() + b'"never closed')

    return change


def link_out(table: str) -> Change:
    def change(folder: Path) -> None:
        outside = folder.parent / f"outside-{table}.csv"
        (folder / f"{table}.csv").rename(outside)
        (folder / f"{table}.csv").symlink_to(outside)

    return change


def both_csv_and_sheet(table: str) -> Change:
    def change(folder: Path) -> None:
        import xlsxwriter

        with xlsxwriter.Workbook(folder / "season.xlsx") as book:
            sheet = book.add_worksheet(table)
            for number, cells in enumerate(read(folder, table)):
                sheet.write_row(number, 0, cells)

    return change


def is_bounded(column: Column) -> bool:
    low = column.at_least if column.above is None else column.above
    return low is not None and low >= 0


def table_cases(table: Table) -> Iterator[Case]:
    name, n_rows = table.name, len(TINY[table.name])
    used = {key for row in TINY[name] for key in row}
    required = [c for c in table.columns if c.need != "optional" and c.name in used]
    first = required[0].name

    wrong = required[-1].name
    yield Case(
        name,
        "wrong header",
        rename(name, wrong, wrong[:-1] + "x"),
        1,
        wrong,
        None,
        f"Near names: '{wrong[:-1]}x'",
        alone=name != "stacks",  # a verdict without its source is a second problem
    )
    yield Case(name, "empty file", put_bytes(name, b""), None, None, None, "empty", alone=False)
    yield Case(name, "blank file", put_bytes(name, b"\n \n"), None, None, None, "empty", False)
    yield Case(name, "NUL byte", nul_byte(name), 2, None, None, "NUL", alone=False)
    yield Case(name, "undecodable", undecodable(name), 2, None, None, "Windows-1252", False)
    yield Case(name, "open quote", open_quote(name), n_rows + 2, None, None, "quote", False)
    yield Case(name, "row too long", add_cell(name), 2, None, "stray", "cells", alone=False)
    yield Case(name, "row too short", drop_cell(name), 2, None, None, "cells", alone=False)
    yield Case(name, "link out", link_out(name), None, None, None, "link", alone=False)
    yield Case(
        name, "both CSV and sheet", both_csv_and_sheet(name), None, None, None, "twice", False
    )
    yield Case(name, "empty cell", edit(name, first, ""), 2, first, "", "empty", alone=False)
    bad_offset = edit(name, "utc_offset", "CST")
    yield Case(name, "bad offset", bad_offset, 2, "utc_offset", "CST", "offset", alone=False)
    if table.key:
        yield Case(
            name,
            "duplicate key",
            repeat_first_row(name),
            n_rows + 2,
            table.key[0],
            TINY[name][0][table.key[0]],
            "Row 2",
            alone=name not in ("stays", "events"),
        )
    for after in dict.fromkeys(after for _, after, _ in table.order):
        value = ORDER_BREAKERS.get((name, after))
        if value is not None:
            yield Case(name, "order", edit(name, after, value), 2, after, value, "", alone=False)
    for column in table.columns:
        yield from column_cases(name, column)


def column_cases(table: str, column: Column) -> Iterator[Case]:
    name, kind = column.name, column.kind

    def case(fault: str, value: str, says: str = "", alone: bool = False) -> Case:
        return Case(table, fault, edit(table, name, value), 2, name, value, says, alone)

    if kind in NUMBERS:
        yield case("text in a number", "many", "number")
        yield case("thousands", "1,234,567", "ithout separators" if kind == "number" else "")
        yield case("ambiguous thousands", "1,234", "1234")
        yield case("not finite", "1e999", "finite")
        yield case("nan", "nan", "number")
        if is_bounded(column) or kind in ("colonies", "years"):
            yield case("negative", "-1")
        if column.at_most is not None:
            yield case("too large", "1e6", "above")
    if kind in ("integer", "colonies"):
        yield case("not whole", "2.5", "whole")
    if kind == "choice" or kind == "choices":
        says = "unit is not known" if name.endswith("unit") else "word is not known"
        yield case("unknown word", "nonsense", says)
    if kind in UNIT_KINDS:
        yield case("unknown unit", "smidgen/jug" if "rate" in kind else "smidgen")
    if kind in ("id", "ids"):
        yield case("id outside the pattern", "a/b", "name")
        yield case("id too long", "x" * 65, "name")
    if kind == "ids":
        yield case("name twice", "L-1+L-1", "twice")
        yield case("name missing", "L-1++L-2", "empty")
    if column.refers:
        yield case("unknown reference", "Nobody-9", "not in")
    if kind in ("date", *MOMENTS):
        yield case("not ISO", "5/10/2027", "date")
        yield case("no such day", "2027-02-30", "date")
        yield case("no such year", "0027-05-10", "date")
    if kind in MOMENTS:
        yield case("clock skips", SKIPPED, "skips")
        yield case("clock repeats", REPEATED, "twice")
        yield case("no such time", "2027-05-10T25:00", "date")
    if kind == "yes_no":
        yield case("neither yes nor no", "perhaps", "yes")
    if kind == "file":
        for path in ("../shed.csv", "/etc/hostname", "C:\\shed.csv", "a|b", "..", "x\x01"):
            yield case(f"file name {path!r}", path, "bare")
        yield case("file not there", "absent.csv", "not in")


CASES = [case for table in TABLES for case in table_cases(table)]


def errors_of(problems: tuple[Problem, ...]) -> list[Problem]:
    return [p for p in problems if p.severity == "error"]


def test_every_table_is_in_the_tiny_season_and_it_has_no_problem(tmp_path: Path) -> None:
    assert set(TINY) == set(BY_NAME)
    assert check_season(write_season(tmp_path / "season")) == ()


def test_number_of_cases(capsys: pytest.CaptureFixture[str]) -> None:
    with capsys.disabled():
        print(f"\ntables x faults: {len(CASES)} cases")
    assert {case.table for case in CASES} == set(BY_NAME)
    assert len({case.id for case in CASES}) == len(CASES)


def folder_for(case: Case, tmp_path: Path) -> Path:
    """The tiny season, without its logger where that is not what the case is about."""
    if case.table == "stays":
        return write_season(tmp_path / "season")
    stays = [{k: v for k, v in row.items() if k != "logger"} for row in TINY["stays"]]
    return write_season(tmp_path / "season", tiny(stays=stays), loggers={})


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.id)
def test_fault(case: Case, tmp_path: Path) -> None:
    folder = folder_for(case, tmp_path)
    case.change(folder)
    errors = errors_of(check_season(folder))
    file = f"{case.table}.csv"
    here = [p for p in errors if (p.file, p.row, p.column) == (file, case.row, case.column)]
    assert here, [p.sentence() for p in errors]
    problem = next((p for p in here if case.says in f"{p.what} {p.remedy}"), None)
    assert problem is not None, [p.sentence() for p in here]
    assert problem.what
    assert problem.remedy
    if case.value is not None:
        assert problem.value == case.value
    if case.alone:
        assert len(errors) == 1, [p.sentence() for p in errors]


def test_all_problems_come_in_one_run(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season", tiny(), toml='schema = 2\nname = "x"\n')
    edit("lots", "expires_on", "soon")(folder)
    edit("batches", "quantity", "-1")(folder)
    edit("fields", "area", "big", row=3)(folder)
    with pytest.raises(InputError) as caught:
        read_season(folder)
    places = {(p.file, p.row, p.column) for p in caught.value.problems}
    assert {
        ("season.toml", 1, "schema"),
        ("season.toml", None, "timezone"),
        ("season.toml", None, "seed"),
        ("lots.csv", 2, "expires_on"),
        ("batches.csv", 2, "quantity"),
        ("fields.csv", 3, "area"),
    } <= places


def test_a_table_wrong_in_every_row_is_counted_not_listed_for_ever(tmp_path: Path) -> None:
    rows = [{"field": f"F{i}", "area": "big", "years_since_group": "1"} for i in range(500)]
    problems = check_season(write_season(tmp_path / "season", {"fields": rows}))
    assert len(problems) == 101
    assert "400 more" in next(p.what for p in problems if p.row is None)
