"""Make an empty season folder, check one, load one."""

from __future__ import annotations

from pathlib import Path

from rhizoledger.errors import Problem
from rhizoledger.evidence import Evidence, load_evidence
from rhizoledger.records import Season
from rhizoledger.season.read import check_season, read_season
from rhizoledger.season.write import new_season


def new(directory: Path, minimal: bool = False) -> tuple[str, ...]:
    """Make an empty season folder and name what was written.

    Parameters
    ----------
    directory : Path
        Folder to make or to fill; nothing in it is ever overwritten.
    minimal : bool
        Only season.toml, fields and the four seed tables.

    Raises
    ------
    ConflictError
        If a file that would be written is there already; the text lists them.
    """
    return new_season(directory, minimal=minimal)


def check(directory: Path) -> tuple[Problem, ...]:
    """Every problem of a season folder, errors and warnings; the folder is left as it is."""
    return check_season(directory, bushel_weights(load_evidence()))


def load(directory: Path) -> Season:
    """The season of a folder.

    Raises
    ------
    InputError
        With every problem, if there is an error among them.
    """
    return read_season(directory, bushel_weights(load_evidence()))


def bushel_weights(evidence: Evidence) -> dict[str, float]:
    """Pounds in a bushel by crop, from the evidence ids ``crop.<crop>.lb_per_bu``."""
    weights = {}
    for name in evidence:
        topic, _, rest = name.partition(".")
        crop, _, quantity = rest.rpartition(".")
        if topic == "crop" and quantity == "lb_per_bu":
            weights[crop] = evidence[name].number()
    return weights
