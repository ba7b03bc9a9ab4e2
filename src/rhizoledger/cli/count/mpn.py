"""``rhizoledger count mpn`` and its table: most probable numbers from tubes of any design."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter
from cyclopts.validators import Number

from rhizoledger.cli.console import progress, say, say_json
from rhizoledger.cli.parsing import Level

Alpha = Annotated[float, Parameter(validator=Number(gte=1e-6, lt=1))]


def mpn(
    file: Path | None = None,
    /,
    *,
    design: str | None = None,
    positive: str | None = None,
    interval: Literal["jarvis", "lr", "exact"] = "jarvis",
    bias: Literal["none", "salama"] = "none",
    bound_alpha: Alpha | None = None,
    level: Level = 0.95,
    json: bool = False,
) -> int:
    """Count organisms from tubes that turned positive or stayed negative.

    Parameters
    ----------
    file
        A CSV file with amount, tubes and positive; item where there are several designs; also
        sampled_at, basis (g, mL or seed) and control_positive.
    design
        Amount and tubes, largest first or in any order, such as 0.1:3,0.01:3,1e-3:3.
    positive
        Positive tubes for each amount, such as 3,1,0.
    interval
        Jarvis, likelihood ratio (lr), or exact for one amount.
    bias
        salama: give the number less its bias as well.
    bound_alpha
        Alpha of the bound if all tubes are negative or positive; else 1 - level, for exact half.
    level
        Coverage of the interval.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.errors import InputError
    from rhizoledger.report.count_mpn import mpn_results_text, mpn_text
    from rhizoledger.workflows.count_mpn import mpn_file, mpn_from_design

    if file is not None:
        if design is not None or positive is not None:
            raise InputError(
                "The file holds the design and the positive tubes. Leave --design and --positive "
                "out, or leave the file out."
            )
        with progress() as told:
            results = mpn_file(
                file,
                interval=interval,
                bias=bias,
                level=level,
                bound_alpha=bound_alpha,
                told=told,
            )
        if json:
            say_json(results)
        else:
            say(mpn_results_text(results["results"], results["warnings"]))
        return 0
    if design is None or positive is None:
        raise InputError(
            "Give a file, or --design with --positive, such as "
            "--design 0.1:3,0.01:3,0.001:3 --positive 3,1,0."
        )
    found = mpn_from_design(
        design, positive, interval=interval, bias=bias, level=level, bound_alpha=bound_alpha
    )
    if json:
        say_json(found)
    else:
        say(mpn_text(found))
    return 0


def mpn_table(
    *,
    design: str,
    min_rarity: Annotated[float, Parameter(validator=Number(gte=0, lte=1))] = 0.05,
    interval: Literal["jarvis", "lr", "exact"] = "jarvis",
    level: Level = 0.95,
    json: bool = False,
    csv: bool = False,
) -> int:
    """Write the table of a design: every code that is not rare, with its limits.

    Parameters
    ----------
    design
        Amount and tubes, such as 0.1:3,0.01:3,1e-3:3.
    min_rarity
        Least rarity index of a code in the table; 0 for all of them.
    interval
        Jarvis, likelihood ratio (lr), or exact for one amount.
    level
        Coverage of the interval.
    json
        Print one JSON object.
    csv
        Print CSV with full numbers.
    """
    from rhizoledger.errors import InputError
    from rhizoledger.report.count_mpn import mpn_table_csv, mpn_table_text
    from rhizoledger.workflows.count_mpn import mpn_table_of

    if json and csv:
        raise InputError("Choose --json or --csv, not both.")
    found = mpn_table_of(design, min_rarity=min_rarity, interval=interval, level=level)
    if json:
        say_json(found)
    else:
        say(mpn_table_csv(found) if csv else mpn_table_text(found))
    return 0
