"""``evidence adopt`` and ``evidence diff``: what is written outranks, is cited, and is refused."""

from __future__ import annotations

import json
import shutil
from pathlib import Path
from typing import Any

import pytest

from rhizoledger.cli.app import main
from rhizoledger.evidence import load_evidence
from rhizoledger.provenance import digest_file

DEMO = Path(__file__).parents[2] / "examples" / "demo"
Z = "survival.on_seed.soybean.z_c"
NOISE = [0.05, -0.04, 0.02, -0.06, 0.03]


@pytest.fixture
def fit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Path:
    return fitted(tmp_path, capsys, "--model", "loglinear")


def fitted(folder: Path, capsys: pytest.CaptureFixture[str], *words: str) -> Path:
    lines = ["time_d,temp_c,log10_count"]
    for temp in (15, 22, 30):
        for t, w in zip((0, 3, 6, 10, 15), NOISE, strict=True):
            lines.append(f"{t},{temp},{7 + w - t / 12 * 10 ** ((temp - 20) / 30):.3f}")
    counts = folder / "counts.csv"
    counts.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert main(["survival", "fit", str(counts), *words, "--json"]) == 0
    path = folder / "fit.json"
    path.write_text(capsys.readouterr().out, encoding="utf-8")
    return path


def adopt(fit: Path, id: str, into: Path, *words: str) -> int:
    return main(["evidence", "adopt", str(fit), "--as", id, "--into", str(into), *words])


def complaint(capsys: pytest.CaptureFixture[str]) -> str:
    return " ".join(capsys.readouterr().err.split())


def test_an_adopted_number_outranks_the_shipped_one(fit: Path, tmp_path: Path) -> None:
    shipped = load_evidence()[Z]
    assert adopt(fit, Z, tmp_path) == 0
    own = load_evidence(tmp_path / "evidence.toml")[Z]
    z = json.loads(fit.read_text(encoding="utf-8"))["fits"][0]["parameters"]["z_c"]
    assert (own.value, own.low, own.high) == (z["value"], z["low"], z["high"])
    assert own.grade == "own" and own.replaces == Z and own.unit == shipped.unit
    assert own.valid_c == (15.0, 30.0)
    assert (own.covers, own.moisture) == (shipped.covers, shipped.moisture)
    assert load_evidence()[Z] == shipped  # what was shipped is as it was


def test_an_adopted_number_cites_its_fit_and_its_counts(fit: Path, tmp_path: Path) -> None:
    adopt(fit, Z, tmp_path)
    evidence = load_evidence(tmp_path / "evidence.toml")
    source = evidence.sources[evidence[Z].sources[0].partition(":")[0]]
    assert digest_file(fit) in source.locator
    assert digest_file(tmp_path / "counts.csv") in source.locator


