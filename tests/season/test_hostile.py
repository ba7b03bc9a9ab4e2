"""Folders and files that mean harm: links, pipes, sizes, and workbooks that explode."""

from __future__ import annotations

import io
import os
import subprocess
import sys
import time
import zipfile
from pathlib import Path

import pytest

from rhizoledger.errors import Problem
from rhizoledger.season import workbook
from rhizoledger.season.read import check_season
from tests.peak import PEAK_MB
from tests.season.make import TINY, tiny, trace, write_season

SHEET = "xl/worksheets/sheet1.xml"


def errors(folder: Path) -> list[Problem]:
    return [p for p in check_season(folder) if p.severity == "error"]


def one_error(folder: Path) -> Problem:
    (problem,) = errors(folder)
    assert problem.remedy
    return problem


def tiny_workbook() -> bytes:
    import xlsxwriter

    out = io.BytesIO()
    with xlsxwriter.Workbook(out) as book:
        sheet = book.add_worksheet("fields")
        sheet.write_row(0, 0, ["field", "area", "years_since_group"])
        sheet.write_row(1, 0, ["North", 80, "never"])
    return out.getvalue()


def rebuilt(change: dict[str, bytes], plain: bytes) -> bytes:
    """The workbook with some parts exchanged."""
    out = io.BytesIO()
    with (
        zipfile.ZipFile(io.BytesIO(plain)) as old,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new,
    ):
        for entry in old.namelist():
            new.writestr(entry, change.get(entry, old.read(entry)))
        for entry in change.keys() - set(old.namelist()):
            new.writestr(entry, change[entry])
    return out.getvalue()


def part(data: bytes, name: str) -> bytes:
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return archive.read(name)


def with_book(tmp_path: Path, data: bytes) -> Path:
    folder = write_season(tmp_path / "season", {}, loggers={})
    (folder / "season.xlsx").write_bytes(data)
    return folder


def test_a_plain_workbook_is_accepted(tmp_path: Path) -> None:
    assert check_season(with_book(tmp_path, tiny_workbook())) == ()


def far_cell(data: bytes, reference: bytes, row: bytes) -> bytes:
    far = b'<row r="' + row + b'"><c r="' + reference + b'"><v>1</v></c></row></sheetData>'
    return rebuilt({SHEET: part(data, SHEET).replace(b"</sheetData>", far)}, data)


