"""Most probable numbers, and tables of them, in sentences and columns."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from typing import Any

from rhizoledger.report.listing import counted, wrapped
from rhizoledger.report.numbers import raised
from rhizoledger.report.printed import harmless, shortened

METHODS = {
    "jarvis": "interval of Jarvis, from observed information",
    "lr": "likelihood-ratio interval",
    "exact": "exact interval of Clopper and Pearson",
}
LONGEST_NAME = 60
COLUMNS = ("code", "mpn", "low", "high", "rarity_index", "rarity_category")


def mpn_text(found: Mapping[str, Any]) -> str:
    """One count, one sentence to a line: the answer, then what speaks against it.

    Parameters
    ----------
    found : mapping
        As ``workflows.count_mpn.mpn_from_design`` returns it.
    """
    head = ", ".join(named(found[name]) for name in ("item", "sampled_at") if name in found)
    lines = [f"{head}:"] if head else []
    unit = f"per {found['basis']}" if "basis" in found else "per unit of amount"
    share = f"{100 * found['level']:g} %"
    if found["status"] == "all_negative":
        lines.append(
            f"Below {said(found['high'])} {unit}: all tubes are negative (one-sided bound, alpha "
            f"{found['alpha']:g})."
        )
    elif found["status"] == "all_positive":
        lines.append(
            f"Above {said(found['low'])} {unit}: all tubes are positive (one-sided bound, alpha "
            f"{found['alpha']:g})."
        )
    else:
        top = "no limit" if found["high"] is None else said(found["high"])
        lines.append(
            f"{said(found['mpn'])} {unit} ({share}: {said(found['low'])} to {top}), most probable "
            f"number; {METHODS[found['interval_method']]}."
        )
    if found["bias_adjusted"] is not None:
        lines.append(f"{said(found['bias_adjusted'])} {unit} less its bias (Salama).")
    if found["status"] == "interior":
        category = f"category {found['rarity_category']}"
        lines.append(
            f"Rarity index {found['rarity_index']:.2g} ({category} of 3); standard error of the "
            f"log10 {found['log10_se']:.3g}."
        )
    lines += found["warnings"]
    return "\n".join(wrapped(raised(line)) for line in lines)


def mpn_results_text(results: Sequence[Mapping[str, Any]], warnings: Sequence[str] = ()) -> str:
    """Several counts, a blank line between two, then what to mind about the file."""
    return "\n\n".join([*map(mpn_text, results), *map(wrapped, warnings)])


def named(name: str) -> str:
    """A name as it fits on a line: without signs that hide, cut with an ellipsis.

    Examples
    --------
    >>> len(named("x" * 100)), named("Lot 7")
    (60, 'Lot 7')
    """
    return shortened(harmless(name), LONGEST_NAME)


def mpn_table_text(found: Mapping[str, Any]) -> str:
    """A table of codes in columns, and below it how it was made.

    Parameters
    ----------
    found : mapping
        As ``workflows.count_mpn.mpn_table_of`` returns it.
    """
    share = f"{100 * found['level']:g} %"
    rows = [["code", "MPN", f"{share} low", "high", "rarity", "category"]]
    for row in found["results"]:
        rows.append(
            [
                row["code"],
                "above low" if row["mpn"] is None else "below high" if row["mpn"] == 0
                else said(row["mpn"]),
                said(row["low"]),
                "no limit" if row["high"] is None else said(row["high"]),
                f"{row['rarity_index']:.2g}",
                str(row["rarity_category"]),
            ]
        )  # fmt: skip
    widths = [max(len(raised(row[j])) for row in rows) for j in range(len(COLUMNS))]
    lines = [
        "  ".join(raised(c).rjust(w) for c, w in zip(row, widths, strict=True)) for row in rows
    ]
    tubes = ", ".join(f"{n} of {said(z)}" for z, n in zip(found["amounts"], found["tubes"],
                                                          strict=True))  # fmt: skip
    shown = counted(len(found["results"]), "code")
    lines += [
        "",
        wrapped(
            raised(
                f"Tubes: {tubes}; per unit of amount. {shown} of {found['codes']} with a rarity "
                f"index of {found['min_rarity']:g} or more; "
                f"{METHODS[found['interval_method']]}. All negative and all positive are one-sided "
                f"bounds, alpha {found['alpha']:g}."
            )
        ),
    ]
    return "\n".join(lines)


def mpn_table_csv(found: Mapping[str, Any]) -> str:
    """The table as CSV with full numbers; cells without a number are empty.

    Examples
    --------
    >>> row = {"code": "1-0", "mpn": 1.0, "low": 0.5, "high": None, "rarity_index": 1.0}
    >>> row |= {"rarity_category": 1, "log10_se": None, "status": "interior"}
    >>> mpn_table_csv({"results": [row]}).splitlines()[1]
    '1-0,1.0,0.5,,1.0,1,,interior'
    """
    out = io.StringIO()
    writer = csv.DictWriter(
        out, (*COLUMNS, "log10_se", "status"), extrasaction="ignore", lineterminator="\n"
    )
    writer.writeheader()
    writer.writerows(found["results"])
    return out.getvalue()


def said(x: float) -> str:
    """A number in three figures, as ×10ⁿ where it is very large or very small.

    Examples
    --------
    >>> said(42.7288), said(4.5e9), said(0.0003008), said(0.0), said(1234.0)
    ('42.7', '4.5×10^9', '3.01×10^-4', '0', '1230')
    """
    if x == 0 or 1e-3 <= abs(x) < 1e5:
        return f"{float(f'{x:.3g}'):g}"
    mantissa, power = f"{x:.2e}".split("e")
    return f"{float(mantissa):g}×10^{int(power)}"
