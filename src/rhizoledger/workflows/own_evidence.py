"""Own evidence: adopt a fit as a row of the season's ``evidence.toml``, and compare it."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from rhizoledger import __version__
from rhizoledger.errors import ConflictError, EvidenceError, InputError, NotFoundError
from rhizoledger.evidence import Parameter, load_evidence
from rhizoledger.evidence.load import Evidence, evidence_from_rows, packaged_rows_once
from rhizoledger.evidence.read import MAX_BYTES, file_rows, parse_rows
from rhizoledger.provenance import digest_bytes
from rhizoledger.workflows.fit_json import (
    ENDS,
    UNITS,
    chosen_fit,
    fit_conditions,
    fit_numbers,
    fit_source,
    read_fit,
)

FILE = "evidence.toml"
OWN = "own."
"""What an own row that replaces a packaged one puts before its id: ids are used once."""
ID = re.compile(r"[a-z0-9_]+(\.[a-z0-9_]+)*", re.ASCII)


def adopt(
    fit_json: Path,
    as_id: str,
    into: Path,
    *,
    parameter: str | None = None,
    series: str | None = None,
    model: str | None = None,
) -> dict[str, Any]:
    """Write a parameter of a fit into a season's own evidence.

    Parameters
    ----------
    fit_json : Path
        What ``survival fit --json`` printed.
    as_id : str
        The id it shall answer to. A packaged id is then outranked by the own row; any other is a
        new row.
    into : Path
        The season folder.
    parameter : str or None
        Which parameter of the fit; None: the one that the id ends in.
    series, model : str or None
        Which fit of the file; None: its only series, and the best model by AICc.

    Returns
    -------
    dict
        ``id``, ``replaces``, ``value``, ``low``, ``high``, ``unit``, ``file``, ``sha256`` of the
        fit, ``shipped`` (the row outranked, or None) and ``warnings``.

    Raises
    ------
    InputError
        If the file is no fit, or does not say which of several is meant.
    EvidenceError
        If the fit cannot be evidence: a bound, an open limit, another level or unit.
    ConflictError
        If the folder has that row already, with other numbers.
    """
    if not into.is_dir():
        raise InputError(f"{into.name or into} is no folder. Name the season's folder with --into.")
    if ID.fullmatch(as_id) is None:
        raise InputError(f"--as {as_id!r}: an id is lower-case words joined by dots.")
    raw, found = read_fit(fit_json)
    fit = chosen_fit(found, fit_json.name, series, model)
    name = _parameter_name(fit, parameter, as_id)
    number = fit_numbers(fit, name, found)
    shipped = load_evidence().get(as_id)
    digest = digest_bytes(raw)
    source = fit_source(found, fit_json.name, digest)
    row = _row(as_id, name, number, fit, shipped) | {"sources": [f"{source['key']}: {name}"]}
    target = into / FILE
    stands = _standing(target, row["id"])
    answer = {
        "id": row["id"],
        "replaces": row.get("replaces"),
        "parameter": name,
        "model": fit["model"],
        "value": number["value"],
        "low": number["low"],
        "high": number["high"],
        "unit": row["unit"],
        "grade": "own",
        "file": FILE,
        "sha256": digest,
        "shipped": _numbers_of(shipped),
        "warnings": _warnings(fit, shipped),
    }
    if stands is not None:
        same = (stands.value, stands.low, stands.high) == tuple(number[k] for k in ENDS)
        if not same:
            raise ConflictError(
                f"{FILE} has {row['id']} already, with other numbers. Take that row out first, if "
                "the new fit is to stand in its place."
            )
        return answer | {"warnings": ["It stands there already; nothing was written."]}
    append_rows(target, source, [("parameter", row)])
    return answer


def append_rows(
    target: Path, source: Mapping[str, Any], rows: Sequence[tuple[str, Mapping[str, Any]]]
) -> None:
    """Add rows and the source they cite to a season's own evidence.

    Raises
    ------
    EvidenceError
        If the next plan could not read it; nothing is written then.
    """
    before = target.read_text(encoding="utf-8") if target.is_file() else ""
    parts = [before.rstrip("\n")] if before.strip() else [
        "# Own numbers of this season: they outrank those that come with the program."
    ]  # fmt: skip
    if source["key"] not in source_keys(target):
        parts.append(to_toml("source", source))
    parts += [to_toml(kind, row) for kind, row in rows]
    text = "\n\n".join(parts) + "\n"
    evidence_from_rows([*packaged_rows_once(), *parse_rows(text, FILE)], own_file=FILE)
    if len(text.encode()) > MAX_BYTES:
        raise EvidenceError(f"{FILE} would be larger than {MAX_BYTES} bytes. Keep fewer rows.")
    target.write_text(text, encoding="utf-8")


def diff(folder: Path) -> dict[str, Any]:
    """Own rows of a season against those that come with the program.

    Parameters
    ----------
    folder : Path
        The season folder.

    Returns
    -------
    dict
        ``rows``: each own row with ``id``, ``replaces``, ``own`` and ``shipped`` numbers (None
        where nothing is replaced), and ``overlap``: whether the two intervals share a number.

    Raises
    ------
    NotFoundError
        If the folder has no evidence of its own.
    """
    if not folder.is_dir():
        raise NotFoundError(f"There is no folder {str(folder)!r}. Name the season's folder.")
    path = folder / FILE
    if not path.is_file():
        raise NotFoundError(
            f"{folder.name or folder} has no {FILE}: everything there is as shipped. Adopt a fit "
            "with rhizoledger evidence adopt."
        )
    evidence = load_evidence(path)
    rows = []
    for own in _own(evidence, path):
        shipped = evidence.superseded.get(own.replaces) if own.replaces else None
        rows.append(
            {
                "id": own.id,
                "replaces": own.replaces,
                "own": _numbers_of(own),
                "shipped": _numbers_of(shipped),
                "overlap": _overlap(own, shipped),
            }
        )
    return {"file": FILE, "rows": rows}


def _parameter_name(fit: Mapping[str, Any], asked: str | None, as_id: str) -> str:
    last = as_id.rpartition(".")[2]
    name = asked or last
    if name not in fit["parameters"] or name not in UNITS:
        known = ", ".join(p for p in fit["parameters"] if p in UNITS)
        raise InputError(
            f"The {fit['model']} fit has no {name!r}. Say which with --parameter: {known}."
        )
    return name


def _row(
    as_id: str,
    name: str,
    number: Mapping[str, float],
    fit: Mapping[str, Any],
    shipped: Parameter | None,
) -> dict[str, Any]:
    """The row as it is written; what it means is taken from the row it replaces."""
    unit = UNITS[name]
    if shipped is not None and shipped.unit != unit:
        raise EvidenceError(
            f"{as_id} is in {shipped.unit!r} and {name} of a fit in {unit!r}: they are not the "
            "same thing. Adopt it as a new id."
        )
    if shipped is not None and shipped.scale != "linear":
        raise EvidenceError(f"{as_id} stands on a {shipped.scale} scale. Adopt it as a new id.")
    row = {"id": as_id if shipped is None else OWN + as_id} | number_cells(name, number, unit)
    row["varies"] = "world" if shipped is None else shipped.varies
    if shipped is not None:
        row |= {"covers": list(shipped.covers), "moisture": list(shipped.moisture)}
    temps = fit.get("temp_c") or (shipped.valid_c if shipped is not None else None)
    if temps:
        row["valid_c"] = [float(t) for t in temps]
    row["grade"] = "own"
    row["conditions"] = fit_conditions(fit)
    row["how_known"] = f"fitted to own counts by rhizoledger {__version__}, profile limits"
    if shipped is not None:
        row["replaces"] = shipped.id
    return row


def number_cells(name: str, number: Mapping[str, float], unit: str) -> dict[str, Any]:
    """The cells of a row that hold a fitted number and how it is drawn."""
    positive = number["low"] > 0 and not name.startswith(("log10_", "fraction_"))
    draw = "lognormal" if positive else "normal"
    return {**number, "unit": unit, "interval_kind": "ci95", "draw": draw}


def to_toml(kind: str, row: Mapping[str, Any]) -> str:
    """One row as TOML."""
    return "\n".join([f"[[{kind}]]", *(f"{key} = {_cell(x)}" for key, x in row.items())])


def _cell(x: Any) -> str:
    """A value as TOML; JSON's spelling of texts, numbers and lists is TOML's too."""
    return json.dumps(x, ensure_ascii=False, allow_nan=False).replace("\x7f", "\\u007f")


def _standing(path: Path, id: str) -> Parameter | None:
    """The own row of that id, if the folder has one."""
    if not path.is_file():
        return None
    return next((p for p in _own(load_evidence(path), path) if p.id == id), None)


def _own(evidence: Evidence, path: Path) -> list[Parameter]:
    ids = [row.identifier() for row in file_rows(path) if row.kind == "parameter"]
    return [evidence.superseded.get(id, evidence[id]) for id in ids]


def source_keys(path: Path) -> set[str]:
    """Keys of the sources that an own file has already."""
    if not path.is_file():
        return set()
    return {row.identifier("key") for row in file_rows(path) if row.kind == "source"}


def _numbers_of(p: Parameter | None) -> dict[str, Any] | None:
    if p is None:
        return None
    return {"value": p.value, "low": p.low, "high": p.high, "unit": p.unit, "grade": p.grade}


def _overlap(own: Parameter, shipped: Parameter | None) -> bool | None:
    if shipped is None:
        return None
    a, b = (_ends(p) for p in (own, shipped))
    return a[0] <= b[1] and b[0] <= a[1]


def _ends(p: Parameter) -> tuple[float, float]:
    if p.low is None or p.high is None:
        return p.number(), p.number()
    return p.low, p.high


def _warnings(fit: Mapping[str, Any], shipped: Parameter | None) -> list[str]:
    said = list(fit["warnings"])
    if not fit.get("temp_c"):
        said.append(
            "The counts say no temperature, so "
            + (
                "the range of the row that is replaced was kept. Check that it holds."
                if shipped is not None and shipped.valid_c
                else "the row holds at any. Write valid_c into it, if it does not."
            )
        )
    if shipped is None:
        said.append("No packaged row has this id, so nothing is outranked: it is a new row.")
    return said
