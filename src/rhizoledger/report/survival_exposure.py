"""How long it was how warm, in sentences: how much older that made it, then what to mind."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rhizoledger.errors import InputError
from rhizoledger.report.charts.exposure import exposure_figure
from rhizoledger.report.figure_file import write_figure
from rhizoledger.report.listing import counted, wrapped

GAPS_SAID = 5


def exposure_text(found: Mapping[str, Any], written: Path | None = None) -> str:
    """Every record in a few sentences, a blank line between two.

    Parameters
    ----------
    found : mapping
        As ``workflows.survival_exposure.exposure_of`` returns it.
    written : Path or None
        The figure, where one was written.
    """
    records = found.get("records")
    blocks = [_record(one, named=records is not None) for one in records or [found]]
    if written is not None:
        blocks.append(wrapped(f"Written: {written}"))
    return "\n\n".join(blocks)


def write_histogram(found: Mapping[str, Any], path: Path) -> Path:
    """Draw the histogram of one record.

    Parameters
    ----------
    found : mapping
        As for :func:`exposure_text`.
    path : Path
        Ends in .png, .svg or .pdf.

    Raises
    ------
    InputError
        If there are several records, or the ending is another.
    """
    if "records" in found:
        raise InputError(
            f"A figure shows one record; there are {len(found['records'])}. Name one file."
        )
    histogram = found["histogram"]
    spec = exposure_figure(
        histogram["edges_c"],
        histogram["hours"],
        gap_hours=found["gap_hours"],
        t_ref_c=found["t_ref_c"] if found["z_c"] is not None else None,
    )
    return write_figure(spec, path)


def _record(one: Mapping[str, Any], *, named: bool) -> str:
    whose = ", ".join(x for x in (one["file"], one["item"]) if x)
    lines = [f"{whose}:"] if named else []
    # Without a z the hours are the answer, and what is missing for more comes after it.
    lines += [_span(one), _age(one)] if one["z_c"] is None else [_age(one), _span(one)]
    lines += _frost(one)
    said = [wrapped(line) for line in lines]
    said += [wrapped(line, indent) for indent, line in _gaps(one)]
    said += [wrapped(f"Note: {warning}") for warning in one["warnings"]]
    return "\n".join(said)


def _age(one: Mapping[str, Any]) -> str:
    days, z, t_ref = one["equivalent_days"], one["z_c"], one["t_ref_c"]
    if z is None:
        asked = " and the log loss need" if one["d_ref_d"] is not None else " need"
        return (
            f"Equivalent days{asked} a z, and there is none by default: take it from a fit or from "
            f"rhizoledger evidence list, for this product and state, and give --z."
        )
    if days["value"] is None:
        covered = one["covered"]["equivalent_days"]["value"]
        return (
            f"Not known: {_hours(one['gap_hours'])} have no temperature and nothing bounds it. The "
            f"other {_hours(one['covered']['hours'])} are {covered:.4g} days at {t_ref:g} °C. Give "
            "--gap-low and --gap-high from where it stood."
        )
    if one["gap_hours"]:
        low, high = one["gap_range_c"]
        age = (
            f"{days['low']:.4g} to {days['high']:.4g} days at {t_ref:g} °C, as the gaps were at "
            f"{low:g} or at {high:g} °C; the worse decides"
        )
    else:
        age = f"{days['value']:.4g} days at {t_ref:g} °C"
    lost, given = one["log10_reduction"], f"z = {z:g} °C is"
    loss = "Give --d-ref-d for a log loss."
    if lost["value"] is not None:
        low_too = f"{lost['low']:.3g} to " if one["gap_hours"] else ""
        loss = f"That is {low_too}{lost['value']:.3g} log10 lost, if the loss is log-linear."
        given = f"z = {z:g} °C and D = {one['d_ref_d']:g} days are"
    ends = [one["min_c"], one["max_c"], *(one["gap_range_c"] if one["gap_hours"] else ())]
    span = f"{min(ends):g} to {max(ends):g} °C"
    return f"It aged by {age}. {loss} {given} yours; whether that holds at {span} is not checked."


def _span(one: Mapping[str, Any]) -> str:
    clock = " by its own clock" if one["clock"] == "as it stands" else " UTC"
    mean = "" if one["mean_c"] is None else f", {one['mean_c']:.1f} °C on average"
    return (
        f"{_hours(one['hours'])} from {one['first']} to {one['last']}{clock}, "
        f"{counted(one['readings'], 'reading')}: {one['min_c']:.4g} to {one['max_c']:.4g} °C{mean}."
    )


def _frost(one: Mapping[str, Any]) -> list[str]:
    if not one["hours_below_0"] and one["min_c"] >= 0:
        return []
    crossings = one["zero_crossings"]
    return [
        f"Below 0 °C for {_hours(one['hours_below_0'])}, {_hours(one['longest_hours_below_0'])} "
        f"at a stretch; it passed 0 °C {'once' if crossings == 1 else f'{crossings} times'}. What "
        "freezing and thawing do is not in any number here: known to harm, not quantified. A count "
        "would settle it."
    ]


def _gaps(one: Mapping[str, Any]) -> list[tuple[str, str]]:
    count = one["gap_count"]
    if not count:
        return []
    longest = sorted(one["gaps"], key=lambda gap: -gap["hours"])[:GAPS_SAID]
    of = f"; the longest {GAPS_SAID}" if count > GAPS_SAID else ""
    head = (
        f"{counted(count, 'gap')}, {_hours(one['gap_hours'])} in all, where readings are more than "
        f"{one['longest_line_h']:g} h apart{of}:"
    )
    return [("", head)] + [
        (
            "  ",
            f"{gap['start']} to {gap['end']}, {_hours(gap['hours'])}, between "
            f"{gap['from_c']:g} and {gap['to_c']:g} °C",
        )
        for gap in sorted(longest, key=lambda gap: str(gap["start"]))
    ]


def _hours(x: float) -> str:
    """Hours as people say them: a decimal where there are few.

    Examples
    --------
    >>> _hours(1.0), _hours(0.25), _hours(1234.5)
    ('1 h', '0.25 h', '1234 h')
    """
    return f"{x:.0f} h" if x >= 100 else f"{x:.3g} h"
