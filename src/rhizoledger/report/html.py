"""Blocks as one HTML file: no script, nothing loaded, every user's text escaped.

The style sheet is allowed by its digest alone, so that even a text that slipped through could
neither run nor fetch anything.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable
from functools import lru_cache
from importlib.resources import files
from typing import Any

from jinja2 import BaseLoader, Environment, StrictUndefined
from markupsafe import Markup

from rhizoledger.report.blocks import (
    Cell,
    Document,
    Figure,
    Heading,
    Paragraph,
    Points,
    Table,
)
from rhizoledger.report.draw import svg
from rhizoledger.report.printed import harmless, printed

Drawn = Callable[[Figure], str]


def page_html(page: Document, drawn: Drawn | None = None) -> str:
    """The document as one self-contained HTML page.

    Parameters
    ----------
    page : Document
    drawn : callable, optional
        Gives the SVG of a figure; draws it where left out.
    """
    draw = drawn or (lambda f: svg(f.spec, f.anchor))
    env = _environment()
    style = _text("page.css")
    digest = base64.b64encode(hashlib.sha256(style.encode()).digest()).decode()
    return env.from_string(_text("page.html.j2")).render(
        page=page,
        style=Markup(style),
        style_hash=f"sha256-{digest}",
        drawn=lambda f: Markup(draw(f)),
        table=_table,
    )


def _table(t: Table) -> Markup:
    rows = [[_cell(x) for x in row] for row in t.rows]
    return Markup(_table_template().render(t=t, rows=rows))


def _cell(x: Cell) -> str:
    return printed(x)


def _harmless(x: Any) -> Any:
    """What a template prints: markup of ours as it is, any other text made harmless."""
    return harmless(x) if isinstance(x, str) and not isinstance(x, Markup) else x


@lru_cache(maxsize=1)
def _environment() -> Environment:
    env = Environment(
        loader=BaseLoader(), autoescape=True, undefined=StrictUndefined, finalize=_harmless
    )
    kinds: dict[str, Any] = {
        "heading": Heading, "paragraph": Paragraph, "points": Points, "figure": Figure,
    }  # fmt: skip
    for name, kind in kinds.items():
        env.tests[name] = lambda b, kind=kind: isinstance(b, kind)
    return env


@lru_cache(maxsize=1)
def _table_template() -> Any:
    return _environment().from_string(_text("table.html.j2"))


@lru_cache(maxsize=8)
def _text(name: str) -> str:
    return (files("rhizoledger.report") / "templates" / name).read_text(encoding="utf-8")
