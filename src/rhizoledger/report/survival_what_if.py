"""A what-if in sentences: what would arrive, beside the plan, then the table around it."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from rhizoledger.estimate import Estimate
from rhizoledger.report.charts.wait_map import Column, said_days, wait_figure
from rhizoledger.report.draw import png, svg
from rhizoledger.report.files import write_file
from rhizoledger.report.listing import wrapped
from rhizoledger.report.numbers import cells, odds
from rhizoledger.units import degrees

NOT_STATED = "-"
WORDS = {
    "meets": "enough arrives",
    "unclear": "not settled whether enough arrives",
    "fails": "too few arrive, or a limit is past",
    "not_known": "not known",
}
FIRST, COLUMN = 12, 9
TEN = 10


def what_if_text(found: Mapping[str, Any], written: Sequence[Path] = ()) -> str:
    """The answer first, the plan beside it, the table, then what to mind."""
    unit = found["temperature_unit"]
    lines = [wrapped(f"{found['batch']}, {_asked(found)}: {_arrives(found['what_if'])}")]
    lines += _told(found["what_if"])
    lines += ["", wrapped(f"As planned: {_arrives(found['planned'])}")]
    lines += _told(found["planned"])
    lines += ["", *_table(found, unit)]
    lines += ["", *(wrapped(f"Note: {note}") for note in found["warnings"])]
    lines += [wrapped(text) for text in found["cautions"]]
    if written:
        lines += ["", *map(str, written)]
    return "\n".join(lines)


def _asked(found: Mapping[str, Any]) -> str:
    q, unit = found["question"], found["temperature_unit"]
    parts = []
    if q["stack"] is not None:
        parts.append(f"treated by {q['stack']}")
    parts.append("without delay" if q["delay_days"] == 0 else f"{said_days(q['delay_days'])} later")
    if q["store_c"] is not None:
        parts.append(f"kept at {degrees(unit, q['store_c'])}")
    return ", ".join(parts)


def _arrives(o: Mapping[str, Any]) -> str:
    return f"{WORDS[o['arrival']]} at seed drop, {_when(o['seed_drop'])}."


def _when(text: str) -> str:
    at = datetime.fromisoformat(text)
    return at.strftime("%Y-%m-%d %H:%M")


def _told(o: Mapping[str, Any]) -> list[str]:
    c = o["cells_log10"]
    amount = cells(
        Estimate(c["value"], c["low"], c["high"], "log10 cells/seed", "log10", status=c["status"])
    )
    lines = [wrapped(f"live cells a seed: {amount}", "  ")]
    if o["p_meets"] is None:
        lines.append(wrapped(f"chance of enough not stated: {o['why_no_p']}", "  "))
    else:
        floor = c["status"] == "at_limit"
        lines.append(wrapped(f"chance of enough: {odds(o['p_meets'], at_least=floor)}", "  "))
    lines.append(wrapped(o["sentence"], "  "))
    return lines


def number_in_ten(p: float | None, wanted: float) -> str:
    """A chance as a cell shows it: whole tenths, so that no digit claims more than is known.

    What falls short of the wanted chance is never rounded up to it.

    Examples
    --------
    >>> [number_in_ten(p, 0.9) for p in (0.74, 0.04, 0.97, 0.87, None)]
    ['7', '0', '10', '8', '-']
    """
    if p is None:
        return NOT_STATED
    tenths = round(p * TEN)
    return f"{tenths - 1 if p < wanted <= tenths / TEN else tenths}"


def _table(found: Mapping[str, Any], unit: str) -> list[str]:
    stores, wanted = found["stores"], found["wanted"]
    lines = [wrapped("Chances in ten that enough live cells arrive, by delay and by store:")]
    head = "".join(f"{degrees(unit, s['store_c']):>{COLUMN}}" for s in stores)
    lines.append(f"{'  delay':{FIRST}}{head}")
    for i, d in enumerate(found["delays_days"]):
        row = "".join(f"{_cell(s['cells'][i], wanted):>{COLUMN}}" for s in stores)
        lines.append(f"{'  ' + said_days(d):{FIRST}}{row.rstrip()}")
    latest = "".join(f"{_latest(s):>{COLUMN}}" for s in stores)
    lines.append(f"{'  longest':{FIRST}}{latest.rstrip()}")
    key = f"longest: days of delay that keep {odds(wanted)}."
    cells = [c for s in stores for c in s["cells"]]
    if any(c["limit_past"] for c in cells):
        key += " x: past label, tag, test or date."
    lines.append(wrapped(key))
    reasons: dict[str, dict[str, None]] = {}
    for s in stores:
        for c in s["cells"]:
            if c["p_meets"] is None:
                reasons.setdefault(c["why_no_p"], {})[degrees(unit, s["store_c"])] = None
    for why, temps in reasons.items():
        where = "" if len(temps) == len(stores) else f", at {', '.join(temps)}"
        lines.append(wrapped(f"{NOT_STATED} (not stated{where}): {why}."))
    return lines


def _cell(c: Mapping[str, Any], wanted: float) -> str:
    return number_in_ten(c["p_meets"], wanted) + (" x" if c["limit_past"] else "  ")


def _latest(s: Mapping[str, Any]) -> str:
    days = s["latest_delay_days"]
    if days is None:
        return "none  "
    return f"{'over ' if s['latest_is_open'] else ''}{math.floor(days * TEN) / TEN:g}  "


def what_if_spec(found: Mapping[str, Any], width: int = 640) -> dict[str, Any]:
    """The wait map as a figure."""
    unit = found["temperature_unit"]
    columns = [
        Column(
            degrees(unit, s["store_c"]),
            [number_in_ten(c["p_meets"], found["wanted"]) for c in s["cells"]],
            [c["limit_past"] is not None for c in s["cells"]],
            s["latest_delay_days"],
            s["latest_is_open"],
        )
        for s in found["stores"]
    ]
    return wait_figure(found["delays_days"], columns, wanted=odds(found["wanted"]), width=width)


def write_what_if(found: Mapping[str, Any], out: Path) -> tuple[Path, ...]:
    """Write the map as SVG and PNG, and the table as CSV.

    Raises
    ------
    InputError
        If a file cannot be written.
    """
    spec = what_if_spec(found)
    table = io.StringIO()
    writer = csv.writer(table, lineterminator="\n")
    writer.writerow(
        ["store_c", "delay_days", "p_meets", "p_low", "p_high", "arrival", "limit_past", "why_no_p"]
    )
    for s in found["stores"]:
        for c in s["cells"]:
            writer.writerow(
                [
                    s["store_c"], c["delay_days"], c["p_meets"], c["p_low"], c["p_high"],
                    c["arrival"], c["limit_past"], c["why_no_p"],
                ]
            )  # fmt: skip
    return (
        write_file(out / "what-if.svg", svg(spec, "what-if").encode()),
        write_file(out / "what-if.png", png(spec, 2.0)),
        write_file(out / "what-if.csv", table.getvalue().encode()),
    )
