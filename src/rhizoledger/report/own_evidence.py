"""Own evidence in sentences: what was adopted, and how it differs from what was shipped."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rhizoledger.report.listing import counted, wrapped


def adopted_text(found: Mapping[str, Any]) -> str:
    """What was written, what it outranks, and what to mind.

    Parameters
    ----------
    found : mapping
        As ``workflows.own_evidence.adopt`` returns it.
    """
    lines = [f"{found['id']}: {numbers(found)}, grade own, in {found['file']}."]
    if found["replaces"] is not None:
        lines.append(f"It outranks {found['replaces']}: {numbers(found['shipped'])}.")
    lines += found["warnings"]
    return "\n".join(wrapped(line) for line in lines)


def curve_text(found: Mapping[str, Any]) -> str:
    """A curve that was adopted: its numbers, what it speaks for, and what to mind.

    Parameters
    ----------
    found : mapping
        As ``workflows.own_curve.adopt_curve`` returns it.
    """
    where = " and ".join(s.replace("_", " ") for s in found["stages"])
    lines = [
        f"{found['id']}: {found['model']} curve, grade own, in {found['file']}. The ledger follows "
        f"it through {where}, for {found['last_d']:g} days at {found['t_ref_c']:g} °C."
    ]
    lines += [f"  {name}: {numbers(number)}" for name, number in found["numbers"].items()]
    lines += found["warnings"]
    return "\n".join(wrapped(line) for line in lines)


def diff_text(found: Mapping[str, Any]) -> str:
    """Each own row beside the one it replaces.

    Parameters
    ----------
    found : mapping
        As ``workflows.own_evidence.diff`` returns it.
    """
    lines = []
    for row in found["rows"]:
        lines.append(f"{row['id']}: {numbers(row['own'])}")
        if row["shipped"] is None:
            lines.append("  new: nothing shipped has this id")
            continue
        lines.append(f"  shipped, {row['shipped']['grade']}: {numbers(row['shipped'])}")
        if not row["overlap"]:
            lines.append("  the two intervals share no number: look for the reason")
    lines += ["", f"{counted(len(found['rows']), 'own row')} in {found['file']}."]
    return "\n".join(wrapped(line, hanging="    ") for line in lines)


def numbers(row: Mapping[str, Any]) -> str:
    """Value, interval and unit.

    Examples
    --------
    >>> numbers({"value": 12.04, "low": 9.5, "high": 15.0, "unit": "°C"})
    '12.04 (9.5 to 15) °C'
    >>> numbers({"value": None, "low": 46.0, "high": 90.0, "unit": "°C"})
    '46 to 90 °C'
    """
    unit = "" if row["unit"] == "1" else f" {row['unit']}"
    if row["low"] is None:
        return f"{row['value']:.4g}{unit}"
    ends = f"{row['low']:.4g} to {row['high']:.4g}"
    return f"{ends}{unit}" if row["value"] is None else f"{row['value']:.4g} ({ends}){unit}"
