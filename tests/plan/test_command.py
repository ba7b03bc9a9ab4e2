"""The main job as a command: what it prints, writes and returns."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from rhizoledger.workflows.plan import make_plan

EXAMPLES = Path(__file__).parents[2] / "examples"


def run(*words: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "rhizoledger", *words],
        capture_output=True,
        text=True,
        encoding="utf-8",
        env={**os.environ, "PYTHONIOENCODING": "utf-8", **environment},
        check=False,
    )


@pytest.fixture
def canada(tmp_path: Path) -> Path:
    folder = tmp_path / "season"
    shutil.copytree(EXAMPLES / "canada", folder, ignore=shutil.ignore_patterns("plan"))
    return folder


@pytest.mark.thorough
@pytest.mark.parametrize("name", ["demo", "southern", "canada"])
def test_the_summary_fits_80_columns_and_ends_where_the_files_are(
    name: str, tmp_path: Path
) -> None:
    done = run("plan", str(EXAMPLES / name), "--out", str(tmp_path))
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""
    lines = done.stdout.splitlines()
    paths = [line for line in lines if str(tmp_path) in line]
    assert all(len(line) <= 80 for line in lines if line not in paths)
    assert str(tmp_path) in lines[-1]
    for file in tmp_path.iterdir():
        assert file.name in done.stdout
    for heading in ("Seed batches", "Plantings", "Fields", "What would tighten most", "Read:"):
        assert any(line.startswith(heading) for line in lines), heading
    assert "Label, tag and local rules come first." in done.stdout


@pytest.mark.thorough
def test_json_is_one_object_the_same_as_the_file_and_as_python_gives(tmp_path: Path) -> None:
    done = run("plan", str(EXAMPLES / "demo"), "--out", str(tmp_path), "--json")
    assert (done.returncode, done.stderr) == (0, "")
    printed = json.loads(done.stdout)
    assert printed == json.loads((tmp_path / "plan.json").read_text(encoding="utf-8"))
    assert printed == make_plan(EXAMPLES / "demo", tmp_path / "again").document
    first = (tmp_path / "plan.json").read_bytes()
    assert (tmp_path / "again" / "plan.json").read_bytes() == first


def test_what_was_written_is_never_read(canada: Path) -> None:
    first = make_plan(canada)
    assert [f.name for f in first.written] == ["plan.json", "predictions.csv"]
    again = make_plan(canada)
    assert again.document == first.document


@pytest.mark.thorough
def test_a_later_day_is_asked_for(canada: Path) -> None:
    later = run("plan", str(canada), "--as-of", "2027-06-15", "--json")
    assert json.loads(later.stdout)["as_of"] == "2027-06-15"
    for day in ("June", "9999-12-31", "0001-01-01"):
        wrong = run("plan", str(canada), "--as-of", day)
        assert wrong.returncode == 2
        assert day in wrong.stderr
        assert "Traceback" not in wrong.stderr
        assert wrong.stdout == ""


@pytest.mark.thorough
def test_an_ascii_console_gets_ascii(canada: Path) -> None:
    done = run("plan", str(canada), PYTHONIOENCODING="ascii")
    assert done.returncode == 0
    assert done.stdout.isascii()


@pytest.mark.thorough
@pytest.mark.parametrize(("name", "word"), [("S07", "closed vehicle"), ("C2", "skip")])
def test_why_tells_in_sentences(name: str, word: str) -> None:
    done = run("plan", "why", str(EXAMPLES / "demo"), name)
    assert done.returncode == 0
    assert word in " ".join(done.stdout.split())
    told = json.loads(run("plan", "why", str(EXAMPLES / "demo"), name, "--json").stdout)
    assert any(word in sentence for sentence in told["sentences"])


@pytest.mark.thorough
def test_why_names_what_there_is() -> None:
    done = run("plan", "why", str(EXAMPLES / "demo"), "nobody")
    assert done.returncode == 2
    assert "S01" in done.stderr
    assert "A1" in done.stderr


@pytest.mark.thorough
def test_a_folder_that_cannot_be_used_is_told_whole(canada: Path) -> None:
    (canada / "lots.csv").write_text("lot,inoculant,expires_on\n,INO,never\n", encoding="utf-8")
    done = run("plan", str(canada))
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    assert done.stderr.count("lots.csv, row 2") >= 2
    assert not (canada / "plan").exists()
