"""``rhizoledger plan``: from a season folder to a ledger and an answer for each field."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from cyclopts import Parameter

from rhizoledger.cli.console import progress, say, say_json
from rhizoledger.cli.parsing import new_app

app = new_app(
    "plan",
    "Plan a season: a ledger for each batch, an answer for each planting and field.\n\n"
    "A folder whose name is also a command's is written with a dot: ./why",
    usage=(
        "Usage: rhizoledger plan [OPTIONS] DIR\n"
        "       rhizoledger plan why [OPTIONS] DIR BATCH_OR_FIELD"
    ),
)


@app.default
def plan(
    dir: Path,
    /,
    *,
    out: Path | None = None,
    as_of: Annotated[str | None, Parameter(metavar="DATE")] = None,
    paper: Literal["a4", "letter"] | None = None,
    json: bool = False,
) -> int:
    """Plan a season, write the plan, its report, run sheets and growers' pages, say the answers.

    Parameters
    ----------
    dir
        The season folder.
    out
        Where to write; the folder's own "plan" if not given.
    as_of
        The day to plan from, as 2027-05-10; the latest recorded day if not given.
    paper
        The sheet to print on; by the season's country if not given.
    json
        Print the plan as one JSON object instead of the summary.
    """
    from rhizoledger.report.statements import write_statements
    from rhizoledger.report.summary import summary_text
    from rhizoledger.workflows.plan import make_plan

    with progress() as told:
        result = make_plan(dir, out, as_of, told)
        printed = write_statements(result, "us-letter" if paper == "letter" else paper, told)
    if json:
        say_json(result.document)
    else:
        say(summary_text(result.plan, (*result.written, *printed)))
    return 0


@app.command
def why(
    dir: Path,
    batch_or_field: str,
    /,
    *,
    as_of: Annotated[str | None, Parameter(metavar="DATE")] = None,
    json: bool = False,
) -> int:
    """Tell the ledger of one batch, or the answer for one field, in sentences.

    Parameters
    ----------
    dir
        The season folder.
    batch_or_field
        The name of a batch or a field, as the tables spell it.
    as_of
        The day to plan from, as 2027-05-10; the latest recorded day if not given.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.listing import sentences_text
    from rhizoledger.report.why import why_sentences
    from rhizoledger.workflows.plan import plan_only

    sentences = why_sentences(plan_only(dir, as_of), batch_or_field)
    if json:
        say_json({"about": batch_or_field, "sentences": sentences})
    else:
        say(sentences_text(sentences))
    return 0
