"""Cells per seed, guarantees, and harvest weights: identities and impossible input."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rhizoledger.counts.per_seed import (
    agrees_with_guarantee,
    amount_for,
    paper_count,
    per_seed_factor,
)
from rhizoledger.counts.plates import count_plates
from rhizoledger.errors import InputError
from rhizoledger.estimate import Estimate
from rhizoledger.trials.harvest import at_standard_moisture, yield_from_plot

POSITIVE = st.floats(1e-3, 1e12)


def test_a_wash_by_hand() -> None:
    """100 seeds in 100 mL, 40 colonies from 0.1 mL of a 1e-3 dilution: 4e5 per seed."""
    wash = count_plates([40], 0.1, 1e-3).estimate
    assert wash.value * per_seed_factor(100, 100) == pytest.approx(4e5)


@given(POSITIVE, POSITIVE, POSITIVE)
def test_dose_and_paper_count_are_inverse(cells: float, seeds: float, titre: float) -> None:
    amount = amount_for(cells, seeds, titre)
    assert paper_count(titre, amount, seeds) == pytest.approx(cells, rel=1e-12)


@pytest.mark.parametrize("wrong", [0.0, -1.0, math.nan, math.inf])
def test_impossible_input(wrong: float) -> None:
    for call in (
        lambda: per_seed_factor(wrong, 100),
        lambda: per_seed_factor(100, wrong),
        lambda: paper_count(1e9, 1.0, wrong),
        lambda: amount_for(1e6, 100, wrong),
        lambda: agrees_with_guarantee(Estimate(1.0, 0.5, 2.0, "CFU/mL"), wrong),
    ):
        with pytest.raises(InputError, match="above zero"):
            call()


def test_a_dead_product_is_zero_cells() -> None:
    assert paper_count(0.0, 1.0, 6000) == 0.0
    with pytest.raises(InputError):
        paper_count(-1.0, 1.0, 6000)


def test_guarantees() -> None:
    linear = Estimate(1e8, 8e7, 1.2e8, "CFU/mL", level=0.9)
    assert agrees_with_guarantee(linear, 1e8) is None
    assert agrees_with_guarantee(linear, 8e7) is None  # an end belongs to the interval
    below, above = agrees_with_guarantee(linear, 5e9), agrees_with_guarantee(linear, 1e6)
    assert below is not None and "is below the guarantee of 5.0e9" in below
    assert above is not None and "is above the guarantee of 1.0e6" in above
    log10 = Estimate(8.0, math.log10(8e7), math.log10(1.2e8), "log10 CFU/mL", "log10", level=0.9)
    assert agrees_with_guarantee(log10, 5e9) == below


def test_guarantees_and_bounds() -> None:
    none = count_plates([0], 1.0, 1e-2).estimate
    full = count_plates(["TNTC"], 1.0, 1e-2).estimate
    assert agrees_with_guarantee(none, 100.0) is None
    assert "below" in (agrees_with_guarantee(none, 1e9) or "")
    assert agrees_with_guarantee(full, 1e9) is None
    assert "no limit" in (agrees_with_guarantee(full, 10.0) or "")
    assert agrees_with_guarantee(Estimate.not_known("CFU/mL", "no count"), 1e9) is None


@given(st.floats(0.1, 1e6), st.floats(0, 99), st.floats(0, 99), st.floats(0, 99))
def test_moisture_keeps_the_dry_matter(mass: float, m: float, s: float, t: float) -> None:
    there = at_standard_moisture(mass, m, s)
    assert there * (100 - s) == pytest.approx(mass * (100 - m), rel=1e-12)
    through = at_standard_moisture(at_standard_moisture(mass, m, t), t, s)
    assert through == pytest.approx(there, rel=1e-12)


@pytest.mark.parametrize("wrong", [-1.0, 100.0, 130.0, math.nan])
def test_impossible_moisture(wrong: float) -> None:
    for moistures in ((wrong, 13.0), (13.0, wrong)):
        with pytest.raises(InputError, match="percent"):
            at_standard_moisture(1.0, *moistures)


@pytest.mark.parametrize("wrong", [0.0, -1.0, math.nan, math.inf])
def test_impossible_plots(wrong: float) -> None:
    with pytest.raises(InputError, match="length"):
        yield_from_plot(1.0, wrong, 1.0, 13, 13)
    with pytest.raises(InputError, match="width"):
        yield_from_plot(1.0, 1.0, wrong, 13, 13)
    with pytest.raises(InputError, match="mass"):
        yield_from_plot(-1.0 if wrong == 0 else wrong, 1.0, 1.0, 13, 13)
