"""``rhizoledger evidence``: the numbers about the world, and where they come from."""

from __future__ import annotations

from rhizoledger.cli.console import say, say_json
from rhizoledger.cli.parsing import new_app

app = new_app("evidence", "List the numbers about the world, and show where each comes from.")


@app.command(name="list")
def list_(*, gaps: bool = False, json: bool = False) -> int:
    """List every evidence parameter with its grade.

    Parameters
    ----------
    gaps
        Only what rests on an assumption or on memory, or is not known at all.
    json
        Print one JSON object instead of a table.
    """
    from rhizoledger.report.listing import evidence_list_text
    from rhizoledger.workflows.evidence import list_evidence

    listed = list_evidence(gaps=gaps)
    if json:
        say_json(listed)
    else:
        say(evidence_list_text(listed))
    return 0


@app.command
def show(id: str, /, *, json: bool = False) -> int:
    """Show one evidence parameter: value, interval, range of validity and source.

    Parameters
    ----------
    id
        The parameter's dotted name, as "evidence list" prints it.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.listing import evidence_show_text
    from rhizoledger.workflows.evidence import show_evidence

    shown = show_evidence(id)
    if json:
        say_json(shown)
    else:
        say(evidence_show_text(shown))
    return 0
