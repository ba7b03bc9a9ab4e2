"""A count by infected plants, and its plan, in sentences."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from rhizoledger.plan.spoken import grouped
from rhizoledger.report.count_mpn import named
from rhizoledger.report.listing import counted, wrapped
from rhizoledger.report.numbers import raised

BY_ML = "by maximum likelihood over the whole pattern"
BY_TOTAL = "by the total of nodulated plants, as printed tables give it"


def infection_text(found: Mapping[str, Any]) -> str:
    """One count, one sentence to a line: the answer, then the other estimator, then warnings.

    Parameters
    ----------
    found : mapping
        As ``workflows.count_infection.infection_from_codes`` returns it.
    """
    lines = [f"{named(found['item'])}:"] if "item" in found else []
    basis = found.get("basis")
    if found["status"] == "void":
        lines += ["No number is given.", *found["warnings"]]
    elif found["status"] != "interior":
        if basis is not None:
            lines.append(_bound(found, f"per_{basis}_", f"per {basis}"))
        lines.append(_bound(found, "", _aliquot(found)))
    elif basis is not None:
        lines.append(_number(found, f"per_{basis}_", "ml", f"per {basis}", BY_ML))
        lines.append(_number(found, f"per_{basis}_", "total", f"per {basis}", BY_TOTAL))
        lines.append(_number(found, "", "ml", _aliquot(found), BY_ML))
    else:
        lines.append(_number(found, "", "ml", _aliquot(found), BY_ML))
        lines.append(_number(found, "", "total", "per aliquot", BY_TOTAL))
    if basis is None and found["status"] != "void":
        lines.append("For a count per g or mL of sample, give --first-dilution.")
    rarity = "" if found["rarity_index"] is None else f"; rarity index {found['rarity_index']:.2g}"
    lines.append(f"{found['total']} of {counted(found['plants'], 'plant')} nodulated{rarity}.")
    if found["control"] is None:
        lines.append("No uninoculated control was given; rhizobia from elsewhere are not excluded.")
    if found["status"] != "void":
        lines += found["warnings"]
    return "\n".join(wrapped(raised(line)) for line in lines)


def infection_results_text(
    results: Sequence[Mapping[str, Any]], warnings: Sequence[str] = ()
) -> str:
    """Several counts, a blank line between two, then what to mind about the file."""
    return "\n\n".join([*map(infection_text, results), *map(wrapped, warnings)])


def _aliquot(found: Mapping[str, Any]) -> str:
    return f"per aliquot ({found['volume_ml']:g} mL) of the first dilution"


def _number(found: Mapping[str, Any], prefix: str, by: str, unit: str, how: str) -> str:
    m = "m_" if prefix == "" else prefix
    value, low, high = (found[f"{part}{by}"] for part in (m, f"{prefix}low_", f"{prefix}high_"))
    top = "no limit" if high is None else grouped(high)
    share = f"{100 * found['level']:g} %"
    return f"{grouped(value)} rhizobia {unit} ({share}: {grouped(low)} to {top}), {how}."


def _bound(found: Mapping[str, Any], prefix: str, unit: str) -> str:
    low, high = found[f"{prefix}low_ml"], found[f"{prefix}high_ml"]
    bound = f"Below {grouped(high)}" if low == 0 else f"Above {grouped(low)}"
    return f"{bound} rhizobia {unit}, one-sided, alpha {found['alpha']:g}, by either estimator."


def infection_plan_text(found: Mapping[str, Any]) -> str:
    """A plan: what to plant with the plants there are, and what a precision would take.

    Parameters
    ----------
    found : mapping
        As ``workflows.count_infection_plan.infection_plan`` returns it.
    """
    few, exact = found["for_plants"], found["for_precision"]
    span = f"{_written(found['low'])} to {_written(found['high'])} per {found['basis']}"
    lines = [f"For a count of {span}: {_planted(few)}.", *_dilutions(few, found)]
    if exact is not None:
        lines.append(f"For limits within a factor of {found['precision']:g}: {_planted(exact)}.")
        lines += _dilutions(exact, found)
    lines.append(f"Step 1 is {_written(found['first_dilution'])} {found['basis']} per mL.")
    lines.append("Plant uninoculated and positive controls as well; they are not counted here.")
    lines += found["warnings"]
    return "\n".join(
        raised(line) if line.startswith(" ") else wrapped(raised(line)) for line in lines
    )


def _planted(plan: Mapping[str, Any]) -> str:
    n = len(plan["dilutions"])
    where = f"on {'each of ' if n > 1 else ''}{counted(n, 'dilution')} ({plan['plants']} in all)"
    return f"{counted(plan['plants_per_dilution'], 'plant')} {where}: {_promise(plan)}"


def _promise(plan: Mapping[str, Any]) -> str:
    factor = plan["limits_factor"]
    chance = f"{plan['p_interior']:.2f}" if plan["p_interior"] < 0.99 else "> 0.99"
    limits = (
        "limits out of reach"
        if factor is None
        else f"limits within a factor of {_factor(plan['limits_factor_expected'])} at the expected "
        f"count and {_factor(factor)} at worst"
    )
    return f"{limits}; a code with both nodulated and clean plants has probability {chance}"


def _factor(x: float) -> str:
    return f"{x:.3g}" if x < 100 else grouped(x)


def _dilutions(plan: Mapping[str, Any], found: Mapping[str, Any]) -> list[str]:
    rows = []
    for d in plan["dilutions"]:
        amount = f"{_written(d['dilution'])} {found['basis']} per mL"
        cells = f"expected cells per plant {_written(d['expected_cells'])}"
        rows.append(f"  step {d['step']}: {amount}, {cells}")
    return [raised(row) for row in rows]


def _written(x: float) -> str:
    """A number in full, or as ×10ⁿ where it has more zeros than can be read."""
    if 1e-3 <= x < 1e4:
        return f"{float(f'{x:.3g}'):g}"
    mantissa, power = f"{x:.2e}".split("e")
    return f"{float(mantissa):g}×10^{int(power)}"
