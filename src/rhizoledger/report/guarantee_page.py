"""The page of a guarantee to be signed: decisions, composites, operating curve with its table."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from rhizoledger import __version__
from rhizoledger.plan.spoken import grouped
from rhizoledger.provenance import digest_bytes
from rhizoledger.report.blocks import Block, Document, Figure, Heading, Paragraph, Points, Table
from rhizoledger.report.charts.operating_curve import Curve, operating_figure
from rhizoledger.report.count_guarantee import (
    DOWN,
    FIRST,
    UP,
    chance,
    curve_sentences,
    lot_sentences,
    said,
    size_sentences,
)
from rhizoledger.report.draw import svg
from rhizoledger.report.files import write_file
from rhizoledger.report.listing import counted
from rhizoledger.report.numbers import raised
from rhizoledger.report.printed import harmless
from rhizoledger.report.typeset import Paper, report_jobs, typeset

EPOCH = datetime(2000, 1, 1, tzinfo=UTC)
"""Written into a PDF where nobody gave a date: the same input gives the same bytes."""
TABLE_ROWS = 24


def write_guarantee(
    found: Mapping[str, Any], folder: Path, paper: Paper = "a4"
) -> tuple[Path, ...]:
    """Write guarantee.pdf, operating-curve.svg and operating-curve.csv.

    Parameters
    ----------
    found : mapping
        As ``workflows.count_guarantee.guarantee_file`` returns it.
    folder : Path
        Made where it is not there.
    paper : {"a4", "us-letter"}

    Raises
    ------
    InputError
        If a file cannot be written.
    """
    document = guarantee_document(found)
    (job,) = report_jobs(document, paper)
    job = replace(job, file="guarantee.pdf")
    out = [write_file(folder / job.file, typeset(job.template, job.data, job.made))]
    for figure in (b for b in document.blocks if isinstance(b, Figure)):
        drawing = svg(figure.spec, figure.anchor)
        out.append(write_file(folder / "operating-curve.svg", drawing.encode()))
        out.append(write_file(folder / "operating-curve.csv", _csv(found).encode()))
    return tuple(out)


def guarantee_document(found: Mapping[str, Any]) -> Document:
    """The page to sign: decisions, composites, operating curve with its table."""
    blocks: list[Block] = []
    for i, r in enumerate(found["results"]):
        first, *rest = [raised(x) for x in lot_sentences(r, found)]
        blocks += [
            Heading(f"Lot {harmless(r['item'])}", 2, f"lot-{i + 1}"),
            Paragraph(first, "answer"),
            Points(tuple(rest)),
            _composites(r, found),
        ]
    blocks += [
        Heading("Before release", 2, "release"),
        Paragraph(FIRST, "stop"),
        *([Points(tuple(found["warnings"]))] if found["warnings"] else []),
        Paragraph("Decided by ____________________   Checked by ____________________   "
                  "Date ____________"),
    ]  # fmt: skip
    if found["curve"] is not None:
        blocks += [
            Heading("What this way of deciding lets pass", 2, "curve"),
            *(Paragraph(raised(x)) for x in curve_sentences(found)),
            _figure(found),
        ]
    sizes = [raised(x.strip()) for x in size_sentences(found)]
    if sizes:
        blocks += [
            Heading("Samples for the wanted risks", 2, "sizes"),
            Paragraph(sizes[0]),
            Points(tuple(sizes[1:])),
        ]
    digest = digest_bytes(_csv(found).encode() + repr(found["results"]).encode())[:12]
    g = raised(f"{grouped(found['guarantee'])} CFU per {found['basis']}")
    return Document(
        "Guarantee",
        f"Guarantee {g}; from {harmless(found['file'])}.",
        tuple(blocks),
        f"rhizoledger {__version__}, numbers {digest}",
        EPOCH,
    )


def _composites(r: Mapping[str, Any], found: Mapping[str, Any]) -> Table:
    share = f"{100 * found['confidence']:g} %"
    planned = found["plan"] is not None
    columns = ("Composite", "Colonies", "Plates", "Titre", f"Lower, plates, {share}",
               f"Upper, plates, {share}", *(["Below m"] if planned else []))  # fmt: skip
    words = {True: "yes", False: "no", None: "open"}
    rows = tuple(
        (
            x["sample"],
            x["colonies"],
            x["n_plates"],
            raised(said(x["titre"])),
            raised(said(x["plates_low"], DOWN)),
            raised(said(x["plates_high"], UP)),
            *([words[x["below_m"]]] if planned else []),
        )
        for x in r["composites"]
    )
    caption = f"Composites of lot {harmless(r['item'])}, CFU per {r['basis']}, by plate count."
    return Table("composites", caption, columns, rows, (1, 2, 3, 4, 5), harmless(r["item"]))


def _figure(found: Mapping[str, Any]) -> Figure:
    c = found["curve"]
    rows, drawn = c["rows"], c["drawn"]
    curves = [
        Curve(f"spread between samples {sd:g} log10", tuple(row[drawn][i] for row in rows))
        for i, sd in enumerate(c["between_sd_log10"])
    ]
    marks = [(found["guarantee"], "guarantee")]
    if found["plan"] is not None:
        same = found["plan"]["m"] == found["guarantee"]
        marks = (
            [(found["guarantee"], "m, guarantee")] if same else [*marks, (found["plan"]["m"], "m")]
        )
    spec = operating_figure([r["titre"] for r in rows], curves, marks, basis=found["basis"])
    return Figure("operating-curve", spec, _says(found), _curve_table(found))


def _says(found: Mapping[str, Any]) -> str:
    c, plan = found["curve"], found["plan"]
    how = (
        f"shown to meet the guarantee by the lower limit of {counted(c['k'], 'composite')}"
        if plan is None
        else f"accepted by the plan n = {plan['n']}, c = {plan['c']}, m = {grouped(plan['m'])}"
    )
    what = "the guarantee" if plan is None else "m"
    return raised(
        f"Chance that a lot is {how}, against its true mean titre. Each sample is taken to count "
        f"{grouped(c['colonies_at'])} colonies where the titre is {what}."
    )


def _curve_table(found: Mapping[str, Any]) -> Table:
    c = found["curve"]
    marks = {found["guarantee"], *([] if found["plan"] is None else [found["plan"]["m"]])}
    every = max(1, -(-len(c["rows"]) // TABLE_ROWS))
    rows = [row for i, row in enumerate(c["rows"]) if i % every == 0 or row["titre"] in marks]
    spreads = [f"{sd:g}" for sd in c["between_sd_log10"]]
    names = [f"Plan accepts, spread {sd}" for sd in spreads if found["plan"] is not None]
    names += [f"Limit shows, spread {sd}" for sd in spreads]
    table = tuple(
        (
            raised(said(row["titre"])),
            *(chance(p) for p in [*(row["accept"] or []), *row["shown"]]),
        )
        for row in rows
    )
    plan = "" if found["plan"] is None else "Plan: number of samples below m. "
    caption = (
        f"Chance to pass by true mean titre. {plan}Limit: lower limit of "
        f"{counted(c['k'], 'composite')} at or above the guarantee."
    )
    columns = (f"True titre, CFU per {found['basis']}", *names)
    return Table("operating curve", caption, columns, table, tuple(range(len(columns))))


def _csv(found: Mapping[str, Any]) -> str:
    """Every point of the curve, unrounded."""
    c = found["curve"]
    if c is None:
        return ""
    spreads = [f"{sd:g}" for sd in c["between_sd_log10"]]
    kinds = ["shown"] if found["plan"] is None else ["below_m", "accept", "shown"]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["titre", *(f"{kind}_sd_{sd}" for kind in kinds for sd in spreads)])
    for row in c["rows"]:
        writer.writerow([row["titre"], *(p for kind in kinds for p in row[kind])])
    return out.getvalue()
