"""Plans of a count by infection: slow twins, the truth by enumeration, and the command."""

from __future__ import annotations

import itertools
import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import binom

from rhizoledger.cli.app import run
from rhizoledger.cli.count import app
from rhizoledger.counts.infection import count_infection
from rhizoledger.counts.infection_plan import (
    InfectionSeries,
    Planting,
    plan_for_plants,
    plan_for_precision,
)
from rhizoledger.errors import InputError

series = st.builds(
    InfectionSeries,
    expected=st.floats(1e3, 1e10),
    spread=st.floats(1.0, 100.0),
    factor=st.floats(2.0, 20.0),
    first_dilution=st.floats(0.05, 1.0),
    volume_ml=st.floats(0.1, 5.0),
)


def promises(s: InfectionSeries, p: Planting, plants: int) -> tuple[float, float]:
    """Least P(interior) and least information about ln λ over the range, a sum at a time."""
    interior, information = [], []
    for density in s.densities():
        y = [density * d * s.volume_ml for d in p.dilutions]
        clean = math.exp(-plants * sum(y))
        full = math.prod(-math.expm1(-v) for v in y) ** plants
        interior.append(1 - clean - full)
        information.append(plants * sum(v * v / math.expm1(v) for v in y if v < 700))
    return min(interior), min(information)


@settings(max_examples=40)
@given(series, st.integers(1, 10))
def test_a_planting_keeps_what_it_says_and_no_shorter_one_would(
    s: InfectionSeries, plants: int
) -> None:
    found = plan_for_plants(s, plants)
    interior, information = promises(s, found, plants)
    assert found.p_interior == pytest.approx(interior, abs=1e-9)
    assert math.log(found.limits_factor) == pytest.approx(
        1.959964 / math.sqrt(information), rel=1e-5
    )
    grid = tuple(s.dilutions())
    shorter = len(found.dilutions) - 1
    if found.p_interior < 0.95 or shorter < 1:
        return
    for i in range(len(grid) - shorter + 1):
        other = Planting(grid[i : i + shorter], plants, 0, 0, 0)
        assert promises(s, other, plants)[0] < 0.95 + 1e-9


@pytest.mark.thorough
@settings(max_examples=25)
@given(series, st.floats(1.5, 5.0))
def test_a_precision_is_reached_with_the_fewest_plants(s: InfectionSeries, factor: float) -> None:
    """Every run of dilutions with one plant less in all fails one of the two promises."""
    found = plan_for_precision(s, factor)
    assert found.limits_factor <= factor * (1 + 1e-9) and found.p_interior >= 0.95
    wanted = (1.959964 / math.log(factor)) ** 2
    total, grid = found.plants * len(found.dilutions), tuple(s.dilutions())
    for first, last in itertools.combinations(range(len(grid) + 1), 2):
        fewer = (total - 1) // (last - first)
        if fewer >= 1:
            run_of = Planting(grid[first:last], fewer, 0, 0, 0)
            interior, information = promises(s, run_of, fewer)
            assert interior < 0.95 + 1e-9 or information < wanted * (1 + 1e-6)


@given(st.floats(1.5, 10.0), st.integers(1, 20))
def test_an_endless_series_has_the_known_information(factor: float, plants: int) -> None:
    """Averaged over a step, I = n·π²/(6 ln f)."""
    steps = np.arange(-60, 61) * math.log(factor)
    phases = (np.arange(64) + 0.5) / 64 * math.log(factor)
    information = []
    for phase in phases:
        y = np.exp(np.clip(steps + phase, -700, 6.5))
        information.append(plants * float((y**2 / np.expm1(y)).sum()))
    # The clip moves dilutions that are sure to nodulate anyway, e^6.5 cells or more.
    assert np.mean(information) == pytest.approx(
        plants * math.pi**2 / (6 * math.log(factor)), rel=1e-6
    )


