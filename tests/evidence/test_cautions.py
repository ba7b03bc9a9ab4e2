"""Cautions: by place and by sheet, short, sourced, and in our own words."""

from __future__ import annotations

import re

import pytest

from rhizoledger.errors import EvidenceError, NotFoundError
from rhizoledger.evidence.facts import (
    JURISDICTIONS,
    SHEETS,
    Caution,
    caution_from_row,
    cautions,
    cautions_for,
)
from rhizoledger.evidence.read import facts_from_rows, parse_rows

ROW = """
[[caution]]
id = "c"
says = "Wash."
source = "common_practice"
how_known = "from memory"
jurisdictions = ["Canada"]
on = ["run"]
"""


OF_A_PLACE = [sheet for sheet in SHEETS if sheet != "bench"]
"""Sheets that a law on treated seed speaks to; none of those read speaks of counting it."""


def _ids(country: str | None, sheet: str) -> list[str]:
    return [caution.id for caution in cautions_for(country, sheet)]


def _read(text: str) -> tuple[Caution, ...]:
    return facts_from_rows(parse_rows(text, "t.toml"), "caution", Caution, caution_from_row)


@pytest.mark.parametrize("place", JURISDICTIONS)
def test_each_jurisdiction_has_rows_of_its_own_for_treating_and_planting(place: str) -> None:
    own = [caution for caution in cautions() if place in caution.jurisdictions]
    assert 1 <= len(own) <= 3
    assert {sheet for caution in own for sheet in caution.on} == set(OF_A_PLACE)


@pytest.mark.parametrize("country", [None, "Canada", "Nowhere"])
@pytest.mark.parametrize("sheet", SHEETS)
def test_cautions_keep_the_order_of_the_table_with_the_label_first(
    country: str | None, sheet: str
) -> None:
    found = _ids(country, sheet)
    assert found == [c.id for c in cautions() if c.id in found]
    assert found[0] == "label_first"
    places = [bool(c.jurisdictions) for c in cautions_for(country, sheet)]
    assert places == sorted(places), "what holds everywhere comes first"


@pytest.mark.parametrize(("sheet", "most"), [("run", 6), ("grower", 8), ("bench", 7)])
def test_a_sheet_has_room_for_few_general_rows(sheet: str, most: int) -> None:
    assert 0 < sum(not c.jurisdictions for c in cautions_for("US", sheet)) <= most


def test_the_report_holds_every_caution() -> None:
    assert cautions_for(None, "report") == cautions()


@pytest.mark.parametrize(
    ("country", "place"),
    [
        ("US", "US"),
        ("usa", "US"),
        ("U.S.A.", "US"),
        (" the United  States ", "US"),
        ("CANADA", "Canada"),
        ("ca", "Canada"),
        ("australia", "Australia"),
        ("AUS", "Australia"),
        ("EU", "EU"),
        ("European Union", "EU"),
        ("de", "EU"),
        ("France", "EU"),
        ("Österreich", "EU"),
        ("España", "EU"),
        ("The Netherlands", "EU"),
        ("Czech Republic", "EU"),
        ("EL", "EU"),
        ("Sweden", "EU"),
    ],
)
def test_a_country_gets_the_general_rows_and_its_own(country: str, place: str) -> None:
    for sheet in OF_A_PLACE:
        found = cautions_for(country, sheet)
        assert {c.jurisdictions for c in found} == {(), (place,)}
        assert [c for c in found if not c.jurisdictions] == [
            c for c in cautions() if not c.jurisdictions and sheet in c.on
        ]


MEMBERS = re.findall(
    r"\w+",
    "AT BE BG HR CY CZ DK EE FI FR DE GR HU IE IT LV LT LU MT NL PL PT RO SK SI ES SE",
)


@pytest.mark.parametrize("code", MEMBERS)
def test_every_member_of_the_eu_is_known(code: str) -> None:
    assert len(MEMBERS) == 27
    assert _ids(code, "run") == _ids("EU", "run")


