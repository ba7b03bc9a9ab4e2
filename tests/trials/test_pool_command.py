"""``trial pool``: a file in, the pooled answer out, and what it says of a file it cannot use."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from rhizoledger.cli.app import main
from rhizoledger.errors import InputError
from rhizoledger.stats.pooling import pool
from rhizoledger.workflows.trial import pool_file

EFFECTS = (0.4, 1.1, -0.2, 0.8, 0.5)
VARIANCES = (0.04, 0.09, 0.05, 0.12, 0.03)
KEYS = [
    *("mu", "se", "low", "high", "tau2", "tau2_low", "tau2_high", "i2", "i2_kind", "q", "p_q"),
    *("prediction", "coefficients", "k", "method", "test", "loglik", "loglik_convention"),
    "warnings",
]


def written(folder: Path, text: str = "") -> Path:
    path = folder / "trials.csv"
    pairs = zip(EFFECTS, VARIANCES, strict=True)
    rows = [f"{y},{v},{2000 + i},s{i % 2}" for i, (y, v) in enumerate(pairs)]
    path.write_text(text or "\n".join(["yi,vi,year,soil", *rows]) + "\n", encoding="utf-8")
    return path


def test_the_command_says_what_the_function_works_out(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path)
    assert main(["trial", "pool", str(path), "--effect", "yi", "--variance", "vi", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert list(found) == KEYS
    assert found == json.loads(json.dumps(pool(EFFECTS, VARIANCES).to_dict()))


def test_sentences_name_method_and_convention(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path)
    words = ["--effect", "yi", "--variance", "vi", "--method", "DL", "--test", "z"]
    assert main(["trial", "pool", str(path), *words, "--prediction", "hts"]) == 0
    said = capsys.readouterr().out
    assert "DL, normal test" in said and "convention hts" in said
    assert all(len(line) <= 80 for line in said.splitlines())


def test_moderators_are_numbers_or_words(tmp_path: Path) -> None:
    path = written(tmp_path)
    terms = [c["term"] for c in pool_file(path, "yi", "vi", moderators=["year"])["coefficients"]]
    assert terms == ["intercept", "year"]
    terms = [c["term"] for c in pool_file(path, "yi", "vi", moderators=["soil"])["coefficients"]]
    assert terms == ["intercept", "soil=s1"]


def test_an_empty_row_is_left_out_and_named(tmp_path: Path) -> None:
    found = pool_file(written(tmp_path, "yi,vi\n1,0.1\n2,\n1.5,0.2\n"), "yi", "vi")
    assert found["k"] == 2
    assert "row 3" in found["warnings"][-1]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("a,vi\n1,2\n", "yi"),
        ("yi,vi\n1,-0.1\n2,0.2\n", "above zero"),
        ("yi,vi\n1,0\n2,0.2\n", "above zero"),
        ("yi,vi\nmuch,0.1\n", "not a number"),
        ("yi,vi\nnan,0.1\n", "not a number"),
        ("yi,vi\n", "no rows"),
        ("yi,vi\n,\n,\n", "no row"),
        ("", "empty"),
    ],
)
def test_what_cannot_be_used_is_said(text: str, words: str, tmp_path: Path) -> None:
    path = tmp_path / "trials.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        pool_file(path, "yi", "vi")
    said = " ".join([str(caught.value), *(p.what for p in caught.value.problems)])
    assert words.casefold() in said.casefold()


def test_one_trial_is_an_answer_without_a_spread(tmp_path: Path) -> None:
    found = pool_file(written(tmp_path, "yi,vi\n1,0.25\n"), "yi", "vi")
    assert found["k"] == 1 and found["mu"] == 1.0
    assert found["tau2"] is None and found["prediction"]["low"] is None