@pytest.mark.parametrize(("plants", "tolerance"), [(4, 0.17), (8, 0.09)])
def test_limits_come_out_as_planned_on_average(plants: int, tolerance: float) -> None:
    """Every code counted: the mean log reach of the limits at the expected density is the planned.

    Expected information is a large-sample promise: few plants give limits a little wider.
    """
    s = InfectionSeries(1e6, 2.0, 10.0, 0.1)
    found = plan_for_plants(s, plants)
    z = [d / found.dilutions[0] for d in found.dilutions]
    m = s.expected * found.dilutions[0]
    p = -np.expm1(-m * np.array(z))
    reach, weight = 0.0, 0.0
    for code in itertools.product(range(plants + 1), repeat=len(z)):
        count = count_infection(z, [plants] * len(z), code)
        w = float(binom.pmf(code, plants, p).prod())
        if count.status == "interior":
            e = count.by_likelihood
            reach += w * math.log(e.high / e.low) / 2
            weight += w
    assert weight >= found.p_interior - 1e-9
    planned = math.log(found.limits_factor_expected)
    assert planned <= reach / weight <= planned * (1 + tolerance)


def test_what_cannot_be_reached_is_said() -> None:
    few = plan_for_plants(InfectionSeries(5.0, 10.0, 10.0, 0.1), 4)
    assert few.p_interior == pytest.approx(1 - math.exp(-4 * 0.0555), abs=1e-3)
    assert few.dilutions[0] == 0.1 and len(few.dilutions) == 3
    with pytest.raises(InputError, match="No number of plants"):
        plan_for_precision(InfectionSeries(1e-28, 1e10, 10.0, 0.1), 2.0)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ("--expected 0", "The expected count is 0;"),
        ("--expected nan", "The expected count is nan"),
        ("--expected 1e308", "write a number from 1e-30 to 1e+30"),
        ("--expected inf", "The expected count is inf"),
        ("--expected many", "many"),
        ("--expected 1e9 --spread 0.5", "it must be from 1 to"),
        ("--expected 1e9 --spread nan", "it must be from 1 to"),
        ("--expected 1e9 --precision 1", "it must be above 1"),
        ("--expected 1e9 --precision inf", "it must be above 1"),
        ("--expected 1e9 --dilution-factor 0.1", "Write 10 for tenfold"),
        ("--expected 1e9 --dilution-factor 1.001", "Use a larger factor"),
        ("--expected 1e9 --plants 0", "write a whole number"),
        ("--expected 1e9 --plants 2.5", "2.5 plants on each dilution cannot be"),
        ("--expected 1e9 --plants nan", "write a whole number"),
        ("--expected 1e9 --volume 0", "--volume is 0.0"),
        ("--expected 1e9 --first-dilution 5", "at most 1"),
        ("--expected 1e9 --probability 1", "Must be < 1"),
        ("", "--expected"),
    ],
)
def test_options_that_cannot_be_used(
    options: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(app, ["infection-plan", *options.split()]) == 2
    assert words in " ".join(capsys.readouterr().err.split())


def test_the_command_in_json_and_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(app, ["infection-plan", "--expected", "1e9", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    few, exact = found["for_plants"], found["for_precision"]
    assert (found["low"], found["high"]) == pytest.approx((1e8, 1e10))
    assert [d["step"] for d in few["dilutions"]] == [8, 9, 10, 11] and few["plants"] == 16
    for d in few["dilutions"]:
        assert d["dilution"] == pytest.approx(10.0 ** -d["step"])
        assert d["expected_cells"] == pytest.approx(1e9 * d["dilution"])
    assert exact["limits_factor"] <= 2 and exact["p_interior"] >= 0.95
    assert exact["plants"] == exact["plants_per_dilution"] * len(exact["dilutions"])
    assert run(app, ["infection-plan", "--expected", "1e9"]) == 0
    lines = capsys.readouterr().out.splitlines()
    text = " ".join(" ".join(lines).split())
    assert max(map(len, lines)) <= 80 and "4 plants on each of 4 dilutions (16 in all)" in text
    assert "Plant uninoculated and positive controls" in text


def test_a_count_too_low_or_too_fine_is_warned_of(capsys: pytest.CaptureFixture[str]) -> None:
    tokens = ["infection-plan", "--expected", "0.001", "--precision", "1.1", "--json"]
    assert run(app, tokens) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["for_precision"] is None and len(found["warnings"]) == 2
    assert "more than 2000 plants" in found["warnings"][1]
