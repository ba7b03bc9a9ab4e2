"""The nouns of a season, as frozen records.

Records carry what the user wrote, converted to the units inside the program (named in the field),
and nothing computed. None means unknown, never zero. Times are aware datetimes in UTC; dates are
local. ``row`` is the row a spreadsheet shows, for messages.
"""

from rhizoledger.records.ground import NEVER, Application, Disposition, Field, Planting, RootDig
from rhizoledger.records.happened import Batch, Event, Lot, Plate, Stay, Treatment, Tubes
from rhizoledger.records.season import Season, Trace
from rhizoledger.records.setup import (
    Contact,
    Inoculant,
    Market,
    Product,
    RecipeStep,
    Requirement,
    Settings,
    Stack,
    Units,
)

__all__ = [
    "NEVER",
    "Application",
    "Batch",
    "Contact",
    "Disposition",
    "Event",
    "Field",
    "Inoculant",
    "Lot",
    "Market",
    "Planting",
    "Plate",
    "Product",
    "RecipeStep",
    "Requirement",
    "RootDig",
    "Season",
    "Settings",
    "Stack",
    "Stay",
    "Trace",
    "Treatment",
    "Tubes",
    "Units",
]
