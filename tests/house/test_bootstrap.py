"""The bootstrap finds a Python, does nothing twice, and says in words what is missing."""

from __future__ import annotations

import ast
import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest

from tests.house.tree import ROOT

SCRIPT = ROOT / "scripts" / "bootstrap.py"


@pytest.fixture
def bootstrap() -> ModuleType:
    spec = importlib.util.spec_from_file_location("bootstrap", SCRIPT)
    assert spec is not None and spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture
def place(bootstrap: ModuleType, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A project of its own, in a folder with a space in its name."""
    root = tmp_path / "my season"
    (root / "requirements").mkdir(parents=True)
    (root / "pyproject.toml").write_text("")
    (root / "requirements" / "run.txt").write_text("a==1 \\\n    --hash=sha256:00\n")
    (root / "requirements" / "dev.txt").write_text("a==1 \\\n    --hash=sha256:00\nb==2\n")
    monkeypatch.setattr(bootstrap, "ROOT", str(root))
    return root


def test_an_old_python_can_read_it() -> None:
    ast.parse(SCRIPT.read_text(encoding="utf-8"), feature_version=(3, 6))


def test_it_needs_nothing_but_the_standard_library() -> None:
    for node in ast.walk(ast.parse(SCRIPT.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            assert {alias.name for alias in node.names} <= set(sys.stdlib_module_names)
        assert not isinstance(node, ast.ImportFrom)


def test_this_python_is_found(bootstrap: ModuleType) -> None:
    found = bootstrap.probe([sys.executable])
    assert found is not None
    version, missing, _ = found
    assert version == sys.version_info[:2] and missing == "-"


def test_too_old_and_incomplete_pythons_are_named(
    bootstrap: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = iter([((3, 6), "-", "/a/python3"), None, ((3, 12), "ensurepip", "/b/python3")])
    monkeypatch.setattr(bootstrap, "candidates", lambda: [["x"], ["y"], ["z"]])
    monkeypatch.setattr(bootstrap, "probe", lambda command: next(answers))
    with pytest.raises(bootstrap.Missing) as missing:
        bootstrap.find_python()
    text = str(missing.value)
    assert "No Python 3.11 or newer" in text
    assert "/a/python3 is Python 3.6" in text
    assert "/b/python3 has no ensurepip module" in text
    assert "python3-venv" in text


def test_a_command_that_is_no_python_is_passed_over(bootstrap: ModuleType) -> None:
    assert bootstrap.probe(["no-such-python"]) is None
    assert bootstrap.probe(["false"]) is None


@pytest.mark.parametrize("arguments", [[], ["web"], ["run", "dev"]])
def test_wrong_use_is_told(
    bootstrap: ModuleType, arguments: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert bootstrap.main(arguments) == 2
    assert "run, dev or lock" in capsys.readouterr().err


def test_dev_serves_run_and_nothing_is_done_twice(
    bootstrap: ModuleType, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    done: list[str] = []

    def make(venv: str) -> None:
        Path(venv).mkdir()
        (Path(venv) / "made-in").write_text(str(place))
        done.append("made")

    monkeypatch.setattr(bootstrap, "make_environment", make)
    monkeypatch.setattr(bootstrap, "install", lambda venv, name: done.append(name))
    monkeypatch.setattr(bootstrap, "probe", lambda command: ((3, 11), "-", "x"))
    bootstrap.prepare("dev")
    assert done == ["made", "dev"]
    bootstrap.prepare("run")
    bootstrap.prepare("dev")
    assert done == ["made", "dev"]
    (place / "requirements" / "run.txt").write_text("a==2 \\\n    --hash=sha256:00\n")
    bootstrap.prepare("run")
    assert done == ["made", "dev", "run"]


def test_a_moved_folder_gets_a_new_environment(
    bootstrap: ModuleType, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[str] = []
    venv = place / ".venv"
    venv.mkdir()
    (venv / "made-in").write_text("elsewhere")
    monkeypatch.setattr(bootstrap, "make_environment", made.append)
    monkeypatch.setattr(bootstrap, "install", lambda venv, name: None)
    bootstrap.prepare("run")
    assert made == [str(venv)]


def test_a_folder_that_is_no_environment_is_left_alone(bootstrap: ModuleType, place: Path) -> None:
    (place / ".venv").mkdir()
    (place / ".venv" / "diary.txt").write_text("mine")
    with pytest.raises(bootstrap.Missing, match="Move it away"):
        bootstrap.make_environment(str(place / ".venv"))
    assert (place / ".venv" / "diary.txt").read_text() == "mine"


def test_a_failed_installation_is_explained(
    bootstrap: ModuleType, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bootstrap.subprocess, "call", lambda *a, **k: 1)
    with pytest.raises(bootstrap.Missing, match="no network"):
        bootstrap.install(str(place / ".venv"), "run")


def test_the_real_dev_lock_holds_the_run_lock(bootstrap: ModuleType) -> None:
    assert bootstrap.pins("run") and bootstrap.pins("run") < bootstrap.pins("dev")
