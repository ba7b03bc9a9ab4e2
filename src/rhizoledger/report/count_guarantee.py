"""A lot against its guarantee, in words that a release desk can sign."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, Decimal
from pathlib import Path
from typing import Any

from rhizoledger.plan.spoken import NO_BREAK, grouped
from rhizoledger.report.listing import counted, wrapped
from rhizoledger.report.numbers import raised
from rhizoledger.report.printed import harmless

FIGURES = 3
PLAIN_POWERS = 6
"""A titre below a million is written out."""
DOWN, NEAREST, UP = ROUND_FLOOR, ROUND_HALF_EVEN, ROUND_CEILING
FIRST = (
    "This is a decision about a mean, by plate count. The label, local rules, contaminants and the "
    "controls come first; a lot is released when all of them allow it."
)


def guarantee_text(found: Mapping[str, Any], written: Sequence[Path] = ()) -> str:
    """Every lot's decision first, then what it rests on, then warnings.

    Parameters
    ----------
    found : mapping
        As ``workflows.count_guarantee.guarantee_file`` returns it.
    written : sequence of Path
        Files that were written.
    """
    lines: list[str] = []
    for result in found["results"]:
        lines += [*lot_sentences(result, found), ""]
    lines += curve_sentences(found)
    lines += size_sentences(found)
    lines += [FIRST, *found["warnings"]]
    if written:
        lines.append(f"Written: {', '.join(str(p) for p in written)}")
    return "\n".join(wrapped(raised(x)) for x in lines)


def lot_sentences(r: Mapping[str, Any], found: Mapping[str, Any]) -> list[str]:
    """One lot: decision, limits, plan, what is missing, warnings."""
    said = [_decision(r, found), _limits(r, found), _spread(r)]
    said += _missing(r, found)
    if found["plan"] is not None:
        said.append(_verdict(r, found["plan"]))
    return [x for x in [*said, *r["warnings"]] if x]


def _decision(r: Mapping[str, Any], found: Mapping[str, Any]) -> str:
    share, unit = f"{100 * found['confidence']:g} %", f"CFU per {r['basis']}"
    g, item = f"{grouped(found['guarantee'])} {unit}", harmless(r["item"])
    if r["decision"] == "meets":
        low = said(r["low"], DOWN)
        return (
            f"Lot {item} meets its guarantee of {g}: its mean titre is at least {low} "
            f"({share} confidence, one-sided)."
        )
    if r["decision"] == "does not meet":
        return (
            f"Lot {item} does not meet its guarantee of {g}: its mean titre is at most "
            f"{said(r['high'], UP)} ({share} confidence, one-sided)."
        )
    if r["only_lowers"] and r["low"] is not None and r["low"] >= found["guarantee"]:
        return (
            f"Lot {item} is not shown to meet its guarantee of {g}: the plates may hold other "
            "bacteria, and such a count can only lower."
        )
    return f"Lot {item} is not shown to meet its guarantee of {g}, nor to miss it."


def _limits(r: Mapping[str, Any], found: Mapping[str, Any]) -> str:
    share, n = f"{100 * found['confidence']:g} %", counted(r["n_composites"], "composite")
    ends = (
        f"lower limit {said(r['low'], DOWN)}, upper limit {said(r['high'], UP)}, each at {share}"
    )  # fmt: skip
    if r["titre"] is None:
        return f"No mean can be formed from {n}, since some plates give only a bound; {ends}."
    return f"Mean titre of {n}: {said(r['titre'])} (geometric); {ends}."


def said(x: float | None, way: str = NEAREST) -> str:
    """A titre to three figures; a limit is rounded away from the mean, so that it still holds.

    Examples
    --------
    >>> said(1.9996e9, DOWN), said(1.9996e9), said(3.8612e8, UP), said(None)
    ('1.99×10^9', '2×10^9', '3.87×10^8', 'not known')
    """
    if x is None:
        return "not known"
    if x == 0:
        return "0"
    number = Decimal(f"{x:.12e}")
    power = number.adjusted()
    step = Decimal(1).scaleb(power - FIGURES + 1)
    number = (number / step).quantize(Decimal(1), rounding=way) * step
    power = number.adjusted()
    if 0 <= power < PLAIN_POWERS:
        return f"{float(number):,.10g}".replace(",", NO_BREAK)
    return f"{float(number.scaleb(-power)):g}×10^{power}"


def _spread(r: Mapping[str, Any]) -> str:
    if r["spread"] == "estimated":
        if r["limit_by_plates"]:
            return (
                f"The composites agree more closely ({r['sd_log10']:.2f} log10) than their plates "
                "can tell; the limits are the plates' own. They may agree by luck: this does "
                "not show the spread to be zero."
            )
        times = 10.0 ** r["sd_log10"]
        return (
            f"Spread between composites: {r['sd_log10']:.2f} log10 (a factor of {times:.2g} either "
            "way), as they were counted."
        )
    sd = f"Spread between samples: {r['between_sd_log10']:.2f} log10"
    if r["spread"] == "given":
        return f"{sd}, as given."
    if r["n_composites"] > 1:
        return f"{sd}, the upper end of the evidence, since a bound shows none."
    return (
        f"{sd}, the upper end of the evidence, since one composite shows none. Two or more "
        "composites, or a figure of your own, would replace it."
    )


def _missing(r: Mapping[str, Any], found: Mapping[str, Any]) -> list[str]:
    if r["decision"] != "not shown":
        return []
    if r["bounds_only"]:
        return ["Plate the composites again at dilutions that give countable plates."]
    if r["only_lowers"]:
        return [
            "Count target colonies on a selective medium (colonies_are: target), or by plant "
            "infection."
        ]
    needed = r["composites_needed"]
    if needed is not None:
        p = r["composites_needed_chance"]
        sure = "" if p is None else f" with a chance of {chance(p)}"
        return [
            f"{needed} composites in all would show it{sure}, if this mean and this spread are "
            "the true ones."
        ]
    if r["titre"] is not None and r["titre"] <= found["guarantee"]:
        return ["The mean is not above the guarantee; more composites alone would not show it."]
    return []


def _verdict(r: Mapping[str, Any], plan: Mapping[str, Any]) -> str:
    n, c, m = plan["n"], plan["c"], grouped(plan["m"])
    below = sum(x["below_m"] is True for x in r["composites"])
    unclear = sum(x["below_m"] is None for x in r["composites"])
    head = f"By the plan (n = {n}, c = {c}, m = {m})"
    seen = f"{below} of {counted(r['n_composites'], 'sample')} below m"
    if unclear:
        seen += f", {unclear} open"
    if r["plan_verdict"] == "accept":
        return f"{head} it is accepted: {seen}."
    if r["plan_verdict"] == "reject":
        return f"{head} it is rejected: {seen}."
    if r["n_composites"] > n:
        return f"{head} it is not decided: {r['n_composites']} samples stand in the file, not {n}."
    return f"{head} it is not decided: {seen}, and {n} are needed."


def curve_sentences(found: Mapping[str, Any]) -> list[str]:
    """What the plan, or the limit, lets pass at the guarantee and at twice it."""
    curve = found["curve"]
    if curve is None:
        return []
    at = next((row for row in curve["rows"] if row["titre"] == found["guarantee"]), None)
    if at is None:
        return []
    g = grouped(found["guarantee"])
    who = "be accepted by the plan" if curve["drawn"] == "accept" else "be shown to meet it"
    return [
        f"A lot that holds just the guarantee of {g} has a chance of "
        f"{_chances(at[curve['drawn']])} to {who} ({_spreads(curve)})."
    ]


def _spreads(curve: Mapping[str, Any]) -> str:
    ends = [f"{sd:g}" for sd in curve["between_sd_log10"]]
    return f"spread between samples {' and '.join(ends)} log10"


def _chances(chances: Sequence[float]) -> str:
    said = list(dict.fromkeys(chance(p) for p in chances))
    return " and ".join(said)


def chance(p: float) -> str:
    """A probability to two decimals, and no 0 or 1.

    Examples
    --------
    >>> chance(0.999), chance(0.5), chance(0.001)
    ('> 0.99', '0.50', '< 0.01')
    """
    if p > 0.995:
        return "> 0.99"
    return "< 0.01" if p < 0.005 else f"{p:.2f}"


def size_sentences(found: Mapping[str, Any]) -> list[str]:
    """Samples for the wanted risks."""
    s = found["sizes"]
    if s is None:
        return []
    said = [
        f"To accept a lot of {grouped(s['good'])} at least {1 - s['producer_risk']:.0%} of the "
        f"time and one of {grouped(s['bad'])} at most {s['user_risk']:.0%}, with "
        f"m = {grouped(s['m'])}:".replace("%", f"{NO_BREAK}%")
    ]
    for row in s["rows"]:
        sd = f"  spread {row['between_sd_log10']:g} log10"
        plan = "no plan of up to 1000 samples" if row["n"] is None else f"n = {row['n']}, "
        plan += "" if row["n"] is None else f"c = {row['c']}"
        k = row["composites_for_limit"]
        limit = (
            "the limit does not show it with up to 200 composites"
            if k is None
            else f"the limit shows the good lot with {counted(k, 'composite')}"
        )
        said.append(f"{sd}: {plan}; {limit}.")
    return said
