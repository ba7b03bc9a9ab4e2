"""The ``rhizoledger`` command: reads a command line, calls one workflow, prints one answer.

This is the one place where errors become exit codes: 0 whatever the verdict, 2 where the input or
the command line cannot be used. A command imports its workflow when it runs, so that asking for
help stays quick.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

from cyclopts import App, CycloptsError

from rhizoledger import __version__
from rhizoledger.cli import evidence, plan, season, trial
from rhizoledger.cli.console import complain, say_json
from rhizoledger.cli.parsing import new_app, with_minus_values
from rhizoledger.errors import InputError, Problem, RhizoledgerError

UNUSABLE = 2
INTERRUPTED = 130  # as a shell reports a process stopped by Ctrl-C
PIPE_CLOSED = 141  # as a shell reports a process whose reader went away

app = new_app(
    "rhizoledger",
    "The ledger of live rhizobia from jug to furrow, and of the money behind it.",
    version=__version__,
)
app.command(season.app)
app.command(plan.app)
app.command(evidence.app)
app.command(trial.app)
# These hold many commands and are imported only when asked for, so that help stays quick; the
# sentence is theirs, and a test holds that it is.
app.command(
    "rhizoledger.cli.count:app",
    name="count",
    help="Count live cells: plates, tubes, test plants, and what a lot must hold.",
)
app.command(
    "rhizoledger.cli.survival:app",
    name="survival",
    help="Fit die-off curves, state windows, and read temperature records.",
)

app.command(
    "rhizoledger.cli.treat:app",
    name="treat",
    help="Turn rates into amounts, set pumps by catch tests, and judge evenness.",
)


def main(tokens: Sequence[str] | None = None) -> int:
    """Run one command line.

    Parameters
    ----------
    tokens : sequence of str or None
        The words after ``rhizoledger``; those of this process if None.

    Returns
    -------
    int
        The exit code: 0, or 2 where the input or the command line cannot be used.
    """
    return run(app, sys.argv[1:] if tokens is None else tokens)


def run(commands: App, tokens: Sequence[str]) -> int:
    """Run a command line against ``commands`` and turn what goes wrong into an exit code."""
    as_json = "--json" in tokens
    try:
        code = commands(with_minus_values(tokens))
        sys.stdout.flush()
    except CycloptsError as error:
        remedy = f'See "{" ".join(("rhizoledger", *(error.command_chain or ())))} --help".'
        return _unusable([_problem("command line", str(error), remedy)], as_json)
    except InputError as error:
        return _unusable(error.problems or str(error), as_json)
    except RhizoledgerError as error:
        return _unusable(str(error), as_json)
    except KeyboardInterrupt:
        complain("Stopped. Nothing more was written.")
        return INTERRUPTED
    except BrokenPipeError:
        # The reader has what it wanted. Python flushes once more at exit: give it somewhere to go.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return PIPE_CLOSED
    except OSError as error:
        what = f"{error.strerror or error}."
        remedy = "Check that it is there, and that you may read and write it."
        return _unusable([_problem(str(error.filename or "a file"), what, remedy)], as_json)
    return code if isinstance(code, int) else 0


def _problem(place: str, what: str, remedy: str = "") -> Problem:
    return Problem(place, None, None, None, " ".join(what.split()), remedy)


def _unusable(wrong: str | Sequence[Problem], as_json: bool) -> int:
    """Say what is wrong, in words or as one JSON object, and return the exit code for it."""
    from rhizoledger.report.listing import problems_text, wrapped

    if as_json:
        problems = [_problem("", wrong)] if isinstance(wrong, str) else wrong
        say_json({"problems": [problem.to_dict() for problem in problems]})
    else:
        complain(wrapped(wrong) if isinstance(wrong, str) else problems_text(wrong))
    return UNUSABLE
