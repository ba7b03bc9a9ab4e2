"""A fit changed by hand, a wrong unit, a crop nobody knows: each has a clear answer."""

from __future__ import annotations

import copy
import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from rhizoledger.cli.app import main
from rhizoledger.evidence import load_evidence

SEED = "survival.on_seed.soybean"


@pytest.fixture(scope="module")
def fitted(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """A log-linear fit without temperatures, as JSON."""
    folder = tmp_path_factory.mktemp("fit")
    noise = [0.05, -0.04, 0.02, -0.06, 0.03]
    rows = [f"{d},{6 - d / 5 + w:.3f}" for d, w in zip((0, 3, 6, 10, 15), noise, strict=True)]
    counts = folder / "counts.csv"
    counts.write_text("time_d,log10_count\n" + "\n".join(rows) + "\n")
    capture = folder / "fit.json"
    from rhizoledger.workflows.survival_fit import fit_file

    found = fit_file(counts, model="loglinear")
    capture.write_text(json.dumps(found))
    return dict(json.loads(capture.read_text()))


def adopt(folder: Path, found: object, *words: str) -> int:
    path = folder / "fx.json"
    path.write_text(found if isinstance(found, str) else json.dumps(found))
    return main(["evidence", "adopt", str(path), "--into", str(folder), *words])


WHOLE = ("--as", SEED, "--curve", "--applied", "2e6", "--temp-c", "15")
Edit = Callable[[dict[str, Any]], Any]


def _set(*path: Any, to: Any) -> Edit:
    def edit(found: dict[str, Any]) -> None:
        place: Any = found
        for key in path[:-1]:
            place = place[key]
        place[path[-1]] = to

    return edit


def _drop(*path: Any) -> Edit:
    def edit(found: dict[str, Any]) -> None:
        place: Any = found
        for key in path[:-1]:
            place = place[key]
        del place[path[-1]]

    return edit


FIT = ("fits", 0)
D = (*FIT, "parameters", "d_d")


@pytest.mark.parametrize(
    "edit",
    [
        _drop("best"),
        _drop(*FIT, "warnings"),
        _drop(*FIT, "status"),
        _drop(*FIT, "series"),
        _set("level", to=None),
        _set("level", to="x"),
        _set("input", to="x"),
        _set(*D, "low", to="x"),
        _set(*D, "value", to=[1]),
        _set(*D, to=3),
        _set(*FIT, "last_time_d", to=None),
        _set(*FIT, "last_time_d", to=1e308),
        _set(*FIT, "secondary", to="bigelow"),
        _set(*FIT, "temp_c", to=20),
        _set(*FIT, "temp_c", to=[77, 95]),
        _set(*FIT, "correlation", to=[[1.0], [2.0, 3.0]]),
        _set(*FIT, "parameters", to={}),
        _set(*FIT, "n", to=-3),
        _set("fits", to=[3]),
    ],
)
@pytest.mark.parametrize("words", [("--as", f"{SEED}.d_d"), WHOLE])
def test_a_fit_changed_by_hand_is_said_to_be_so(
    edit: Edit,
    words: tuple[str, ...],
    fitted: dict[str, Any],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    found = copy.deepcopy(fitted)
    edit(found)
    assert adopt(tmp_path, found, *words) == 2
    assert "fx.json: " in capsys.readouterr().err
    assert not (tmp_path / "evidence.toml").exists()


@pytest.mark.parametrize(
    ("d_d", "words"),
    [
        ({"value": -5.0, "low": -6.0, "high": -4.0}, "lies between 0"),
        ({"value": 5.0, "low": -1.0, "high": 9.0}, "lies between 0"),
        ({"value": 5.0, "low": 6.0, "high": 9.0}, "the value between its limits"),
        ({"value": 1e9, "low": 1e8, "high": 1e10}, "lies between 0"),
    ],
)
def test_numbers_that_cannot_be_are_no_evidence(
    d_d: dict[str, float],
    words: str,
    fitted: dict[str, Any],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    found = copy.deepcopy(fitted)
    found["fits"][0]["parameters"]["d_d"] |= d_d
    for how in (("--as", "survival.mine.d_d"), WHOLE):
        assert adopt(tmp_path, found, *how) == 2
        assert words in " ".join(capsys.readouterr().err.split())


@pytest.mark.parametrize("text", ["[" * 100_000, '{"fits": [{"n": NaN}]}', "", "\x00"])
def test_what_is_no_json_is_no_fit(
    text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert adopt(tmp_path, text, *WHOLE) == 2
    assert "is no fit" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--as", SEED, "--curve", "--temp-c", "68"), "Is this °F"),
        (("--as", SEED, "--curve", "--temp-c", "nan"), "Is this °F"),
        (("--as", SEED, "--curve"), "Say it with --temp-c"),
        (("--as", SEED, "--curve", "--temp-c", "15", "--applied", "1e300"), "cells per seed"),
        (("--as", SEED, "--curve", "--temp-c", "15", "--applied", "10"), "which cannot be"),
        (("--as", SEED, "--curve", "--temp-c", "15", "--stages", "package"), "does not speak"),
        (("--as", SEED, "--curve", "--temp-c", "15", "--parameter", "d_d"), "leave one out"),
        (("--as", "survival.on_seed.soyabean", "--curve", "--temp-c", "15"), "soybean here"),
        (("--as", "survival.on_seed.Soy Bean", "--curve", "--temp-c", "15"), "no name of a curve"),
    ],
)
def test_what_was_not_meant_is_asked_back(
    words: tuple[str, ...],
    said: str,
    fitted: dict[str, Any],
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert adopt(tmp_path, fitted, *words) == 2
    assert said in " ".join(capsys.readouterr().err.split())


def test_a_crop_nobody_knows_is_minded(
    fitted: dict[str, Any], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ("--as", "survival.on_seed.soybeen", "--curve", "--temp-c", "15", "--applied", "2e6")
    assert adopt(tmp_path, fitted, *words) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "No crop is called soybeen here" in said
    assert "soybean" in said


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_is_refused_without_waiting(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    os.mkfifo(tmp_path / "p.json")
    assert main(["evidence", "adopt", str(tmp_path / "p.json"), *WHOLE]) == 2
    assert "no plain file" in capsys.readouterr().err
    assert main(["evidence", "diff", str(tmp_path / "nowhere")]) == 2
    assert "There is no folder" in capsys.readouterr().err


def test_own_evidence_with_a_byte_order_mark_is_read(
    fitted: dict[str, Any], tmp_path: Path
) -> None:
    assert adopt(tmp_path, fitted, *WHOLE) == 0
    path = tmp_path / "evidence.toml"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert SEED in load_evidence(path).curves


@pytest.mark.parametrize("text", ["a = " + "[" * 20_000, "[[parameter]]\nvalue = " + "9" * 400])
def test_toml_beyond_reason_is_no_crash(
    text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "evidence.toml").write_text(text)
    assert main(["evidence", "diff", str(tmp_path)]) == 2
    assert "evidence.toml" in capsys.readouterr().err
