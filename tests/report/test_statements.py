"""What a plan is written as: the same bytes each time, and fit for the hands it is meant for."""

from __future__ import annotations

import base64
import hashlib
import json
import os
import re
import subprocess
import sys
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import segno
from python_calamine import CalamineWorkbook

from rhizoledger.evidence.facts import cautions_for
from rhizoledger.plan.sheet import Sheet as RunSheet
from rhizoledger.plan.sheet import sheets as run_sheets
from rhizoledger.report.numbers import amount, day
from rhizoledger.report.run_sheets import RULE
from rhizoledger.report.statements import write_statements
from rhizoledger.report.typeset import Paper
from rhizoledger.report.workbook import workbook
from rhizoledger.workflows.plan import PlanResult, make_plan
from tests.report.pages import (
    EXAMPLES,
    FILES,
    PAPERS,
    PDFS,
    Element,
    Sheet,
    closed,
    is_nothing_but_cells,
    page,
    parts_of,
    pixels,
    sheets,
)
from tests.season.make import TINY, TOML, Tables, tiny, write_season

pytestmark = pytest.mark.thorough  # they share one demo, planned and written whole

BOTH: tuple[Paper, ...] = ("a4", "us-letter")
AMOUNT_PT = 18
SMALLEST_PT = 11
DARK = 128


@dataclass(frozen=True, slots=True)
class Written:
    """A plan and the folder that everything was written to."""

    result: PlanResult
    folder: Path

    def sheets(self, name: str) -> tuple[Sheet, ...]:
        return sheets(self.folder / name)


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Written:
    folder = tmp_path_factory.mktemp("demo")
    result = make_plan(EXAMPLES / "demo", folder)
    write_statements(result)
    return Written(result, folder)


