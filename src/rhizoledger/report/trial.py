"""A pooled or analysed trial in sentences."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rhizoledger.report.listing import wrapped
from rhizoledger.report.numbers import by_interval


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
    if found["tau2"] is not None:
        tau2 = f"{found['tau2']:.3g}"
        if found["tau2_low"] is not None and found["tau2_high"] is not None:
            tau2 += f" ({found['tau2_low']:.3g} to {found['tau2_high']:.3g})"
        lines.append(f"Variance of true effects between trials: {tau2}.")
    if found["i2"] is not None:
        lines.append(f"I² {found['i2']:.0f} ({found['i2_kind']}).")
    if found["q"] is not None and found["p_q"] is not None:
        lines.append(f"Q = {found['q']:.4g}, p = {found['p_q']:.2g}.")
    ahead = found["prediction"]
    if ahead["low"] is not None:
        span = f"{_near(ahead['low'], ahead)} to {_near(ahead['high'], ahead)}"
        lines.append(
            f"A new trial's true effect: {span} ({share}; convention {ahead['convention']})."
        )
    else:
        lines.append("A new trial's true effect: not known from these trials.")
    for c in found["coefficients"]:
        if len(found["coefficients"]) > 1:
            p = "" if c["p"] is None else f", p = {c['p']:.2g}"
            lines.append(f"{c['term']}: {_ends(c['estimate'], c['low'], c['high'])}{p}.")
    lines += found["warnings"]
    return "\n".join(wrapped(line) for line in lines)


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
    lines += [
        f"Mean of {m['level']}: {_ends(m['mean'], m['low'], m['high'])}." for m in found["means"]
    ]
    family = {c["term"]: c for c in found["dunnett"]}
    for c in found["fixed"][1:]:
        text = f"{c['term']}: {_ends(c['estimate'], c['low'], c['high'])}, p = {c['p']:.2g}"
        if c["term"] in family:
            d = family[c["term"]]
            ends = f"{by_interval(d['low'], d['low'], d['high'])} to "
            ends += by_interval(d["high"], d["low"], d["high"])
            text += f"; as one of a family (Dunnett): {ends}, p = {d['p']:.2g}"
        lines.append(f"{text}.")
    for r in found["random"]:
        top = "not bounded" if r["high"] is None else f"{r['high']:.3g}"
        lines.append(f"Sd between {r['term']}: {r['sd']:.3g} ({r['low']:.3g} to {top}).")
    lines.append(f"Sd of a plot: {found['residual']['variance'] ** 0.5:.3g}.")
    lines += found["warnings"]
    return "\n".join(wrapped(line) for line in lines)
