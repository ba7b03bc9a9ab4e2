"""A rate in sentences: the answer, the same in other words, then the label."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from rhizoledger.report.listing import wrapped
from rhizoledger.report.numbers import large
from rhizoledger.units import LB_KG
from rhizoledger.workflows.treat_rate import OPTIONS

DIGITS = 5
SHOWN_OF = {
    "mL": ("mL/100 kg", "fl oz/cwt", "mL/kg", "fl oz/bu", "µL/seed"),
    "g": ("g/100 kg", "oz/cwt", "g/kg", "oz/bu", "mg product/seed"),
}
LAND_OF = {
    "mL": ("mL/ha", "fl oz/ac", "mL/100 m", "fl oz/1000 ft"),
    "g": ("g/ha", "lb/ac", "g/100 m", "oz/1000 ft"),
}
LABEL_FIRST = "The label comes first. This is arithmetic, not advice on what may go on seed."


def five(x: float) -> str:
    """A number to five figures, without an exponent below ten million.

    Examples
    --------
    >>> five(260.7939), five(0.00012345678), five(33.6), five(3.5e6), five(2e9)
    ('260.79', '0.00012346', '33.6', '3500000', '2.0×10⁹')
    """
    if x == 0 or not math.isfinite(x):
        return f"{x:g}"
    if abs(x) >= 1e7:
        return large(x)
    places = max(0, DIGITS - 1 - math.floor(math.log10(abs(x))))
    text = f"{x:.{places}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def amount_text(entry: Mapping[str, Any]) -> str:
    """A value with its unit."""
    return f"{five(entry['value'])} {entry['unit']}"


def rate_text(found: Mapping[str, Any]) -> str:
    """The answer first, then the rate in other bases, per unit of seed, and against the label."""
    rate, answer = found["rate"], found["answer"]
    lines = [wrapped(f"{amount_text(rate)} = {amount_text(answer)}")]
    label = found["label"]
    if label is not None:
        lines.append(wrapped(_label_sentence(label)))
    lines.append("")
    taken = {rate["unit"], answer["unit"]}
    known = {b["unit"]: b for b in found["bases"] if b["value"] is not None}
    kind = "mL" if "mL/kg" in known or "mL/ha" in known or "mL/unit" in known else "g"
    on_seed = [known[u] for u in SHOWN_OF[kind] if u in known and u not in taken]
    land = [known[u] for u in LAND_OF[kind] if u in known and u not in taken]
    lines += _row("on seed", on_seed)
    lines.append(wrapped(f"per unit of seed: {_unit_of_seed(found['unit_of_seed'])}", "  "))
    lines += _row("on land", land)
    lines += _row("active", [b for u, b in known.items() if "active" in u and u not in taken])
    if "cells/seed" in known and "cells/seed" not in taken:
        cells = known["cells/seed"]["value"]
        lines.append(wrapped(f"cells put on a seed, on paper: {large(cells)}", "  "))
    lines += ["", *(wrapped(note) for note in found["notes"]), wrapped(LABEL_FIRST)]
    return "\n".join(lines)


def _row(head: str, entries: Sequence[Mapping[str, Any]]) -> list[str]:
    if not entries:
        return []
    return [wrapped(f"{head}: {'; '.join(amount_text(e) for e in entries)}", "  ")]


def _unit_of_seed(found: Mapping[str, Any]) -> str:
    if found["value"] is None:
        options = " and ".join(OPTIONS[f] for f in found["missing"])
        return f"not known; give {options}"
    said = f"{five(found['value'])} {found['unit'].removesuffix('/unit')}"
    if found["seeds"]:
        said += f" on {found['seeds']:,.0f} seeds"
    if found["kg"]:
        said += f" ({found['kg'] / LB_KG:.1f} lb, {found['kg']:.2f} kg)"
    return said


def _label_sentence(label: Mapping[str, Any]) -> str:
    most = amount_text(label["max"])
    if label["times"] is None:
        options = " and ".join(OPTIONS[f] for f in label["missing"])
        return f"Not compared with the label's highest, {most}: give {options}."
    times = label["times"]
    if label["verdict"] == "over":
        said = f"STOP: over the label's highest, {most}: {five(times)} times as much."
    else:
        said = f"Within the label's highest, {most}: {100 * times:.3g} % of it."
    if label["order_of_magnitude"]:
        said += " That is ten times or more off. Look for a slip of unit or decimal point"
        slip = label["looks_like"]
        said += f"; it looks like {slip}." if slip else "."
    return said
