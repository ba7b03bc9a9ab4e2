"""``rhizoledger count plan``: which dilutions to plate, and the sheet to fill in."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from rhizoledger.cli.console import say, say_json
from rhizoledger.cli.parsing import Level


def plan(
    *,
    low: float,
    high: float,
    basis: Literal["mL", "g", "seed"] = "mL",
    volume: float = 0.1,
    replicates: float = 3,
    wash_ml: float | None = None,
    seeds: float | None = None,
    rule: Literal["bam", "iso7218"] = "bam",
    dilution_factor: float = 10.0,
    transfer_ml: float = 1.0,
    probability: Level = 0.95,
    level: Level = 0.95,
    code: list[str] | None = None,
    country: str | None = None,
    out: Path | None = None,
    paper: Literal["a4", "letter"] = "a4",
    json: bool = False,
) -> int:
    """Plan a plate count: the fewest dilutions with a countable plate, and a bench sheet.

    Parameters
    ----------
    low
        Lowest titre to be expected, per mL, g or seed, such as 1e8.
    high
        Highest titre to be expected.
    basis
        What the titre is per.
    volume
        Millilitres on each plate.
    replicates
        Plates of each dilution.
    wash_ml
        Millilitres that the seeds are washed in.
    seeds
        Seeds in the wash.
    rule
        Whose countable range: 25 to 250 (bam) or 10 to 300 (iso7218).
    dilution_factor
        From one tube to the next: 10 for tenfold.
    transfer_ml
        Millilitres carried from tube to tube.
    probability
        Wanted chance of at least one countable plate.
    level
        Coverage of the limits.
    code
        Coded name of a sample; one sheet for each, may be repeated.
    country
        Where the bench stands, for the cautions.
    out
        A folder for bench-sheet.pdf.
    paper
        The sheet to print on.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.errors import InputError
    from rhizoledger.report.bench_sheet import write_bench_sheet
    from rhizoledger.report.count_plan import count_plan_text
    from rhizoledger.workflows.count_plan import count_plan, country_warnings, sheet_cautions

    if out is None and (code or country):
        raise InputError(
            "--code and --country are for the bench sheet. Say with --out where it goes, or leave "
            "them out."
        )
    found = count_plan(
        low,
        high,
        basis=basis,
        volume_ml=volume,
        replicates=replicates,
        wash_ml=wash_ml,
        seeds=seeds,
        rule=rule,
        dilution_factor=dilution_factor,
        transfer_ml=transfer_ml,
        probability=probability,
        level=level,
    )
    found["warnings"] += country_warnings(country)
    sheet: Literal["a4", "us-letter"] = "us-letter" if paper == "letter" else "a4"
    written = (
        ()
        if out is None
        else (write_bench_sheet(found, sheet_cautions(basis, country), out, sheet, code or ()),)
    )
    if json:
        say_json(found)
    else:
        say(count_plan_text(found, written))
    return 0
