"""Plate counts against standards' own examples, exact Poisson limits and TNTC by likelihood."""

from __future__ import annotations

import math

import pytest

from rhizoledger.counts.plates import count_plates, detection_limits, report_plates, two_figures
from rhizoledger.counts.plates.rules import iso7218_limits
from rhizoledger.errors import RuleError
from rhizoledger.stats.poisson import homogeneity, poisson_limits
from tests.published.printed import agrees, rows


def numbers(text: str) -> list[float]:
    return [float(part) for part in text.split(";") if part]


def plates_of(row: dict[str, str]) -> tuple[list[int], float, list[float]]:
    first, later = numbers(row["counts_first_dilution"]), numbers(row["counts_next_10fold"])
    dilution = float(row["d_first"])
    dilutions = [dilution] * len(first) + [dilution / 10] * len(later)
    return [int(c) for c in first + later], float(row["V_mL"]), dilutions


@pytest.mark.parametrize("row", rows("plate_count_examples.csv"), ids=lambda row: row["id"])
def test_examples_of_the_standards(row: dict[str, str]) -> None:
    """ISO 21149:2017 12.3, the US manual chapter 3, ISO 7218 and others, as the rows say."""
    colonies, volume_ml, dilutions = plates_of(row)
    rule = "iso7218" if row["standard"].startswith("ISO") else "bam"
    result = count_plates(colonies, volume_ml, dilutions, rule=rule)
    assert agrees(result.estimate.value, row["unrounded_per_mL_or_g"])
    # The lecture's 282 colonies lie inside the ISO range only; bam-3 is maximum likelihood on all
    # plates: the strict 25-250 filter keeps 120 alone (the row's own note).
    expected = {"bam-3": "12000"}.get(row["id"], row["expected_reported"])
    rule = "iso7218" if row["id"] == "lect-1" else rule
    assert report_plates(colonies, volume_ml, dilutions, rule=rule).value == float(expected)
    assert two_figures(result.estimate.value, rule) == int(row["expected_reported"])


def test_iso_21149_two_plates() -> None:
    """38 and 42 colonies at 1:10 are 400 per mL: ISO 21149:2017 12.3.1 (read in GOST ISO 21149)."""
    result = count_plates([38, 42], 1.0, 0.1, rule="iso7218")
    assert result.estimate.value == pytest.approx(400, rel=1e-15)
    assert result.reported == "400 CFU/mL"


def test_one_plate_of_27() -> None:
    """27 at 1:100 is 2,700: a case of the US manual, chapter 3 (read in the tests of a package)."""
    assert count_plates([27], 1.0, 0.01).reported == "2,700 CFU/mL"


@pytest.mark.parametrize(
    ("colonies", "dilutions", "text"),
    [
        # US manual, chapter 3 (from memory, high confidence).
        ([18, 2], [1e-2, 1e-3], "< 2,500 CFU/mL (estimated)"),
        ([0, 0], [1e-2, 1e-3], "< 2,500 CFU/mL (estimated)"),
        (["TNTC", 640], [1e-2, 1e-3], "640,000 CFU/mL (estimated)"),
        # Milk-laboratory rules read in the tests of an open plate-count module (ncims-2, ncims-3).
        ([12, 13], [1e-2, 1e-1], "< 250 CFU/mL (estimated)"),
        ([19, 521], [1e-3, 1e-2], "< 25,000 CFU/mL (estimated)"),
        # ncims-4 writes 999 for plates that nobody could count; on plates with truly 999 colonies
        # the US manual takes the plate nearest 250, 999,000.
        (["TNTC", "TNTC"], [1e-3, 1e-2], "> 250,000 CFU/mL (estimated)"),
        # One dilution in the range and one out of it: those inside alone.
        ([260, 24, 180, 25], [1e-2, 1e-3, 1e-2, 1e-3], "19,000 CFU/mL"),
        (["SPR", "LA"], [1e-2, 1e-3], "SPR"),
        (["SPR", "SPR"], [1e-2, 1e-3], "SPR"),
        (["LA", "LA"], [1e-2, 1e-3], "LA"),
        (["SPR", 40], [1e-2, 1e-3], "40,000 CFU/mL"),
    ],
)
def test_reporting_special_cases(
    colonies: list[int | str], dilutions: list[float], text: str
) -> None:
    assert report_plates(colonies, 1.0, dilutions).text == text


@pytest.mark.parametrize(
    ("colonies", "area", "text"),
    [(7150, 65, "> 6,500,000 CFU/mL (estimated)"), (6490, 59, "> 5,900,000 CFU/mL (estimated)")],
)
def test_more_than_a_hundred_colonies_per_cm2(colonies: int, area: float, text: str) -> None:
    """US manual, chapter 3 (from memory, high confidence): 110 per cm² on 65 and on 59 cm²."""
    found = report_plates(["TNTC", colonies], 1.0, [1e-2, 1e-3], plate_cm2=area)
    assert found.text == text and found.estimated


