"""Nodule occupancy against soil count: the published regression, as information."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rhizoledger.errors import EvidenceError, InputError
from rhizoledger.evidence import Parameter
from rhizoledger.fields.indigenous import occupancy_pct


def row(id: str, value: float) -> Parameter:
    return Parameter(
        id, value, "%", None, None, None, "none", "linear", "fixed", "world",
        (), None, (), "near", ("a paper",), "", "read",
    )  # fmt: skip


# Thies, Bohlool and Singleton 1992, Can J Microbiol 38:493-500, abstract.
A, B, TOP = row("a", 97.88), row("b", 15.03), row("top", 35_000)


@pytest.mark.parametrize(
    ("count", "pct"),
    [
        (0, "97.88"),
        (9, "82.85"),
        (10, "82.23"),
        (100, "67.76"),
        (1000, "52.78"),
        (10_000, "37.76"),
        (100_000, "22.73"),
    ],
)
def test_values_computed_from_the_published_line(count: float, pct: str) -> None:
    """Recomputed in R from the printed coefficients; half the last printed digit."""
    assert occupancy_pct(count, A, B, TOP).pct == pytest.approx(float(pct), abs=0.005)


def test_half_of_the_nodules() -> None:
    """Half at 1532 per g: derived, to the whole number."""
    assert occupancy_pct(1531.5, A, B, TOP).pct > 50 > occupancy_pct(1532.5, A, B, TOP).pct


@given(st.floats(0, 1e12), st.floats(0, 1e12))
def test_more_natives_never_raise_it(x: float, y: float) -> None:
    low, high = sorted((x, y))
    assert 0 <= occupancy_pct(high, A, B, TOP).pct <= occupancy_pct(low, A, B, TOP).pct <= 100


def test_clipped_marked_and_no_gain() -> None:
    far = occupancy_pct(1e12, A, B, TOP)
    assert (far.pct, far.extrapolated) == (0.0, True) and "above those trials" in far.says
    near = occupancy_pct(35_000, A, B, TOP)
    assert not near.extrapolated and "above those trials" not in near.says
    assert "nothing of yield" in near.says
    assert occupancy_pct(0, row("a", 120), B, TOP).pct == 100.0


@pytest.mark.parametrize("count", [-1, float("nan"), float("inf")])
def test_bad_count(count: float) -> None:
    with pytest.raises(InputError, match="soil count"):
        occupancy_pct(count, A, B, TOP)


@pytest.mark.parametrize("fall", [0.0, -15.03])
def test_a_line_that_does_not_fall_is_refused(fall: float) -> None:
    with pytest.raises(EvidenceError, match="positive"):
        occupancy_pct(1, A, row("b", fall), TOP)
