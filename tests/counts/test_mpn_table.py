"""Tables of codes: limits of many against limits of one, and what a table leaves out."""

from __future__ import annotations

import math
from itertools import product

import pytest

from rhizoledger.counts.mpn import Interval, count_mpn
from rhizoledger.counts.mpn_category import less_likely, published_category
from rhizoledger.counts.mpn_table import mpn_table
from rhizoledger.errors import InputError


@pytest.mark.parametrize("interval", ["jarvis", "likelihood", "exact"])
@pytest.mark.parametrize("level", [0.5, 0.95, 0.999])
@pytest.mark.parametrize(
    ("amounts", "tubes"),
    [
        ([1.0, 0.1, 0.01], [5, 5, 5]),
        ([1e-3, 1e6, 1.0], [2, 7, 1]),
        ([10.0], [10]),
        ([1e-30], [500]),
    ],
)
def test_a_row_is_what_one_count_gives(
    amounts: list[float], tubes: list[int], level: float, interval: Interval
) -> None:
    if interval == "exact" and len(amounts) > 1:
        with pytest.raises(InputError, match="exact"):
            mpn_table(amounts, tubes, interval=interval)
        return
    table = mpn_table(amounts, tubes, min_rarity=0, interval=interval, level=level)
    assert [row.positive for row in table] == list(product(*(range(n + 1) for n in tubes)))
    for row in table:
        one = count_mpn(amounts, tubes, row.positive, level=level, interval=interval)
        assert row.status == one.status and row.category == one.category
        assert row.rarity_index == pytest.approx(one.rarity_index, rel=1e-8)
        ends = (row.mpn, one.estimate.value), (row.low, one.estimate.low)
        for many, single in (*ends, (row.high, one.estimate.high)):
            if single is None or math.isinf(single):
                assert many is None
            else:
                assert many == pytest.approx(single, rel=1e-9)


@pytest.mark.parametrize("least", [0.0, 0.01, 0.05, 0.5, 1.0])
def test_rare_codes_are_left_out(least: float) -> None:
    whole = mpn_table([1.0, 0.1, 0.01], [5] * 3, min_rarity=0)
    kept = mpn_table([1.0, 0.1, 0.01], [5] * 3, min_rarity=least)
    assert kept == [row for row in whole if row.rarity_index >= least]
    assert kept[0].status == "all_negative" and kept[-1].status == "all_positive"


@pytest.mark.parametrize(
    ("amounts", "tubes", "least", "says"),
    [
        ([1.0, 1.0], [3, 3], 0.05, "twice"),
        ([1.0, 0.1], [500, 500], 0.05, "codes"),
        ([1.0], [3], 1.5, "between 0 and 1"),
        ([1.0], [3], math.nan, "between 0 and 1"),
        ([0.0], [3], 0.05, "amount"),
        ([], [], 0.05, "no tubes"),
    ],
)
def test_tables_that_cannot_be(
    amounts: list[float], tubes: list[int], least: float, says: str
) -> None:
    with pytest.raises(InputError, match=says):
        mpn_table(amounts, tubes, min_rarity=least)


def test_less_likely_by_definition() -> None:
    """The probabilities of all smaller outcomes, summed one by one."""
    z, n, code = [1.0, 0.1], [4, 3], (3, 1)
    count = count_mpn(z, n, code)

    def probability(other: tuple[int, ...]) -> float:
        out = 1.0
        for amount, tubes, x in zip(z, n, other, strict=True):
            p = 1 - math.exp(-count.estimate.value * amount)
            out *= math.comb(tubes, x) * p**x * (1 - p) ** (tubes - x)
        return out

    every = [probability(other) for other in product(range(5), range(4))]
    assert sum(every) == pytest.approx(1)
    own = probability(code)
    assert less_likely(count) == pytest.approx(sum(p for p in every if p < own * (1 - 1e-9)))


def test_no_category_at_a_bound_or_beyond_counting() -> None:
    assert less_likely(count_mpn([1.0], [3], [3])) is None
    assert less_likely(count_mpn([1.0, 0.1, 0.01], [500] * 3, [400, 50, 5])) is None
    with pytest.raises(InputError, match="at least one"):
        published_category(0.5, 0)