@pytest.fixture(scope="module")
def other_paper(demo: Written, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo's files on the paper its country does not use."""
    folder = tmp_path_factory.mktemp("a4")
    write_statements(replace(demo.result, written=(folder / "plan.json",)), "a4")
    return folder


@pytest.fixture(scope="module")
def html(demo: Written) -> Element:
    return page(demo.folder / "plan.html")


def test_every_sample_counted_stands_in_the_report(demo: Written, html: Element) -> None:
    counts = demo.result.plan.context.counts
    (table,) = [t for t in html.every("table") if "Every sample counted" in t.text]
    rows = [row.text for row in table.every("tr")][1:]
    assert len(rows) == len(counts) > 0
    for row, count in zip(rows, counts, strict=True):
        assert row.strip().startswith(count.item)
        assert ("only lower" in row) is count.only_lowers


# every file --------------------------------------------------------------------------------------


def test_each_file_is_written_and_named_in_order(tmp_path: Path) -> None:
    told: list[tuple[str, int, int]] = []
    result = make_plan(write_season(tmp_path / "season"), tmp_path / "out")
    written = write_statements(result, told=lambda *done: told.append(done))
    assert [path.name for path in (*result.written, *written)] == list(FILES)
    assert {path.name for path in (tmp_path / "out").iterdir()} == set(FILES)
    assert {what for what, _, _ in told} == {"figures", "files"}
    assert told[-1] == ("files", 5, 5)
    assert all(0 < done <= of for _, done, of in told)


def test_the_same_folder_gives_the_same_bytes_anywhere(demo: Written, tmp_path: Path) -> None:
    """Another process, another order of sets, another zone, another folder."""
    subprocess.run(
        [sys.executable, "-m", "rhizoledger", "plan", str(EXAMPLES / "demo"), "--out", tmp_path],
        env={**os.environ, "PYTHONHASHSEED": "4711", "TZ": "Asia/Tokyo"},
        capture_output=True,
        check=True,
    )
    for name in FILES:
        assert (tmp_path / name).read_bytes() == (demo.folder / name).read_bytes(), name


def test_a_tiny_season_twice_gives_the_same_bytes(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season")
    for out in ("first", "second"):
        write_statements(make_plan(folder, tmp_path / out))
    for name in FILES:
        first, second = (tmp_path / out / name for out in ("first", "second"))
        assert first.read_bytes() == second.read_bytes(), name


def test_another_plan_gives_other_bytes_and_another_foot(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season")
    for day_ in ("2027-05-10", "2027-05-11"):
        write_statements(make_plan(folder, tmp_path / day_, as_of=day_))
    for name in FILES:
        first, second = (tmp_path / d / name for d in ("2027-05-10", "2027-05-11"))
        assert first.read_bytes() != second.read_bytes(), name
    for d in ("2027-05-10", "2027-05-11"):
        digest = hashlib.sha256((tmp_path / d / "plan.json").read_bytes()).hexdigest()[:12]
        assert f"plan {digest}," in page(tmp_path / d / "plan.html").text
        for name in PDFS:
            for sheet in sheets(tmp_path / d / name):
                assert f"plan {digest}," in sheet.text, name


def test_dates_in_the_files_come_from_the_plan(demo: Written) -> None:
    now = demo.result.plan.context.now
    for name in PDFS:
        data = (demo.folder / name).read_bytes()
        dates = set(re.findall(rb"/(?:CreationDate|ModDate)\(D:(\d{14})Z\)", data))
        assert dates == {f"{now:%Y%m%d%H%M%S}".encode()}, name
        stamps = set(re.findall(rb"<xmp:(?:Create|Modify)Date>([^<]*)<", data))
        assert stamps == {f"{now:%Y-%m-%dT%H:%M:%S}+00:00".encode()}, name
    core = parts_of(demo.folder / "plan.xlsx")["docProps/core.xml"]
    stamps_in_book = set(re.findall(r"W3CDTF\">([^<]*)<", core))
    assert stamps_in_book == {f"{now:%Y-%m-%dT%H:%M:%SZ}"}


# the page ----------------------------------------------------------------------------------------


def test_the_page_holds_no_script_and_fetches_nothing(demo: Written, html: Element) -> None:
    text = (demo.folder / "plan.html").read_text(encoding="utf-8")
    assert "<script" not in text.lower()
    assert "@import" not in text and "url(" not in text.split("</style>")[0]
    assert not {x.tag for x in html.every()} & {"link", "iframe", "img", "object", "embed", "base"}
    for x in html.every():
        for name, value in x.attributes.items():
            assert not name.startswith("on") and name not in ("style", "srcset", "action"), x.tag
            if name.endswith(("href", "src")):
                assert value.startswith("#"), value


def test_only_its_own_style_is_allowed(html: Element) -> None:
    (policy,) = (
        m.attributes["content"]
        for m in html.every("meta")
        if m.attributes.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy.startswith("default-src 'none';")
    assert "unsafe" not in policy
    (style,) = html.every("style")
    digest = base64.b64encode(hashlib.sha256(style.text.encode()).digest()).decode()
    assert f"style-src 'sha256-{digest}'" in policy


def test_each_place_has_one_name_and_each_link_its_place(html: Element) -> None:
    names = [x.attributes["id"] for x in html.every() if "id" in x.attributes]
    assert len(names) == len(set(names))
    links = [x.attributes["href"] for x in html.every() if "href" in x.attributes]
    assert links
    assert {link.removeprefix("#") for link in links} <= set(names)
    used = re.findall(r"url\(#([^)]*)\)", " ".join(v for x in html.every() for v in
                                                   x.attributes.values()))  # fmt: skip
    assert set(used) <= set(names)


def test_headings_go_down_step_by_step_and_start_with_this_week(html: Element) -> None:
    headings = list(html.every("h1", "h2", "h3", "h4", "h5", "h6"))
    levels = [int(h.tag[1]) for h in headings]
    assert levels.count(1) == 1 and levels[0] == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    second = [h.text for h in headings if h.tag == "h2"]
    assert second[:3] == ["This week", "What is not known", "How good the evidence is"]
    assert all(h.text.strip() for h in headings)
    (root,) = html.every("html")
    assert root.attributes["lang"] == "en"
    (title,) = html.every("title")
    assert title.text == headings[0].text


def test_tables_and_figures_can_be_read_without_seeing(html: Element) -> None:
    tables, figures = list(html.every("table")), list(html.every("figure"))
    assert tables and figures
    for table in tables:
        assert len([x for x in table.children if x.tag == "caption" and x.text.strip()]) == 1
        heads = list(table.every("th"))
        assert heads and all(h.attributes.get("scope") in ("col", "row") for h in heads)
        assert all(h.text.strip() for h in heads), table.text[:80]
        rows = [len(list(row.every("th", "td"))) for row in table.every("tr")]
        assert len(set(rows)) == 1
    for figure in figures:
        assert len(list(figure.every("svg"))) == 1
        assert len(list(figure.every("table"))) == 1
    for drawn in html.every("svg"):
        assert drawn.attributes.get("role") == "img"
        assert len(drawn.attributes.get("aria-label", "")) > 20


# every PDF ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("paper", BOTH)
def test_each_pdf_is_on_the_paper_asked_for(paper: Paper, demo: Written, other_paper: Path) -> None:
    folder = demo.folder if paper == "us-letter" else other_paper
    for name in PDFS:
        for sheet in sheets(folder / name):
            assert (sheet.width, sheet.height) == pytest.approx(PAPERS[paper], abs=0.5)
            assert sheet.outside() == ""


def test_the_paper_is_the_country_s_where_none_is_asked_for(demo: Written, tmp_path: Path) -> None:
    assert (demo.sheets("plan.pdf")[0].width) == pytest.approx(PAPERS["us-letter"][0], abs=0.5)
    write_statements(make_plan(write_season(tmp_path / "season"), tmp_path / "out"))
    first = sheets(tmp_path / "out" / "plan.pdf")[0]
    assert first.width == pytest.approx(PAPERS["a4"][0], abs=0.5)


@pytest.mark.parametrize("name", PDFS)
def test_each_pdf_can_be_read_aloud(name: str, demo: Written) -> None:
    import pypdfium2 as pdfium

    data = (demo.folder / name).read_bytes()
    assert re.search(rb"/MarkInfo\s*<<\s*/Marked true", data)
    assert b"/StructTreeRoot" in data
    assert b"/Lang(en)" in data
    assert b"<pdfuaid:part>1</pdfuaid:part>" in data
    with pdfium.PdfDocument(data) as document:
        assert pdfium.raw.FPDFCatalog_IsTagged(document)
        title = document.get_metadata_dict()["Title"]
    assert demo.result.plan.context.season.settings.name in title
    assert b"/DisplayDocTitle true" in data


@pytest.mark.parametrize("name", PDFS)
def test_nothing_is_printed_over_or_beyond_the_edge(name: str, demo: Written) -> None:
    for number, sheet in enumerate(demo.sheets(name), 1):
        assert (number, sheet.outside()) == (number, "")
        assert (number, sheet.printed_over()) == (number, "")


def test_the_printed_report_says_what_the_page_says(demo: Written, html: Element) -> None:
    whole = closed("".join(s.text for s in demo.sheets("plan.pdf")))
    for heading in html.every("h2", "h3"):
        assert closed(heading.text) in whole
    for batch in demo.result.document["batches"]:
        assert batch["batch"] in whole
    (main,) = html.every("main")
    texts = [p.text for p in main.every("p")]
    assert len(texts) > 20
    for text in texts:
        assert closed(text) in whole


# run sheets --------------------------------------------------------------------------------------


def of_batch(pages: tuple[Sheet, ...], batch: str) -> list[Sheet]:
    """The pages whose foot names a batch."""
    return [s for s in pages if re.search(rf"{re.escape(batch)}, side \d+ of \d+", s.text)]


def fits_its_side(pages: tuple[Sheet, ...], sheet: RunSheet) -> None:
    sides = of_batch(pages, sheet.batch.batch)
    text = " ".join(s.text for s in sides)
    assert all(s.smallest() >= SMALLEST_PT - 0.01 for s in sides)
    lines = [x for tank in sheet.tanks for x in tank.lines]
    large = "".join(s.at_least(AMOUNT_PT) for s in sides)
    for x in lines:
        dose = amount(x.amount, x.unit, x.written_in)
        assert closed(dose) in large, (sheet.batch.batch, x.item, dose)
    for tank in sheet.tanks:
        if tank.pump_ml_per_min is not None:
            unit = next(x.written_in for x in tank.lines if x.unit == "mL")
            assert closed(amount(tank.pump_ml_per_min, "mL", unit)) in large
    for stop in sheet.stops:
        assert closed(f"STOP: {stop}") in closed(text)
    assert ("COUNT SEED FIRST" in sides[0].text) == (
        sheet.batch.seed_size_how in ("guess", None) or bool(sheet.warnings and "COUNT SEED FIRST"
                                                            in " ".join(sheet.warnings))
    )  # fmt: skip
    assert closed(f"Set by: {sheet.plant_by_says}. If {sheet.if_kept}.") in closed(text)
    assert closed(RULE) in closed(text)


@pytest.mark.parametrize("paper", BOTH)
def test_run_sheets_can_be_read_at_arm_s_length(
    paper: Paper, demo: Written, other_paper: Path
) -> None:
    folder = demo.folder if paper == "us-letter" else other_paper
    pages, due = sheets(folder / "run-sheets.pdf"), run_sheets(demo.result.plan)
    assert len(pages) == len(due) == len(demo.result.document["runs"])
    assert pages[0].width == pytest.approx(PAPERS[paper][0], abs=0.5)
    for sheet in due:
        fits_its_side(pages, sheet)
        (side,) = of_batch(pages, sheet.batch.batch)
        assert f"{sheet.batch.batch}, side 1 of 1" in side.text
        assert side.outside() == "" and side.printed_over() == ""


def test_a_guess_a_stop_and_the_hour_stand_on_the_sheets(demo: Written) -> None:
    pages = demo.sheets("run-sheets.pdf")
    large = {b.batch.batch: of_batch(pages, b.batch.batch)[0].at_least(AMOUNT_PT)
             for b in run_sheets(demo.result.plan)}  # fmt: skip
    assert [b for b, text in large.items() if "COUNTSEEDFIRST" in text] == ["S02"]
    assert [s.batch.batch for s in run_sheets(demo.result.plan) if s.stops] == ["S05"]
    (side,) = of_batch(pages, "S05")
    assert "STOP: INO-L1 with BIO-E" in side.text
    zone = demo.result.plan.context.zone
    known = [s for s in run_sheets(demo.result.plan) if s.plant_by is not None]
    assert known
    for sheet in run_sheets(demo.result.plan):
        said = large[sheet.batch.batch]
        if sheet.plant_by is None:
            assert "PLANTBY:NOTKNOWN" in said
        else:
            assert closed(f"PLANT BY {day(sheet.plant_by, zone)}") in said


def test_run_sheets_hold_no_chances_no_logarithms_and_no_money(demo: Written) -> None:
    for side in demo.sheets("run-sheets.pdf"):
        found = re.search(
            r"\blog|probab|chance|odds|%|\$|€|\bprice|\bcost|\bmoney|\bpays?\b|\bprofit|\bdollar"
            r"|\bworth\b|\d+ in 10\b",
            side.text,
            re.IGNORECASE,
        )
        assert found is None, found


def test_run_sheets_need_no_colour(demo: Written) -> None:
    for i in range(len(demo.sheets("run-sheets.pdf"))):
        seen = pixels(demo.folder / "run-sheets.pdf", i, 1.0)
        assert (seen[..., 0] == seen[..., 1]).all() and (seen[..., 1] == seen[..., 2]).all()
        assert seen.min() < DARK < seen.max()


def code_at_the_corner(path: Path, index: int, modules: int) -> np.ndarray:
    """The square code of a run sheet as it is printed, one dark or light for each module."""
    scale, across_pt, down_pt = 4, 110, 76
    seen = pixels(path, index, scale)[: down_pt * scale, -across_pt * scale :, 0] < DARK
    columns = np.flatnonzero(seen.any(axis=0))
    gaps = np.flatnonzero(np.diff(columns) > 3 * scale)
    seen = seen[:, columns[gaps[-1] + 1] if len(gaps) else columns[0] : columns[-1] + 1]
    rows = np.flatnonzero(seen.any(axis=1))
    seen = seen[rows[0] : rows[-1] + 1]
    middles = (np.arange(modules) + 0.5) / modules
    ys, xs = (np.floor(middles * side).astype(int) for side in seen.shape)
    picked: np.ndarray = seen[np.ix_(ys, xs)]
    return picked


def test_the_square_code_reads_the_batch(demo: Written) -> None:
    for i, sheet in enumerate(run_sheets(demo.result.plan)):
        code = segno.make(sheet.batch.batch, error="m", micro=False)
        want = np.array([list(row) for row in code.matrix]) > 0
        seen = code_at_the_corner(demo.folder / "run-sheets.pdf", i, len(want))
        assert (seen == want).all(), sheet.batch.batch


def many_items(n: int, tanks: str) -> Tables:
    """One batch whose recipe has ``n`` items, in as many tanks as letters are given."""
    products = [
        {
            "product": f"Seed care {i} SC",
            "kind": "fungicide",
            "metals": "none",
            "density_g_per_ml": "1.1",
            "pack_size": "10",
            "pack_unit": "L",
            "label_rate_max": "2 fl oz/cwt",
            "label_crops": "soybean",
        }
        for i in range(1, n)
    ]
    items = [*(p["product"] for p in products), "liquid A"]
    recipes = [
        {
            "recipe": "R1",
            "step": str(i + 1),
            "tank": tanks[min(i * len(tanks) // n, len(tanks) - 1)],
            "item": item,
            "rate": "1.1" if item != "liquid A" else "3",
            "rate_unit": "fl oz/cwt",
            "wait_minutes": "10",
            "dry_before_next": "yes" if i + 1 < n else "",
        }
        for i, item in enumerate(items)
    ]
    batches = [
        {
            **TINY["batches"][0],
            "quantity": "60000",
            "seed_size_how": "guess",
            "owner": "Grower One and Sons",
        }
    ]
    first = {"item": "B-1", "stage": "on_seed", "start": "2027-05-06T10:00"}
    return tiny(
        products=products,
        recipes=recipes,
        batches=batches,
        stacks=[],
        treatments=[],
        events=[],
        plates=[],
        stays=[{**first, "place": "store", "temp_low_c": "5", "temp_high_c": "25"}],
        dispositions=[],
    )


TREATER = """\
[treater]
tank_l = 40
seed_flow = "600 lb/min"
"""


@pytest.mark.parametrize("paper", BOTH)
@pytest.mark.parametrize("tanks", ["A", "ABC"])
@pytest.mark.parametrize(("items", "sides"), [(8, 1), (9, 2), (17, 3)])
def test_eight_items_stand_on_one_side_and_more_go_on_another(
    items: int, sides: int, tanks: str, paper: Paper, tmp_path: Path
) -> None:
    toml = TOML.replace("[treater]\ntank_l = 100\n", TREATER).replace("12 fl oz", "40 fl oz")
    toml = toml.replace('"Nowhere"', '"US"')
    folder = write_season(tmp_path / "season", many_items(items, tanks), toml)
    result = make_plan(folder, tmp_path / "out")
    (sheet,) = run_sheets(result.plan)
    assert sum(len(t.lines) for t in sheet.tanks) == items
    assert all(t.fills is not None and t.fills > 1 for t in sheet.tanks)
    write_statements(result, paper)
    pages = sheets(tmp_path / "out" / "run-sheets.pdf")
    assert [re.findall(r"B-1, side (\d+ of \d+)", s.text) for s in pages] == [
        [f"{i} of {sides}"] for i in range(1, sides + 1)
    ]
    fits_its_side(pages, sheet)
    for side in pages:
        assert side.outside() == "" and side.printed_over() == ""
        assert len(re.findall("Seed care \\d+ SC|liquid A \\(live\\)", side.text)) <= 8
    assert sum("Goes on on side" in s.text for s in pages) == sides - 1


def test_a_label_is_printed_word_for_word(tmp_path: Path) -> None:
    inoculants = [{**row} for row in TINY["inoculants"]]
    inoculants[0]["label_file"] = "liquid-a.fr.txt"
    folder = write_season(tmp_path / "season", tiny(inoculants=inoculants))
    words = "Étiquette inventée. Ne pas mélanger.\n  Tenir au frais: 2 à 25 °C."
    (folder / "liquid-a.fr.txt").write_text(words, encoding="utf-8")
    write_statements(make_plan(folder, tmp_path / "out"))
    last = sheets(tmp_path / "out" / "run-sheets.pdf")[-1]
    assert "Label of liquid A, word for word" in last.text
    assert "Language: fr." in last.text
    assert "Étiquette inventée. Ne pas mélanger. Tenir au frais: 2 à 25 °C." in last.text


# growers' pages ----------------------------------------------------------------------------------


@pytest.mark.parametrize("paper", BOTH)
def test_each_grower_gets_one_page(paper: Paper, demo: Written, other_paper: Path) -> None:
    folder = demo.folder if paper == "us-letter" else other_paper
    plan = demo.result.plan
    growers = list(dict.fromkeys(f.grower for f in plan.context.season.fields))
    pages = sheets(folder / "growers.pdf")
    assert len(growers) == 6
    assert [s.text.split(" Invented")[0] for s in pages] == growers
    for sheet, grower in zip(pages, growers, strict=True):
        assert sheet.outside() == "" and sheet.printed_over() == ""
        assert sheet.smallest() >= SMALLEST_PT - 0.01
        mine = {f.field for f in plan.context.season.fields if f.grower == grower}
        asked = [p for p in plan.plantings if p.planting.field in mine]
        parts = re.split(r"Field (?=\w+/\d+, )", sheet.text)[1:]
        assert len(parts) == len(asked)
        for p in asked:
            name = f"{p.planting.field}/{p.planting.seq}, {p.planting.crop}"
            (part,) = (x for x in parts if x.startswith(name))
            assert part.startswith(f"{name}: FIRST TIME") == (p.consequence == "first_time")
            assert (p.planting.batch or "bare seed") in part
            for days in ("+2", "+5", "+10"):
                assert len(re.findall(rf"\{days}\b", part)) == (0 if p.planted else 1), name
        assert closed(RULE) in closed(sheet.text)
        assert "label and local law" in sheet.text
        for caution in cautions_for(plan.context.season.settings.country, "grower"):
            assert closed(caution.sentence) in closed(sheet.text)
    first = [p for p in plan.plantings if p.consequence == "first_time"]
    assert 0 < len(first) < len(plan.plantings)
    assert sum(s.text.count("FIRST TIME") for s in pages) == len(first)


# the workbook ------------------------------------------------------------------------------------


def table(path: Path, name: str) -> list[dict[str, Any]]:
    head, *rows = CalamineWorkbook.from_path(str(path)).get_sheet_by_name(name).to_python()
    return [dict(zip(map(str, head), row, strict=True)) for row in rows]


def test_the_workbook_holds_cells_and_nothing_else(demo: Written) -> None:
    is_nothing_but_cells(demo.folder / "plan.xlsx")


def test_numbers_in_the_workbook_are_the_plan_s_own(demo: Written) -> None:
    path = demo.folder / "plan.xlsx"
    whole = json.loads((demo.folder / "plan.json").read_text(encoding="utf-8"))
    rows = table(path, "Batches")
    assert [r["batch"] for r in rows] == [b["batch"] for b in whole["batches"]]
    known = 0
    for row, batch in zip(rows, whole["batches"], strict=True):
        for part in ("value", "low", "high"):
            want = batch["cells_per_seed_log10"][part]
            got = row[f"cells_per_seed_log10 {part}"]
            assert got == ("" if want is None else want)
            known += isinstance(got, float)
    assert known > 10
    doses = [
        (r["batch"], d["item"], d["amount"]) for r in whole["runs"] for d in r["planned"]["doses"]
    ]
    got = [(r["batch"], r["item"], r["amount"]) for r in table(path, "Doses planned")]
    assert got == doses
    assert all(isinstance(x, float) for _, _, x in got)


def test_sheet_names_are_legal_and_differ(demo: Written) -> None:
    names = CalamineWorkbook.from_path(str(demo.folder / "plan.xlsx")).sheet_names
    assert names[0] == "This week"
    assert len({n.casefold() for n in names}) == len(names)
    for name in names:
        assert 0 < len(name) <= 31
        assert not set(name) & set("[]:*?/\\") and name[0] != "'" != name[-1]


def test_no_column_of_the_workbook_is_without_a_name_or_empty_by_mistake(demo: Written) -> None:
    """An estimate that is missing from one row adds no second column of its name."""
    path = demo.folder / "plan.xlsx"
    for name in CalamineWorkbook.from_path(str(path)).sheet_names:
        head = CalamineWorkbook.from_path(str(path)).get_sheet_by_name(name).to_python()[0]
        columns = [str(c) for c in head]
        assert all(columns) and len(set(columns)) == len(columns), name
        doubled = [c for c in columns if any(x.startswith(f"{c} ") for x in columns)]
        assert doubled == [], name


@pytest.mark.parametrize("lead", ["=1+1", "+1", "-1", "@SUM(A1)", "{=1}", "\t=1", "http://x"])
def test_text_stays_text_in_the_workbook(lead: str, demo: Written, tmp_path: Path) -> None:
    whole = json.loads(json.dumps(demo.result.document))
    whole["batches"][0]["batch"] = lead
    whole["season"] = lead
    path = tmp_path / "plan.xlsx"
    path.write_bytes(workbook(whole, [], demo.result.plan.context.now))
    is_nothing_but_cells(path)
    assert table(path, "Batches")[0]["batch"] == lead.strip() or lead.startswith("\t")
    assert isinstance(table(path, "Batches")[0]["batch"], str)
