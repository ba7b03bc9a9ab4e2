"""The loader: what it refuses, and how a season's own rows outrank the packaged ones."""

from __future__ import annotations

from pathlib import Path

import pytest

from rhizoledger.errors import EvidenceError, NotFoundError
from rhizoledger.evidence import load_evidence, worst_grade
from rhizoledger.evidence.load import evidence_from_rows
from rhizoledger.evidence.read import parse_rows

SOURCE = (
    '[[source]]\nkey = "bench"\ncitation = "Own bench"\nlocator = "book 3"\nhow_known = "own"\n'
)
GOOD = {
    "id": '"a.b"',
    "value": "1.5",
    "unit": '"d"',
    "low": "1",
    "high": "2",
    "interval_kind": '"range"',
    "draw": '"uniform"',
    "grade": '"near"',
    "sources": '["bench: page 4"]',
    "conditions": '"None."',
    "how_known": '"read"',
}


def _text(**changes: str | None) -> str:
    row = {**GOOD, **changes}
    lines = [f"{key} = {value}" for key, value in row.items() if value is not None]
    return SOURCE + "[[parameter]]\n" + "\n".join(lines) + "\n"


def _load(text: str) -> None:
    evidence_from_rows(parse_rows(text, "t.toml"))


def test_the_good_row_is_good() -> None:
    evidence = evidence_from_rows(parse_rows(_text(), "t.toml"))
    assert evidence["a.b"].number() == 1.5
    assert evidence["a.b"].level is None


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"colour": '"red"'}, "unknown key colour"),
        ({"unit": None}, "unit is missing"),
        ({"unit": '" "'}, "not a text"),
        ({"unit": "3"}, "not a text"),
        ({"grade": None}, "grade is missing"),
        ({"grade": '"good"'}, "grade = 'good' is not one of"),
        ({"draw": '"beta"'}, "draw = 'beta'"),
        ({"varies": '"farm"'}, "varies = 'farm'"),
        ({"scale": '"log2"'}, "scale = 'log2'"),
        ({"interval_kind": '"sd"'}, "interval_kind = 'sd'"),
        ({"interval_kind": None}, "an interval needs"),
        ({"sources": None}, "sources is missing or empty"),
        ({"sources": "[]"}, "sources is missing or empty"),
        ({"sources": '"bench"'}, "is not a list"),
        ({"sources": "[1]"}, "not a text"),
        ({"sources": '["nowhere: page 1"]'}, "source 'nowhere' is not in the source tables"),
        ({"conditions": None}, "conditions is missing"),
        ({"how_known": None}, "how_known is missing"),
        ({"value": "nan"}, "value = nan is not a number"),
        ({"low": "-inf"}, "low = -inf is not a number"),
        ({"value": "true"}, "value = True is not a number"),
        ({"value": '"1.5"'}, "is not a number"),
        ({"value": "2.5"}, "value = 2.5 lies outside 1.0 to 2.0"),
        ({"low": "3"}, "low = 3.0 is above high = 2.0"),
        ({"high": None}, "low and high come together"),
        ({"value": None, "low": None, "high": None, "interval_kind": None}, "carries no number"),
        ({"draw": '"fixed"'}, "needs a value and no interval"),
        ({"low": None, "high": None, "interval_kind": None}, "needs low and high"),
        ({"draw": '"lognormal"', "low": "0"}, "needs low above zero"),
        ({"level": "90"}, "must lie between 0 and 1"),
        ({"level": "0.9", "interval_kind": '"ci95"'}, "contradicts interval_kind ci95"),
        ({"valid_c": "[30, 15]"}, "two temperatures"),
        ({"valid_c": "[15]"}, "two temperatures"),
        ({"valid_c": '["a", "b"]'}, "two temperatures"),
        ({"valid_c": "[nan, 15]"}, "two temperatures"),
        ({"valid_c": "[true, 15]"}, "two temperatures"),
        ({"moisture": '["damp"]'}, "moisture 'damp'"),
        ({"id": '"A b"'}, "must be lower-case words"),
        ({"id": '""'}, "not a text"),
        ({"grade": '"own"'}, "grade own belongs in a season's own file"),
        ({"grade": '"measured"', "how_known": '"from memory"'}, "cannot be graded better"),
        ({"replaces": '"not.there"'}, "which no row has as id"),
        ({"replaces": '"a.b"'}, "in a circle"),
    ],
)
def test_a_wrong_row_is_refused_with_file_and_id(changes: dict[str, str | None], says: str) -> None:
    with pytest.raises(EvidenceError) as caught:
        _load(_text(**changes))
    text = str(caught.value)
    assert says in text
    if "replaces" not in changes:
        assert "t.toml" in text
    if not changes.keys() & {"id", "replaces"}:
        assert "'a.b'" in text


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("not toml", "not valid TOML"),
        ("[[paramter]]\nid = 'a'\n", "unknown table 'paramter'"),
        ("[parameter]\nid = 'a'\n", "must be written as [[parameter]]"),
        ("parameter = 3\n", "must be written as [[parameter]]"),
        (_text() + _text().removeprefix(SOURCE), "id already stands in t.toml"),
        (_text() + SOURCE, "key already stands in t.toml"),
        (SOURCE.replace("locator", "place"), "unknown key place"),
        (SOURCE.replace('locator = "book 3"\n', ""), "locator is missing"),
        ("[[parameter]]\nunit = 'd'\n", "parameter number 1: id is missing"),
    ],
)
def test_a_wrong_file_is_refused(text: str, says: str) -> None:
    with pytest.raises(EvidenceError, match=r"t\.toml") as caught:
        _load(text)
    assert says in str(caught.value)


