"""What ``survival fit --json`` wrote, read back: checked, chosen from, and cited."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from rhizoledger.errors import EvidenceError, InputError

LEVEL = 0.95
ENDS = ("value", "low", "high")
LARGEST = 1e300
LONGEST_D = 36_500
COLDEST_C, HOTTEST_C = -20.0, 60.0
"""Beyond these no seed or jug was counted; 68 is °F."""
UNITS = {
    "log10_n0": "log10 count",
    "d_d": "d",
    "d_ref_d": "d",
    "delta_d": "d",
    "p": "1",
    "k_max_per_d": "1/d",
    "shoulder_d": "d",
    "log10_n_res": "log10 count",
    "fraction_fragile": "share",
    "k1_per_d": "1/d",
    "k2_per_d": "1/d",
    "z_c": "°C",
    "ea_kj_per_mol": "kJ/mol",
}
"""Units of a fit's parameters."""
_RANGE = {
    "log10_n0": (-15.0, 15.0),
    "log10_n_res": (-15.0, 15.0),
    "fraction_fragile": (-1e-9, 1 + 1e-9),
    "shoulder_d": (-1e-9, LONGEST_D),
    "d_d": (0.0, 1e6),
    "d_ref_d": (0.0, 1e6),
    "delta_d": (0.0, 1e6),
    "p": (0.0, 1e3),
    "k_max_per_d": (0.0, 1e6),
    "k1_per_d": (0.0, 1e6),
    "k2_per_d": (0.0, 1e6),
    "z_c": (0.0, 1e4),
    "ea_kj_per_mol": (0.0, 1e4),
}
"""Between which each parameter, and its limits, must lie."""


def read_fit(path: Path) -> tuple[bytes, dict[str, Any]]:
    """The bytes of a fit and what they say.

    Raises
    ------
    InputError
        If the file is no fit, or a part of it is not what a fit writes there.
    """
    if not path.is_file():
        what = "is a folder or no plain file" if path.exists() else "is not there"
        raise InputError(f"{path.name} {what}. Name what survival fit --json printed.")
    raw = path.read_bytes()
    try:
        found = json.loads(raw, parse_constant=_no_number)
    except (ValueError, RecursionError):
        found = None
    if not isinstance(found, dict) or not isinstance(found.get("fits"), list) or not found["fits"]:
        raise InputError(
            f"{path.name} is no fit. Write one with rhizoledger survival fit FILE --json."
        )
    for place in _faults(found):
        raise InputError(
            f"{path.name}: {place} is not what a fit writes there. Fit the counts again, and "
            "change nothing in the file by hand."
        )
    return raw, found


def _no_number(text: str) -> float:
    raise ValueError(text)


def _faults(found: Mapping[str, Any]) -> Iterator[str]:
    """Places of a fit that hold something else than it writes there, by name."""
    if not (_is_number(found.get("level", LEVEL)) and 0 < found.get("level", LEVEL) < 1):
        yield "level"
    if not _is_map(found.get("best"), str):
        yield "best"
    if not _is_map(found.get("input") or {}, str):
        yield "input"
    for i, fit in enumerate(found["fits"], start=1):
        if not isinstance(fit, dict):
            yield f"fit {i}"
            return
        kinds = (
            *((name, _is_text) for name in ("series", "model", "likelihood", "status")),
            *((name, _is_count) for name in ("n", "n_censored")),
            ("last_time_d", lambda x: _is_number(x) and 0 < x < LONGEST_D),
            ("temp_c", lambda x: x is None or (_is_list(x, 2) and all(map(_is_warm, x)))),
            ("secondary", lambda x: x is None or _is_text(x)),
            ("t_ref_c", lambda x: x is None or _is_warm(x)),
            ("warnings", lambda x: isinstance(x, list) and all(map(_is_text, x))),
            ("parameters", lambda x: _is_map(x, dict) and bool(x)),
        )
        for name, is_right in kinds:
            if not is_right(fit.get(name)):
                yield f"fit {i}, {name}"
                return
        if fit["secondary"] is not None and fit["t_ref_c"] is None:
            yield f"fit {i}, t_ref_c"
        for name, cells in fit["parameters"].items():
            for end in (*ENDS, "se"):
                if not (cells.get(end) is None or _is_number(cells[end])):
                    yield f"fit {i}, parameters.{name}.{end}"
        matrix, size = fit.get("correlation"), len(fit["parameters"])
        square = _is_list(matrix, size) and all(_is_list(row, size) for row in matrix or ())
        if matrix is not None and not (
            square and all(x is None or _is_number(x) for row in matrix for x in row)
        ):
            yield f"fit {i}, correlation"


