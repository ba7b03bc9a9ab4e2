"""The repository as the house rules see it: its files, its modules, their syntax trees."""

from __future__ import annotations

import ast
import io
import os
import tokenize
from collections.abc import Iterator
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGE = ROOT / "src" / "rhizoledger"

FLOOR_0 = ("errors", "units", "estimate", "evidence", "draws", "provenance", "geo", "records")
DOMAIN = ("stats", "counts", "survival", "treating", "fields", "roots", "trials", "money", "plan")

MADE_BY_TOOLS = {"__pycache__", "build", "dist", "node_modules", "_build", "screenshots"}


@cache
def files() -> tuple[Path, ...]:
    """Every file that belongs to the project, without asking git."""
    found = []
    for folder, names, file_names in os.walk(ROOT):
        here = Path(folder)
        names[:] = [
            name
            for name in names
            if name not in MADE_BY_TOOLS
            and (not name.startswith(".") or name == ".ci")
            and not name.endswith(".egg-info")
            and not (name == "plan" and here.parent == ROOT / "examples")
        ]
        found += [here / name for name in file_names if name != ".DS_Store"]
    return tuple(sorted(found))


@cache
def modules() -> tuple[Path, ...]:
    """Every Python module of the package."""
    return tuple(path for path in files() if path.suffix == ".py" and PACKAGE in path.parents)


def floor_of(path: Path) -> str:
    """The package or module directly under ``rhizoledger`` that a file belongs to."""
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def name_of(path: Path) -> str:
    """How a failing test names a file."""
    return path.relative_to(ROOT).as_posix()


@cache
def tree(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def comments(source: str) -> dict[int, str]:
    """The comment of each line that has one."""
    tokens = tokenize.generate_tokens(io.StringIO(source).readline)
    return {t.start[0]: t.string for t in tokens if t.type == tokenize.COMMENT}


def imported(path: Path) -> Iterator[tuple[int, str]]:
    """Line and full dotted name of everything a module imports, wherever in it."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield node.lineno, alias.name
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            for alias in node.names:
                yield node.lineno, f"{node.module}.{alias.name}"


def dotted(node: ast.AST) -> str:
    """``a.b.c`` for an attribute chain that starts at a name; else an empty text."""
    if isinstance(node, ast.Name):
        return node.id
    if isinstance(node, ast.Attribute):
        start = dotted(node.value)
        return f"{start}.{node.attr}" if start else ""
    return ""
