"""No number about the world stands in Python.

In floor 0 and in the domain packages a literal number other than -1, 0, 0.5, 1, 2, 10 and 100
carries, on its own line, `# exact: reason` (a definition, a unit factor) or `# numeric: reason`
(a tolerance, a constant of an algorithm).
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.house.tree import DOMAIN, FLOOR_0, comments, dotted, floor_of, modules, name_of

PLAIN = (0, 0.5, 1, 2, 10, 100)
REASON = re.compile(r"#.*\b(exact|numeric):.*[A-Za-z]{2}")
NUMBER_IN_TEXT = re.compile(r"\s*[-+]?\.?\d")


def unexplained(source: str) -> list[tuple[int, str]]:
    """Line and spelling of each literal that is neither plain nor explained."""
    said = comments(source)
    return [
        (line, spelling)
        for line, spelling, value in literals(ast.parse(source))
        if value not in PLAIN and not REASON.search(said.get(line, ""))
    ]


def literals(node: ast.AST) -> Iterator[tuple[int, str, complex]]:
    """Line, spelling and value; a minus before a literal is an operator, as Python reads it."""
    if isinstance(node, ast.Constant):
        if isinstance(node.value, int | float | complex) and not isinstance(node.value, bool):
            yield node.end_lineno or node.lineno, repr(node.value), node.value
        return
    # The members of a Literal type are names that happen to be spelled with digits.
    if isinstance(node, ast.Subscript) and dotted(node.value).split(".")[-1] == "Literal":
        return
    # A number hidden in a text that Python turns into a number is a number.
    if (
        isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in ("int", "float", "complex", "Decimal", "Fraction")
    ):
        for argument in node.args[:1]:
            if (
                isinstance(argument, ast.Constant)
                and isinstance(argument.value, str)
                and NUMBER_IN_TEXT.match(argument.value)
            ):
                yield node.lineno, argument.value, complex("nan")
    for child in ast.iter_child_nodes(node):
        yield from literals(child)


@pytest.mark.parametrize(
    "path",
    [path for path in modules() if floor_of(path) in (*FLOOR_0, *DOMAIN)],
    ids=name_of,
)
def test_every_literal_number_is_plain_or_explained(path: Path) -> None:
    found = unexplained(path.read_text(encoding="utf-8"))
    assert not found, "\n".join(f"{name_of(path)}:{line}: {number}" for line, number in found)


@pytest.mark.parametrize(
    ("source", "n"),
    [
        ("x = 0.5 * y + 10 - 1", 0),
        ("x = -1", 0),
        ("x = -3", 1),
        ("x = 1.0, 100.0, 1e2, True", 0),
        ("x = 22.5", 1),
        ("x = 60  # exact: seconds in a minute", 0),
        ("x = 60  # exact:", 1),
        ("x = 60  # about right", 1),
        ("x = 1e-9  # numeric: far below rounding", 0),
        ("x = (\n    60,\n    3,  # numeric: three points fix a parabola\n)", 1),
        ("def f(t_ref_c=22.5):\n    '''Above 30 it dies.'''", 1),
        ("x = float('22.5')", 1),
        ("x = float('inf')", 0),
        ("x = a[3]", 1),
        ("def f() -> Literal[1, 2, 3]: ...", 0),
    ],
)
def test_the_rule_itself_can_fail(source: str, n: int) -> None:
    assert len(unexplained(source)) == n
