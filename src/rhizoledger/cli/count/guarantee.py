"""``rhizoledger count guarantee``: does a lot hold what its label promises."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from rhizoledger.cli.console import say, say_json
from rhizoledger.cli.parsing import Level


def guarantee(
    file: Path,
    /,
    *,
    guarantee: float,
    confidence: float = 0.95,
    plan: str | None = None,
    good: float | None = None,
    bad: float | None = None,
    producer_risk: Level | None = None,
    user_risk: Level | None = None,
    between_sd: float | None = None,
    tntc_limit: float = 250.0,
    tntc_at_least: bool = False,
    out: Path | None = None,
    paper: Literal["a4", "letter"] = "a4",
    json: bool = False,
) -> int:
    """Judge lots against their guarantee: one-sided limit, decision, and what it lets pass.

    Parameters
    ----------
    file
        A CSV file of plates: item, dilution, volume_ml, colonies, and sample where a lot has
        several composites; basis, wash_ml and seeds_washed for a count per seed.
    guarantee
        The titre on the label, per the file's basis, such as 2e9.
    confidence
        Of the one-sided limit: 0.95 for 95 %.
    plan
        An acceptance plan: n=5,c=0,m=1e9 accepts if at most c of n samples count below m.
    good
        Titre of a lot that should pass; with --bad, sample sizes are worked out.
    bad
        Titre of a lot that should not pass.
    producer_risk
        Largest chance to reject the good lot; 0.05 unless told.
    user_risk
        Largest chance to accept the bad lot; 0.10 unless told.
    between_sd
        Standard deviation between samples of one lot in log10, where your own work tells it.
    tntc_limit
        What TNTC stands for where the file does not say.
    tntc_at_least
        TNTC means the limit or more, not above it.
    out
        A folder for guarantee.pdf, operating-curve.svg and operating-curve.csv.
    paper
        The sheet to print on.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.count_guarantee import guarantee_text
    from rhizoledger.report.guarantee_page import write_guarantee
    from rhizoledger.workflows.count_guarantee import guarantee_file

    found = guarantee_file(
        file,
        guarantee,
        confidence=confidence,
        plan=plan,
        good=good,
        bad=bad,
        producer_risk=producer_risk,
        user_risk=user_risk,
        between_sd=between_sd,
        tntc_limit=tntc_limit,
        tntc_at_least=tntc_at_least,
    )
    sheet: Literal["a4", "us-letter"] = "us-letter" if paper == "letter" else "a4"
    written = () if out is None else write_guarantee(found, out, sheet)
    if json:
        say_json(found)
    else:
        say(guarantee_text(found, written))
    return 0
