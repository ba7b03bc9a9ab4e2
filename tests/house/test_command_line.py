"""The command as a process: help, exit codes, one JSON object, any console."""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
from pathlib import Path
from typing import Annotated

import pytest
from cyclopts import App, CycloptsError, Parameter
from hypothesis import given
from hypothesis import strategies as st

from rhizoledger import __version__
from rhizoledger.cli.app import app, run
from rhizoledger.cli.console import spelled
from rhizoledger.cli.parsing import new_app, with_minus_values
from rhizoledger.errors import InputError, NotFoundError, Problem
from tests.house.tree import ROOT

COMMANDS = (
    "",
    "season",
    "season new",
    "season check",
    "plan",
    "plan why",
    "evidence",
    "evidence list",
    "evidence show",
)


def rhizoledger(
    *words: str, cwd: Path = ROOT, **environment: str
) -> subprocess.CompletedProcess[str]:
    """Run the command as a user would, with text as bytes would show it."""
    return subprocess.run(
        [sys.executable, "-m", "rhizoledger", *words],
        capture_output=True,
        text=True,
        encoding="utf-8",
        cwd=cwd,
        env={**os.environ, "PYTHONIOENCODING": "utf-8", **environment},
        check=False,
        timeout=60,
    )


# --- help ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", COMMANDS)
def test_help_is_plain_and_fits(command: str) -> None:
    done = rhizoledger(*command.split(), "--help", PYTHONIOENCODING="ascii", FORCE_COLOR="1")
    assert (done.returncode, done.stderr) == (0, "")
    assert done.stdout.startswith("Usage: rhizoledger " + command)
    assert done.stdout.isascii() and "\x1b" not in done.stdout
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_the_bare_command_shows_help() -> None:
    done = rhizoledger()
    assert done.returncode == 0 and done.stdout.startswith("Usage: rhizoledger COMMAND")


def test_version() -> None:
    assert rhizoledger("--version").stdout == __version__ + "\n"


@pytest.mark.parametrize("group", ["count", "survival", "treat"])
def test_a_group_says_of_itself_what_the_whole_says_of_it(group: str) -> None:
    of_itself = rhizoledger(group, "--help").stdout.split("\n\n")[1]
    assert " ".join(of_itself.split()) in " ".join(rhizoledger("--help").stdout.split())


def test_help_is_quick() -> None:
    """At most 0.15 s. Processor time, so that a busy machine does not decide."""

    def seconds() -> float:
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        assert rhizoledger("--help").returncode == 0
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        return after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime

    assert any(seconds() <= 0.15 for _ in range(10))


# --- what the issue prints ----------------------------------------------------------------------


@pytest.mark.parametrize(
    "line",
    [
        "season new DIR",
        "season new DIR --minimal",
        "season check DIR",
        "season check DIR --json",
        "plan DIR",
        "plan DIR --out OUT",
        "plan DIR --as-of 2027-05-10",
        "plan DIR --out OUT --as-of 2027-05-10 --json",
        "plan --json --out=OUT DIR",
        "plan why DIR B1",
        "plan why DIR B1 --json",
        "plan why DIR B1 --as-of 2027-05-10",
        "evidence list",
        "evidence list --gaps",
        "evidence list --gaps --json",
        "evidence show survival.package.liquid_warm.d_days",
        "evidence show ID --json",
    ],
)
def test_every_printed_command_line_parses(line: str) -> None:
    command, bound, ignored = app.parse_args(
        with_minus_values(line.split()), print_error=False, exit_on_error=False
    )
    assert not ignored
    words = [word for word in line.split() if word.islower() and word.isalpha()]
    assert command.__name__.removesuffix("_") == words[-1]
    assert bound.arguments.get("json", False) is ("--json" in line)


def test_a_folder_called_why_can_be_planned() -> None:
    command, bound, _ = app.parse_args(["plan", "./why"], print_error=False, exit_on_error=False)
    assert command.__name__ == "plan"
    assert bound.args == (Path("why"),)


# --- option lists and values with a minus -------------------------------------------------------


@pytest.fixture
def tiny() -> tuple[App, list[object]]:
    tiny, seen = new_app("tiny", "A test."), list[object]()

    @tiny.command
    def pays(*, k: list[int] | None = None, b: str = "", json: bool = False) -> None:
        seen.append((k, b, json))

    @tiny.command
    def grid(
        *, b: Annotated[list[str] | None, Parameter(help="Ranges.")] = None, n: float = 0
    ) -> None:
        seen.append((b, n))

    return tiny, seen


