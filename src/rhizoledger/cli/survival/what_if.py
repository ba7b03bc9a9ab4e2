"""``rhizoledger survival what-if``: a batch that waits longer, or stands cooler."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter
from cyclopts.validators import Number

from rhizoledger.cli.console import say, say_json


def what_if(
    dir: Path,
    /,
    *,
    batch: str,
    delay_days: Annotated[float, Parameter(validator=Number(gte=0))] = 0.0,
    store_c: float | None = None,
    store_f: float | None = None,
    stack: str | None = None,
    as_of: Annotated[str | None, Parameter(metavar="DATE")] = None,
    out: Path | None = None,
    json: bool = False,
) -> int:
    """Ask what would arrive if a batch waited longer, stood cooler or carried other things.

    Parameters
    ----------
    dir
        The season folder; nothing in it is changed.
    batch
        The batch, or a parcel split from one.
    delay_days
        Days after the planned seed drop.
    store_c
        Temperature of the seed from now on, in °C; as planned if not given.
    store_f
        The same in °F.
    stack
        Another recipe in place of the batch's own.
    as_of
        The day to ask from, as 2027-05-10; the latest recorded day if not given.
    out
        A folder for what-if.svg, what-if.png and what-if.csv.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.survival_what_if import what_if_text, write_what_if
    from rhizoledger.workflows.survival_what_if import what_if_folder

    found = what_if_folder(
        dir,
        batch,
        delay_days=delay_days,
        store_c=store_c,
        store_f=store_f,
        stack=stack,
        as_of=as_of,
    )
    written = () if out is None else write_what_if(found, out)
    if json:
        say_json(found)
    else:
        say(what_if_text(found, written))
    return 0
