"""Plate counts: every usable plate by maximum likelihood, and two reporting rules (§1.1)."""

from rhizoledger.counts.plates.count import PlateCount, count_plates
from rhizoledger.counts.plates.detection import DetectionLimits, detection_limits
from rhizoledger.counts.plates.dispersion import Dispersion
from rhizoledger.counts.plates.likelihood import PlateLikelihood, TntcContradiction
from rhizoledger.counts.plates.rules import PlateReport, report_plates, two_figures

__all__ = [
    "DetectionLimits",
    "Dispersion",
    "PlateCount",
    "PlateLikelihood",
    "PlateReport",
    "TntcContradiction",
    "count_plates",
    "detection_limits",
    "report_plates",
    "two_figures",
]