BOMBS = {
    "far corner": lambda d: far_cell(d, b"XFD1048576", b"1048576"),
    "far row": lambda d: far_cell(d, b"A1048576", b"1048576"),
    "far column": lambda d: far_cell(d, b"XFD3", b"3"),
    "wide and long": lambda d: far_cell(d, b"IV199999", b"199999"),
    "single quotes": lambda d: rebuilt(
        {
            SHEET: part(d, SHEET).replace(
                b"</sheetData>",
                b"<row r = '1048576'><c   r\n=\n'XFD1048576'><v>1</v></c></row></sheetData>",
            )
        },
        d,
    ),
    "across a piece": lambda d: far_cell(
        rebuilt(
            {
                SHEET: part(d, SHEET).replace(
                    b"<sheetData>", b" " * (workbook.PIECE - 700) + b"<sheetData>"
                )
            },
            d,
        ),
        b"XFD1048576",
        b"1048576",
    ),
    "dimension": lambda d: rebuilt(
        {SHEET: part(d, SHEET).replace(b'ref="A1:C2"', b'ref="A1:XFD1048576"')}, d
    ),
    "unpacked size": lambda d: rebuilt(
        {SHEET: part(d, SHEET) + b" " * (workbook.LARGEST_UNPACKED + 1)}, d
    ),
    "entries": lambda d: rebuilt({f"x{i}": b"" for i in range(workbook.MOST_ENTRIES)}, d),
    "utf-16 sheet": lambda d: rebuilt({SHEET: part(d, SHEET).decode().encode("utf-16")}, d),
    "one text, many cells": lambda d: rebuilt(
        {
            "xl/sharedStrings.xml": b"<sst><si><t>" + b"x" * 1_000_000 + b"</t></si></sst>",
            SHEET: part(d, SHEET).replace(
                b"</sheetData>",
                b"".join(
                    b'<row r="%d"><c r="A%d" t="s"><v>0</v></c></row>' % (i, i)
                    for i in range(3, 1000)
                )
                + b"</sheetData>",
            ),
        },
        d,
    ),
    "many cells": lambda d: rebuilt(
        {
            SHEET: part(d, SHEET).replace(
                b"</sheetData>", b"<row>" + b"<c/>" * 2_100_000 + b"</row></sheetData>"
            )
        },
        d,
    ),
    "long tag": lambda d: rebuilt(
        {SHEET: part(d, SHEET).replace(b"<sheetData>", b"<c " * 200_000 + b" " * 3_000_000)}, d
    ),
    "not a workbook": lambda d: b"PK\x03\x04 nothing else",
    "text": lambda d: b"field,area\n",
    "empty": lambda d: b"",
    "cut": lambda d: d[: len(d) // 2],
    "encrypted": lambda d: b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + b"\0" * 600,
    "no sheets": lambda d: rebuilt({"xl/workbook.xml": b"<workbook/>"}, d),
    "broken sheet": lambda d: rebuilt({SHEET: b"<worksheet><sheetData><row"}, d),
}


@pytest.mark.thorough
@pytest.mark.parametrize("bomb", BOMBS)
def test_workbook_bombs_are_refused(bomb: str, tmp_path: Path) -> None:
    folder = with_book(tmp_path, BOMBS[bomb](tiny_workbook()))
    started = time.perf_counter()
    problems = errors(folder)
    assert time.perf_counter() - started < 5
    assert problems, "a bomb went through"
    assert problems[0].file.startswith(("season.xlsx", "fields.csv"))
    assert all(p.what and p.remedy for p in problems)
    if list(BOMBS).index(bomb) < list(BOMBS).index("not a workbook"):
        # Refused by the guard before any workbook reader saw it, not by luck later on.
        with pytest.raises(workbook.TooLarge):
            workbook.verified_copy((folder / "season.xlsx").read_bytes())


PEAK = f"""{PEAK_MB}
import sys
from pathlib import Path
from rhizoledger.season.read import check_season
for folder in sys.argv[1:]:
    assert any(p.severity == "error" for p in check_season(Path(folder))), folder
print(peak_mb())
"""


@pytest.mark.thorough
@pytest.mark.skipif(sys.platform == "win32", reason="peak memory is read the POSIX way")
def test_workbook_bombs_stay_small_in_memory(tmp_path: Path) -> None:
    plain = tiny_workbook()
    folders = [with_book(tmp_path / str(i), bomb(plain)) for i, bomb in enumerate(BOMBS.values())]
    run = subprocess.run(
        [sys.executable, "-c", PEAK, *map(str, folders)], capture_output=True, text=True, check=True
    )
    assert float(run.stdout) < 400


@pytest.mark.thorough
def test_a_lying_size_is_found_while_unpacking(tmp_path: Path) -> None:
    data = tiny_workbook()
    big = rebuilt({SHEET: part(data, SHEET) + b" " * (workbook.LARGEST_UNPACKED + 1)}, data)
    true_size = (len(part(data, SHEET)) + workbook.LARGEST_UNPACKED + 1).to_bytes(4, "little")
    assert big.count(true_size) >= 1
    lying = big.replace(true_size, (1000).to_bytes(4, "little"))
    problem = one_error(with_book(tmp_path, lying))
    assert problem.file == "season.xlsx"


def test_two_parts_of_one_name_are_refused(tmp_path: Path) -> None:
    out = io.BytesIO(tiny_workbook())
    with zipfile.ZipFile(out, "a") as archive, pytest.warns(UserWarning, match="Duplicate"):
        archive.writestr(SHEET, b"<worksheet/>")
    assert "same name" in one_error(with_book(tmp_path, out.getvalue())).what


def test_spreadsheet_errors_are_not_silently_empty(tmp_path: Path) -> None:
    import xlsxwriter

    folder = write_season(tmp_path / "season", {}, loggers={})
    with xlsxwriter.Workbook(folder / "season.xlsx") as book:
        sheet = book.add_worksheet("fields")
        sheet.write_row(0, 0, ["field", "area", "years_since_group", "ph"])
        sheet.write_row(1, 0, ["North", 80, "never"])
        sheet.write_formula(1, 3, "=1/0", None, "#DIV/0!")
    problem = one_error(folder)
    assert problem.value == "D2"


def test_a_sheet_s_faults_carry_its_rows(tmp_path: Path) -> None:
    import xlsxwriter

    folder = write_season(tmp_path / "season", {}, loggers={})
    with xlsxwriter.Workbook(folder / "season.xlsx") as book:
        sheet = book.add_worksheet("fields")
        sheet.write_row(0, 0, ["field", "area", "years_since_group"])
        sheet.write_row(1, 0, ["North", 80, "never"])
        sheet.write_row(3, 0, ["South", -1, True])
    problems = errors(folder)
    assert [(p.file, p.row, p.column) for p in problems] == [
        ("season.xlsx:fields", 4, "area"),
        ("season.xlsx:fields", 4, "years_since_group"),
    ]


def test_a_50_mb_table_is_refused_within_a_second_with_the_limit(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season")
    with (folder / "fields.csv").open("r+b") as handle:
        handle.truncate(50_000_000)
    started = time.perf_counter()
    problems = [p for p in errors(folder) if p.file == "fields.csv"]
    assert time.perf_counter() - started < 1
    (problem,) = problems
    assert "20 MiB" in problem.what
    assert problem.value == "47.7 MiB"


def test_too_many_rows_and_columns(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season", {"fields": TINY["fields"]}, loggers={})
    stays = "item,stage,start,logger\n" + "a,b,c,d\n" * 200_001
    (folder / "stays.csv").write_text(stays, encoding="utf-8")
    assert "200000 rows" in one_error(folder).what
    (folder / "stays.csv").write_text(",".join(f"c{i}" for i in range(300)), encoding="utf-8")
    assert "256 columns" in one_error(folder).what


LINKED = ["season.toml", "lots.csv", "season.xlsx", "loggers", "loggers/shed.csv", "label.txt"]


@pytest.mark.parametrize("name", LINKED)
def test_links_are_refused(name: str, tmp_path: Path) -> None:
    inoculants = [{**row, "label_file": "label.txt"} for row in TINY["inoculants"]]
    folder = write_season(tmp_path / "season", tiny(inoculants=inoculants))
    (folder / "label.txt").write_text("invented label", encoding="utf-8")
    outside = tmp_path / "outside"
    if (folder / name).exists():
        (folder / name).rename(outside)
    else:
        outside.write_bytes(tiny_workbook())
    (folder / name).symlink_to(outside)
    refused = [p for p in errors(folder) if "link" in p.what]
    assert {p.file for p in refused} == {name}


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
@pytest.mark.parametrize("name", ["roots.csv", "loggers/pipe.csv", "season.xlsx"])
def test_pipes_are_refused_without_waiting(name: str, tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season", tiny(roots=[]))
    os.mkfifo(folder / name)
    problem = one_error(folder)
    assert (problem.file, problem.what) == (name, "This is not a regular file.")


def test_a_folder_in_place_of_a_file(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season", tiny(roots=[]))
    (folder / "roots.csv").mkdir()
    assert one_error(folder).file == "roots.csv"


def test_a_file_in_place_of_the_folder_of_loggers(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season", tiny(stays=TINY["stays"][:1]), loggers={})
    (folder / "loggers").rmdir()
    (folder / "loggers").write_text(trace(), encoding="utf-8")
    assert one_error(folder).file == "loggers"


def test_utf_16_is_named(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season", tiny(roots=[]))
    (folder / "roots.csv").write_bytes("field,seq\n".encode("utf-16"))
    problem = one_error(folder)
    assert "UTF-16" in problem.what
    assert "UTF-8" in problem.remedy
