"""``rhizoledger survival exposure``: how long a lot was how warm, from records of any length."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter
from cyclopts.validators import Number

from rhizoledger.cli.console import say, say_json

Above0 = Annotated[float, Parameter(validator=Number(gt=0))]


def exposure(
    file_or_dir: Path,
    /,
    *,
    z: Above0 | None = None,
    t_ref: float = 20.0,
    d_ref_d: Above0 | None = None,
    max_gap: Above0 | None = None,
    gap_low: float | None = None,
    gap_high: float | None = None,
    fahrenheit: bool = False,
    figure: Path | None = None,
    json: bool = False,
) -> int:
    """Sum up how long a lot was how warm, and how much older that made it.

    Parameters
    ----------
    file_or_dir
        A CSV or Parquet file with time and temp_c or temp_f, and item where it holds several
        records; or a folder of such files.
    z
        Rise in °C that makes the loss ten times faster. There is none by default.
    t_ref
        Temperature in °C that equivalent days and D belong to.
    d_ref_d
        Days for a tenfold loss at that temperature.
    max_gap
        Longest spacing of readings in hours that is no gap.
    gap_low
        Lowest temperature in °C that a gap may have had.
    gap_high
        Highest temperature in °C that a gap may have had.
    fahrenheit
        Temperatures are °F, whatever the header says.
    figure
        A file for the histogram, ending in .png, .svg or .pdf.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.survival_exposure import exposure_text, write_histogram
    from rhizoledger.workflows.survival_exposure import exposure_of

    found = exposure_of(
        file_or_dir,
        z_c=z,
        t_ref_c=t_ref,
        d_ref_d=d_ref_d,
        max_gap_h=max_gap,
        gap_low_c=gap_low,
        gap_high_c=gap_high,
        fahrenheit=fahrenheit,
    )
    written = None if figure is None else write_histogram(found, figure)
    if json:
        say_json(found)
    else:
        say(exposure_text(found, written))
    return 0
