"""A season folder in: every table, every problem, one :class:`~rhizoledger.records.Season`."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC
from pathlib import Path
from types import MappingProxyType
from typing import Any

from rhizoledger.errors import InputError, Problem
from rhizoledger.records import Season, Settings, Trace
from rhizoledger.season import source, workbook
from rhizoledger.season import tables as schema
from rhizoledger.season.cells import Context
from rhizoledger.season.cross_check import check_tables
from rhizoledger.season.findings import Findings, nearest
from rhizoledger.season.kept_files import LARGEST_KEPT, check_kept_files
from rhizoledger.season.loggers import check_stays, read_loggers
from rhizoledger.season.records_of import in_season, records_of
from rhizoledger.season.rows import TypedTable, read_rows
from rhizoledger.season.settings import LARGEST_SETTINGS, read_settings, zone_of
from rhizoledger.season.settings_reader import FILE
from rhizoledger.season.source import Folder, RawTable
from rhizoledger.season.trials import read_trials

NO_BUSHELS: Mapping[str, float] = MappingProxyType({})

BESIDE = ("cleanouts.csv",)
"""Files that a command of its own reads: the order of runs."""


def read_season(directory: Path, lb_per_bu: Mapping[str, float] = NO_BUSHELS) -> Season:
    """Read and check a whole season folder.

    Parameters
    ----------
    directory : Path
        The season folder.
    lb_per_bu : mapping of str to float
        Bushel weight by crop, named as in evidence ids [lb/bu].

    Returns
    -------
    Season
        Everything the folder says; its ``problems`` are warnings.

    Raises
    ------
    InputError
        With *every* problem of the folder, errors and warnings, if there is an error.
    """
    findings = Findings()
    season = _read(directory, lb_per_bu, findings)
    problems = findings.in_order()
    if season is None or findings.has_errors():
        raise InputError(problems)
    return season


def check_season(
    directory: Path, lb_per_bu: Mapping[str, float] = NO_BUSHELS
) -> tuple[Problem, ...]:
    """Every problem of a season folder; empty where there is none."""
    findings = Findings()
    _read(directory, lb_per_bu, findings)
    return findings.in_order()


def _read(directory: Path, lb_per_bu: Mapping[str, float], findings: Findings) -> Season | None:
    if not directory.is_dir():
        findings.error(
            directory.name or str(directory),
            None,
            None,
            None,
            "There is no such folder.",
            "Name a season folder, or make one with: rhizoledger season new DIR",
        )
        return None
    folder = Folder(directory.resolve(), findings)
    names = folder.names()
    settings, unknown_settings = _settings(folder, names, findings)
    # With a broken season.toml the tables are still checked, as if their clocks ran on UTC.
    zone = (zone_of(settings.timezone) if settings else None) or UTC
    area_unit = settings.units.area if settings else "ac"
    raw = _raw_tables(folder, names, findings)
    _check_question(raw, names, findings)
    context = Context(zone, area_unit=area_unit)
    typed = {}
    for table in schema.TABLES:
        there = raw.get(table.name)
        if there is not None:
            typed[table.name] = read_rows(there, table, context, findings)
    check_tables(typed, findings)
    labels = check_kept_files(folder, names, typed, area_unit, findings)
    confirmed = settings.celsius_confirmed if settings else ()
    loggers = folder.names("loggers")
    traces, doubtful = read_loggers(folder, loggers, zone, confirmed, findings)
    if "stays" in typed:
        check_stays(typed["stays"], traces, doubtful, loggers, findings)
    trials = read_trials(folder, findings)
    if "evidence.toml" in names:
        folder.read("evidence.toml", LARGEST_KEPT)
    if settings is None:
        return None
    if "plantings" in typed:
        in_season(typed["plantings"], settings.starts_on, settings.ends_on, findings)
    if findings.has_errors():
        return None
    return _assemble(
        settings, typed, traces, trials, labels, folder.digests, unknown_settings, lb_per_bu,
        findings,
    )  # fmt: skip


def _settings(
    folder: Folder, names: tuple[str, ...], findings: Findings
) -> tuple[Settings | None, dict[str, Any]]:
    if FILE not in names:
        findings.error(
            FILE,
            None,
            None,
            None,
            "The season folder has no season.toml.",
            "Make an empty season with rhizoledger season new and fill it in.",
        )
        return None, {}
    data = folder.read(FILE, LARGEST_SETTINGS)
    return (None, {}) if data is None else read_settings(data, findings)


def _raw_tables(
    folder: Folder, names: tuple[str, ...], findings: Findings
) -> dict[str, RawTable | None]:
    """Every table that is there, as it stands; None where it is there and cannot be read."""
    known = tuple(schema.BY_NAME)
    raw: dict[str, RawTable | None] = {}
    if workbook.FILE in names:
        data = folder.read(workbook.FILE, workbook.LARGEST_FILE)
        if data is not None:
            raw.update(workbook.read_workbook(data, known, findings))
    for name in names:
        stem, _, suffix = name.rpartition(".")
        if suffix.casefold() not in ("csv", "xlsx", "xls", "ods", "tsv") or name == workbook.FILE:
            continue
        if name in BESIDE:
            continue
        if suffix != "csv" or stem not in known:
            close = nearest(name, [f"{table}.csv" for table in known])
            findings.warning(
                name,
                None,
                None,
                None,
                "This is not the name of a table; the file is not read.",
                close if close.startswith("Near") else "",
            )
            continue
        if stem in raw:
            findings.error(
                name,
                None,
                None,
                None,
                f"The table is there twice: {name}, and the sheet {stem} of {workbook.FILE}.",
                "Keep one of them.",
            )
            continue
        data = folder.read(name, source.LARGEST_TABLE)
        raw[stem] = None if data is None else source.parse_csv(data, name, findings)
    return raw


def _check_question(
    raw: Mapping[str, RawTable | None], names: tuple[str, ...], findings: Findings
) -> None:
    """A season asks the field question, the seed question, or both."""
    if "fields" in raw or all(table in raw for table in schema.SEED_QUESTION):
        return
    if any(p.file.startswith(workbook.FILE) and p.severity == "error" for p in findings.problems):
        return  # the missing tables may be in the workbook that could not be read
    missing = [f"{t}.csv" for t in schema.SEED_QUESTION if t not in raw]
    findings.error(
        missing[0] if len(missing) < len(schema.SEED_QUESTION) else "fields.csv",
        None,
        None,
        None,
        "The season asks neither question: it needs fields, or inoculants, lots, recipes and "
        "batches.",
        f"Add fields.csv, or {', '.join(missing)}.",
    )


def _assemble(
    settings: Settings,
    typed: Mapping[str, TypedTable],
    traces: Mapping[str, Trace],
    trials: Mapping[str, tuple[Mapping[str, str], ...]],
    labels: Mapping[str, str],
    digests: Mapping[str, str],
    unknown_settings: Mapping[str, Any],
    lb_per_bu: Mapping[str, float],
    findings: Findings,
) -> Season:
    made = {name: records_of(table, lb_per_bu, findings) for name, table in typed.items()}
    extra: dict[str, Any] = {name: dict(t.extra) for name, t in typed.items() if t.extra}
    if unknown_settings:
        extra[FILE] = dict(unknown_settings)
    return Season(
        settings=settings,
        **made,
        tables=tuple(typed) + tuple(f"trials/{name}" for name in trials),
        traces=MappingProxyType(dict(traces)),
        trials=MappingProxyType(dict(trials)),
        labels=MappingProxyType(dict(labels)),
        digests=MappingProxyType(dict(sorted(digests.items()))),
        extra=MappingProxyType(extra),
        problems=findings.in_order(),
    )
