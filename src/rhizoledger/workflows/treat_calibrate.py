"""Set a pump by repeated catch tests: each group judged, and charted along the day."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from rhizoledger.errors import InputError
from rhizoledger.evidence import load_evidence
from rhizoledger.season.numerals import CellError, Style, read_number
from rhizoledger.treating.calibration import Calibration, Interval, calibrate
from rhizoledger.treating.control_chart import (
    LEAST,
    RULES,
    ControlChart,
    chance_alarms,
    control_chart,
)
from rhizoledger.treating.conversion import Facts, convert
from rhizoledger.workflows.treat_catches import PER_MINUTE, Catch, CatchFile, read_catches
from rhizoledger.workflows.treat_written import read_rate, read_share

TOLERANCE = "catch_test.tolerance_pct"
SEED = 1
WORST = ("adjust", "not_settled", "pass", "no_target")


def calibrate_file(
    path: Path,
    *,
    target: str | None = None,
    tolerance: str | None = None,
    unit: str | None = None,
    facts: Facts | None = None,
    seed_flow: str | None = None,
    level: float = 0.95,
) -> dict[str, Any]:
    """Judge every group of a file of catch tests.

    Parameters
    ----------
    path : Path
        As :func:`rhizoledger.workflows.treat_catches.read_catches` reads it.
    target : str, optional
        A number in the file's unit, or a rate with its unit, which is then the unit of the answer.
    tolerance : str, optional
        Share by which the mean may be off; by common practice where left out.
    unit, facts, seed_flow
        As for reading.
    level : float
        Of the intervals.

    Returns
    -------
    dict
        Ready for JSON.

    Raises
    ------
    InputError, UnitError
        If the file, the target or the tolerance cannot be read.
    """
    facts = facts or Facts()
    number, said = (None, None) if target is None else _target(target)
    row = load_evidence()[TOLERANCE]
    share = row.number() / 100 if tolerance is None else read_share(tolerance)
    catches = read_catches(path, unit=unit or said, facts=facts, seed_flow=seed_flow)
    if number is not None and said is not None and unit is not None and said not in PER_MINUTE:
        value, source = read_rate(f"{number!r} {said}")
        _, wanted = read_rate(f"1 {catches.unit}")
        number = convert(value, source, wanted, facts)
    groups = [_group(name, rows, number, share, level) for name, rows in catches.groups]
    return {
        "file": catches.file,
        "unit": catches.unit,
        "target": number,
        "tolerance": share,
        "tolerance_from": TOLERANCE if tolerance is None else "given",
        "level": level,
        "verdict": min((g["verdict"] for g in groups), key=WORST.index),
        "groups": groups,
        "between_groups": _between(groups),
        "rules": dict(RULES),
        "warnings": _warnings(catches, groups, number),
    }


def _target(text: str) -> tuple[float, str | None]:
    """A target as a number, with its unit where it says one."""
    try:
        number = read_number(text, Style())
    except CellError:
        parts = text.strip().split(" ", 1)
        if len(parts) == 2 and parts[1].replace(" ", "") in PER_MINUTE:
            return _target(parts[0])[0], parts[1].replace(" ", "")
        value, basis = read_rate(text)
        return value, basis.text
    if number <= 0:
        raise InputError(f"The target is {number:g}. Give a rate above zero.")
    return number, None


def _group(
    name: str, rows: tuple[Catch, ...], target: float | None, tolerance: float, level: float
) -> dict[str, Any]:
    rates = [c.rate for c in rows]
    found = calibrate(rates, target, tolerance=tolerance, level=level)
    chart = control_chart(rates) if len(rates) >= LEAST and found.sd else None
    return {
        "group": name,
        **_judged(found),
        "chart": None if chart is None else _chart(chart),
        "catches": [_catch(i, c, chart) for i, c in enumerate(rows)],
    }


def _judged(found: Calibration) -> dict[str, Any]:
    return {
        "n": found.n,
        "mean": _interval(found.mean),
        "sd": found.sd,
        "cv": _interval(found.cv),
        "bias": _interval(found.bias),
        "factor": _interval(found.factor),
        "verdict": found.verdict,
        "p_within": found.p_within,
        "more_catches": found.more,
    }


def _interval(found: Interval | None) -> dict[str, float | None] | None:
    if found is None:
        return None
    ends = {"value": found.value, "low": found.low, "high": found.high}
    return {name: x if math.isfinite(x) else None for name, x in ends.items()}


def _chart(chart: ControlChart) -> dict[str, Any]:
    return {
        "middle": chart.middle,
        "sd": chart.sd,
        "low": chart.low,
        "high": chart.high,
        "range_middle": chart.range_middle,
        "range_high": chart.range_high,
        "signals": [{"catch": i + 1, "rule": rule} for i, rule in chart.signals],
        "provisional": chart.provisional,
        "chance_of_a_false_alarm": chance_alarms(
            len(chart.values), np.random.Generator(np.random.PCG64(SEED))
        ),
    }


def _catch(i: int, catch: Catch, chart: ControlChart | None) -> dict[str, Any]:
    return {
        "row": catch.row,
        "at": catch.at,
        "rate": catch.rate,
        "moving_range": None if chart is None or i == 0 else chart.ranges[i - 1],
        "signals": [] if chart is None else [rule for at, rule in chart.signals if at == i],
    }


def _between(groups: list[dict[str, Any]]) -> dict[str, Any] | None:
    """The lowest and the highest group, and how far they lie apart."""
    if len(groups) < 2:
        return None
    ordered = sorted(groups, key=lambda g: g["mean"]["value"])
    low, high = ordered[0], ordered[-1]
    middle = sum(g["mean"]["value"] for g in groups) / len(groups)
    apart = (high["mean"]["value"] - low["mean"]["value"]) / middle
    return {"lowest": low["group"], "highest": high["group"], "apart": apart}


def _warnings(catches: CatchFile, groups: list[dict[str, Any]], target: float | None) -> list[str]:
    said = list(catches.notes)
    if target is None:
        said.append("Without --target there is a mean and a scatter, and no verdict.")
    for g in groups:
        name = f"{g['group']}: " if g["group"] else ""
        if g["n"] == 1:
            said.append(f"{name}One catch has no scatter, so it settles nothing. Catch again.")
        elif g["sd"] == 0:
            said.append(
                f"{name}All catches read the same. Read them more finely, or catch for longer: "
                "the scatter cannot be told."
            )
        elif target is not None and not 1 / 10 < g["mean"]["value"] / target < 10:
            said.append(
                f"{name}The mean is ten times or more off the target. Look for a slip of unit or "
                "decimal point."
            )
    return said