@pytest.mark.parametrize(
    ("line", "expected"),
    [
        ("pays --k 2 3 5", ([2, 3, 5], "", False)),
        ("pays --k 2 3 5 --json", ([2, 3, 5], "", True)),
        ("pays --k 2 --k 3", ([2, 3], "", False)),
        ("pays --b -1.8:0.2", (None, "-1.8:0.2", False)),
        ("pays --b=-1.8:0.2 --k 2 -3", ([2, -3], "-1.8:0.2", False)),
        ("pays --b -.5:2 --k 2 3 5 --json", ([2, 3, 5], "-.5:2", True)),
        ("grid --b -1.8:0.2 0:1 -2:3 --n -4", (["-1.8:0.2", "0:1", "-2:3"], -4.0)),
        ("grid --n -1e-3", (None, -0.001)),
    ],
)
def test_lists_and_minus_values(
    tiny: tuple[App, list[object]], line: str, expected: object
) -> None:
    commands, seen = tiny
    assert run(commands, line.split()) == 0
    assert seen == [expected]


@pytest.mark.parametrize(
    "line", ["pays --no-json", "pays --empty-k", "pays --k 2 x", "pays -1 --b"]
)
def test_what_is_not_offered_is_refused(
    tiny: tuple[App, list[object]], line: str, capsys: pytest.CaptureFixture[str]
) -> None:
    commands, seen = tiny
    assert run(commands, line.split()) == 2
    assert seen == [] and capsys.readouterr().err


@given(st.lists(st.sampled_from(["--k", "--b=2", "x", "-1", "-.5:3", "--", "plan", "--json"])))
def test_tying_values_loses_no_word(tokens: list[str]) -> None:
    tied = with_minus_values(tokens)
    assert "".join(tied).replace("=", "").count("-1") == "".join(tokens).count("-1")
    assert [t for t in tied if t in ("x", "plan")] == [t for t in tokens if t in ("x", "plan")]
    assert with_minus_values(tied) == tied or any(t.startswith("-1") for t in tied)


# --- exit codes, in one place -------------------------------------------------------------------

NAMELESS = Problem("lots.csv", 3, "lot", "", "A lot needs a name.", "Write one.")


@pytest.mark.parametrize(
    ("error", "said"),
    [
        (InputError([NAMELESS]), "lots.csv, row 3, column lot"),
        (InputError("The folder holds no season."), "The folder holds no season."),
        (NotFoundError("No batch is called B9."), "No batch is called B9."),
        (PermissionError(13, "Permission denied", "plan.json"), "plan.json: Permission denied."),
    ],
)
@pytest.mark.parametrize("as_json", [False, True])
def test_errors_become_exit_code_2(
    error: Exception, said: str, as_json: bool, capsys: pytest.CaptureFixture[str]
) -> None:
    failing = new_app("failing", "A test.")

    @failing.command
    def go(*, json: bool = False) -> None:
        raise error

    assert run(failing, ["go", "--json"] if as_json else ["go"]) == 2
    out, err = capsys.readouterr()
    if as_json:
        (problem,) = json.loads(out)["problems"]
        assert err == "" and problem["severity"] == "error" and problem["what"]
    else:
        assert out == "" and said in err


def test_stopping_by_hand(capsys: pytest.CaptureFixture[str]) -> None:
    failing = new_app("failing", "A test.")

    @failing.command
    def go() -> None:
        raise KeyboardInterrupt

    assert run(failing, ["go"]) == 130
    assert capsys.readouterr().err.startswith("Stopped.")


def test_a_mistake_of_ours_is_not_hidden() -> None:
    failing = new_app("failing", "A test.")

    @failing.command
    def go() -> None:
        raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        run(failing, ["go"])


@pytest.mark.parametrize(
    "line",
    [
        "plna",
        "plan",
        "plan why",
        "plan d --jsn",
        "plan d --out",
        "season",
        "plan d e f",
        "evidence show",
    ],
)
def test_usage_errors_are_sentences(line: str) -> None:
    done = rhizoledger(*line.split(), PYTHONIOENCODING="ascii")
    if line == "season":  # a group alone shows its help
        assert done.returncode == 0 and done.stdout.startswith("Usage:")
        return
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr.isascii() and "Traceback" not in done.stderr
    assert '--help".' in " ".join(done.stderr.split())


