"""Own evidence: adopt a whole die-off curve, so that the ledger follows it."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, get_args

import numpy as np
from numpy.typing import NDArray

from rhizoledger import __version__
from rhizoledger.errors import ConflictError, EvidenceError, InputError
from rhizoledger.evidence import load_evidence
from rhizoledger.evidence.curves import NUMBERS, Curved
from rhizoledger.evidence.hosts import crop_id, crops
from rhizoledger.provenance import digest_bytes
from rhizoledger.workflows.fit_json import (
    COLDEST_C,
    HOTTEST_C,
    UNITS,
    chosen_fit,
    fit_conditions,
    fit_numbers,
    fit_source,
    read_fit,
)
from rhizoledger.workflows.own_evidence import FILE, append_rows, number_cells

CURVE_ID = re.compile(r"survival\.(package|drying|on_seed|planter)\.[a-z0-9_]+", re.ASCII)
STAGES = {
    "on_seed": ("drying", "on_seed", "planter"),
    "drying": ("drying",),
    "planter": ("planter",),
    "package": ("package",),
}
"""What a curve speaks for unless it is told: on seed, the counts began at treating."""
MOISTURE = {
    "on_seed": ("drying", "dry"),
    "drying": ("drying",),
    "planter": ("dry",),
    "package": ("wet", "dry"),
}


Z_95 = 1.959963984540054
DIGITS = 9
MOST_CELLS = 1e12


def adopt_curve(
    fit_json: Path,
    as_id: str,
    into: Path,
    *,
    series: str | None = None,
    model: str | None = None,
    applied: float | None = None,
    temp_c: float | None = None,
    stages: Sequence[str] = (),
    moisture: Sequence[str] = (),
) -> dict[str, Any]:
    """Write a fitted curve, all its numbers and how their errors go together, into own evidence.

    Parameters
    ----------
    fit_json : Path
        What ``survival fit --json`` printed.
    as_id : str
        ``survival.on_seed.CROP`` (or ``drying``, ``planter``), or ``survival.package.PRODUCT``.
    into : Path
        The season folder.
    series, model : str or None
        Which fit of the file; None: its only series, and the best model by AICc.
    applied : float or None
        Cells applied per seed in that trial: its first count against them is what a wash recovers.
    temp_c : float or None
        Temperature that the counts were kept at, where the file does not say [°C].
    stages, moisture : sequence of str
        What the curve speaks for; by the id unless told.

    Returns
    -------
    dict
        ``id``, ``model``, ``numbers``, ``t_ref_c``, ``last_d``, ``stages``, ``moisture``, ``file``,
        ``sha256`` and ``warnings``.

    Raises
    ------
    InputError
        If the file is no fit, the id none of a curve, or something that is needed is not told.
    EvidenceError
        If the fit cannot be evidence, or the ledger cannot follow its model.
    ConflictError
        If the folder has a curve of that id already.
    """
    if not into.is_dir():
        raise InputError(f"{into.name or into} is no folder. Name the season's folder with --into.")
    if CURVE_ID.fullmatch(as_id) is None:
        raise InputError(
            f"--as {as_id!r} is no name of a curve. Write survival.on_seed. and the crop, or "
            "survival.package. and the product's name, in lower case with _ between words."
        )
    stage, name = as_id.split(".")[1:]
    strange = [s for s in stages if (s == "package") != (stage == "package")]
    if strange:
        raise InputError(f"A curve called {as_id} does not speak for {', '.join(strange)}.")
    unknown = "" if stage == "package" else _crop_said(as_id, name)
    raw, found = read_fit(fit_json)
    fit = chosen_fit(found, fit_json.name, series, model)
    _followable(fit, stage)
    span, t_ref = _temperatures(fit, temp_c)
    names = _names(fit)
    rows = {n: _row(as_id, n, fit_numbers(fit, n, found), fit, span) for n in names}
    starts = [p for p in fit["parameters"] if p.startswith("log10_n0")]
    if applied is not None:
        rows["log10_recovered"] = _recovered(as_id, fit, found, applied, starts, span)
    correlation = _correlation(fit, names, starts if applied is not None else [])
    digest = digest_bytes(raw)
    source = fit_source(found, fit_json.name, digest)
    cited = [f"{source['key']}: {fit['model']} curve"]
    target = into / FILE
    if target.is_file() and as_id in load_evidence(target).curves:
        raise ConflictError(
            f"{FILE} has a curve {as_id} already. Take it and its rows out first, if the new fit "
            "is to stand in its place."
        )
    curve = {
        "id": as_id,
        "model": fit["model"],
        "parameters": [row["id"] for row in rows.values()],
        "correlation": correlation,
        "t_ref_c": t_ref,
        "temp_c": list(span),
        "last_d": float(fit["last_time_d"]),
        "stages": list(stages or STAGES[stage]),
        "moisture": list(moisture or MOISTURE[stage]),
        "sources": cited,
    }
    made = [("parameter", row | {"sources": cited}) for row in rows.values()]
    append_rows(target, source, [*made, ("curve", curve)])
    return {
        "id": as_id,
        "model": fit["model"],
        "numbers": {
            name: {key: row[key] for key in ("value", "low", "high", "unit")}
            for name, row in rows.items()
        },
        "t_ref_c": t_ref,
        "last_d": curve["last_d"],
        "stages": curve["stages"],
        "moisture": curve["moisture"],
        "grade": "own",
        "file": FILE,
        "sha256": digest,
        "warnings": [*_warnings(fit, stage, applied, "z_c" in rows), *filter(None, [unknown])],
    }


def _crop_said(as_id: str, name: str) -> str:
    """What to mind about a crop nobody knows here, or nothing.

    Raises
    ------
    InputError
        If the crop is known by another name.
    """
    known = crop_id(name)
    if known is None:
        near = difflib.get_close_matches(name, [c.id for c in crops()], n=3)
        hint = f" Is {' or '.join(near)} meant?" if near else ""
        return (
            f"No crop is called {name} here, so the curve is followed only where batches call "
            f"theirs so.{hint}"
        )
    if known != name:
        raise InputError(f"{name} is called {known} here. Write --as {as_id[: -len(name)]}{known}.")
    return ""


def _followable(fit: Mapping[str, Any], stage: str) -> None:
    """Refuse a fit whose model the ledger cannot follow."""
    if fit["model"] not in get_args(Curved):
        known = ", ".join(get_args(Curved))
        raise EvidenceError(
            f"A {fit['model']} curve ends in a count of that trial, which says nothing of another "
            f"seed. Choose one of these with --model: {known}."
        )
    if fit.get("secondary") == "arrhenius":
        raise EvidenceError(
            "The ledger follows Bigelow's rule. Fit again with --secondary bigelow."
        )
    if stage == "package" and fit["model"] != "loglinear":
        raise EvidenceError(
            "Of a product in its package only a log-linear curve is followed: when the clock of a "
            "jug began is seldom known. Choose it with --model loglinear."
        )
    if not fit.get("correlation"):
        raise InputError("The fit does not say how its errors go together. Fit it again.")


def _temperatures(
    fit: Mapping[str, Any], temp_c: float | None
) -> tuple[tuple[float, float], float]:
    """Coldest and warmest temperature counted at, and the one that the numbers belong to."""
    told = fit.get("temp_c")
    if told is None:
        if temp_c is None:
            raise InputError("The counts say no temperature. Say it with --temp-c.")
        if not COLDEST_C <= temp_c <= HOTTEST_C:
            raise InputError(
                f"--temp-c {temp_c:g}: no seed is counted there. Is this °F? Give it in °C."
            )
        return (temp_c, temp_c), temp_c
    if temp_c is not None:
        raise InputError("The counts say their temperature. Leave --temp-c out.")
    low, high = float(told[0]), float(told[1])
    return (low, high), float(fit["t_ref_c"]) if fit.get("t_ref_c") is not None else low


def _names(fit: Mapping[str, Any]) -> list[str]:
    """The parameters of a fit that the curve needs, by the names of the curve."""
    needed = [n if n in fit["parameters"] else "d_ref_d" for n in NUMBERS[fit["model"]]]
    return [*needed, *(["z_c"] if "z_c" in fit["parameters"] else [])]


def _row(
    as_id: str,
    name: str,
    number: Mapping[str, float],
    fit: Mapping[str, Any],
    span: tuple[float, float],
) -> dict[str, Any]:
    own = "d_d" if name == "d_ref_d" else name
    row = {"id": f"{as_id}.curve.{own}"} | number_cells(own, number, UNITS[name])
    return row | _passport(fit, span)


def _passport(fit: Mapping[str, Any], span: tuple[float, float]) -> dict[str, Any]:
    return {
        "valid_c": list(span),
        "grade": "own",
        "conditions": fit_conditions(fit),
        "how_known": f"fitted to own counts by rhizoledger {__version__}, profile limits",
    }


def _recovered(
    as_id: str,
    fit: Mapping[str, Any],
    found: Mapping[str, Any],
    applied: float,
    starts: Sequence[str],
    span: tuple[float, float],
) -> dict[str, Any]:
    """The first count against what was applied, as a logarithm; the mean of several starts."""
    if not 1 <= applied <= MOST_CELLS:
        raise InputError(f"--applied {applied:g}: give cells per seed, from 1 to {MOST_CELLS:g}.")
    if len(starts) == 1:
        start = fit_numbers(fit, starts[0], found)
    else:
        mean = math.fsum(fit["parameters"][name]["value"] for name in starts) / len(starts)
        half = Z_95 * math.sqrt(float(_covariance(fit, [], starts)[0, 0]))
        start = {"value": mean, "low": mean - half, "high": mean + half}
    number = {key: x - math.log10(applied) for key, x in start.items()}
    if number["low"] > 0:
        raise InputError(
            f"The first count lies above the {applied:g} cells applied, which cannot be. See that "
            "both are per seed."
        )
    cells = number_cells("log10_recovered", number, "log10")
    return {"id": f"{as_id}.curve.log10_recovered"} | cells | _passport(fit, span)


def _correlation(
    fit: Mapping[str, Any], names: Sequence[str], starts: Sequence[str]
) -> list[list[float]]:
    """Between the errors of some parameters and, last, the mean of the starts where asked."""
    spread = _covariance(fit, names, starts)
    scale = np.sqrt(np.diag(spread))
    return [[float(x) for x in row] for row in np.round(spread / np.outer(scale, scale), DIGITS)]


def _covariance(
    fit: Mapping[str, Any], names: Sequence[str], starts: Sequence[str]
) -> NDArray[np.float64]:
    listed = list(fit["parameters"])
    errors = [fit["parameters"][name]["se"] for name in listed]
    known = np.array(fit["correlation"], dtype=np.float64)  # None is read as not a number
    known *= np.outer(*[np.array(errors, dtype=np.float64)] * 2)  # exact: rows and columns
    turn = np.zeros((len(names) + bool(starts), len(listed)))
    for i, name in enumerate(names):
        turn[i, listed.index(name)] = 1.0
    for name in starts:
        turn[-1, listed.index(name)] = 1 / len(starts)
    used = np.flatnonzero(np.abs(turn).sum(axis=0))
    out = turn[:, used] @ known[np.ix_(used, used)] @ turn[:, used].T
    if not np.isfinite(out).all() or not (np.diag(out) > 0).all():
        raise EvidenceError("The fit does not know how its errors go together, so it is not taken.")
    return np.asarray(out)


def _warnings(fit: Mapping[str, Any], stage: str, applied: float | None, has_z: bool) -> list[str]:
    said = list(fit["warnings"])
    said.append(
        "These are the counts of one series. Another batch may die faster or slower, and the "
        "interval does not hold that: count more batches."
    )
    if stage != "package" and applied is None:
        said.append(
            "What a wash recovers of the cells applied is not told (--applied), so a balance needs "
            "a count of the seed before the curve is followed."
        )
    if not has_z:
        said.append(
            "The counts were kept at one temperature. A published rise is used where there is one; "
            "elsewhere the rate is charged as counted, and nothing is said of warmer seed."
        )
    return said
