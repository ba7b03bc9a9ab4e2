"""Catch tests in sentences: set it or leave it first, then the numbers, then the day."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rhizoledger.report.charts.catches import Series, catches_figure
from rhizoledger.report.draw import png, svg
from rhizoledger.report.files import write_file
from rhizoledger.report.listing import wrapped
from rhizoledger.report.numbers import by_interval, figures, odds
from rhizoledger.report.treat_rate import five

ENDS = ("low", "high")


def calibrate_text(found: Mapping[str, Any], written: Sequence[Path] = ()) -> str:
    """Each group's verdict first, its numbers below it, then what a reader must mind."""
    lines: list[str] = []
    for g in found["groups"]:
        lines += [wrapped(_verdict(g, found)), *_numbers(g, found), ""]
    between = found["between_groups"]
    if between is not None:
        lines += [
            wrapped(
                f"Between groups: {between['highest']} runs {100 * between['apart']:.1f} % of the "
                f"mean above {between['lowest']}."
            ),
            "",
        ]
    lines += [wrapped(f"Note: {w}") for w in found["warnings"]]
    lines.append(
        wrapped(
            f"Intervals are {100 * found['level']:g} %; each catch counts as one independent "
            "measurement. The label's rate comes first."
        )
    )
    if written:
        lines += ["", *map(str, written)]
    return "\n".join(lines)


def _spoken(e: Mapping[str, float | None], factor: float = 1.0) -> str:
    """A number with its limits, as wide as they are."""
    value, low, high = (e[n] for n in ("value", *ENDS))
    assert value is not None
    if low is None or high is None:
        said = f"{figures(factor * value)} (no upper limit)" if low is not None else ""
        return said or f"{figures(factor * value)} (no limits)"
    value, low, high = factor * value, factor * low, factor * high
    ends = f"{by_interval(low, low, high)} to {by_interval(high, low, high)}"
    return f"{by_interval(value, low, high)} ({ends})"


def _verdict(g: Mapping[str, Any], found: Mapping[str, Any]) -> str:
    name = f"{g['group']}: " if g["group"] else ""
    mean = f"the mean of {_catches(g['n'])}, {_spoken(g['mean'])} {found['unit']}"
    if g["verdict"] == "no_target":
        return f"{name}{mean[0].upper() if not name else mean[0]}{mean[1:]}."
    target, share = five(found["target"]), f"{100 * found['tolerance']:g} %"
    if g["verdict"] == "pass":
        shown = f"{mean}, is shown to lie within {share} of {target}."
        if g["chart"] is not None and g["chart"]["signals"]:
            return f"{name}Pass by its mean, but the pump does not hold still (see below): {shown}"
        return f"{name}Pass. Leave it: {shown}"
    factor = _spoken(g["factor"])
    if g["verdict"] == "adjust":
        return (
            f"{name}Adjust: {mean}, is shown to lie more than {share} off {target}. Multiply the "
            f"setting by {factor} and catch again."
        )
    off = g["bias"]["value"]
    place = "within" if abs(off) <= found["tolerance"] else "beyond"
    said = (
        f"{name}Not settled: {mean}, lies {place} {share} of {target}, but "
        f"{'catches that all read the same' if g['sd'] == 0 else 'so few catches'} do not show it."
    )
    more = g["more_catches"]
    if more is not None:
        said += f" About {_catches(more, 'more ')} would likely settle it."
    elif g["sd"]:
        said += " It lies so near the edge of the tolerance that no number of catches would do."
    if place == "beyond" or (more is None and g["sd"]):
        said += f" Or multiply the setting by {factor} and catch anew."
    return said


def _catches(n: int, between: str = "") -> str:
    return f"{n} {between}catch" if n == 1 else f"{n} {between}catches"


def _numbers(g: Mapping[str, Any], found: Mapping[str, Any]) -> list[str]:
    lines = []
    if g["bias"] is not None:
        lines.append(f"bias: {_spoken(g['bias'], 100)} % of the target")
    if g["cv"] is not None:
        lines.append(f"scatter (CV): {_spoken(g['cv'], 100)} %, exact by noncentral t")
    if g["factor"] is not None and g["verdict"] == "pass":
        lines.append(f"correction, not needed: times {_spoken(g['factor'])}")
    chart = g["chart"]
    if chart is not None:
        limits = f"{five(chart['low'])} to {five(chart['high'])}"
        lines.append(
            f"along the day, single catches of a steady pump lie from {limits} {found['unit']}"
            f"{' (provisional: fewer than 20 catches)' if chart['provisional'] else ''}"
        )
        rows = g["catches"]
        for i, row in enumerate(rows, start=1):
            if row["signals"]:
                when = f" ({row['at']})" if row["at"] not in ("", str(i)) else ""
                said = "; ".join(found["rules"][rule] for rule in row["signals"])
                lines.append(f"catch {i}{when}: {said}")
        if not chart["signals"]:
            lines.append("no run rule speaks")
        chance = odds(chance_of := chart["chance_of_a_false_alarm"])
        by_chance = chance if chance_of < 0.05 else f"about {chance}"
        lines.append(f"days of a steady pump on which some rule speaks by chance: {by_chance}")
    return [wrapped(line, "  ") for line in lines]


def calibration_spec(found: Mapping[str, Any], width: int = 640) -> dict[str, Any]:
    """The control charts of all groups as one figure."""
    series = []
    for g in found["groups"]:
        chart = g["chart"] or {}
        rows = g["catches"]
        series.append(
            Series(
                g["group"],
                [c["rate"] for c in rows],
                [c["at"] or str(i + 1) for i, c in enumerate(rows)],
                [bool(c["signals"]) for c in rows],
                *(chart.get(k) for k in ("middle", "low", "high", "range_high")),
            )
        )
    return catches_figure(
        series,
        unit=found["unit"],
        target=found["target"],
        tolerance=found["tolerance"],
        width=width,
    )


def write_calibration(found: Mapping[str, Any], out: Path) -> tuple[Path, ...]:
    """Write the charts as SVG and PNG, and every catch with its signals as CSV.

    Raises
    ------
    InputError
        If a file cannot be written.
    """
    spec = calibration_spec(found)
    table = io.StringIO()
    writer = csv.writer(table, lineterminator="\n")
    writer.writerow(
        ["group", "catch", "at", "rate", "unit", "moving_range", "middle", "low", "high", "signals"]
    )
    for g in found["groups"]:
        chart = g["chart"] or {}
        for i, c in enumerate(g["catches"]):
            writer.writerow(
                [
                    g["group"], i + 1, c["at"], c["rate"], found["unit"], c["moving_range"],
                    chart.get("middle"), chart.get("low"), chart.get("high"),
                    "; ".join(c["signals"]),
                ]
            )  # fmt: skip
    return (
        write_file(out / "calibration.svg", svg(spec, "calibration").encode()),
        write_file(out / "calibration.png", png(spec, 2.0)),
        write_file(out / "calibration.csv", table.getvalue().encode()),
    )