def test_spreaders_over_a_quarter() -> None:
    """Row bam-spread-rule: over 25 % of the plate it is reported as a spreader."""
    assert "25 %" in RULES["bam-spread-rule"]["input"]
    for share, text in ((0.25, "4,000 CFU/mL"), (0.2501, "3,600 CFU/mL")):
        found = count_plates([44, 36], 1.0, 0.01, spreader_share=[share, 0.0])
        assert found.reported == text


RULES = {row["id"]: row for row in rows("plate_count_rules.csv")}


def test_iso_low_counts() -> None:
    """ISO 7218:2007, from a public summary: rows iso-none-num, iso-low-num and iso-low."""
    none = report_plates([0], 1.0, 0.1, rule="iso7218", unit="per g")
    present = report_plates([3], 1.0, 0.1, rule="iso7218", unit="per g")
    assert none.text == RULES["iso-none-num"]["expected"].replace("<", "< ")
    assert present.text == RULES["iso-low-num"]["expected"].replace("<", "< ")
    some = report_plates([7, 6], 1.0, 0.1, rule="iso7218")
    assert some.estimated and some.value == 65.0
    # iso-low and iso-verylow: one plate of four is enough to compute, none of four is not.
    assert report_plates([5, 2], 1.0, 0.1, rule="iso7218").text == "35 CFU/mL (estimated)"
    assert report_plates([3, 2], 1.0, 0.1, rule="iso7218").text == "present, < 40 CFU/mL"


@pytest.mark.parametrize("name", [name for name in RULES if name.startswith(("round", "bamround"))])
def test_third_digit_five_goes_to_the_even_second_digit(name: str) -> None:
    row = RULES[name]
    assert two_figures(float(row["input"]), "bam") == int(row["expected"])


def test_rounding_half_up() -> None:
    """GOST 33536-2015 9.3: 19182 -> 19000, 26682 -> 27000; the third digit 5 is raised."""
    assert two_figures(19182, "iso7218") == 19000
    assert two_figures(26682, "iso7218") == 27000
    assert two_figures(14500, "iso7218") == 15000


@pytest.mark.parametrize("row", rows("poisson_limits.csv"), ids=lambda row: row["count"])
def test_exact_poisson_limits(row: dict[str, str]) -> None:
    """Garwood limits, recomputed with χ² quantiles and spot-checked in R (poisson.test)."""
    count = int(row["count"])
    low, high = poisson_limits(count)
    assert agrees(low, row["garwood_low95"]) and agrees(high, row["garwood_high95"])
    assert agrees(poisson_limits(count, side="lower")[0], row["one_sided_low95"])
    assert agrees(poisson_limits(count, side="upper")[1], row["one_sided_high95"])
    low, high = iso7218_limits(count, 1.0)
    assert agrees(low, row["iso7218_style_low"]) and agrees(high, row["iso7218_style_high"])


@pytest.mark.parametrize("row", rows("plate_count_ci.csv"), ids=lambda row: row["id"])
def test_exact_interval_of_a_density(row: dict[str, str]) -> None:
    low, high = poisson_limits(int(row["sumC"]))
    plated_ml = float(row["B"]) * float(row["d"])
    assert low / plated_ml == pytest.approx(float(row["poisson_exact_low95"]), rel=5e-6)
    assert high / plated_ml == pytest.approx(float(row["poisson_exact_high95"]), rel=5e-6)
    low, high = iso7218_limits(int(row["sumC"]), plated_ml)
    assert low == pytest.approx(float(row["iso7218_style_low95"]), rel=5e-6)
    assert high == pytest.approx(float(row["iso7218_style_high95"]), rel=5e-6)


@pytest.mark.parametrize("row", rows("count_dispersion_examples.csv"), ids=lambda r: r["counts"])
def test_homogeneity(row: dict[str, str]) -> None:
    counts = numbers(row["counts"])
    test = homogeneity(counts, [1.0] * len(counts))
    assert agrees(test.g2, row["G2"]) and agrees(test.p, row["p_G2"])
    assert agrees(test.chi2, row["chi2"]) and agrees(test.p_chi2, row["p_chi2"])
    assert agrees(test.chi2 / test.df, row["index_of_dispersion"])


