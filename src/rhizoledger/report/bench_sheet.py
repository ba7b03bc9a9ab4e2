"""The bench sheet: what an analyst fills in and a checker signs, one for each coded sample."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rhizoledger import __version__
from rhizoledger.provenance import digest_bytes
from rhizoledger.report.count_plan import (
    chance_sentence,
    expected_words,
    how_diluted,
    plate_sentence,
)
from rhizoledger.report.files import write_file
from rhizoledger.report.numbers import raised
from rhizoledger.report.printed import harmless, shortened
from rhizoledger.report.scheme_drawing import amount, scheme_svg, step_words
from rhizoledger.report.typeset import Job, Paper, typeset

EPOCH = datetime(2000, 1, 1, tzinfo=UTC)
"""Written into the PDF: a blank sheet has no day of its own."""
LONGEST_CODE = 24
CONTROLS = (
    ("Blank: diluent, every step, no sample", "no colony"),
    ("Positive: a known culture", "typical colonies"),
    ("Recovery: a known number added, or zero time", "____ to ____ %"),
)
VOID = (
    "the blank holds a colony",
    "the positive control shows none, or not the typical form",
    "recovery lies outside its limits",
    "contaminants cover or crowd the plates that are counted",
    "incubator, day of reading or a dilution differs from this sheet",
    "plates of one dilution disagree more than chance allows",
)


def write_bench_sheet(
    found: Mapping[str, Any],
    cautions: Sequence[str],
    folder: Path,
    paper: Paper = "a4",
    codes: Sequence[str] = (),
) -> Path:
    """Write bench-sheet.pdf: one side for each code, or one with the code left blank.

    Parameters
    ----------
    found : mapping
        As ``workflows.count_plan.count_plan`` returns it.
    cautions : sequence of str
        As ``workflows.count_plan.sheet_cautions`` gives them.
    folder : Path
        Made where it is not there.
    paper : {"a4", "us-letter"}
    codes : sequence of str
        Coded names of samples.

    Raises
    ------
    InputError
        If the file cannot be written.
    """
    job = bench_sheet_job(found, cautions, paper, codes)
    return write_file(folder / job.file, typeset(job.template, job.data, job.made))


def bench_sheet_job(
    found: Mapping[str, Any], cautions: Sequence[str], paper: Paper, codes: Sequence[str] = ()
) -> Job:
    """The sheet as data for the page that prints it."""
    digest = digest_bytes(json.dumps(found, sort_keys=True).encode())[:12]
    data = {
        "title": "Bench sheet: plate count",
        "paper": paper,
        "foot": f"rhizoledger {__version__}, plan {digest}",
        "codes": [shortened(harmless(c), LONGEST_CODE) for c in codes] or [""],
        "basis": found["basis"],
        "wash": _wash(found),
        "svg": scheme_svg(found),
        "alt": raised(f"Dilution scheme: {how_diluted(found)} {plate_sentence(found)}"),
        "plan": [
            raised(x) for x in (plate_sentence(found), chance_sentence(found), *found["warnings"])
        ],
        "rows": [
            {
                "dilution": step_words(found, d["step"]),
                "expected": raised(expected_words(d)),
            }
            for d in found["dilutions"]
        ],
        "replicates": found["replicates"],
        "countable": f"{found['countable'][0]} to {found['countable'][1]}",
        "controls": [list(x) for x in CONTROLS],
        "void": list(VOID),
        "level": f"{100 * found['level']:g} %",
        "cautions": list(map(harmless, cautions)),
    }
    return Job("bench-sheet.pdf", "bench_sheet.typ", data, EPOCH)


def _wash(found: Mapping[str, Any]) -> str:
    if found["basis"] != "seed":
        return ""
    return f"{amount(found['seeds'])} seeds in {amount(found['wash_ml'])} mL"