def _is_text(x: Any) -> bool:
    return isinstance(x, str)


def _is_number(x: Any) -> bool:
    return type(x) in (int, float) and abs(x) < LARGEST


def _is_count(x: Any) -> bool:
    return type(x) is int and 0 <= x < LARGEST


def _is_warm(x: Any) -> bool:
    return _is_number(x) and COLDEST_C <= x <= HOTTEST_C


def _is_list(x: Any, length: int) -> bool:
    return isinstance(x, list) and len(x) == length


def _is_map(x: Any, of: type) -> bool:
    return isinstance(x, dict) and all(isinstance(v, of) for v in x.values())


def chosen_fit(
    found: Mapping[str, Any], file: str, series: str | None, model: str | None
) -> Mapping[str, Any]:
    """The fit that is meant.

    Raises
    ------
    InputError
        If several could be, or none is.
    """
    names = list(dict.fromkeys(fit["series"] for fit in found["fits"]))
    if series is None and len(names) > 1:
        raise InputError(
            f"{file} holds {len(names)} series. Say which with --series: {', '.join(names)}."
        )
    name = names[0] if series is None else series
    wanted = found["best"].get(name) if model is None else model
    for fit in found["fits"]:
        if (fit["series"], fit["model"]) == (name, wanted):
            return dict(fit)
    models = ", ".join(fit["model"] for fit in found["fits"] if fit["series"] == name)
    if not models:
        raise InputError(f"{file} has no series {name!r}. There are: {', '.join(names)}.")
    raise InputError(f"{file} has no {wanted} fit of {name or 'its series'}. There are: {models}.")


def fit_numbers(fit: Mapping[str, Any], name: str, found: Mapping[str, Any]) -> dict[str, float]:
    """Value and limits, if they can be evidence.

    Raises
    ------
    EvidenceError
        If the fit is at a bound, has another level or an open limit, or a number that cannot be.
    """
    if fit["status"] != "ok":
        said = " ".join(fit["warnings"]) or f"its status is {fit['status']}. Fit the counts again."
        raise EvidenceError(f"The {fit['model']} fit is no evidence: {said}")
    if not math.isclose(float(found.get("level", LEVEL)), LEVEL):
        raise EvidenceError(f"Evidence has limits at level {LEVEL:g}. Fit again with that level.")
    number = {key: fit["parameters"][name][key] for key in ENDS}
    if any(x is None for x in number.values()):
        raise EvidenceError(
            f"{name} has no limit on one side: the counts do not say how large it may be. Count "
            "for longer, or at more times, and fit again."
        )
    low, value, high = (float(number[key]) for key in ("low", "value", "high"))
    least, most = _RANGE.get(name.partition("[")[0], _RANGE["log10_n0"])
    if not least < low <= value <= high < most:
        raise EvidenceError(
            f"{name} is {value:g} ({low:g} to {high:g}); it lies between {least:g} and {most:g}, "
            "the value between its limits. Fit the counts again."
        )
    return {"value": value, "low": low, "high": high}


def fit_conditions(fit: Mapping[str, Any]) -> str:
    """What was counted, for how long, and how it was fitted."""
    said = f"{fit['n']} own counts over {fit['last_time_d']:g} days"
    if fit["series"]:
        said += f", series {fit['series']}"
    said += f"; {fit['model']} curve, {fit['likelihood']} likelihood"
    if fit.get("secondary"):
        said += f", {fit['secondary']} at {fit['t_ref_c']:g} °C"
    return said + "."


def fit_source(found: Mapping[str, Any], file: str, digest: str) -> dict[str, str]:
    """The source row of a fit: its file and its counts, with their digests."""
    counts = found.get("input") or {}
    where = f"{file}, SHA-256 {digest}"
    if counts.get("sha256"):
        where += f"; counts {counts.get('file')}, SHA-256 {counts['sha256']}"
    return {
        "key": f"own_fit_{digest[:12]}",
        "citation": "Own counts along time, fitted with this program.",
        "locator": where,
        "how_known": "own counts",
    }
