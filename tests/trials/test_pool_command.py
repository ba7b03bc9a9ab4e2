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
    *(
        "prediction",
        "alternative",
        "coefficients",
        "moderator_test",
        "factor_tests",
        "k",
        "method",
        "test",
        "loglik",
        "loglik_convention",
    ),
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
    assert found["prediction"].pop("caution")
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


def said(tokens: list[str], capsys: pytest.CaptureFixture[str]) -> str:
    assert main(["trial", "pool", *tokens, "--effect", "yi", "--variance", "vi"]) == 0
    return " ".join(capsys.readouterr().out.split())


def test_few_trials_are_said_beside_the_interval_for_a_new_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    few = str(written(tmp_path))
    assert "fewer than ten trials this interval holds less" in said([few], capsys)
    assert "--prediction hts" in said([few], capsys)
    assert "--prediction hts" not in said([few, "--prediction", "hts"], capsys)
    alike = [f"{0.01 * i},0.1" for i in range(12)]
    none = pool_file(written(tmp_path, "\n".join(["yi,vi", *alike])), "yi", "vi")
    assert none["tau2"] == 0
    assert "a variance between trials of 0" in none["prediction"]["caution"]
    many = [f"{i},0.1" for i in range(12)]
    found = pool_file(written(tmp_path, "\n".join(["yi,vi", *many])), "yi", "vi")
    assert found["prediction"]["caution"] is None


def test_where_knapp_hartung_is_narrow_the_wider_limits_are_given_to_use(tmp_path: Path) -> None:
    alike = written(tmp_path, "yi,vi\n1.0,0.25\n1.1,0.25\n0.9,0.25\n1.05,0.25\n")
    found = pool_file(alike, "yi", "vi")
    wider, q = found["alternative"], 0.021875 / 0.25 / 3
    assert 0.25 * q == pytest.approx(4 * found["se"] ** 2)
    assert wider["high"] - wider["low"] == pytest.approx((found["high"] - found["low"]) / q**0.5)
    # No variance between trials, so that the prediction's standard error is the mean's.
    assert wider["prediction"]["high"] == pytest.approx(wider["high"])
    (text,) = [w for w in found["warnings"] if "narrower" in w]
    assert "Use the wider one" in text
    assert pool_file(written(tmp_path), "yi", "vi")["alternative"] is None


def test_a_fixed_effect_takes_the_variance_as_none(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = said([str(written(tmp_path)), "--method", "FE"], capsys)
    assert "between trials: taken as none, not estimated" in text
    assert "Q-profile" not in text
    assert "(95 %, Q-profile: " in said([str(written(tmp_path))], capsys)


THREE_SOILS = """yi,vi,ph,soil
0.4,0.04,5.1,a
1.1,0.09,6.2,b
-0.2,0.05,5.5,c
0.8,0.12,6.8,a
0.5,0.03,6.0,b
0.1,0.07,7.1,c
0.9,0.05,5.9,a
1.6,0.06,6.6,b
"""


@pytest.mark.parametrize(("test", "name"), [("z", "χ²"), ("knha", "F")])
def test_moderators_are_tested_together_and_each_factor_by_itself(
    test: str, name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, THREE_SOILS)
    text = said([str(path), "--moderators", "ph,soil", "--test", test], capsys)
    assert f"All moderators together: {name} = " in text
    assert f"Levels of soil: {name} = " in text
    assert "R² " in text
    both = pool_file(path, "yi", "vi", moderators=["ph", "soil"], test=test)  # type: ignore[arg-type]
    # The test of a factor does not depend on which level stands first, nor on the column's place.
    turned = written(tmp_path, THREE_SOILS.replace(",a", ",z"))
    again = pool_file(turned, "yi", "vi", moderators=["soil", "ph"], test=test)  # type: ignore[arg-type]
    assert both["moderator_test"]["df1"] == 3 and both["factor_tests"]["soil"]["df1"] == 2
    for key in ("statistic", "p"):
        assert again["factor_tests"]["soil"][key] == pytest.approx(
            both["factor_tests"]["soil"][key], rel=1e-7
        )
    alone = pool_file(path, "yi", "vi", moderators=["soil"], test=test)  # type: ignore[arg-type]
    assert alone["factor_tests"]["soil"]["p"] == pytest.approx(alone["moderator_test"]["p"])


@pytest.mark.parametrize(
    ("text", "moderators", "place", "words"),
    [
        ("t,yi,vi\na,,0.1\nb,1,0.1\nc,1e200,0.1\nd,2,.1\n", [], (4, "yi"), "too large"),
        ("t,yi,vi\na,,0.1\nb,1,1e-12\nc,1,0.1\nd,2,.1\n", [], (3, "vi"), "nothing beside"),
        ("yi,vi,ph\n1,1,7\n2,1,8?\n3,1,6\n4,1,5\n", ["ph"], (3, "ph"), "no number"),
    ],
)
def test_problems_name_the_users_own_file_row_and_column(
    text: str, moderators: list[str], place: tuple[int, str], words: str, tmp_path: Path
) -> None:
    with pytest.raises(InputError) as caught:
        pool_file(written(tmp_path, text), "yi", "vi", moderators=moderators)
    (problem,) = caught.value.problems
    assert (problem.file, problem.row, problem.column) == ("trials.csv", *place)
    assert words in problem.what


def test_one_column_for_two_things_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="named twice"):
        pool_file(written(tmp_path), "yi", "YI")
    with pytest.raises(InputError, match="named twice"):
        pool_file(written(tmp_path), "yi", "vi", moderators=["vi"])
