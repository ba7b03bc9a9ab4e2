"""An empty season folder, written from the schema that reads it."""

from __future__ import annotations

import json
from pathlib import Path

from rhizoledger.errors import ConflictError, InputError
from rhizoledger.season.describe import descriptor, notes
from rhizoledger.season.schema import Table
from rhizoledger.season.tables import BY_NAME, MINIMAL, TABLES

TEMPLATE = """\
# Settings of the season. Lines that begin with # are not read; the values are placeholders to
# change. A setting that is left out is not known, or keeps the value named in brackets.

schema = 1
name = "My season"
timezone = "UTC"             # such as America/Chicago; all local times below are on this clock
starts_on = 2027-01-01       # a southern season may cross the year
ends_on = 2027-12-31
seed = 1                     # of the random draws; the same seed gives the same plan
# celsius_confirmed = []     # logger files whose high readings are °C indeed

[place]
# country = ""
# state = ""
# lat = 0.0
# lon = 0.0

[units]                      # what you read and write
seed_mass = "lb"             # lb, kg
area = "ac"                  # ac, ha
temperature = "F"            # F, C
yield = "bu/ac"              # bu/ac, bu/ha, lb/ac, cwt/ac, kg/ha, t/ha

[decision]
probability = 0.9            # how sure "meets" must be (0.9)
toss_up = [0.4, 0.6]         # probabilities of paying that are called a toss-up ([0.4, 0.6])
# max_loss_per_area = 0.0    # the loss per area you can bear in a bad year
# as_of = 2027-05-10         # judge the season as of this day

# [market.soybean]           # one section for each crop
# price = 0.0
# unit = "bu"                # bu, kg, t, lb, cwt
# price_sd = 0.0

[costs]                      # per area
# treating_fee = 0.0
# freight = 0.0
# furrow_pass = 0.0
# product_per_area = 0.0

# [delay.soybean]            # one section for each crop
# loss_per_day = 0.0         # yield lost for each day the planter waits, in the unit of yield
# source = ""

[ambient]                    # air temperature to expect where no logger was
# low_c = 0.0
# high_c = 0.0

[treater]
# tank_l = 0.0
# seed_flow = ""

# [treater.max_liquid]
# soybean = ""               # such as 10 fl oz/cwt
"""


def new_season(directory: Path, minimal: bool = False) -> tuple[str, ...]:
    """Write season.toml, empty tables with headers, NOTES.md and datapackage.json.

    Parameters
    ----------
    directory : Path
        Folder to make or to fill.
    minimal : bool
        Only season.toml, fields and the four seed tables.

    Returns
    -------
    tuple of str
        Names written, in order.

    Raises
    ------
    ConflictError
        If anything that would be written is there already; nothing is written then.
    InputError
        If the folder cannot be made.
    """
    tables = tuple(BY_NAME[name] for name in MINIMAL) if minimal else TABLES
    folders = () if minimal else ("loggers", "trials")
    texts = {"season.toml": TEMPLATE}
    texts |= {table.file: header_line(table) for table in tables}
    texts["NOTES.md"] = notes(tables)
    package = descriptor("season", tables)
    texts["datapackage.json"] = json.dumps(package, ensure_ascii=False, indent=1) + "\n"
    there = [name for name in (*texts, "season.xlsx") if (directory / name).exists()]
    if there:
        raise ConflictError(
            f"{directory} already holds {', '.join(there)}. Nothing was written; name another "
            "folder, or move these files away."
        )
    if directory.exists() and not directory.is_dir():
        raise InputError(f"{directory} is a file, not a folder. Name another folder.")
    try:
        directory.mkdir(parents=True, exist_ok=True)
        for name in folders:
            (directory / name).mkdir(exist_ok=True)
        for name, text in texts.items():
            # "x" refuses a file that came up in the meantime, and a link to nowhere.
            with (directory / name).open("x", encoding="utf-8", newline="\n") as handle:
                handle.write(text)
    except FileExistsError as error:
        raise ConflictError(f"{error.filename} is there already. Name another folder.") from None
    except OSError as error:
        reason = error.strerror or "it cannot be written"
        raise InputError(
            f"The folder {directory} cannot be made: {reason}. Name another folder."
        ) from None
    return tuple(texts)


def header_line(table: Table) -> str:
    """The header of a table, every column in order, with its line end.

    Examples
    --------
    >>> from rhizoledger.season.tables import BY_NAME
    >>> header_line(BY_NAME["requirements"]).rstrip()
    'crop,cells_per_seed,basis,source'
    """
    return ",".join(column.name for column in table.columns) + "\n"
