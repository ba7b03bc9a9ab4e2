"""Partial budgets and the cost per area of a pack."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rhizoledger.errors import InputError
from rhizoledger.money.budget import budget, cost_per_area_from_pack
from rhizoledger.units import ACRE_HA, FL_OZ_ML, LB_KG

money = st.floats(0, 1e6)
lines = st.dictionaries(st.text(max_size=5), money, max_size=4)


def test_four_sides() -> None:
    made = budget(
        added_returns={"grain": 13.5},
        reduced_costs={"nitrogen": 2.0},
        added_costs={"inoculant": 4.0, "furrow pass": 3.0},
        reduced_returns={"planter parked": 1.0},
    )
    assert (made.gross, made.net) == (15.5, 7.5)
    assert made.lines() == (
        ("added returns", "grain", 13.5),
        ("reduced costs", "nitrogen", 2.0),
        ("added costs", "inoculant", -4.0),
        ("added costs", "furrow pass", -3.0),
        ("reduced returns", "planter parked", -1.0),
    )
    assert made.to_dict()["added_costs"] == {"inoculant": 4.0, "furrow pass": 3.0}
    assert budget().net == 0.0


@given(lines, lines, lines, lines)
def test_net_is_the_sum_of_its_lines(
    returns: dict[str, float],
    saved: dict[str, float],
    spent: dict[str, float],
    lost: dict[str, float],
) -> None:
    made = budget(
        added_returns=returns, reduced_costs=saved, added_costs=spent, reduced_returns=lost
    )
    assert made.net == pytest.approx(sum(line[-1] for line in made.lines()), abs=1e-6)
    swapped = budget(
        added_returns=lost, reduced_costs=spent, added_costs=saved, reduced_returns=returns
    )
    assert swapped.net == pytest.approx(-made.net, abs=1e-6)


@pytest.mark.parametrize("value", [-1.0, float("nan"), float("inf")])
@pytest.mark.parametrize(
    "side", ["added_returns", "reduced_costs", "added_costs", "reduced_returns"]
)
def test_bad_line_names_itself(side: str, value: float) -> None:
    with pytest.raises(InputError, match="freight"):
        budget(**{side: {"freight": value}})


def test_cost_per_acre_from_a_pack() -> None:
    """A 100 fl oz jug at 50 and 4 fl oz/cwt on 60 lb/ac: 2.4 fl oz an acre at 0.50 is 1.20."""
    per_kg = 4 * FL_OZ_ML / (100 * LB_KG)
    kg_per_ha = 60 * LB_KG / ACRE_HA
    cost = cost_per_area_from_pack(50.0, 100 * FL_OZ_ML, per_kg, kg_per_ha, ha_per_area=ACRE_HA)
    assert cost == pytest.approx(1.20)
    more = cost_per_area_from_pack(
        50.0, 100 * FL_OZ_ML, per_kg, kg_per_ha, ha_per_area=ACRE_HA, other_per_area=0.8
    )
    assert more == pytest.approx(2.00)


@pytest.mark.parametrize("place", range(4))
@pytest.mark.parametrize("value", [-1.0, float("nan"), float("inf")])
def test_bad_pack_numbers(place: int, value: float) -> None:
    numbers = [50.0, 1000.0, 2.0, 100.0]
    numbers[place] = value
    with pytest.raises(InputError, match="Give"):
        cost_per_area_from_pack(*numbers)


def test_empty_pack_and_no_area() -> None:
    with pytest.raises(InputError, match="pack holds 0"):
        cost_per_area_from_pack(50.0, 0.0, 2.0, 100.0)
    with pytest.raises(InputError, match="0 hectares"):
        cost_per_area_from_pack(50.0, 1000.0, 2.0, 100.0, ha_per_area=0.0)
    with pytest.raises(InputError, match="too large"):
        cost_per_area_from_pack(1e300, 1e-10, 1e10, 100.0)
