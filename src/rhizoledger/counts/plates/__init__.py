"""Plate counts: every usable plate by maximum likelihood, and two reporting rules (§1.1)."""

from rhizoledger.counts.plates.count import PlateCount, PlateLikelihood, count_plates
from rhizoledger.counts.plates.rules import PlateReport, report_plates, two_figures

__all__ = [
    "PlateCount",
    "PlateLikelihood",
    "PlateReport",
    "count_plates",
    "report_plates",
    "two_figures",
]