def test_what_was_there_stays(
    fit: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    adopt(fit, Z, tmp_path)
    first = (tmp_path / "evidence.toml").read_text(encoding="utf-8")
    assert adopt(fit, "own_strain.d_ref_d", tmp_path) == 0
    second = (tmp_path / "evidence.toml").read_text(encoding="utf-8")
    assert second.startswith(first)
    assert second.count("[[source]]") == 1
    assert "own_strain.d_ref_d" in load_evidence(tmp_path / "evidence.toml")
    capsys.readouterr()
    assert adopt(fit, Z, tmp_path) == 0
    assert "nothing was written" in " ".join(capsys.readouterr().out.split())
    assert (tmp_path / "evidence.toml").read_text(encoding="utf-8") == second


def test_other_numbers_do_not_silently_replace_own_ones(
    fit: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    adopt(fit, Z, tmp_path)
    before = (tmp_path / "evidence.toml").read_bytes()
    other = json.loads(fit.read_text(encoding="utf-8"))
    other["fits"][0]["parameters"]["z_c"]["value"] += 0.5
    fit.write_text(json.dumps(other), encoding="utf-8")
    assert adopt(fit, Z, tmp_path) == 2
    assert "with other numbers" in complaint(capsys)
    assert (tmp_path / "evidence.toml").read_bytes() == before


@pytest.mark.parametrize(
    ("change", "id", "words", "said"),
    [
        ({"status": "at_bound"}, Z, (), "is no evidence"),
        ({"status": "not_identifiable"}, Z, (), "is no evidence"),
        ({"z_c": {"high": None}}, Z, (), "no limit on one side"),
        ({"level": 0.9}, Z, (), "at level 0.95"),
        ({}, "survival.on_seed.soybean.log10_loss_21d", ("--parameter", "z_c"), "not the same"),
        ({}, "mine.sigma", (), "Say which with --parameter"),
        ({}, "Not an id", (), "lower-case words"),
        ({}, Z, ("--series", "B"), "no series 'B'"),
        ({}, Z, ("--model", "weibull"), "no weibull fit"),
        ({"fits": []}, Z, (), "is no fit"),
    ],
)
def test_what_cannot_be_evidence_is_refused(
    change: dict[str, Any],
    id: str,
    words: tuple[str, ...],
    said: str,
    fit: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    found = json.loads(fit.read_text(encoding="utf-8"))
    for key, value in change.items():
        if key == "status":
            found["fits"][0][key] = value
        elif key == "z_c":
            found["fits"][0]["parameters"][key] |= value
        else:
            found[key] = value
    fit.write_text(json.dumps(found), encoding="utf-8")
    assert adopt(fit, id, tmp_path, *words) == 2
    assert said in complaint(capsys)
    assert not (tmp_path / "evidence.toml").exists()


def test_several_series_have_to_be_told_apart(
    fit: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = json.loads(fit.read_text(encoding="utf-8"))
    found["fits"].append(found["fits"][0] | {"series": "B"})
    found["best"]["B"] = "loglinear"
    fit.write_text(json.dumps(found), encoding="utf-8")
    assert adopt(fit, Z, tmp_path) == 2
    assert "--series" in complaint(capsys)
    assert adopt(fit, Z, tmp_path, "--series", "B") == 0


def test_a_folder_that_is_not_there(
    fit: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert adopt(fit, Z, tmp_path / "none") == 2
    assert "is no folder" in complaint(capsys)


@pytest.mark.thorough
def test_a_season_plans_with_its_own_evidence_and_digests_it(
    fit: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "season"
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("plan"))
    plans = []
    for adopted in (False, True):
        if adopted:
            assert adopt(fit, Z, folder) == 0
        out = tmp_path / f"plan{adopted}"
        assert main(["plan", str(folder), "--out", str(out)]) == 0
        plans.append(json.loads((out / "plan.json").read_text(encoding="utf-8")))
    capsys.readouterr()
    shipped, own = plans
    digest = digest_file(folder / "evidence.toml")
    assert own["generated"]["inputs"]["evidence.toml"] == digest
    assert "evidence.toml" not in shipped["generated"]["inputs"]
    text = json.dumps(own, ensure_ascii=False)
    assert f"own.{Z}" in text and f"own.{Z}" not in json.dumps(shipped, ensure_ascii=False)
    assert own["batches"] != shipped["batches"]


def test_diff_sets_own_beside_shipped(
    fit: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    adopt(fit, Z, tmp_path)
    adopt(fit, "own_strain.d_ref_d", tmp_path)
    capsys.readouterr()
    assert main(["evidence", "diff", str(tmp_path), "--json"]) == 0
    first, second = json.loads(capsys.readouterr().out)["rows"]
    shipped = load_evidence()[Z]
    assert first["replaces"] == Z
    assert (first["shipped"]["low"], first["shipped"]["high"]) == (shipped.low, shipped.high)
    assert first["overlap"] is (first["own"]["high"] >= first["shipped"]["low"])
    assert second["shipped"] is None and second["overlap"] is None
    assert main(["evidence", "diff", str(tmp_path)]) == 0
    assert "2 own rows in evidence.toml." in capsys.readouterr().out


def test_diff_without_own_evidence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["evidence", "diff", str(tmp_path)]) == 2
    assert "evidence adopt" in complaint(capsys)