@pytest.mark.parametrize(
    "row",
    rows("detection_limits.csv"),
    ids=lambda r: f"{r['plates_or_drops']}x{r['V_mL']}@{r['d']}",
)
def test_no_colonies(row: dict[str, str]) -> None:
    n = int(row["plates_or_drops"])
    volume_ml, dilution = float(row["V_mL"]), float(row["d"])

    def upper(alpha: float) -> float:
        return count_plates([0] * n, volume_ml, dilution, bound_alpha=alpha).estimate.high

    assert upper(0.05) == pytest.approx(float(row["zero_count_upper95_one_sided"]), rel=5e-6)
    assert upper(0.025) == pytest.approx(float(row["zero_count_upper_two_sided975"]), rel=5e-6)
    for alpha, column in ((0.05, "95_one_sided"), (0.025, "_two_sided975")):
        seen = detection_limits([volume_ml * dilution] * n, alpha)
        assert seen.zero_upper == pytest.approx(float(row[f"zero_count_upper{column}"]), rel=5e-6)
        assert seen.one_colony == pytest.approx(float(row["one_colony_equivalent"]), rel=5e-6)
        assert seen.ten_colonies == pytest.approx(float(row["LOQ_10_colonies_total"]), rel=5e-6)
        assert seen.countable == pytest.approx(float(row["LOQ_25_per_plate"]), rel=5e-6)
    one = count_plates([1] + [0] * (n - 1), volume_ml, dilution).estimate.value
    assert one == pytest.approx(float(row["one_colony_equivalent"]), rel=5e-6)


@pytest.mark.parametrize(
    "row", rows("miles_misra_examples.csv"), ids=lambda r: r["colonies_per_drop"]
)
def test_drop_plates(row: dict[str, str]) -> None:
    colonies = [int(c) for c in row["colonies_per_drop"].split(";")]
    dilution = 10.0 ** -int(row["log10_dilution"])
    volume_ml = float(row["drop_uL"]) / 1000
    for result in (
        count_plates(colonies, volume_ml, dilution, level=0.95),
        count_plates([sum(colonies)], volume_ml, dilution, level=0.95, drops=len(colonies)),
    ):
        for computed, printed in (
            (result.estimate.value, row["cfu_per_mL"]),
            (result.estimate.low, row["low95"]),
            (result.estimate.high, row["high95"]),
        ):
            assert computed == pytest.approx(float(printed), rel=6e-6)


def spread(text: str) -> list[float]:
    """Amounts as listed, "1x5;2.5x4" meaning five of 1 and four of 2.5."""
    out = []
    for part in text.split(";"):
        amount, _, times = part.partition("x")
        out += [float(amount)] * int(times or 1)
    return out


@pytest.mark.parametrize(
    "row", rows("plate_tntc_mle.csv"), ids=lambda r: f"{r['case']}: {r['convention']}"
)
def test_too_numerous_to_count(row: dict[str, str]) -> None:
    """Haas & Heller (1988) likelihood, maximised with scipy and with R for these rows.

    The published limits are of likelihood ratio and take every plate as Poisson, also where the
    counted plates disagree.
    """
    counts, amounts = numbers(row["counts"]), spread(row["amounts_mL"])
    over = numbers(row["tntc_amounts_mL"])
    limits = numbers(row["tntc_limit"]) or [250.0]
    limits = limits if len(limits) == len(over) else limits * len(over)
    result = count_plates(
        [int(c) for c in counts] + ["TNTC"] * len(over),
        amounts + over,
        1.0,
        tntc_limit=[250.0] * len(counts) + limits,
        tntc_at_least=row["convention"] == "TNTC means C >= L",
        level=0.95,
        poisson_only=True,
    )
    assert agrees(result.estimate.value, row["mle_per_mL"])
    if over:
        assert agrees(result.estimate.low, row["lr_low95"])
        assert agrees(result.estimate.high, row["lr_high95"])
        assert ("≥" if result.likelihood.at_least[0] == limits[0] else ">") in (
            result.estimate.method
        )
    else:  # exact Poisson is used there; the likelihood-ratio limits still follow
        best = result.estimate.value
        drop = result.likelihood.poisson([best, float(row["lr_low95"]), float(row["lr_high95"])])
        assert 2 * (drop[0] - drop[1:]) == pytest.approx(3.841459, abs=1e-4)


def test_a_tntc_plate_that_contradicts_is_an_error() -> None:
    """The second case with a TNTC plate of 1 mL at limit 80 must not give a number (§1.1)."""
    with pytest.raises(RuleError, match="TNTC"):
        count_plates(
            [10, 12, 23, 48, 63, "TNTC"], [1, 1, 1, 5, 5, 1], 1.0, tntc_limit=80, level=0.95
        )


def test_likelihood_interval_is_not_the_exact_one() -> None:
    """0 colonies: exact two-sided 3.68888, one-sided 2.99573 (poisson_limits.csv, first row)."""
    assert agrees(poisson_limits(0)[1], "3.68888")
    assert count_plates([0], 1.0, 1.0, level=0.95).estimate.high == pytest.approx(
        -math.log(0.05), rel=1e-12
    )
