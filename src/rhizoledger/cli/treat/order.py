"""``rhizoledger treat order``: which batch next, on which day, at what hour."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from rhizoledger.cli.console import say, say_json


def order(
    dir: Path,
    /,
    *,
    from_: Annotated[str | None, Parameter(name="--from", metavar="DATE")] = None,
    as_of: Annotated[str | None, Parameter(metavar="DATE")] = None,
    hours: str = "8-18",
    days: str = "mon-sat",
    closed: Annotated[tuple[str, ...], Parameter(metavar="DATE")] = (),
    seed_flow: str | None = None,
    pace: float = 1.0,
    refill_min: float = 10.0,
    cleanout_min: float = 30.0,
    spread_days: float = 2.0,
    unknown_window: float = 24.0,
    late_per_hour: float | None = None,
    cleanout_per_min: float | None = None,
    reinoculate: float | None = None,
    step_min: int = 15,
    out: Path | None = None,
    json: bool = False,
) -> int:
    """Order the runs still ahead: late seed, clean-outs and seed that waits too long weigh least.

    Parameters
    ----------
    dir
        The season folder; cleanouts.csv in it (from_recipe, to_recipe, minutes) is read too.
    from_
        The first day that a run may start; the day after the as-of day if not given.
    as_of
        The day to ask from, as 2027-05-10; the latest recorded day if not given.
    hours
        Working hours: 8-18, 7:30-17, or 8-12,13-18 with a break.
    days
        Working days: mon-sat, or mon,wed,fri.
    closed
        Days on which nobody works.
    seed_flow
        Seed through the machine, "600 lb/min"; [treater] seed_flow if not given.
    pace
        How many times longer runs take than that says.
    refill_min
        Minutes to fill a tank again.
    cleanout_min
        Minutes between recipes that cleanouts.csv does not name.
    spread_days
        Spread of planting dates whose row gives none.
    unknown_window
        Hours that seed may wait where nothing says how long.
    late_per_hour
        What an hour that a planting waits costs; from the season's prices if not given.
    cleanout_per_min
        What a minute of cleaning out costs; 1 if not given.
    reinoculate
        What inoculating a batch again costs; from the season's prices if not given.
    step_min
        Runs start on steps of so many minutes.
    out
        A folder for order.csv, order.svg and order.png.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.treat_order import order_text, write_order
    from rhizoledger.workflows.treat_order import Shop, treat_order_folder

    found = treat_order_folder(
        dir,
        start=from_,
        as_of=as_of,
        shop=Shop(
            hours, days, closed, seed_flow, pace, refill_min, cleanout_min, spread_days,
            unknown_window, step_min, late_per_hour, cleanout_per_min, reinoculate,
        ),
    )  # fmt: skip
    written = () if out is None else write_order(found, out)
    if json:
        say_json(found)
    else:
        say(order_text(found, written))
    return 0
