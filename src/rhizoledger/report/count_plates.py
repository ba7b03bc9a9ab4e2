"""Plate counts in sentences: the answer, what it covers, what plates can see, then warnings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rhizoledger.report.count_mpn import named, said
from rhizoledger.report.listing import counted, wrapped
from rhizoledger.report.numbers import raised

RULES = {"bam": "US bacteriological manual", "iso7218": "ISO 7218"}
METHODS = {
    "exact_poisson": "exact Poisson interval",
    "likelihood_ratio": "likelihood-ratio interval, TNTC plates in it",
    "negative_binomial": (
        "maximum of the Poisson likelihood with a negative binomial interval by profile, never "
        "narrower than Poisson"
    ),
    "t_over_samples": "geometric mean, t interval over samples on log10",
    "plates_over_samples": "geometric mean, limits of the plates' own (no t over samples)",
    "normal_over_samples": "geometric mean, spread between samples as given",
}
TNTC = {"C > limit": "above its limit", "C >= limit": "its limit or more"}


def plates_text(found: Mapping[str, Any]) -> str:
    """Every item, a blank line between two.

    Parameters
    ----------
    found : mapping
        As ``workflows.count_plates.plates_file`` returns it.
    """
    blocks = ["\n".join(wrapped(raised(x)) for x in _item(r)) for r in found["results"]]
    if found["warnings"]:
        blocks.append("\n".join(wrapped(raised(w)) for w in found["warnings"]))
    return "\n\n".join(blocks)


def _item(r: Mapping[str, Any]) -> list[str]:
    lines = [_answer(r), *_recovery(r)]
    for s in r["samples"]:
        if s["estimate"] is not None:
            what = _said(s["estimate"], r["basis"], s)
            lines.append(f"Sample {named(s['sample'])}: {what}; {_basis_of(s)}.")
    if r["status"] == "not_known":
        return [*lines, *r["warnings"]]
    lines += [_covers(r), *_scatter(r["dispersion"], r["n_tntc"])]
    if r["n_tntc"]:
        lines.append(f"TNTC means {TNTC[r['tntc_convention']]}.")
    lines.append(f"Reported by the rule of {_the(RULES[r['rule']])}: {r['reported']}.")
    if "rule_interval" in r:
        low, high = r["rule_interval"]["low"], r["rule_interval"]["high"]
        lines.append(f"That rule's own interval (95 %): {said(low)} to {said(high)}.")
    return [*lines, _seen(r), *r["warnings"]]


def _the(name: str) -> str:
    return name if name.startswith("ISO") else f"the {name}"


def _answer(r: Mapping[str, Any]) -> str:
    name = ", ".join(named(x) for x in (r["item"], r["sampled_at"], r["colonies_are"]) if x)
    if r["status"] == "not_known":
        return f"{name}: not known; no plate could be counted ({r['reported']})."
    per = "seed, recovered in the wash" if r["basis"] == "seed" else r["basis"]
    method = METHODS.get(r["interval_method"], "")
    how = f", {method}" if method else ""
    if r["nb_estimate"] is not None:
        how += f"; the negative binomial's own maximum is {said(r['nb_estimate'])}"
    return f"{name}: {_said(r['estimate'], per, r)}{how}; {_basis_of(r)}."


def _basis_of(r: Mapping[str, Any]) -> str:
    parts = []
    if r["n_plates"]:
        found = f"{r['colonies']} {'colony' if r['colonies'] == 1 else 'colonies'}"
        parts.append(f"{found} on {counted(r['n_plates'], 'counted plate')}")
    if r["n_tntc"]:
        parts.append(f"{counted(r['n_tntc'], 'plate')} TNTC")
    many = r.get("n_samples", 1)
    return ", ".join(parts) + (f", of {counted(many, 'sample')}" if many > 1 else "")


def _said(e: Mapping[str, Any], per: str, r: Mapping[str, Any]) -> str:
    """A value with its limits, or a bound; ``r`` tells how the limits were made."""
    unit = f"CFU per {per}"
    share = f"{100 * e['level']:g} %"
    if r["interval_method"] in ("upper_bound", "lower_bound"):
        share = f"one-sided, alpha {1 - e['level']:.3g}"
    if not e["value"]:
        return f"{_span(e)} {unit} ({share})"
    top = "no limit" if e["high"] is None else said(e["high"])
    return f"{said(e['value'])} {unit} ({share}: {said(e['low'] or 0.0)} to {top})"


def _span(e: Mapping[str, Any]) -> str:
    if not e["low"]:
        return "not bounded" if e["high"] is None else f"below {said(e['high'])}"
    if e["high"] is None:
        return f"above {said(e['low'])}"
    return f"{said(e['low'])} to {said(e['high'])}"


def _recovery(r: Mapping[str, Any]) -> list[str]:
    recovery = r["recovery"]
    if recovery is None:
        if r["basis"] != "seed":
            return []
        return ["What the wash left on the seed is not in this; a recovery would tell."]
    share = f"{100 * recovery['share']:.3g} %"
    if recovery["level"] is not None:
        low, high = f"{100 * recovery['low']:.3g}", f"{100 * recovery['high']:.3g}"
        share += f" ({100 * recovery['level']:g} %: {low} to {high})"
    if r["zero_time_control"]:
        return [f"Zero-time control: {share} of what was applied was recovered."]
    exact = ", taken as exact" if recovery["level"] is None else ""
    return [f"Corrected for a recovery of {share}{exact}: {_said(r['corrected'], 'seed', r)}."]


def _covers(r: Mapping[str, Any]) -> str:
    between = r["between_samples"]
    if r["interval_covers"] == "plates":
        e = between["estimate"]
        reach = "" if e["low"] is None and e["high"] is None else (
            f" With a spread between samples of {between['taken_sd_log10']:g} log10 "
            f"({between['spread']}) it would be {_span(e)}."
        )  # fmt: skip
        return (
            "One sample: the limits cover its plates only, and the sample is the unit; the next "
            f"sample may differ by more.{reach}"
        )
    if r["status"] == "at_limit":
        return "Some samples give only a bound, so that the widest limits of all stand."
    if between["spread"] != "estimated":
        return f"Spread between samples: {between['taken_sd_log10']:g} log10, as given."
    floor = "; they agree more closely than plates can tell" if between["by_plates"] else ""
    return f"Spread between samples: {between['sd_log10']:.2g} log10, plates' own in it{floor}."


def _scatter(d: Mapping[str, Any], tntc: int) -> list[str]:
    if d["df"] == 0:
        return []
    index = f"index of dispersion {d['index_of_dispersion']:.3g}"
    p = "p < 0.0001" if d["p"] < 1e-4 else f"p = {d['p']:.2g}"
    k = "" if d["nb_k"] is None else f"; negative binomial k = {d['nb_k']:.3g}"
    if k and tntc:
        k += ", of the counted plates only"
    of = "counted plates" if tntc else "plates"
    return [f"Agreement of {of}: G² = {d['g2']:.3g} on {d['df']} df, {p}; {index}{k}."]


def _seen(r: Mapping[str, Any]) -> str:
    seen = r["detection"]
    if seen is None:
        return "No plate was counted, so there is no detection limit."
    return (
        f"These plates could see: one colony is {said(seen['one_colony'])}; none would have meant "
        f"below {said(seen['zero_upper'])} (alpha {seen['alpha']:g}); quantified from "
        f"{said(seen['ten_colonies'])} (ten colonies in all), countable from "
        f"{said(seen['countable'])} (25 on a plate), CFU per {r['basis']}."
    )
