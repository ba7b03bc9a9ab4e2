"""``rhizoledger season``: start a season folder, and check one."""

from __future__ import annotations

from pathlib import Path

from rhizoledger.cli.console import say, say_json
from rhizoledger.cli.parsing import new_app

app = new_app("season", "Start a season folder, or check one.")


@app.command
def new(dir: Path, /, *, minimal: bool = False, json: bool = False) -> int:
    """Start an empty season folder with headers, units and notes.

    Parameters
    ----------
    dir
        The folder to make; it may not hold a season yet.
    minimal
        Only the settings, the fields and the four tables of the seed question.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.workflows import season

    written = season.new(dir, minimal=minimal)
    if json:
        say_json({"written": list(written)})
    else:
        say("\n".join(f"Written: {dir / name}" for name in written))
    return 0


@app.command
def check(dir: Path, /, *, json: bool = False) -> int:
    """Name every problem in a season folder: file, row, column, value and remedy.

    Parameters
    ----------
    dir
        The season folder.
    json
        Print one JSON object instead of sentences.
    """
    from rhizoledger.report.listing import problems_text
    from rhizoledger.workflows import season

    problems = season.check(dir)
    if json:
        say_json({"problems": [problem.to_dict() for problem in problems]})
    else:
        say(problems_text(problems))
    return 2 if any(problem.severity == "error" for problem in problems) else 0