def test_usage_errors_as_json() -> None:
    done = rhizoledger("plan", "d", "--json", "--as-of")
    assert (done.returncode, done.stderr) == (2, "")
    (problem,) = json.loads(done.stdout)["problems"]
    assert problem["file"] == "command line" and "--as-of" in problem["what"]


@pytest.mark.thorough
@pytest.mark.parametrize(
    "line",
    ["plan nowhere", "plan why nowhere B1", "season check nowhere", "evidence show no.such.id"],
)
def test_unusable_input_is_exit_code_2_and_one_json_object(line: str, tmp_path: Path) -> None:
    spoken = rhizoledger(*line.split(), cwd=tmp_path)
    assert spoken.returncode == 2 and "Traceback" not in spoken.stderr
    assert (spoken.stdout + spoken.stderr).strip()
    as_json = rhizoledger(*line.split(), "--json", cwd=tmp_path)
    assert as_json.returncode == 2
    problems = json.loads(as_json.stdout)["problems"]
    assert problems and all(problem["what"] for problem in problems)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.thorough
def test_a_new_season_is_one_json_object_and_can_be_checked(tmp_path: Path) -> None:
    made = rhizoledger("season", "new", "mine", "--json", cwd=tmp_path)
    assert made.returncode == 0 and json.loads(made.stdout)["written"]
    again = rhizoledger("season", "new", "mine", cwd=tmp_path)
    assert again.returncode == 2 and "Traceback" not in again.stderr
    checked = rhizoledger("season", "check", "mine", "--json", cwd=tmp_path)
    assert list(json.loads(checked.stdout)) == ["problems"]


@pytest.mark.thorough
@pytest.mark.parametrize("gaps", [(), ("--gaps",)])
def test_evidence_is_listed_and_shown(gaps: tuple[str, ...]) -> None:
    listed = json.loads(rhizoledger("evidence", "list", *gaps, "--json").stdout)
    first = listed["evidence"][0]["id"]
    shown = rhizoledger("evidence", "show", first, "--json")
    assert shown.returncode == 0 and json.loads(shown.stdout)["id"] == first
    text = rhizoledger("evidence", "show", first, PYTHONIOENCODING="ascii")
    assert text.returncode == 0 and first in text.stdout and "source:" in text.stdout
    everything = rhizoledger("evidence", "list", *gaps, PYTHONIOENCODING="ascii")
    assert everything.returncode == 0
    assert max(map(len, everything.stdout.splitlines())) <= 80


def test_a_reader_that_leaves_early_gets_no_traceback() -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "rhizoledger", "evidence", "list"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=ROOT,
    )
    assert process.stdout is not None and process.stderr is not None
    process.stdout.close()
    err = process.stderr.read()
    process.stderr.close()
    assert (process.wait(60), err) == (141, b"")


# --- any console --------------------------------------------------------------------------------


@given(st.text(), st.sampled_from(["ascii", "cp1252", "latin-1", "cp437", "utf-8", None]))
def test_any_text_can_be_printed_on_any_console(text: str, encoding: str | None) -> None:
    spelled(text, encoding).encode(encoding or "ascii")


@given(st.text(st.characters(codec="ascii")))
def test_plain_text_stays_as_it_is(text: str) -> None:
    assert spelled(text, "ascii") == text


def test_signs_keep_their_meaning_in_ascii() -> None:
    assert (
        spelled("≥ ≤ ± × – — 20 °C “x” ’ −1 µg", "ascii") == '>= <= +/- x - - 20 deg C "x" \' -1 ug'
    )
    assert spelled("20 °C", "utf-8") == "20 °C"


def test_longer_spellings_stay_within_80_columns() -> None:
    text = "  " + " ".join(["20 ± 2 °C"] * 8) + "\nshort"
    lines = spelled(text, "ascii").split("\n")
    assert max(map(len, lines)) <= 80
    assert lines[-1] == "short" and lines[1].startswith("  ")


def test_a_parse_error_is_ours_to_print() -> None:
    with pytest.raises(CycloptsError):
        app.parse_args(["plan"], print_error=False, exit_on_error=False)
