"""Acceptance plans against printed operating tables; the source stands beside each row."""

from __future__ import annotations

import pytest

from rhizoledger.counts.acceptance import Plan, chance_accepted
from tests.published.printed import agrees, rows


@pytest.mark.parametrize(
    "row", rows("acceptance_two_class.csv"), ids=lambda r: f"n{r['n']}-c{r['c']}-p{r['p']}"
)
def test_chance_to_accept_is_as_printed(row: dict[str, str]) -> None:
    plan = Plan(int(row["n"]), int(row["c"]), 1.0)
    assert agrees(float(chance_accepted(plan, float(row["p"]))), row["accepted"])
