"""The ledger of live rhizobia from jug to furrow, and of the money behind it."""

__version__ = "0.1.0"
