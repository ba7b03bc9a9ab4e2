"""Lists as text for a console of 80 columns: problems, evidence, sentences."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from rhizoledger.errors import Problem

COLUMNS = 80


def problems_text(problems: Sequence[Problem]) -> str:
    """Every problem as a sentence of its own, errors before warnings, and how many there are.

    Parameters
    ----------
    problems : sequence of Problem
        May be empty.

    Returns
    -------
    str
        Lines of at most 80 columns, except where a file name or a cell is longer than that.

    Examples
    --------
    >>> nameless = Problem("lots.csv", 3, "lot", "", "A lot needs a name.", "Write one.")
    >>> print(problems_text([nameless, nameless]))
    lots.csv, row 3, column lot, value '': A lot needs a name. Write one.
    lots.csv, row 3, column lot, value '': A lot needs a name. Write one.
    <BLANKLINE>
    2 problems to mend.
    """
    if not problems:
        return "No problems found."
    errors = [p for p in problems if p.severity == "error"]
    warnings = [p for p in problems if p.severity != "error"]
    lines = [wrapped(p.sentence()) for p in errors]
    lines += [wrapped("Warning: " + p.sentence()) for p in warnings]
    if len(problems) == 1:
        return lines[0]
    counts = [counted(len(errors), "problem") + " to mend"] if errors else []
    if warnings:
        counts.append(counted(len(warnings), "warning") + " to read")
    return "\n".join([*lines, "", ", ".join(counts) + "."])


def wrapped(text: str, indent: str = "", hanging: str = "  ") -> str:
    """One paragraph broken at 80 columns; words and names stay whole."""
    return textwrap.fill(
        text,
        COLUMNS,
        initial_indent=indent,
        subsequent_indent=indent + hanging,
        break_long_words=False,
        break_on_hyphens=False,
    )


def counted(n: int, noun: str) -> str:
    """A count with its noun.

    Examples
    --------
    >>> counted(1, "warning"), counted(2, "warning")
    ('1 warning', '2 warnings')
    """
    return f"{n} {noun}" if n == 1 else f"{n} {noun}s"


def sentences_text(sentences: Iterable[str]) -> str:
    """Sentences, each on its own line or lines."""
    return "\n".join(wrapped(sentence) for sentence in sentences)


def evidence_list_text(listed: Mapping[str, Any]) -> str:
    """Every row with its grade and its number, then what is not known at all.

    Parameters
    ----------
    listed : mapping
        ``"evidence"``: rows with the fields of ``evidence.Parameter``; ``"gaps"``: what is not
        known, with ``id``, ``about``, ``missing``, ``until_then`` and ``would_settle``.

    Returns
    -------
    str
        The grade, or what a gap leaves open, stands at the right edge of the line with the name.
    """
    rows, gaps = listed["evidence"], listed.get("gaps", ())
    lines = []
    for row in rows:
        lines += [_headed(row["id"], row["grade"]), wrapped(_number(row), "  ")]
    for gap in gaps:
        lines += [
            "",
            _headed(gap["id"], gap["about"]),
            wrapped(f"Not known: {gap['missing']}", "  "),
            wrapped(f"Until then: {gap['until_then']}", "  "),
            wrapped(f"What would settle it: {gap['would_settle']}", "  "),
        ]
    counts = counted(len(rows), "parameter")
    if gaps:
        counts += f" on weak ground and {counted(len(gaps), 'thing')} not known"
    lines += ["", wrapped(f"{counts}. One of them in full: rhizoledger evidence show ID")]
    return "\n".join(lines)


def _headed(name: str, note: str) -> str:
    return f"{name:{COLUMNS - len(note) - 1}} {note}"


def evidence_show_text(shown: Mapping[str, Any]) -> str:
    """One parameter with its whole passport, in lines of the form "what: how".

    Parameters
    ----------
    shown : mapping
        The fields of ``evidence.Parameter``, with ``used_for`` and ``replaced_by``; each source
        is a mapping with ``citation``, ``locator`` and ``how_known``.
    """
    lines = [str(shown["id"]), wrapped(_number(shown), "  ")]
    facts = [
        ("grade", shown.get("grade")),
        ("interval", _interval(shown)),
        ("drawn", _drawn(shown)),
        ("covers", ", ".join(shown.get("covers") or ())),
        ("holds from", _span(shown.get("valid_c"))),
        ("moisture", ", ".join(shown.get("moisture") or ())),
        ("conditions", shown.get("conditions")),
        ("how known", shown.get("how_known")),
        ("used for", shown.get("used_for")),
        ("replaces", shown.get("replaces")),
        ("replaced by", shown.get("replaced_by")),
    ]
    lines += [wrapped(f"{name}: {fact}", "  ") for name, fact in facts if fact]
    lines += [wrapped(f"source: {_source(source)}", "  ") for source in shown["sources"]]
    return "\n".join(lines)


def _number(row: Mapping[str, Any]) -> str:
    value, low, high = (row.get(name) for name in ("value", "low", "high"))
    ends = f"{_as_written(low)} to {_as_written(high)}"
    if value is None and low is None and high is None:
        return "not known"
    if value is None:
        return f"{ends} {row['unit']}"
    if low is None and high is None:
        return f"{_as_written(value)} {row['unit']}"
    return f"{_as_written(value)} ({ends}) {row['unit']}"


def _as_written(number: float | None) -> str:
    """A number from an evidence table as the table has it: nothing is rounded here."""
    return "not known" if number is None else f"{number!r}".removesuffix(".0")


def _interval(row: Mapping[str, Any]) -> str:
    kind, level = row.get("interval_kind"), row.get("level")
    if kind is None or kind == "none":
        return ""
    return f"{kind}, level {_as_written(level)}" if level is not None else str(kind)


def _drawn(row: Mapping[str, Any]) -> str:
    draw = row.get("draw")
    if draw is None:
        return ""
    return f"{draw} on the {row.get('scale')} scale, one draw for each {row.get('varies')}"


def _span(valid_c: Sequence[float] | None) -> str:
    return f"{_as_written(valid_c[0])} to {_as_written(valid_c[1])} °C" if valid_c else ""


def _source(source: Mapping[str, Any]) -> str:
    parts = (source["citation"], source["locator"], source["how_known"])
    return "; ".join(str(part).rstrip(".") for part in parts if part)
