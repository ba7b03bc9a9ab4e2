"""One trial, or one programme of trials, analysed as one mixed model."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from pathlib import Path
from typing import Any

import numpy as np

from rhizoledger.errors import FitError, InputError, Problem
from rhizoledger.season.one_table import OneTable, read_table
from rhizoledger.stats.mixed import MixedFit, fit_mixed
from rhizoledger.stats.mixed_design import TreatmentDesign, treatment_design
from rhizoledger.stats.mixed_inference import Contrast, compare, marginal_means, versus_check
from rhizoledger.stats.mixed_precision import DfMethod
from rhizoledger.stats.mixed_profile import sd_limits
from rhizoledger.workflows.trial_layout import (
    ROLES,
    Columns,
    Layout,
    layout_warnings,
    refuse_unusable,
)

CHECK_WORDS = ("check", "control", "untreated")


def analyse_file(
    path: Path,
    columns: Columns,
    *,
    check: str | None = None,
    df: DfMethod = "kenward_roger",
    level: float = 0.95,
) -> dict[str, Any]:
    """Analyse the plots of one file: treatments against the check, and where the rest varies.

    Parameters
    ----------
    path : Path
        CSV with a row for each plot or strip.
    columns : Columns
        Names of the columns; ``random`` adds components such as ``site:treatment``.
    check : str, optional
        The treatment that others are compared with; the level called check, control or untreated
        where left out.
    df : {"kenward_roger", "satterthwaite"}
        How degrees of freedom are found.
    level : float
        Coverage of the intervals.

    Returns
    -------
    dict
        ``fixed`` (the check's mean, then ``LEVEL-CHECK``), ``random`` and ``residual`` with profile
        limits of the standard deviations, ``means``, ``dunnett``, ``contrasts`` (treatments other
        than the check, two by two, p and limits unadjusted), ``blups``, the likelihood, warnings.

    Raises
    ------
    InputError, FitError
        If a column, a cell or the layout cannot be used, with what to do.
    """
    table = read_table(path)
    numbers = table.numbers(columns.response)
    kept = [i for i, y in enumerate(numbers) if y is not None]
    y = np.array([numbers[i] for i in kept], dtype=float)
    warnings = []
    if len(kept) < len(numbers):
        missing = [table.row_numbers()[i] for i, x in enumerate(numbers) if x is None]
        named = ", ".join(map(str, missing[:10])) + ("" if len(missing) <= 10 else " and more")
        warnings.append(f"{len(missing)} plots without {columns.response} left out (row {named}).")
    treatments = _factor(table, columns.treatment, kept)
    groups = _groups(table, columns, kept)
    layout = Layout(table, columns, kept, treatments, groups)
    refuse_unusable(layout, y.tolist())
    against = _check_of(list(dict.fromkeys(treatments)), check, table, columns.treatment)
    warnings += layout_warnings(layout)
    design = treatment_design(treatments, against)
    try:
        fit = fit_mixed(y, design.x, groups, terms=design.terms)
    except (InputError, FitError) as error:
        raise type(error)(f"{path.name}: {error}") from error
    return _answer(fit, design, df, level, [*warnings, *fit.warnings])


def _answer(
    fit: MixedFit, design: TreatmentDesign, df: DfMethod, level: float, warnings: list[str]
) -> dict[str, Any]:
    limits = {c.name: sd_limits(fit, c.name, level) for c in fit.components}
    fixed = compare(fit, np.eye(len(fit.terms)), fit.terms, df, level=level)
    means = marginal_means(fit, design, df, level=level)
    several = len(design.levels) > 2
    family = versus_check(fit, design, df, level=level) if several else ()
    return {
        "fixed": [_row(c) for c in fixed],
        "random": [
            {
                "term": c.name,
                "variance": c.variance,
                "sd": c.sd,
                "low": limits[c.name].low,
                "high": _finite(limits[c.name].high),
            }
            for c in fit.components
        ],
        "residual": {"variance": fit.residual_variance},
        "loglik_reml": fit.loglik,
        "reml_criterion": fit.criterion,
        "df_method": df,
        "n": fit.n,
        "warnings": warnings,
        "check": design.levels[0],
        "means": [
            {"level": c.name, "mean": c.estimate, "se": c.se, "low": c.low, "high": c.high}
            for c in means
        ],
        "dunnett": [_row(c) | {"adjust": c.adjust} for c in family],
        "contrasts": [
            _row(c) | {"adjust": c.adjust} for c in _between_others(fit, design, df, level)
        ],
        "blups": {
            name: [{"level": of, "estimate": b} for of, b in by_level.items()]
            for name, by_level in fit.blups.items()
        },
        "aic": fit.aic,
        "loglik_convention": fit.loglik_convention,
        "level": level,
    }


def _between_others(
    fit: MixedFit, design: TreatmentDesign, df: DfMethod, level: float
) -> tuple[Contrast, ...]:
    """Differences between treatments that are not the check, two by two."""
    pairs = list(combinations(range(1, len(design.levels)), 2))
    if not pairs:
        return ()
    each = np.eye(len(fit.terms))
    names = [f"{design.levels[b]}-{design.levels[a]}" for a, b in pairs]
    return compare(fit, np.array([each[b] - each[a] for a, b in pairs]), names, df, level=level)


def _row(c: Contrast) -> dict[str, Any]:
    return {
        "term": c.name, "estimate": c.estimate, "se": c.se, "df": _finite(c.df), "t": c.t,
        "p": c.p, "low": c.low, "high": c.high,
    }  # fmt: skip


def _finite(x: float) -> float | None:
    return x if np.isfinite(x) else None


def _factor(table: OneTable, column: str, kept: Sequence[int]) -> list[str]:
    """A column as levels; a level is named by the cell's text and may not be empty."""
    texts = table.texts(column)
    for i in kept:
        if not texts[i]:
            row = table.row_numbers()[i]
            what, remedy = "This cell is empty.", "Say which it is, or take the row out."
            raise InputError([Problem(table.raw.file, row, column, None, what, remedy)])
    return [texts[i] for i in kept]


def _check_of(levels: Sequence[str], check: str | None, table: OneTable, column: str) -> str:
    """The level that others are compared with."""
    named = ", ".join(levels)
    if check is not None:
        same = [x for x in levels if x.casefold() == check.strip().casefold()]
        if not same:
            what = f"No treatment is called {check!r}."
            raise InputError(
                [Problem(table.raw.file, None, column, check, what, f"One of: {named}.")]
            )
        return same[0]
    found = [x for x in levels if x.casefold() in CHECK_WORDS]
    if len(found) != 1:
        what = "Which treatment is the check is not said."
        remedy = f"Name it with --check. Levels: {named}."
        raise InputError([Problem(table.raw.file, None, column, None, what, remedy)])
    return found[0]


def _groups(table: OneTable, columns: Columns, kept: Sequence[int]) -> dict[str, list[str]]:
    """The grouping factors by name: site, block within it, and what was added."""
    role = {name: getattr(columns, name) or name for name in ROLES}

    def crossed(names: Sequence[str]) -> list[str]:
        parts = [_factor(table, role.get(name, name), kept) for name in names]
        return [":".join(cells) for cells in zip(*parts, strict=True)]

    wanted: list[tuple[str, ...]] = []
    if columns.site is not None:
        wanted.append(("site",))
    if columns.block is not None:
        wanted.append(("site", "block") if columns.site is not None else ("block",))
    wanted += [tuple(part.strip() for part in text.split(":")) for text in columns.random]
    return {":".join(names): crossed(names) for names in dict.fromkeys(wanted)}
