"""``rhizoledger treat evenness``: how many seeds get fewer cells than they need."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter
from cyclopts.validators import Number

from rhizoledger.cli.console import say, say_json


def evenness(
    file: Path | None = None,
    /,
    *,
    requirement: float | None = None,
    cells_per_seed: float | None = None,
    rate: str | None = None,
    titre: str | None = None,
    seeds_per_lb: float | None = None,
    seeds_per_kg: float | None = None,
    seeds_per_unit: float | None = None,
    cv: str | None = None,
    at_most: str = "5%",
    shape: Literal["lognormal", "gamma"] = "lognormal",
    level: Annotated[float, Parameter(validator=Number(gte=0.5, lt=1))] = 0.95,
    json: bool = False,
) -> int:
    """Tell which share of seeds gets fewer cells than it needs.

    Parameters
    ----------
    file
        A CSV file of plates of single seeds: seed, dilution, volume_ml, wash_ml and colonies.
    requirement
        Cells that a seed needs, such as 1e5.
    cells_per_seed
        Cells on a seed on average.
    rate
        Or the rate, "2 mL/kg", with --titre and the seed size.
    titre
        Live cells: "1e10 CFU/mL".
    seeds_per_lb
        Seed size.
    seeds_per_kg
        The same in kg.
    seeds_per_unit
        Seeds in a unit, for rates per unit.
    cv
        Variation of the amount from seed to seed, as 0.5 or 50%; an assumption if not given.
    at_most
        Share of seeds that may get too little, for the average that is needed.
    shape
        How amounts scatter from seed to seed.
    level
        Coverage of limits from a file.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.treat_evenness import evenness_text
    from rhizoledger.workflows.treat_evenness import evenness as asked
    from rhizoledger.workflows.treat_rate import seed_facts
    from rhizoledger.workflows.treat_written import read_cv, read_share

    facts = seed_facts(
        titre=titre,
        seeds_per_lb=seeds_per_lb,
        seeds_per_kg=seeds_per_kg,
        seeds_per_unit=seeds_per_unit,
    )
    found = asked(
        file,
        requirement=requirement,
        cells_per_seed=cells_per_seed,
        rate=rate,
        facts=facts,
        cv=None if cv is None else read_cv(cv),
        share=read_share(at_most),
        shape=shape,
        level=level,
    )
    if json:
        say_json(found)
    else:
        say(evenness_text(found))
    return 0
