"""``rhizoledger treat calibrate``: a pump set by repeated catch tests."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter
from cyclopts.validators import Number

from rhizoledger.cli.console import say, say_json


def calibrate(
    file: Path,
    /,
    *,
    target: str | None = None,
    tolerance: str | None = None,
    unit: str | None = None,
    seed_flow: str | None = None,
    density: float | None = None,
    seeds_per_lb: float | None = None,
    seeds_per_kg: float | None = None,
    seeds_per_unit: float | None = None,
    level: Annotated[float, Parameter(validator=Number(gte=0.5, lt=1))] = 0.95,
    out: Path | None = None,
    json: bool = False,
) -> int:
    """Judge a pump by repeated catch tests, and chart them along the day.

    Parameters
    ----------
    file
        A CSV file with rate; or caught and seed; or caught and seconds or minutes. Units stand in
        the header: caught_ml, seed_kg, rate_ml_per_100kg. Also time or order, and machine,
        treater, nozzle, pump or group.
    target
        The rate wanted, as 260 in the file's unit or "4 fl oz/cwt".
    tolerance
        How far the mean may be off, such as 5%.
    unit
        Of the answer; per 100 kg of seed if not given.
    seed_flow
        Seed that ran during timed catches: "200 kg/min".
    density
        Of the product in g per mL, where it was weighed and the rate is by volume.
    seeds_per_lb
        Seed size, for rates per unit.
    seeds_per_kg
        The same in kg.
    seeds_per_unit
        Seeds in a unit.
    level
        Coverage of the intervals.
    out
        A folder for calibration.svg, calibration.png and calibration.csv.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.treat_calibrate import calibrate_text, write_calibration
    from rhizoledger.workflows.treat_calibrate import calibrate_file
    from rhizoledger.workflows.treat_rate import seed_facts

    facts = seed_facts(
        density=density,
        seeds_per_lb=seeds_per_lb,
        seeds_per_kg=seeds_per_kg,
        seeds_per_unit=seeds_per_unit,
    )
    found = calibrate_file(
        file,
        target=target,
        tolerance=tolerance,
        unit=unit,
        facts=facts,
        seed_flow=seed_flow,
        level=level,
    )
    written = () if out is None else write_calibration(found, out)
    if json:
        say_json(found)
    else:
        say(calibrate_text(found, written))
    return 0
