"""Counts by infected plants against the handbook's estimator and its worked example."""

from __future__ import annotations

import itertools
import math
import time

import numpy as np
import pytest
from scipy.special import ndtri

from rhizoledger.counts.infection import count_infection, serial_amounts, total_estimates
from rhizoledger.workflows.count_infection import Suspension, infection_from_codes
from tests.published.printed import agrees, half_last_digit, rows, two_figures_agree


def test_every_row_of_the_total_positives_tables() -> None:
    """80 designs, 1,768 totals: m recomputed with other code to five figures, and its two figures.

    The printed tables of the handbook's appendix give two figures; the column m_2sf has them.
    """
    table = rows("nodulation_mpn_total_positives.csv")
    assert len(table) == 1768
    began = time.perf_counter()
    seen = 0
    for (factor, n, steps), group in itertools.groupby(
        table, lambda r: (r["dilution_factor"], r["replicate_plants"], r["steps"])
    ):
        design = list(group)
        totals = [int(r["total_nodulated"]) for r in design]
        assert totals == list(range(1, int(n) * int(steps)))
        amounts = serial_amounts(float(factor), int(steps))
        found = total_estimates(amounts, [int(n)] * int(steps), totals)
        for row, m in zip(design, found, strict=True):
            printed = row["m"]
            # Five figures are printed; zeros that end a decimal were dropped.
            half = 0.5 * 10.0 ** (math.floor(math.log10(float(printed))) - 4)
            assert abs(m - float(printed)) <= half * (1 + 1e-6), row
            assert two_figures_agree(m, row["m_2sf"]), row
            seen += 1
    assert seen == len(table)
    assert time.perf_counter() - began < 2


@pytest.mark.parametrize("row", rows("nodulation_mpn_examples.csv"), ids=lambda r: r["codes"])
def test_worked_examples(row: dict[str, str]) -> None:
    """The handbook's peat example (read and recomputed) and five constructed ones (recomputed)."""
    found = infection_from_codes(
        row["codes"],
        row["plants_per_step"],
        float(row["dilution_factor"]),
        suspension=Suspension(
            float(row["aliquot_mL"]), 1 / float(row["reciprocal_of_first_dilution"])
        ),
    )
    assert found["total"] == int(row["total"])
    for key, column in (
        ("m_total", "m_total_method"),
        ("per_g_total", "per_g_total_method"),
        ("m_ml", "m_max_likelihood"),
        ("per_g_ml", "per_g_max_likelihood"),
        ("per_g_low_ml", "ml_low95_jarvis_per_g"),
        ("per_g_high_ml", "ml_high95_jarvis_per_g"),
    ):
        # A number printed without its last zero would have too wide a tolerance: four figures.
        assert agrees(found[key], row[column]), (key, row[column])
        assert found[key] == pytest.approx(float(row[column]), rel=5.1e-4)
    assert agrees(found["rarity_index"], row["rarity_index"])
    assert found["rarity_index"] == pytest.approx(float(row["rarity_index"]), rel=5e-3)
    irregular = row["id"] == "handbook peat inoculant"
    assert found["disagree"] is irregular
    assert bool(found["warnings"]) is irregular


def test_the_handbook_prints_the_total_and_not_the_likelihood() -> None:
    """m = 3.1e4 and 3.1e5 per g in print for 4-4-4-3-2-2-1-1-0-0: the total, 6.6 times ML."""
    row = rows("nodulation_mpn_examples.csv")[0]
    assert row["published"] == "m=3.1e4; 3.1e5 rhizobia per g"
    codes = [int(k) for k in row["codes"].split("-")]
    count = count_infection(serial_amounts(10.0, 10), [4] * 10, codes)
    assert abs(count.by_total.value - 3.1e4) <= half_last_digit("3.1e4")
    assert abs(10 * count.by_total.value - 3.1e5) <= half_last_digit("3.1e5")
    assert count.by_total.value / count.by_likelihood.value == pytest.approx(6.6, abs=0.05)


@pytest.mark.parametrize(
    "row",
    rows("infection_cochran_factors.csv"),
    ids=lambda r: f"{r['dilution_factor']}-fold, {r['replicates']}",
)
def test_cochran_s_standard_error_is_that_of_the_total(row: dict[str, str]) -> None:
    """Cochran's 0.55·√(log10 f/n) and 0.58 for tenfold (Biometrics 6 (1950) 105; recomputed rows).

    Averaged over an endless series the total has J = n/(ln f·ln 2) of information about ln m,
    so its standard error is √(ln 2·ln f/n)/ln 10 = 0.549·√(log10 f/n): his factor 0.55. (For
    tenfold he prints 0.58 instead, as the average hides the swing within a step.) The likelihood
    has I = n·π²/(6 ln f). Both are summed here from their definitions.
    """
    f, n = float(row["dilution_factor"]), int(row["replicates"])
    y = np.exp(np.arange(-40.0, 6.0, math.log(f) / 64))
    p, q = -np.expm1(-y), np.exp(-y)
    per_step = n / 64  # 64 points to a step: their sum over y is the average over its phases
    information = per_step * (y**2 * q / p).sum()
    slope, spread = per_step * (y * q).sum(), per_step * (p * q).sum()
    se_ml = 1 / math.sqrt(information) / math.log(10)
    se_total = math.sqrt(spread) / slope / math.log(10)
    assert agrees(se_ml, row["se_log10_asymptotic"])
    cochran = float(row["se_log10_cochran"])
    # His factor for 95 % limits is that of two standard errors; the other column takes 1.96.
    assert cochran == pytest.approx(
        (0.55 if f < 10 else 0.58) * math.sqrt(math.log10(f) / n), abs=5e-5
    )
    two_errors = 2 * (0.55 if f < 10 else 0.58) * math.sqrt(math.log10(f) / n)
    assert agrees(10**two_errors, row["factor95_cochran"])
    assert agrees(10 ** (float(ndtri(0.975)) * se_ml), row["factor95_asymptotic"])
    if f < 10:
        assert se_total == pytest.approx(cochran, rel=0.003)
    else:
        assert se_total < cochran < 1.06 * se_total
