"""Every table of a season folder, described once: read, written and explained from here.

The order of tables and columns is the contract's. ``filled`` columns must hold something in every
row, ``column`` ones must be there (an empty cell is "unknown"), ``optional`` ones may be left out.
"""

from __future__ import annotations

from types import MappingProxyType

from rhizoledger.season import ground_tables as ground
from rhizoledger.season import seed_tables as seed
from rhizoledger.season.schema import Column, Table

TABLES: tuple[Table, ...] = (
    seed.REQUIREMENTS,
    seed.INOCULANTS,
    seed.PRODUCTS,
    seed.RECIPES,
    seed.STACKS,
    seed.LOTS,
    seed.BATCHES,
    seed.TREATMENTS,
    seed.STAYS,
    seed.EVENTS,
    ground.PLATES,
    ground.TUBES,
    ground.FIELDS,
    ground.PLANTINGS,
    ground.APPLICATIONS,
    ground.ROOTS,
    ground.DISPOSITIONS,
)

BY_NAME = MappingProxyType({table.name: table for table in TABLES})

SEED_QUESTION = ("inoculants", "lots", "recipes", "batches")
FIELD_QUESTION = ("fields",)

MINIMAL = ("inoculants", "recipes", "lots", "batches", "fields")
"""What ``season new --minimal`` writes, in table order."""

UTC_OFFSET = Column(
    "utc_offset",
    note="Offset of this row's local times, such as -05:00; needed only around a clock change.",
)
"""Any table may carry it."""

TRIAL_COLUMNS = ("site", "block", "treatment")
"""What every file of ``trials/`` must have, besides ``weight`` or ``yield``; the rest is kept."""

TRIAL_RESULTS = ("weight", "yield")
