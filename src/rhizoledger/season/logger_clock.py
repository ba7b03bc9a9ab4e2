"""A column of time texts to seconds, at the speed of columns."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from rhizoledger.season.findings import Findings
from rhizoledger.season.times import ISO_TIME, parse_offset, parse_time

if TYPE_CHECKING:
    import polars as pl

MOST_FORMATS = 8
NOT_A_TIME = "This is not a date and time."
TIME_REMEDY = "Write it as 2027-05-10T14:30 (year first, 24-hour clock)."


def seconds_of(
    texts: pl.Series, rows: Any, file: str, column: str, findings: Findings
) -> tuple[Any, Any] | None:
    """Seconds since 1970-01-01 for each text, and where these are UTC because it said so.

    Parameters
    ----------
    texts : Series of str
        None of them empty.
    rows : array of int64
        Row of each, for messages.
    file, column : str
        Where they stand.
    findings : Findings
        Takes the first text that is not a time.

    Returns
    -------
    tuple of array of int64 and array of bool, or None
        None after saying what is wrong.

    Notes
    -----
    The first text tells the format; what does not parse by it is looked at again, so a file may
    mix a few formats. Fractions of a second are rounded.
    """
    import numpy as np

    seconds = np.zeros(len(texts), dtype=np.int64)
    utc = np.zeros(len(texts), dtype=bool)
    waiting = np.arange(len(texts))
    for _ in range(MOST_FORMATS):
        if not waiting.size:
            return seconds, utc
        here = texts if waiting.size == len(texts) else texts[waiting]
        form = _format(here[0])
        if form is None:
            break
        aware = form.endswith("%z")
        if aware:
            here = here.str.replace("[Zz]$", "+00:00")
        parsed = here.str.to_datetime(
            form, strict=False, time_unit="us", time_zone="UTC" if aware else None
        )
        good = parsed.is_not_null().to_numpy()
        micro = parsed.to_physical().drop_nulls().to_numpy()
        seconds[waiting[good]] = (micro + 500_000) // 1_000_000
        utc[waiting[good]] = aware
        if not good[0]:
            break
        waiting = waiting[~good]
    if not waiting.size:
        return seconds, utc
    bad = int(waiting[0])
    findings.error(
        file,
        int(rows[bad]),
        column,
        texts[bad],
        "The reading has no time." if not texts[bad] else NOT_A_TIME,
        TIME_REMEDY,
    )
    return None


def _format(text: str) -> str | None:
    """The strptime format of one ISO 8601 time; None if it is not one."""
    match = ISO_TIME.fullmatch(text)
    if match is None or parse_time(text) is None:
        return None
    _, clock, offset = match.groups()
    separator = text[10]
    form = f"%Y-%m-%d{separator}%H:%M"
    if len(clock) > 5:
        form += ":%S"
    if "." in clock:
        form += "%.f"
    if offset:
        form += (" " if text[-len(offset) - 1] == " " else "") + "%z"
    return form


def apply_offsets(
    seconds: Any, utc: Any, offsets: pl.Series, rows: Any, file: str, findings: Findings
) -> bool:
    """Put rows with a ``utc_offset`` on UTC, in place; False after saying what is wrong."""
    import numpy as np

    texts = offsets.fill_null("").str.strip_chars()
    for text in texts.unique(maintain_order=True).to_list():
        if not text:
            continue
        here = (texts == text).to_numpy()
        offset = parse_offset(text)
        delta = offset.utcoffset(None) if offset is not None else None
        if delta is None:
            findings.error(
                file,
                int(rows[np.argmax(here)]),
                "utc_offset",
                text,
                "This is not an offset from UTC.",
                "Write it as -05:00 or +10:30.",
            )
            return False
        local = here & ~utc
        seconds[local] -= int(delta.total_seconds())
        utc |= here
    return True
