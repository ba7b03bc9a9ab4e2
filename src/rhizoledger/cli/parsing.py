"""How command lines are read: one configuration for every command."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import Annotated

from cyclopts import App, Parameter
from cyclopts.validators import Number

from rhizoledger.cli.help import HelpText

MINUS_VALUE = re.compile(r"-\.?\d")
"""A token that starts so is a value: no option of ours starts with a digit."""

Level = Annotated[float, Parameter(validator=Number(gt=0, lt=1, gte=1e-6, lte=0.9999))]
"""A probability; nearer to none or to certain it is a slip, and limits run out of numbers."""

DEFAULTS = Parameter(
    consume_multiple=True,  # --k 2 3 5
    negative=(),  # no --no-json and no --empty-k beside the option itself
    show_default=False,
)


def new_app(name: str, text: str, *, usage: str | None = None, version: str | None = None) -> App:
    """A command or group of commands with the settings they all share.

    Parameters
    ----------
    name : str
        The word on the command line.
    text : str
        One or more sentences for ``--help``.
    usage : str or None
        How the command is written, where the words made from its signature would mislead.
    version : str or None
        What ``--version`` prints; only the outermost app has one.

    Returns
    -------
    App
        Help is plain text without boxes; results and errors come back to the caller.
    """
    return App(
        name=name,
        help=text,
        usage=usage,
        version=version,
        version_flags=["--version"] if version else [],
        default_parameter=DEFAULTS,
        help_format="plaintext",
        help_formatter=HelpText(),
        print_error=False,
        exit_on_error=False,
        result_action="return_value",
        suppress_keyboard_interrupt=False,
    )


def with_minus_values(tokens: Sequence[str]) -> list[str]:
    """The tokens with values that start with a minus tied to their option.

    A range such as ``-1.8:0.2`` would otherwise be taken for an option of its own.

    Examples
    --------
    >>> with_minus_values(["--b", "-1.8:0.2", "--k", "2", "-3:4"])
    ['--b=-1.8:0.2', '--k', '2', '--k=-3:4']
    """
    return list(_tied(tokens))


def _tied(tokens: Sequence[str]) -> Iterator[str]:
    option: str | None = None
    waiting = False  # the option has been seen but not yet passed on
    for i, token in enumerate(tokens):
        if token == "--":
            if waiting and option is not None:
                yield option
            yield from tokens[i:]
            return
        if option is not None and MINUS_VALUE.match(token):
            yield f"{option}={token}"
            waiting = False
            continue
        if waiting and option is not None:
            yield option
            waiting = False
        if token.startswith("--"):
            option, _, value = token.partition("=")
            waiting = not value
            if value:
                yield token
        else:
            yield token
    if waiting and option is not None:
        yield option
