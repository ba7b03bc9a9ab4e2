"""The order of runs in sentences: what to run first, the list, its costs, what was assumed."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import date, datetime
from pathlib import Path
from typing import Any

from rhizoledger.plan.clock import MONTHS, spoken_day
from rhizoledger.report.charts.run_strip import Box, strip_figure
from rhizoledger.report.draw import png, svg
from rhizoledger.report.files import write_file
from rhizoledger.report.listing import wrapped
from rhizoledger.report.numbers import figures, large, odds

LIKELY = 0.55
"""Above it odds are no longer said to be about even."""
HUNDRED = 100
HOUR = 60
SHORT = 3
LARGE = 10_000


def order_text(found: Mapping[str, Any], written: Sequence[Path] = ()) -> str:
    """The answer first, then the list, the costs with their weights, and what was assumed."""
    if found["overruns"]:
        lines = _impossible(found)
    else:
        lines = [wrapped(_first(found)), "", *_list(found), "", *_costs(found)]
    for x in found["left_out"]:
        lines += ["", wrapped(f"Not in the order: {x['batch']}. {_sentence(x['why'])}")]
    lines += ["", *_assumed(found)]
    lines += [wrapped(f"Note: {note}") for note in found["notes"]]
    lines += ["", *(wrapped(text) for text in found["cautions"])]
    if written:
        lines += ["", *map(str, written)]
    return "\n".join(lines)


def _first(found: Mapping[str, Any]) -> str:
    r = found["runs"][0]
    text = f"Run {r['batch']} first: {_day(r['start'])}, {_clock(r['start'])}"
    text += f", done by {_clock(r['end'])}."
    if r["cleanout_min"]:
        text += f" Clean out before it ({r['cleanout_min']:g} min): {r['cleanout_from']} was last."
    rest = [x["batch"] for x in found["runs"][1:]]
    return f"{text} Then {', '.join(rest)}." if rest else text


def _list(found: Mapping[str, Any]) -> list[str]:
    lines: list[str] = []
    day = ""
    for r in found["runs"]:
        if _day(r["start"]) != day:
            day = _day(r["start"])
            lines.append(day)
        if r["cleanout_min"]:
            change = f"{r['cleanout_from']} to {r['recipe']}"
            lines.append(f"  clean out {r['cleanout_min']:g} min, {change}")
        span = f"{_clock(r['start'])}-{_clock(r['end'])}"
        amount = f"{r['quantity']:g} {r['quantity_unit']}"
        who = f", {r['owner']}" if r["owner"] else ""
        lines.append(
            wrapped(f"{r['place']}. {span} {r['batch']}, {r['recipe']}, {amount}{who}", "  ", "   ")
        )
        lines += [wrapped(text, "     ") for text in _told(r)]
    return lines


def _told(r: Mapping[str, Any]) -> list[str]:
    lines = []
    if r["plantings"]:
        where = ", ".join(f"{p['planting']} {_short(p['on'])}" for p in r["plantings"])
        lines.append(f"for {where}; late: {odds(r['chance_late'])}")
    if r["plant_by"] is not None:
        by = f"plant by {_day(r['plant_by'])}, {_clock(r['plant_by'])}: {r['plant_by_says']}"
        lines.append(f"{by}; past it at planting: {odds(r['chance_window_closed'])}")
    else:
        told = f"plant by: not known; reckoned with {r['window_hours']:g} h"
        lines.append(f"{told}; past that at planting: {odds(r['chance_window_closed'])}")
    if r["not_before"]:
        lines.append(r["not_before"])
    return lines


def _impossible(found: Mapping[str, Any]) -> list[str]:
    sure = found["status"] == "impossible"
    whether = "No order of these runs keeps" if sure else "No order was found that keeps"
    lines = [wrapped(f"{whether} every last day. In the one that misses least:")]
    for o in found["overruns"]:
        text = f"{o['batch']} ends {_hours(o['hours'])} too late: {o['because']}, and the run "
        text += f"would end on {_day(o['ends'])}, {_clock(o['ends'])}"
        text += ", even if it is run first." if o["even_alone"] else "."
        lines.append(wrapped(text, "  "))
    lines.append(wrapped("Take another lot for it, give longer --hours or more --days, or leave "
                         "another run out."))  # fmt: skip
    return lines


def _costs(found: Mapping[str, Any]) -> list[str]:
    c = found["cost"]
    unit = "of the season's money" if c["unit"] == "money" else "points"
    parts = f"late seed {_n(c['late'])}, clean-outs {_n(c['cleanout'])}, "
    parts += f"inoculating again {_n(c['reinoculate'])}"
    lines = [wrapped(f"Expected cost {_n(c['whole'])} {unit}: {parts}.")]
    if c["greedy"] is not None:
        lines.append(wrapped(f"Each run at its own best hour, in that order: {_n(c['greedy'])}."))
    if found["status"] == "best":
        lines.append(wrapped("No other order costs less on these steps of time."))
    else:
        gap = f"No order costs less than {_n(c['least'])}, so a better one could save at most "
        lines.append(wrapped(f"{gap}{HUNDRED * c['gap']:.1f} % of this one's cost."))
    return [*lines, *_weights(found)]


def _weights(found: Mapping[str, Any]) -> list[str]:
    c = found["cost"]
    lines = []
    if c["late_per_hour"] is None:
        each = {p["planting"]: p["late_per_hour"] for r in found["runs"] for p in r["plantings"]}
        worst = max(each, key=lambda k: each[k], default="")
        text = "An hour that a planting waits: [delay] and [market] over its area"
        lines.append(f"{text}, at most {_n(each[worst])} ({worst})." if worst else f"{text}.")
    else:
        lines.append(f"An hour that a planting waits: {_n(c['late_per_hour'])} (--late-per-hour).")
    lines.append(f"A minute of cleaning out: {_n(c['cleanout_per_min'])} (--cleanout-per-min).")
    if c["reinoculate_batch"] is None:
        lines.append("Inoculating again: inoculant at its pack price, and treating_fee by area.")
    else:
        lines.append(f"A batch inoculated again: {_n(c['reinoculate_batch'])} (--reinoculate).")
    if c["unit"] == "points":
        lines.append("Points, because a delay, a market or a pack price is missing.")
    return [wrapped(text, "  ") for text in lines]


def _assumed(found: Mapping[str, Any]) -> list[str]:
    a = found["assumed"]
    hours = f"Working hours {a['hours']}, {a['days']} (--hours, --days)"
    if a["closed"]:
        hours += f", closed on {', '.join(a['closed'])}"
    lines = [
        f"{hours}; runs start on steps of {a['step_min']} min and do not stop over a night.",
        f"Seed flow {a['seed_flow']}; seed that dries between items goes through once more.",
    ]
    if a["pace"] != 1:
        lines.append(f"Runs take {figures(a['pace'])} times as long as flow says (--pace).")
    if a["pace_so_far"]:
        so_far = a["pace_so_far"]
        lines.append(
            f"Runs so far took {figures(so_far['factor'])} times as long as flow and waits say "
            f"(median of {so_far['runs']}). Give --pace {figures(so_far['factor'])} to reckon with "
            "that."
        )
    if a["refill_min"] is not None:
        lines.append(f"Filling a tank again takes {a['refill_min']:g} min (--refill-min).")
    text = f"Clean-out {a['cleanout_min']:g} min between recipes (--cleanout-min), none where "
    text += "their items are the same; "
    lines.append(f"{text}cleanouts.csv first." if a["cleanouts"] else f"{text}no cleanouts.csv.")
    last = a["in_the_machine"]
    lines.append(f"In the machine now: {last}." if last else "The machine is clean now.")
    lines.append(
        "Planting dates are normal about their hour (noon where none is given) with a standard "
        f"deviation of {a['spread_days']:g} d where the row gives none (--spread-days). Ask again "
        "each evening: near dates spread less."
    )
    if a["unknown_window_h"] is not None:
        lines.append(
            f"Seed of which nobody says how long it may wait: {a['unknown_window_h']:g} h, assumed "
            "(--unknown-window)."
        )
    lines.append("Windows count from the start of the run, at the stores the season plans.")
    lines.append(f"Looked ahead to {spoken_day(date.fromisoformat(a['looked_ahead_to']))}.")
    return ["Reckoned with:", *(wrapped(text, "  ") for text in lines)]


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:].rstrip('.')}."


def _day(text: str) -> str:
    return spoken_day(datetime.fromisoformat(text).date())


def _short(text: str) -> str:
    at = datetime.fromisoformat(text)
    return f"{at.day} {MONTHS[at.month - 1][:SHORT]}"


def _clock(text: str) -> str:
    return f"{datetime.fromisoformat(text):%H:%M}"


def _hours(hours: float) -> str:
    return f"{hours / 24:.1f} d" if hours >= 2 * 24 else f"{hours:.1f} h"


def _n(x: float) -> str:
    return large(x) if abs(x) >= LARGE else figures(x)


def order_spec(found: Mapping[str, Any], width: int = 640) -> dict[str, Any] | None:
    """The order as a figure; None where there is none."""
    boxes = []
    for r in found["runs"]:
        start, end = (datetime.fromisoformat(r[k]) for k in ("start", "end"))
        begin = start.hour * HOUR + start.minute
        span = f"{_clock(r['start'])}-{_clock(r['end'])}"
        by = f"plant by {_short(r['plant_by'])}, {_clock(r['plant_by'])}" if r["plant_by"] else ""
        doubt = [
            words
            for words, chance in (
                ("late", r["chance_late"]),
                ("waits too long", r["chance_window_closed"]),
            )
            if chance > LIKELY
        ]
        boxes.append(
            Box(
                f"{_day(r['start'])[:SHORT]} {_short(r['start'])}",
                begin,
                begin + (end - start).total_seconds() / HOUR,
                r["cleanout_min"],
                r["batch"],
                f"{span}, {r['recipe']}, {by or 'plant by: not known'}",
                " and ".join(doubt),
            )
        )
    return strip_figure(boxes, width=width) if boxes else None


def write_order(found: Mapping[str, Any], out: Path) -> tuple[Path, ...]:
    """Write the strip as SVG and PNG, and the list as CSV.

    Raises
    ------
    InputError
        If a file cannot be written.
    """
    table = io.StringIO()
    writer = csv.writer(table, lineterminator="\n")
    columns = (
        "place", "batch", "recipe", "start", "end", "cleanout_min", "cleanout_from", "plant_by",
        "window_hours", "window_known", "hours_late", "chance_late", "chance_window_closed",
    )  # fmt: skip
    writer.writerow([*columns, "cost_late", "cost_cleanout", "cost_reinoculate"])
    for r in found["runs"]:
        c = r["cost"]
        writer.writerow([*(r[k] for k in columns), c["late"], c["cleanout"], c["reinoculate"]])
    written = [write_file(out / "order.csv", table.getvalue().encode())]
    spec = order_spec(found)
    if spec is not None:
        written.append(write_file(out / "order.svg", svg(spec, "order").encode()))
        written.append(write_file(out / "order.png", png(spec, 2.0)))
    return tuple(written)
