"""Fitted die-off curves in sentences: the best model first, then its rivals and what to mind."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rhizoledger.report.count_mpn import named, said
from rhizoledger.report.listing import wrapped
from rhizoledger.report.numbers import raised

MODELS = {
    "loglinear": "log-linear",
    "weibull": "Weibull",
    "biphasic": "biphasic",
    "shoulder": "shoulder and line",
    "tail": "line and tail",
    "shoulder_tail": "shoulder, line and tail",
}
SCATTER = {"normal": "normal log10 counts", "poisson": "Poisson colonies"}
SAID = {
    "log10_n0": "log10 count at the start",
    "d_d": "days for a tenfold fall, D",
    "d_ref_d": "days for a tenfold fall, D, at the reference temperature",
    "delta_d": "days to the first tenfold fall, delta",
    "p": "shape p",
    "k_max_per_d": "greatest rate k per day, natural",
    "shoulder_d": "shoulder, days",
    "log10_n_res": "log10 count of the tail",
    "fraction_fragile": "share of fragile cells",
    "k1_per_d": "rate of the fragile k1 per day, natural",
    "k2_per_d": "rate of the hardy k2 per day, natural",
    "z_c": "rise that makes it ten times faster z, °C",
    "ea_kj_per_mol": "activation energy, kJ/mol",
}


def fit_text(found: Mapping[str, Any]) -> str:
    """Every series, a blank line between two, then what to mind about the file.

    Parameters
    ----------
    found : mapping
        As ``workflows.survival_fit.fit_file`` returns it.
    """
    blocks = [_series(name, found) for name in found["best"]]
    if found["warnings"]:
        blocks.append("\n".join(wrapped(warning) for warning in found["warnings"]))
    return "\n\n".join(blocks)


def _series(name: str, found: Mapping[str, Any]) -> str:
    fits = {fit["model"]: fit for fit in found["fits"] if fit["series"] == name}
    best = fits[found["best"][name]]
    near = [m for m in found["within_2_aicc"][name] if m != best["model"]]
    head = f"{named(name)}: " if name else ""
    lines = [f"{head}{MODELS[best['model']]} curve{_by(best, len(fits))}."]
    lines += _parameters(best, found["level"])
    lines.append(_scatter(best))
    lines += best["warnings"]
    if near:
        others = " and ".join(MODELS[m] for m in near)
        lines.append(f"As good within 2 of AICc: {others}. Take the shortest time that they give.")
    for model in near:
        lines.append(f"{MODELS[model]}:")
        lines += _parameters(fits[model], found["level"])
        lines += fits[model]["warnings"]
    rest = [f for f in fits.values() if f["model"] not in (best["model"], *near) and f["aicc"]]
    if rest and best["aicc"] is not None:
        gaps = ", ".join(f"{MODELS[f['model']]} +{f['aicc'] - best['aicc']:.1f}" for f in rest)
        lines.append(f"Worse by AICc: {gaps}.")
    without = found["not_fitted"].get(name, {})
    if without:
        lines.append(f"Not fitted, for want of rows: {', '.join(MODELS[m] for m in without)}.")
    return "\n".join(
        wrapped(raised(line).strip(), "  ") if line.startswith("  ") else wrapped(raised(line))
        for line in lines
    )


def _by(fit: Mapping[str, Any], of: int) -> str:
    chosen = f", the best of {of} models by AICc" if of > 1 and fit["aicc"] is not None else ""
    if fit["secondary"] is None:
        return chosen
    rule = "Bigelow" if fit["secondary"] == "bigelow" else "Arrhenius"
    low, high = fit["temp_c"]
    return (
        f"{chosen}; rates by {rule}, at {fit['t_ref_c']:g} °C, from counts at {low:g} to "
        f"{high:g} °C"
    )


def _parameters(fit: Mapping[str, Any], level: float) -> list[str]:
    lines = []
    for name, p in fit["parameters"].items():
        base, _, start = name.partition("[")
        label = SAID[base] + (f", {named(start.rstrip(']'))}" if start else "")
        if p["value"] is None:
            lines.append(f"  {label}: there is none")
            continue
        low = "no limit" if p["low"] is None else _figures(p["low"], base)
        high = "no limit" if p["high"] is None else _figures(p["high"], base)
        lines.append(
            f"  {label}: {_figures(p['value'], base)} ({100 * level:g} %: {low} to {high})"
        )
    return lines


def _figures(x: float, name: str) -> str:
    """Three figures; a share near 1 as far as its nines go.

    Examples
    --------
    >>> _figures(2.74753, "d_d"), _figures(0.99987654, "fraction_fragile")
    ('2.75', '0.999877')
    """
    if name == "fraction_fragile" and 0.5 < x < 1:
        return f"{1 - float(f'{1 - x:.3g}'):.10g}"
    return f"{x:.2f}" if name.startswith("log10") else said(x)


def _scatter(fit: Mapping[str, Any]) -> str:
    rows = f"{fit['n']} counts"
    if fit["n_censored"]:
        rows += f", {fit['n_censored']} of them below their limit"
    if fit["likelihood"] == "normal":
        return f"{rows}; they scatter by {fit['sigma']:.2g} log10 about the curve."
    if fit["likelihood"] == "poisson":
        return f"{rows} of colonies, Poisson."
    return f"{rows} of colonies, negative binomial with k = {fit['nb_k']:.3g}."