def test_the_level_follows_from_the_kind_of_interval() -> None:
    for kind, level in (("ci95", 0.95), ("se", 0.6826895), ("sd_between_studies", 0.6826895)):
        rows = parse_rows(_text(interval_kind=f'"{kind}"', draw='"normal"'), "t.toml")
        assert evidence_from_rows(rows)["a.b"].level == pytest.approx(level, abs=5e-8)


OWN = """
[[source]]
key = "own_bench"
citation = "Own bench, plates of May"
locator = "book 3"
how_known = "own counts"

[[parameter]]
id = "own.loss"
value = 1.0
unit = "log10"
low = 0.8
high = 1.2
interval_kind = "ci95"
draw = "normal"
grade = "own"
sources = ["own_bench"]
conditions = "Own seed, own coat."
how_known = "fitted to own counts"
replaces = "survival.on_seed.soybean.log10_loss_21d"
"""
OLD = "survival.on_seed.soybean.log10_loss_21d"


def _own(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "evidence.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_an_own_row_outranks_the_row_it_replaces(tmp_path: Path) -> None:
    packaged = load_evidence()
    evidence = load_evidence(_own(tmp_path, OWN))
    assert evidence[OLD].id == "own.loss"
    assert evidence[OLD].grade == "own"
    assert evidence.get(OLD) is evidence["own.loss"]
    assert evidence.superseded[OLD].low == 1.14
    assert OLD in evidence and OLD not in set(evidence)
    assert len(evidence) == len(packaged) == len(set(evidence))
    assert evidence.under("survival.on_seed.soybean")["log10_loss_21d"].id == "own.loss"
    assert packaged[OLD].id == OLD, "the packaged rows are untouched"


def test_a_chain_of_replacements_ends_at_the_newest() -> None:
    base = _text()
    row = _text(id='"a.c"', replaces='"a.b"').removeprefix(SOURCE)
    newest = _text(id='"a.d"', replaces='"a.c"').removeprefix(SOURCE)
    evidence = evidence_from_rows(parse_rows(base + row + newest, "t.toml"))
    assert evidence["a.b"].id == evidence["a.c"].id == "a.d"
    assert list(evidence) == ["a.d"]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('grade = "own"', 'grade = "measured"', "grade own belongs"),
        ('unit = "log10"', 'unit = "ln"', "differs from 'log10'"),
        ("[[parameter]]", "[[rule]]", "may hold only"),
        ('id = "own.loss"', f'id = "{OLD}"', "id already stands in"),
        ('sources = ["own_bench"]', "sources = []", "sources is missing or empty"),
    ],
)
def test_an_own_file_is_held_to_the_same_rules(
    tmp_path: Path, old: str, new: str, says: str
) -> None:
    with pytest.raises(EvidenceError, match=r"evidence\.toml|own\.loss") as caught:
        load_evidence(_own(tmp_path, OWN.replace(old, new)))
    assert says in str(caught.value)


def test_two_rows_may_not_replace_the_same(tmp_path: Path) -> None:
    second = OWN[OWN.index("[[parameter]]") :].replace("own.loss", "own.loss_2")
    with pytest.raises(EvidenceError, match=r"already replaced by own\.loss"):
        load_evidence(_own(tmp_path, OWN + second))


def test_an_own_file_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(EvidenceError, match="cannot be read"):
        load_evidence(tmp_path / "evidence.toml")
    (tmp_path / "evidence.toml").write_bytes(b"# \xff\xfe")
    with pytest.raises(EvidenceError, match="not UTF-8"):
        load_evidence(tmp_path / "evidence.toml")
    (tmp_path / "evidence.toml").write_bytes(b"#" * 1_000_001)
    with pytest.raises(EvidenceError, match="larger than"):
        load_evidence(tmp_path / "evidence.toml")


def test_an_unknown_id_names_the_nearest() -> None:
    evidence = load_evidence()
    with pytest.raises(NotFoundError, match=r"survival\.on_seed\.soybean\.z_c"):
        evidence["survival.on_seed.soybean.zc"]
    with pytest.raises(NotFoundError, match="Nothing is spelled like it"):
        evidence["@@@@@@"]
    assert evidence.get("survival.on_seed.soybean.zc") is None
    assert evidence.get("survival.on_seed.soybean.zc", 3) == 3
    assert "survival.on_seed.soybean.zc" not in evidence


def test_packaged_rows_are_read_once() -> None:
    assert load_evidence() is load_evidence()


def test_the_worst_grade() -> None:
    assert worst_grade([]) is None
    assert worst_grade(["own"]) == "own"
    assert worst_grade(["measured", "near", "standard"]) == "near"
    assert worst_grade(["practice", "assumption"]) == "assumption"
    with pytest.raises(EvidenceError, match="'good' is not a grade"):
        worst_grade(["measured", "good"])


def test_the_example_in_the_documentation_loads(tmp_path: Path) -> None:
    page = Path(__file__).parents[2] / "docs" / "evidence.md"
    example = page.read_text(encoding="utf-8").partition("```toml\n")[2].partition("```")[0]
    assert load_evidence(_own(tmp_path, example))[OLD].grade == "own"
