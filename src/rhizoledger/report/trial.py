"""A pooled or analysed trial in sentences."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rhizoledger.report.listing import wrapped
from rhizoledger.report.numbers import by_interval

LEAST_P = 1e-15
LEAST_JOINT_P = 1e-10
"""A family's p is an integral, good to this."""
UNEQUAL_DF = 1e-6
"""Relative difference of degrees of freedom that is not rounding."""


def pool_text(found: Mapping[str, Any], level: float) -> str:
    """A pooled answer, one sentence to a line.

    Parameters
    ----------
    found : mapping
        As ``workflows.trial.pool_file`` returns it.
    level : float
        Coverage of its intervals.
    """
    share = f"{100 * level:g} %"
    mu = _ends(found["mu"], found["low"], found["high"])
    lines = [
        f"Mean effect of {found['k']} trial{'' if found['k'] == 1 else 's'}: {mu} ({share}; "
        f"{found['method']}, {_test(found['test'])})."
    ]
    if found["method"] == "FE":
        lines.append("Variance of true effects between trials: taken as none, not estimated.")
    elif found["tau2"] is not None:
        tau2 = f"{found['tau2']:.3g}"
        if found["tau2_low"] is not None and found["tau2_high"] is not None:
            ends = f"{found['tau2_low']:.3g} to {found['tau2_high']:.3g}"
            tau2 += f" ({share}, Q-profile: {ends})"
        lines.append(f"Variance of true effects between trials: {tau2}.")
    if found["i2"] is not None:
        lines.append(f"I² {found['i2']:.0f} ({found['i2_kind']}).")
    if found["q"] is not None and found["p_q"] is not None:
        lines.append(f"Q = {found['q']:.4g}, {_p(found['p_q'])}.")
    ahead = found["prediction"]
    if ahead["low"] is not None:
        span = f"{_near(ahead['low'], ahead)} to {_near(ahead['high'], ahead)}"
        lines.append(
            f"A new trial's true effect: {span} ({share}; convention {ahead['convention']})."
            + (f" {ahead['caution']}" if ahead["caution"] else "")
        )
    else:
        lines.append("A new trial's true effect: not known from these trials.")
    for c in found["coefficients"]:
        if len(found["coefficients"]) > 1:
            p = "" if c["p"] is None else f", {_p(c['p'])}"
            lines.append(f"{c['term']}: {_ends(c['estimate'], c['low'], c['high'])}{p}.")
    lines += _moderators(found)
    lines += found["warnings"]
    return "\n".join(wrapped(line) for line in lines)


def _moderators(found: Mapping[str, Any]) -> list[str]:
    """The joint test of all moderators, and of each in words with more than two levels."""
    whole = found["moderator_test"]
    if whole is None:
        return []
    lines = [f"All moderators together: {_joint(whole)}."]
    for name, one in found["factor_tests"].items():
        if one["df1"] > 1 and one["df1"] < whole["df1"]:
            lines.append(f"Levels of {name}: {_joint(one)}.")
    if whole["r2"] is not None:
        lines.append(
            f"R² {whole['r2']:.0f} (per cent of the variance between trials that the moderators "
            "explain)."
        )
    return lines


def _joint(t: Mapping[str, Any]) -> str:
    if t["statistic"] is None or t["p"] is None:
        return "no test, the trials leave no scatter"
    if t["df2"] is None:
        return f"χ² = {t['statistic']:.4g} on {t['df1']} df, {_p(t['p'])}"
    return f"F = {t['statistic']:.4g} on {t['df1']} and {t['df2']} df, {_p(t['p'])}"


def _p(p: float, least: float = LEAST_P) -> str:
    """A p value; below ``least`` its digits are rounding.

    Examples
    --------
    >>> _p(0.0312), _p(0.0)
    ('p = 0.031', 'p < 1e-15')
    """
    return f"p < {least:g}" if p < least else f"p = {p:.2g}"


def _test(test: str) -> str:
    return "Knapp-Hartung" if test == "knha" else "normal test"


def _ends(value: float | None, low: float | None, high: float | None) -> str:
    if value is None:
        return "not known"
    said = by_interval(value, low, high)
    if low is None or high is None:
        return said
    return f"{said} ({by_interval(low, low, high)} to {by_interval(high, low, high)})"


def _near(x: float, ahead: Mapping[str, Any]) -> str:
    return by_interval(x, ahead["low"], ahead["high"])


def analysis_text(found: Mapping[str, Any]) -> str:
    """An analysed trial, one sentence to a line.

    Parameters
    ----------
    found : mapping
        As ``workflows.trial_analysis.analyse_file`` returns it.
    """
    share = f"{100 * found['level']:g} %"
    how = found["df_method"].replace("_", "-").title()
    lines = [f"{found['n']} plots; the check is {found['check']}; {share} limits, {how}."]
    # A mean's own interval holds the sites; the digits that differences need stand in it too.
    widths = [c["high"] - c["low"] for c in found["fixed"][1:]]
    for m in found["means"]:
        width = min(m["high"] - m["low"], *widths)
        value, low, high = (by_interval(m[x], 0.0, width) for x in ("mean", "low", "high"))
        lines.append(f"Mean of {m['level']}: {value} ({low} to {high}).")
    family = {c["term"]: c for c in found["dunnett"]}
    dfs = [c["df"] for c in found["dunnett"] if c["df"] is not None]
    rough = dfs and max(dfs) - min(dfs) > UNEQUAL_DF * max(dfs)
    name = "Dunnett, approximate" if rough else "Dunnett"
    for c in found["fixed"][1:]:
        text = f"{c['term']}: {_ends(c['estimate'], c['low'], c['high'])}, {_p(c['p'])}"
        if c["term"] in family:
            d = family[c["term"]]
            ends = f"{by_interval(d['low'], d['low'], d['high'])} to "
            ends += by_interval(d["high"], d["low"], d["high"])
            text += f"; as one of a family ({name}): {ends}, {_p(d['p'], LEAST_JOINT_P)}"
        lines.append(f"{text}.")
    for r in found["random"]:
        top = "not bounded" if r["high"] is None else f"{r['high']:.3g}"
        lines.append(f"Sd between {r['term']}: {r['sd']:.3g} ({r['low']:.3g} to {top}).")
    lines.append(f"Sd of a plot: {found['residual']['variance'] ** 0.5:.3g}.")
    lines += found["warnings"]
    return "\n".join(wrapped(line) for line in lines)