@pytest.mark.parametrize("country", ["Brazil", "UK", "Austr", "US Canada"])
def test_a_country_without_rows_gets_the_general_ones_and_the_whole_report(country: str) -> None:
    for sheet in ("run", "grower", "bench"):
        found = cautions_for(country, sheet)
        assert list(found) == [c for c in cautions() if sheet in c.on and not c.jurisdictions]
    assert cautions_for(country, "report") == cautions()


@pytest.mark.parametrize("country", [None, "", "  "])
@pytest.mark.parametrize("sheet", OF_A_PLACE)
def test_no_country_gets_every_row_with_its_place_named(country: str | None, sheet: str) -> None:
    found = cautions_for(country, sheet)
    assert list(found) == [c for c in cautions() if sheet in c.on]
    assert {place for c in found for place in c.jurisdictions} == set(JURISDICTIONS)
    for caution in found:
        for place in caution.jurisdictions:
            assert JURISDICTIONS[place] in caution.where
            assert caution.sentence == f"{caution.where}: {caution.says}"


def test_a_caution_says_where_it_holds() -> None:
    by_id = {caution.id: caution for caution in cautions()}
    assert by_id["ca_stain"].where == "In Canada"
    assert by_id["us_tag"].sentence.startswith("In the US: Tag ")
    assert by_id["hands"].where == ""
    assert by_id["hands"].sentence == by_id["hands"].says
    both = _read(ROW.replace('["Canada"]', '["US", "Canada"]'))[0]
    assert both.where == "In the US and Canada"


def test_an_unknown_sheet_is_refused() -> None:
    with pytest.raises(NotFoundError, match=r"no sheet 'wall'\. Known: run, grower, bench, report"):
        cautions_for("US", "wall")


@pytest.mark.parametrize("caution", cautions(), ids=lambda c: c.id)
def test_a_caution_is_short_sourced_and_a_sentence(caution: Caution) -> None:
    assert len(caution.sentence) <= 160
    assert caution.says[0].isupper() and caution.says.endswith(".")
    assert "\n" not in caution.says and "  " not in caution.says
    assert caution.source and caution.how_known
    assert re.search(r"read|memory", caution.how_known), "how it is known, honestly"
    assert set(caution.on) <= set(SHEETS) and "report" in caution.on


PLAIN_NAMES = {"English", "French"}


@pytest.mark.parametrize("caution", cautions(), ids=lambda c: c.id)
def test_a_caution_names_no_brand(caution: Caution) -> None:
    assert not re.search(r"[®™©]|\b(Inc|Ltd|LLC|GmbH|Pty|Corp)\b", caution.says)
    for sentence in re.split(r"(?<=[.])\s+", caution.says):
        inside = re.findall(r"\b[A-Z]\w*", sentence.split(" ", 1)[-1])
        assert set(inside) <= PLAIN_NAMES, "a name inside a sentence"


def test_a_row_without_a_place_holds_everywhere() -> None:
    for places in ("", "jurisdictions = []", 'jurisdictions = ["general"]'):
        text = ROW.replace('jurisdictions = ["Canada"]', places)
        assert _read(text)[0].jurisdictions == ()
    assert _read(ROW)[0].jurisdictions == ("Canada",)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('["Canada"]', '["Atlantis"]', "jurisdictions holds 'Atlantis', which is not one of US"),
        ('["Canada"]', '["canada"]', "jurisdictions holds 'canada'"),
        ('["Canada"]', '["general", "US"]', "'general' stands alone"),
        ('["Canada"]', '["US", "US"]', "jurisdictions names the same word twice"),
        ('["Canada"]', '"Canada"', "is not a list"),
        ('["run"]', '["wall"]', "on holds 'wall', which is not one of run, grower, bench, report"),
        ('["run"]', "[]", "on is missing or empty"),
        ('on = ["run"]', "", "on is missing or empty"),
        ('["run"]', '["run", "run"]', "on names the same word twice"),
        ("common_practice", "nobody", "source 'nobody' is not in the source tables"),
    ],
)
def test_a_wrong_caution_is_refused(old: str, new: str, says: str) -> None:
    with pytest.raises(EvidenceError, match=r"t\.toml, caution 'c'") as caught:
        _read(ROW.replace(old, new))
    assert says in str(caught.value)
