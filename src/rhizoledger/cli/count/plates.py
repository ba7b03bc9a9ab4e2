"""``rhizoledger count plates``: colonies on plates to live cells with their limits."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter
from cyclopts.validators import Number

from rhizoledger.cli.console import progress, say, say_json
from rhizoledger.cli.parsing import Level

Positive = Annotated[float, Parameter(validator=Number(gt=0))]


def plates(
    file: Path,
    /,
    *,
    rule: Literal["bam", "iso7218"] = "bam",
    tntc_limit: Positive = 250.0,
    tntc_at_least: bool = False,
    level: Level = 0.95,
    plate_cm2: Positive | None = None,
    between_sd: float | None = None,
    json: bool = False,
) -> int:
    """Count live cells from plates: every usable plate, exact limits, and what a rule reports.

    Parameters
    ----------
    file
        A CSV file with item, dilution, volume_ml and colonies (a whole number, TNTC, SPR or LA);
        sample where an item has several; basis, wash_ml and seeds_washed for a count per seed.
    rule
        The reporting rule: US bacteriological manual (25 to 250), or ISO 7218 (10 to 300).
    tntc_limit
        What TNTC stands for where the file does not say.
    tntc_at_least
        TNTC means the limit or more, not above it.
    level
        Coverage of the intervals.
    plate_cm2
        Area of a plate, for plates with more than 100 colonies per cm².
    between_sd
        Standard deviation between samples of one item in log10, where your own work tells it.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.count_plates import plates_text
    from rhizoledger.workflows.count_plates import How, plates_file

    how = How(rule, tntc_limit, tntc_at_least, level, plate_cm2, between_sd)
    with progress() as told:
        found = plates_file(file, how, told=told)
    if json:
        say_json(found)
    else:
        say(plates_text(found))
    return 0
