"""``count plates``: sentences and JSON out; what is refused, with file, row, column and remedy."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from scipy import stats

from rhizoledger.cli.app import run
from rhizoledger.cli.count import app as count
from rhizoledger.cli.parsing import new_app
from rhizoledger.errors import InputError
from rhizoledger.stats.poisson import poisson_limits
from rhizoledger.workflows.count_plates import How, plates_file

HEAD = "item,dilution,volume_ml,colonies"
FOUR = "L1,0.01,1,232\nL1,0.01,1,244\nL1,0.001,1,33\nL1,0.001,1,28"
SEED = "item,sample,basis,dilution,volume_ml,colonies,colonies_are,wash_ml,seeds_washed"
TOP_KEYS = {
    "item", "estimate", "reported", "rule", "interval_method", "tntc_convention", "n_plates",
    "n_samples", "colonies", "dispersion", "status", "warnings",
}  # fmt: skip


def written(folder: Path, rows: str = FOUR, head: str = HEAD) -> Path:
    path = folder / "plates.csv"
    path.write_text(f"{head}\n{rows}\n", encoding="utf-8")
    return path


def said(tokens: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    top = new_app("rhizoledger", "Test.")
    top.command(count)
    assert run(top, ["count", "plates", *tokens]) == 0, capsys.readouterr().err
    out: str = capsys.readouterr().out
    return out


def results(folder: Path, rows: str = FOUR, head: str = HEAD, **how: Any) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = plates_file(written(folder, rows, head), How(**how))["results"]
    return found


def test_the_count_is_said_first_then_what_it_covers(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = said([str(written(tmp_path))], capsys)
    line = " ".join(text.split())
    assert line.startswith("L1: 24400 CFU per mL (95 %: 22400 to 26600), exact Poisson interval")
    assert "the limits cover its plates only, and the sample is the unit" in line
    assert "Reported by the rule of the US bacteriological manual: 24,000 CFU/mL." in line
    assert "one colony is 45.5" in line and "none would have meant below 136" in line
    assert all(len(x) <= 80 for x in text.splitlines())


def test_json_has_the_keys_of_the_contract(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = json.loads(said([str(written(tmp_path)), "--json"], capsys))
    (r,) = found["results"]
    assert set(r) >= TOP_KEYS
    assert {"g2", "df", "p", "nb_k", "index_of_dispersion"} <= set(r["dispersion"])
    low, high = poisson_limits(537, 0.95)
    assert r["estimate"]["value"] == pytest.approx(537 / 0.022)
    assert r["estimate"]["low"] == pytest.approx(low / 0.022)
    assert r["estimate"]["high"] == pytest.approx(high / 0.022)
    assert r["interval_method"] == "exact_poisson" and r["status"] == "ok"
    assert r["tntc_convention"] == "C > limit" and r["dispersion"]["nb_k"] is None
    assert (r["n_plates"], r["n_samples"], r["colonies"]) == (4, 1, 537)
    assert r["warnings"] == [] and found["warnings"] == []


def test_rule_limit_convention_and_level_are_options(tmp_path: Path) -> None:
    rows = "A,1e-3,1,31\nA,1e-3,1,28\nA,1e-2,1,TNTC"
    (above,) = results(tmp_path, rows)
    (at_least,) = results(tmp_path, rows, tntc_at_least=True)
    (low_limit,) = results(tmp_path, rows, tntc_limit=200)
    (narrow,) = results(tmp_path, rows, level=0.5)
    assert at_least["tntc_convention"] == "C >= limit"
    assert at_least["estimate"]["value"] < above["estimate"]["value"]
    assert low_limit["estimate"]["value"] < above["estimate"]["value"]
    assert narrow["estimate"]["low"] > above["estimate"]["low"]
    assert above["interval_method"] == "likelihood_ratio" and above["n_tntc"] == 1
    (iso,) = results(tmp_path, FOUR, rule="iso7218")
    assert iso["rule"] == "iso7218" and iso["rule_interval"]["low"] == pytest.approx(22431.8, 1e-5)


def test_the_columns_limit_outranks_the_option(tmp_path: Path) -> None:
    head = f"{HEAD},tntc_limit"
    rows = "A,1e-3,1,31,\nA,1e-2,1,tntc,300"
    (column,) = results(tmp_path, rows, head, tntc_limit=250)
    (option,) = results(tmp_path, "A,1e-3,1,31\nA,1e-2,1,TNTC", tntc_limit=300)
    assert column["estimate"] == option["estimate"]


def test_spreaders_alone_are_a_result_and_do_not_stop_the_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, "A,1e-3,1,SPR\nA,1e-3,1,la\nB,1e-3,1,31\nC,1e-3,1,LA")
    a, b, c = plates_file(path)["results"]
    assert (a["status"], a["reported"], a["estimate"]["value"]) == ("not_known", "SPR", None)
    assert b["estimate"]["value"] == pytest.approx(31_000) and c["reported"] == "LA"
    assert "A: not known; no plate could be counted (SPR)." in said([str(path)], capsys)


def test_none_and_too_many_are_bounds_that_name_alpha(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, "none,0.1,1,0\nfull,1e-2,1,TNTC\nfull,1e-3,1,TNTC")
    none, full = plates_file(path)["results"]
    assert none["estimate"]["high"] == pytest.approx(-math.log(0.05) / 0.1)
    assert none["interval_method"] == "upper_bound" and none["status"] == "at_limit"
    assert full["estimate"]["value"] is None and full["interval_method"] == "lower_bound"
    assert full["detection"] is None
    text = " ".join(said([str(path)], capsys).split())
    assert "none: below 30 CFU per mL (one-sided, alpha 0.05)" in text
    # The weaker plate decides: the density at which it holds more than 250 with probability 0.05.
    assert full["estimate"]["low"] == pytest.approx(stats.gamma.ppf(0.05, 251) * 1e3, rel=1e-6)
    assert "full: above 2.26×10⁵ CFU per mL (one-sided, alpha 0.05); 2 plates TNTC." in text


def test_samples_stand_above_plates(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rows = "\n".join(
        f"A,{s},1e-4,0.1,{c}" for s, c in zip("aabbc", (30, 34, 60, 66, 41), strict=True)
    )
    path = written(tmp_path, rows, "item,sample,dilution,volume_ml,colonies")
    (r,) = plates_file(path)["results"]
    parts = [s["estimate"]["value"] for s in r["samples"]]
    assert parts == pytest.approx([3.2e6, 6.3e6, 4.1e6]) and r["n_samples"] == 3
    assert r["estimate"]["value"] == pytest.approx(math.prod(parts) ** (1 / 3))
    assert r["interval_method"] == "t_over_samples" and r["interval_covers"] == "samples"
    assert r["dispersion"]["df"] == 2 and r["between_samples"]["spread"] == "estimated"
    plain = results(tmp_path, rows.replace(",a,", ",").replace(",b,", ",").replace(",c,", ","))
    assert plain[0]["interval_covers"] == "plates"
    assert plain[0]["estimate"]["high"] < r["estimate"]["high"]
    text = said([str(written(tmp_path, rows, "item,sample,dilution,volume_ml,colonies"))], capsys)
    assert "Sample b: 6.3×10⁶ CFU per mL" in text and "Spread between samples: 0.15" in text


def test_an_item_has_one_result_for_each_basis_time_and_kind(tmp_path: Path) -> None:
    head = "item,sampled_at,basis,dilution,volume_ml,colonies,colonies_are"
    rows = (
        "A,2027-05-01,mL,1e-3,1,30,target\nA,2027-05-01,mL,1e-4,1,60,total\n"
        "A,2027-05-09,mL,1e-3,1,10,target\nA,2027-05-09,g,1e-3,1,12,target\n"
        "A,2027-05-01,mL,1,1,4,contaminant"
    )
    found = plates_file(written(tmp_path, rows, head))
    key = [(r["sampled_at"], r["basis"], r["colonies_are"]) for r in found["results"]]
    assert key == [
        ("2027-05-01", "mL", "target"),
        ("2027-05-01", "mL", "total"),
        ("2027-05-09", "mL", "target"),
        ("2027-05-09", "g", "target"),
    ]
    assert [r["only_lowers"] for r in found["results"]] == [False, True, False, False]
    assert "contaminants" in found["warnings"][0]


def test_per_seed_with_recovery_names_recovered_and_corrected(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    row = "S,,seed,1e-2,0.1,40,target,100,50,0.4"
    path = written(tmp_path, row, f"{SEED},recovery")
    (r,) = plates_file(path)["results"]
    assert r["estimate"]["value"] == pytest.approx(40 / 1e-3 * 2) and r["basis"] == "seed"
    assert r["recovered"] == r["estimate"]
    assert r["corrected"]["value"] == pytest.approx(200_000)
    assert r["detection"]["one_colony"] == pytest.approx(2000)
    text = " ".join(said([str(path)], capsys).split())
    assert "CFU per seed, recovered in the wash" in text
    assert "Corrected for a recovery of 40 %, taken as exact: 2×10⁵ CFU per seed" in text


def test_recovery_from_a_zero_time_control(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = "zero,,seed,1e-4,0.1,50,target,100,100,,1e7\nS,,seed,1e-3,0.1,30,target,100,100,zero,"
    path = written(tmp_path, rows, f"{SEED},recovery_from,applied_per_seed")
    zero, s = plates_file(path)["results"]
    assert zero["recovery"]["share"] == pytest.approx(0.5) and zero["corrected"] is None
    assert s["corrected"]["value"] == pytest.approx(2 * s["recovered"]["value"])
    wider = s["corrected"]["high"] / s["corrected"]["value"]
    assert wider > s["recovered"]["high"] / s["recovered"]["value"]
    assert "Zero-time control: 50 %" in said([str(path)], capsys)


def test_drops_repeat_in_rows_or_in_a_column(tmp_path: Path) -> None:
    rows = "\n".join(f"D,1e-5,0.02,{c},p1," for c in (15, 14, 16)) + "\nE,1e-5,0.02,45,,3"
    d, e = results(tmp_path, rows, f"{HEAD},plate,drops")
    assert d["estimate"]["value"] == pytest.approx(e["estimate"]["value"])
    assert d["reported"] == e["reported"] == "75,000,000 CFU/mL"
    assert d["n_plates"] == e["n_plates"] == 1


def test_what_a_reader_must_know_is_a_warning(tmp_path: Path) -> None:
    head = f"{HEAD},medium,day_read,plate_cm2,note"
    rows = "A,1e-3,1,7,YMA,3,60,x\nA,1e-3,1,1,CR,7,60,\nB,1e-3,1,900,YMA,3,,"
    found = plates_file(written(tmp_path, rows, head))
    a, b = found["results"]
    text = " ".join(a["warnings"])
    assert "several media (YMA, CR)" in text and "different days (3, 7)" in text
    assert "Fewer than ten" in text and "disagree" in text
    assert any("area" in w for w in b["warnings"])
    assert "note" in found["warnings"][0]
    per_seed = results(tmp_path, "S,,seed,1e-2,0.1,40,,100,50", SEED)
    assert any("only lower" in w for w in per_seed[0]["warnings"])


@pytest.mark.parametrize(
    ("rows", "head", "says"),
    [
        ("A,1e6,1,30", HEAD, ["row 2", "dilution", "1e6"]),
        ("A,0,1,30", HEAD, ["row 2", "dilution"]),
        ("A,0.1,0,30", HEAD, ["row 2", "volume_ml"]),
        ("A,0.1,1,-3", HEAD, ["row 2", "colonies", "negative"]),
        ("A,0.1,1,2.5", HEAD, ["row 2", "colonies", "whole"]),
        ("A,0.1,1,", HEAD, ["row 2", "colonies", "empty"]),
        ("A,0.1,1,nan", HEAD, ["row 2", "colonies"]),
        ("A,0.1,1,many", HEAD, ["row 2", "colonies", "TNTC"]),
        ('A,0.1,1,"1,000"', HEAD, ["row 2", "colonies", "1000"]),
        ("A,0.1,1,1 000 000", HEAD, ["row 2", "colonies", "housands"]),
        ("A,0.1,1,2000000", HEAD, ["row 2", "colonies", "1000000"]),
        (",0.1,1,3", HEAD, ["row 2", "item"]),
        ("A,0.1,3", "item,dilution,colonies", ["volume_ml", "missing"]),
        ("A,1e-5,1,100\nA,1e-5,1,TNTC", HEAD, ["row 3", "TNTC", "contradicts"]),
        ("A,1e-5,1,3,2e6", f"{HEAD},tntc_limit", ["row 2", "tntc_limit"]),
        ("A,1e-5,1,3,-1", f"{HEAD},tntc_limit", ["row 2", "tntc_limit"]),
        ("A,1e-5,1,TNTC,6", f"{HEAD},drops", ["row 2", "tntc_limit", "drops"]),
        ("A,1e-5,1,3,5000", f"{HEAD},drops", ["row 2", "drops"]),
        ("A,1e-5,1,3,0", f"{HEAD},drops", ["row 2", "drops"]),
        ("A,1e-5,1,3,contaminant", f"{HEAD},colonies_are", ["contaminants"]),
        ("A,1e-5,1,3,mL\nA,1e-5,1,3,", f"{HEAD},basis", ["row 3", "basis"]),
        ("A,1e-5,1,3,kg", f"{HEAD},basis", ["row 2", "basis", "seed"]),
        ("A,1e-5,1,3,a\nA,1e-5,1,3,", f"{HEAD},sample", ["row 3", "sample"]),
        ("A,1e-5,1,3,0.4", f"{HEAD},recovery", ["row 2", "recovery", "seed"]),
        ("A,1e-5,1,3,40", f"{HEAD},recovery", ["row 2", "recovery", "1"]),
        ("S,,seed,1e-2,1,4,target,,50", SEED, ["row 2", "wash_ml"]),
        ("S,,seed,1,1,4,target,9,5\nS,,seed,1,1,4,target,8,5", SEED, ["row 3", "another wash"]),
        ("S,,seed,1,1,4,target,9,5,x", f"{SEED},recovery_from", ["row 2", "recovery_from"]),
        (
            "z,,seed,1,1,99,target,9,9,,,10\nS,,seed,1,1,4,target,9,5,.5,z,",
            f"{SEED},recovery,recovery_from,applied_per_seed",
            ["row 3", "only one"],
        ),
        ("z,,seed,1,1,99,target,9,9,10", f"{SEED},applied_per_seed", ["row 2", "more than was"]),
    ],
)
def test_what_is_refused_names_place_and_remedy(
    rows: str, head: str, says: list[str], tmp_path: Path
) -> None:
    with pytest.raises(InputError) as error:
        plates_file(written(tmp_path, rows, head))
    for part in ("plates.csv", *says):
        assert part in str(error.value), str(error.value)


def test_empty_files_and_impossible_options(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no rows"):
        plates_file(written(tmp_path, ""))
    for how in (How(level=1.0), How(tntc_limit=math.inf), How(between_sd=-1.0)):
        with pytest.raises(InputError):
            plates_file(written(tmp_path), how)


def test_semicolons_and_decimal_commas(tmp_path: Path) -> None:
    (r,) = results(tmp_path, "A;0,01;0,1;30\nA;0,1;0,1;Tntc", HEAD.replace(",", ";"))
    assert r["estimate"]["value"] == pytest.approx(30_000, rel=0.03)
