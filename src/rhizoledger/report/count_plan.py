"""A plan for a plate count in sentences."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rhizoledger.plan.spoken import grouped
from rhizoledger.report.listing import counted, wrapped
from rhizoledger.report.numbers import raised
from rhizoledger.report.scheme_drawing import amount, carried, step_words

Z_95 = 1.96
MANY = 1000
"""Colonies beyond which nobody counts."""
EVEN = "Every titre in the range is taken as equally likely on the log scale."


def count_plan_text(found: Mapping[str, Any], written: Sequence[Path] = ()) -> str:
    """What to plate first, then how sure and how precise, then warnings.

    Parameters
    ----------
    found : mapping
        As ``workflows.count_plan.count_plan`` returns it.
    written : sequence of Path
        Files that were written.
    """
    lines = [plate_sentence(found)]
    lines += [f"  {line}" for line in dilution_lines(found)]
    lines += [chance_sentence(found), EVEN, *precision_sentences(found), how_diluted(found)]
    lines += found["warnings"]
    lines.append("Plate a blank and a positive control as well; they are not counted here.")
    if written:
        lines.append(f"Written: {', '.join(str(p) for p in written)}")
    return "\n".join(raised(x) if x.startswith(" ") else wrapped(raised(x)) for x in lines)


def plate_sentence(found: Mapping[str, Any]) -> str:
    """Dilutions and plates in one sentence."""
    names = [plated_words(found, d["step"]) for d in found["dilutions"]]
    listed = names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"
    each = " each" if len(names) > 1 else ""
    plates = counted(found["replicates"], "plate")
    return (
        f"For {range_words(found)}: plate {listed}, {plates} of "
        f"{amount(found['volume_ml'])} mL{each}, {counted(found['plates'], 'plate')} in all."
    )


def plated_words(found: Mapping[str, Any], step: int) -> str:
    """A step as it is named in a sentence."""
    return step_words(found, step) if step else f"the {step_words(found, 0)} itself"


def range_words(found: Mapping[str, Any]) -> str:
    """The range of titres with its basis."""
    return f"{grouped(found['low'])} to {grouped(found['high'])} CFU per {found['basis']}"


def dilution_lines(found: Mapping[str, Any]) -> list[str]:
    """What each plate may hold over the range."""
    return [
        f"{step_words(found, d['step'])}: {expected_words(d)} colonies a plate"
        for d in found["dilutions"]
    ]


def expected_words(d: Mapping[str, Any]) -> str:
    """Expected colonies on a plate at both ends of the range."""
    return f"{_colonies(d['expected_low'])} to {_colonies(d['expected_high'])}"


def _colonies(x: float) -> str:
    if x > MANY:
        return "many"
    if x < 0.05:
        return "0"
    return f"{x:.2g}" if x < 10 else grouped(x)


def chance_sentence(found: Mapping[str, Any]) -> str:
    """How likely a countable plate is."""
    low, high = found["countable"]
    worst = found["worst"]
    said, least = _chance(found["p_countable"]), _chance(worst["p_countable"])
    where = f", and {least} where it is least, at {grouped(worst['titre'])}"
    return (
        f"Chance of a countable plate ({low} to {high} colonies): {said} over the range"
        f"{'' if said == least else where}."
    )


def precision_sentences(found: Mapping[str, Any]) -> list[str]:
    """The factor of the limits: by plates alone, and with the spread between samples."""
    thin, share = found["thinnest"], f"{100 * found['level']:g} %"
    if thin["limits_factor"] is None or thin["colonies"] < found["countable"][0]:
        where = grouped(thin["titre"])
        return [f"At {where} hardly any countable plate is to be expected, and no precision."]
    best = max(r["limits_factor"] or 0.0 for r in found["expected"])
    least = min(r["limits_factor"] or best for r in found["expected"])
    ends = [f"{least:.3g}", f"{thin['limits_factor']:.3g}"]
    span = ends[0] if ends[0] == ends[1] else f"{ends[0]} to {ends[1]}"
    factors = [_with_spread(thin["limits_factor"], sd) for sd in _sds(found)]
    return [
        f"Countable plates should hold {_colonies(thin['colonies'])} colonies or more in all; "
        f"{share} limits by plates alone: times and divided by {span}.",
        "With the spread between samples "
        f"({' to '.join(f'{sd:g}' for sd in _sds(found))} log10, evidence of grade "
        f"{found['between_sample_sd_log10']['grade']}) one sample tells its lot within a factor "
        f"of {' to '.join(factors)}: more samples tell more than more plates.",
    ]


def _sds(found: Mapping[str, Any]) -> list[float]:
    return list(found["between_sample_sd_log10"]["values"])


def _with_spread(factor: float, sd: float) -> str:
    return f"{10.0 ** math.hypot(math.log10(factor), Z_95 * sd):.2g}"


def _chance(p: float) -> str:
    return "> 0.99" if p > 0.995 else f"{math.floor(100 * p) / 100:.2f}"


def how_diluted(found: Mapping[str, Any]) -> str:
    """How the tubes are made, in a sentence."""
    factor, transfer = found["dilution_factor"], found["transfer_ml"]
    tubes = f"{amount(transfer)} mL into {amount(transfer * (factor - 1))} mL"
    if found["tubes"] == 0:
        return "No tube is needed: the liquid itself is plated."
    if found["basis"] == "g":
        first = f"{carried(found, 1)} into {amount(10 * transfer * (factor - 1))} mL"
        return f"Dilute {first}, then {tubes}, {counted(found['tubes'], 'step')} in all."
    what = "the wash" if found["basis"] == "seed" else "the sample"
    return f"Dilute {what} {tubes}, {counted(found['tubes'], 'tube')} in all."
