"""Fit die-off curves to a file of counts: every series, every model that exists, side by side."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any, Literal

import numpy as np

from rhizoledger.errors import FitError, InputError
from rhizoledger.survival.fit import best_and_near, fit_all
from rhizoledger.survival.fit_answer import Fit, Secondary
from rhizoledger.survival.fit_data import CountData, Likelihood
from rhizoledger.survival.fit_models import MODELS, Model
from rhizoledger.workflows.survival_counts import CountTable, read_counts

Asked = Literal["auto", "loglinear", "weibull", "biphasic", "shoulder", "tail", "shoulder_tail"]
T_REF_C, COLDEST_REF, WARMEST_REF = 20.0, -20.0, 60.0
TOGETHER = "all series"
"""The name of the joint fit of series that were each kept at one temperature."""


def fit_file(
    path: Path,
    *,
    model: Asked = "auto",
    secondary: Secondary | None = None,
    likelihood: Literal["poisson", "nb"] | None = None,
    level: float = 0.95,
    t_ref_c: float | None = None,
    told: Callable[[str, int, int], None] | None = None,
) -> dict[str, Any]:
    """Fit every series of a file.

    Parameters
    ----------
    path : Path
        As :func:`rhizoledger.workflows.survival_counts.read_counts` takes it.
    model : str
        One model, or ``auto`` for every one that the rows allow.
    secondary : {"bigelow", "arrhenius"} or None
        How rates follow ``temp_c``; None is Bigelow where a series has two temperatures.
    likelihood : {"poisson", "nb"} or None
        For plates; None is Poisson. Log10 counts are normal.
    level : float
        Coverage of the limits.
    t_ref_c : float or None
        Temperature that rates belong to in a joint fit [°C]; 20 if None.
    told : callable or None
        Told ``("series", done, of)`` after each.

    Returns
    -------
    dict
        ``fits``, ``best`` and ``within_2_aicc`` by series, ``not_fitted``, ``warnings``, ``input``.
        Fits of a series stand in the order of their AICc. Where series hold one temperature each
        and differ in it, they are fitted together with a start of their own each.

    Raises
    ------
    InputError
        If a cell, a column or an option cannot be used.
    FitError
        If a series has no fit; the text says what to do first, second, third.
    """
    if t_ref_c is not None and not COLDEST_REF <= t_ref_c <= WARMEST_REF:
        raise InputError(
            f"--t-ref is {t_ref_c:g}; it is a temperature from {COLDEST_REF:g} to "
            f"{WARMEST_REF:g} °C. Is this °F?"
        )
    table = read_counts(path)
    if table.kind == "log10" and likelihood is not None:
        raise InputError(
            f"{table.file} gives log10 counts, which are fitted as normal. --likelihood is for "
            "plates: give dilution, volume_ml and colonies, or leave it out."
        )
    if secondary is not None and not table.has_temp:
        raise InputError(
            f"{table.file} has no column temp_c, so nothing is known about temperature. Add it, "
            "or leave --secondary out."
        )
    kind: Likelihood = "normal" if table.kind == "log10" else likelihood or "poisson"
    models: tuple[Model, ...] = MODELS if model == "auto" else (model,)
    out: dict[str, Any] = {"fits": [], "best": {}, "within_2_aicc": {}, "not_fitted": {}}
    warnings = list(table.warnings)
    failed = []
    jobs = _jobs(table)
    for done, (name, (data, starts)) in enumerate(jobs.items()):
        if told is not None:
            told("series", done, len(jobs))
        rule = _rule(data, secondary, name, warnings)
        try:
            fits, without = fit_all(
                data,
                models,
                likelihood=kind,
                secondary=rule,
                t_ref_c=T_REF_C if t_ref_c is None else t_ref_c,
                level=level,
            )
        except FitError as error:
            failed.append(f"{', '.join(x for x in (table.file, name) if x)}: {error}")
            continue
        out["fits"] += [_as_dict(name, fit, data, starts) for fit in fits]
        out["best"][name], out["within_2_aicc"][name] = best_and_near(fits)
        if without:
            out["not_fitted"][name] = without
    if failed:
        raise FitError("\n".join(failed))
    if t_ref_c is not None and all(fit["secondary"] is None for fit in out["fits"]):
        warnings.append(
            "--t-ref is not used: no series has several temperatures (a column temp_c), so no rate "
            "is carried to another one."
        )
    source = {"file": table.file, "sha256": table.sha256}
    return out | {"level": level, "input": source, "warnings": warnings}


def _jobs(table: CountTable) -> dict[str, tuple[CountData, list[str]]]:
    """What is fitted together: each series, or all that were kept at one temperature each."""
    temps = {name: set(_temps(data)) for name, data in table.series.items()}
    single = all(len(own) == 1 for own in temps.values())
    if len(temps) > 1 and single and len(set.union(*temps.values())) > 1:
        joined = _joined(list(table.series.values()))
        return {TOGETHER: (joined, list(table.series))}
    return {name: (data, [name]) for name, data in table.series.items()}


def _joined(parts: list[CountData]) -> CountData:
    def all_of(field: str) -> Any:
        arrays = [getattr(part, field) for part in parts]
        return None if arrays[0] is None else np.concatenate(arrays)

    group = np.concatenate([np.full(part.n, i, dtype=np.intp) for i, part in enumerate(parts)])
    names = ("time_d", "log10_count", "censored", "colonies", "exposure", "temp_c")
    return replace(parts[0], group=group, **{name: all_of(name) for name in names})


def _temps(data: CountData) -> list[float]:
    return [] if data.temp_c is None else np.unique(data.temp_c).tolist()


def _rule(
    data: CountData, asked: Secondary | None, name: str, warnings: list[str]
) -> Secondary | None:
    """How rates follow temperature in one fit; none where there is one temperature."""
    temps = _temps(data)
    if len(temps) > 1:
        return asked or "bigelow"
    if temps and asked is not None:
        where = f"{name}: " if name else ""
        warnings.append(
            f"{where}there is one temperature, {temps[0]:g} °C, so how the rate changes with it is "
            "not known. What is said holds at that temperature."
        )
    return None


def _as_dict(series: str, fit: Fit, data: CountData, starts: list[str]) -> dict[str, Any]:
    parameters = {}
    for p in fit.parameters:
        name = p.name
        if len(starts) > 1 and name.startswith("log10_n0_"):
            name = f"log10_n0[{starts[int(name.removeprefix('log10_n0_')) - 1]}]"
        parameters[name] = {
            "value": _finite(p.value),
            "se": _finite(p.se),
            "low": _finite(p.low),
            "high": _finite(p.high),
            "se_expected": _finite(p.se_expected),
        }
    temps = _temps(data)
    return {
        "series": series,
        "model": fit.model,
        "likelihood": fit.likelihood,
        "secondary": fit.secondary,
        "t_ref_c": fit.t_ref_c,
        "parameters": parameters,
        "correlation": [[_finite(float(x)) for x in row] for row in fit.correlation],
        "sigma": fit.sigma,
        "rss": fit.rss,
        "nb_k": fit.nb_k,
        "pearson_per_df": fit.pearson_per_df,
        "loglik": fit.loglik,
        "aicc": fit.aicc,
        "n": fit.n,
        "n_censored": fit.n_censored,
        "last_time_d": float(data.time_d.max()),
        "temp_c": [temps[0], temps[-1]] if temps else None,
        "status": fit.status,
        "warnings": list(fit.warnings),
    }


def _finite(x: float | None) -> float | None:
    return x if x is not None and math.isfinite(x) else None
