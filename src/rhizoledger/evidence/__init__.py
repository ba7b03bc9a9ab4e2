"""Evidence: every number about the world, with its source, grade and interval.

One TOML file per topic stands beside this module; ``sources.toml`` holds the references.
A row is superseded, never edited: a changed number is a new id that names what it ``replaces``.
"""

from __future__ import annotations

from rhizoledger.evidence.curves import Curve
from rhizoledger.evidence.load import (
    GRADES,
    Evidence,
    Parameter,
    Source,
    load_evidence,
    worst_grade,
)

__all__ = ["GRADES", "Curve", "Evidence", "Parameter", "Source", "load_evidence", "worst_grade"]
