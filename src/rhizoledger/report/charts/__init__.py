"""The figures: pure functions from numbers to Vega-Lite specifications in plain dictionaries."""

from rhizoledger.report.charts.ledger import LedgerStep, ledger_figure
from rhizoledger.report.charts.money import money_figure
from rhizoledger.report.charts.sheet import LEAF, NODULE, PENCIL, SOIL, TOKENS
from rhizoledger.report.charts.temperature import TemperatureFigure, temperature_figure

__all__ = [
    "LEAF",
    "NODULE",
    "PENCIL",
    "SOIL",
    "TOKENS",
    "LedgerStep",
    "TemperatureFigure",
    "ledger_figure",
    "money_figure",
    "temperature_figure",
]
