"""Evenness in sentences: how many seeds get too little, and what would mend it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from rhizoledger.report.listing import wrapped
from rhizoledger.report.numbers import by_interval, figures, large
from rhizoledger.report.words import GRADE_WORDS

WORDS, COLUMN = 30, 14
TOO_FEW_SEEDS = 10


def evenness_text(found: Mapping[str, Any]) -> str:
    """The share below first; then the mean that would do, each factor, and the plates of seeds."""
    lines: list[str] = []
    if found["question"] is not None:
        lines += _answered(found)
    if found["seeds"] is not None:
        lines += ([""] if lines else []) + _seeds(found["seeds"], found["level"])
    return "\n".join(lines)


def _answered(found: Mapping[str, Any]) -> list[str]:
    q, cv, below = found["question"], found["cv"], found["share_below"]
    # What rests on an assumption is said to one figure (§7).
    digits = 1 if cv["grade"] == "assumption" else 2

    def said(share: float) -> str:
        return percent(share, digits)

    ends = ""
    if below["at_cv_low"] is not None:
        ends = f" ({said(below['at_cv_low'])} to {said(below['at_cv_high'])})"
    lines = [
        wrapped(
            f"{'About ' if digits == 1 else ''}{said(below['value'])}{ends} of seeds get fewer "
            f"than {large(q['requirement'])} cells, with {large(q['cells_per_seed'])} on average."
        )
    ]
    needed = found["mean_needed"]
    lines.append(
        wrapped(
            f"For at most {percent(q['share_wanted'])} below, the average must be "
            f"{large(needed['value'])} cells per seed: "
            f"{figures(needed['value'] / q['requirement'])} times the requirement, "
            f"{figures(needed['value'] / q['cells_per_seed'])} times what is there."
        )
    )
    head = f"{'cells per seed':>{COLUMN + 2}}{'CV':>{COLUMN - 6}}{'below':>{COLUMN}}"
    lines += ["", f"{'':{WORDS}}{head}"]
    for e in found["effects"]:
        lines.append(
            f"  {e['what']:{WORDS - 2}}{large(e['cells_per_seed']):>{COLUMN + 2}}"
            f"{100 * e['cv']:>{COLUMN - 8}.0f} %{said(e['share_below']):>{COLUMN}}"
        )
    other = found["share_below_other_shape"]
    lines += [
        "",
        wrapped(
            f"Variation from seed to seed (CV): {_cv(cv)}. Amounts are taken as "
            f"{found['shape']}; were they {other['shape']}, {said(other['value'])} would lie "
            f"below, and the average needed would be {large(needed['other_shape'])}."
        ),
        wrapped(
            "The average is what you gave or counted: recovery, drying and waiting are not in it."
        ),
    ]
    return lines


def _cv(cv: Mapping[str, Any]) -> str:
    value = f"{100 * cv['value']:.0f} %"
    if cv["low"] is not None:
        value += f" ({100 * cv['low']:.0f} to {100 * cv['high']:.0f} %)"
    if cv["from"] == "given":
        return f"{value}, as given"
    if cv["from"] == "file":
        return f"{value}, from the seeds counted"
    return f"{value}, {GRADE_WORDS[cv['grade']]}; count single seeds to replace it ({cv['from']})"


def _seeds(seeds: Mapping[str, Any], level: float) -> list[str]:
    cv, mean = seeds["cv"], seeds["mean"]
    high = "no limit" if cv["high"] is None else f"{100 * cv['high']:.0f}"
    alike = seeds["p_even"] > 1 - level
    lines = [
        wrapped(
            f"{seeds['file']}: {seeds['seeds']} seeds vary by {100 * cv['value']:.0f} % "
            f"({100 * level:g} %: {100 * cv['low']:.0f} to {high}) about "
            f"{_cells(mean)} cells recovered per seed; the chance of colonies is taken out."
        )
    ]
    if alike:
        lines.append(
            wrapped(
                "They scatter no more than colonies do by chance; so this does not show that seeds "
                "differ, nor that they are alike."
            )
        )
    if seeds["seeds"] < TOO_FEW_SEEDS:
        lines.append(wrapped("So few seeds say little: count ten or more."))
    lines += [wrapped(f"Note: {w}") for w in seeds["warnings"]]
    return lines


def _cells(mean: Mapping[str, float]) -> str:
    ends = (mean["low"], mean["high"])
    return (
        f"{by_interval(mean['value'], *ends)} ({by_interval(ends[0], *ends)} to "
        f"{by_interval(ends[1], *ends)})"
    )


def percent(share: float, digits: int = 2) -> str:
    """A share of seeds to one or two figures; what is next to nothing or to all is said so.

    Examples
    --------
    >>> percent(0.0442), percent(0.00076, 1), percent(1e-7), percent(0.99996), percent(0.5)
    ('4.4 %', '0.08 %', 'under 0.01 %', 'over 99.99 %', '50 %')
    """
    if share < 1e-4:
        return "under 0.01 %"
    if share > 1 - 1e-4:
        return "over 99.99 %"
    places = max(0, digits - 1 - math.floor(math.log10(min(share, 1 - share))) - 2)
    return f"{round(100 * share, places):g} %"
