"""``rhizoledger count infection`` and its plan: counts by nodulated test plants."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from rhizoledger.cli.console import progress, say, say_json
from rhizoledger.cli.parsing import Level


def infection(
    file: Path | None = None,
    /,
    *,
    codes: str | None = None,
    plants: str | None = None,
    dilution_factor: float | None = None,
    volume: float = 1.0,
    first_dilution: float | None = None,
    basis: Literal["g", "mL", "seed"] = "g",
    control_nodulated: str | None = None,
    positive_control: str | None = None,
    level: Level = 0.95,
    json: bool = False,
) -> int:
    """Count rhizobia from test plants that nodulated or did not, by two estimators.

    Parameters
    ----------
    file
        A CSV file with plants, nodulated, and step (1, 2, …) or dilution; item where there are
        several; "control" or "positive control" as step or dilution for those plants.
    codes
        Nodulated plants on each dilution, strongest first, such as 3,3,2,0.
    plants
        Plants on each dilution: one number, or as many as there are codes.
    dilution_factor
        From one dilution to the next: 10 for tenfold.
    volume
        Millilitres given to each plant.
    first_dilution
        Sample in each mL of the first dilution: 0.1 for 10 g made up to 100 mL.
    basis
        What the sample is measured in.
    control_nodulated
        Nodulated plants over plants of the uninoculated control, such as 0/4.
    positive_control
        Nodulated plants over plants of those given plenty of rhizobia, such as 4/4.
    level
        Coverage of the intervals.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.errors import InputError
    from rhizoledger.report.count_infection import infection_results_text, infection_text
    from rhizoledger.workflows.count_infection import (
        Suspension,
        infection_file,
        infection_from_codes,
    )

    suspension = Suspension(volume, first_dilution, basis)
    if file is not None:
        if any(said is not None for said in (codes, plants, control_nodulated, positive_control)):
            raise InputError(
                "The file holds the plants and the controls. Leave --codes, --plants and the "
                "controls out, or leave the file out."
            )
        with progress() as told:
            results = infection_file(
                file, dilution_factor=dilution_factor, suspension=suspension, level=level, told=told
            )
        if json:
            say_json(results)
        else:
            say(infection_results_text(results["results"], results["warnings"]))
        return 0
    if codes is None or plants is None or dilution_factor is None:
        raise InputError(
            "Give a file, or --codes with --plants and --dilution-factor, such as "
            "--codes 3,3,2,0 --plants 3 --dilution-factor 10."
        )
    found = infection_from_codes(
        codes,
        plants,
        dilution_factor,
        suspension=suspension,
        control=control_nodulated,
        positive_control=positive_control,
        level=level,
    )
    if json:
        say_json(found)
    else:
        say(infection_text(found))
    return 0


def infection_plan(
    *,
    expected: float,
    spread: float = 10.0,
    dilution_factor: float = 10.0,
    plants: float = 4,
    precision: float = 2.0,
    volume: float = 1.0,
    first_dilution: float | None = None,
    basis: Literal["g", "mL", "seed"] = "g",
    probability: Level = 0.95,
    level: Level = 0.95,
    json: bool = False,
) -> int:
    """Plan a count by infection: dilutions to plant, and plants for a precision.

    Parameters
    ----------
    expected
        Expected count per g, mL or seed.
    spread
        The count may be this many times higher or lower.
    dilution_factor
        From one dilution to the next: 10 for tenfold.
    plants
        Plants on each dilution that there is room for.
    precision
        Wanted factor between the count and either limit: 2 for half to twice.
    volume
        Millilitres given to each plant.
    first_dilution
        Sample in each mL of the strongest suspension to plant; one dilution of the sample.
    basis
        What the sample is measured in.
    probability
        Least probability that some plants nodulate and some do not.
    level
        Coverage of the limits.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.count_infection import infection_plan_text
    from rhizoledger.workflows.count_infection_plan import infection_plan as plan

    found = plan(
        expected,
        spread=spread,
        dilution_factor=dilution_factor,
        plants=plants,
        precision=precision,
        volume_ml=volume,
        first_dilution=first_dilution,
        basis=basis,
        probability=probability,
        level=level,
    )
    if json:
        say_json(found)
    else:
        say(infection_plan_text(found))
    return 0
