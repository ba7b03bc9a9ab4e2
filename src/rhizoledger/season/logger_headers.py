"""Headers under which logger exports write time and temperature: general words, as data.

A header is compared in lower case with everything but letters and digits left out, so
"Date/Time", "date_time" and "Date Time" are one. A temperature header must say its scale.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence
from dataclasses import dataclass

from rhizoledger.season.findings import Findings, nearest
from rhizoledger.season.source import MOST_COLUMNS, separator_of

TIME = frozenset(
    {
        "time",
        "datetime",
        "dateandtime",
        "dateortime",
        "timestamp",
        "timestampiso",
        "recordedat",
        "readat",
        "loggedat",
        "localtime",
        "datetimelocal",
        "utctime",
        "timeutc",
        "datetimeutc",
        "timestamputc",
    }
)
IN_UTC = frozenset({"utctime", "timeutc", "datetimeutc", "timestamputc"})

CELSIUS = frozenset(
    {
        "tempc",
        "tempdegc",
        "temperaturec",
        "temperaturedegc",
        "temperaturecelsius",
        "tempcelsius",
        "celsius",
        "degc",
        "airtempc",
        "airtemperaturec",
    }
)
FAHRENHEIT = frozenset(
    {
        "tempf",
        "tempdegf",
        "temperaturef",
        "temperaturedegf",
        "temperaturefahrenheit",
        "tempfahrenheit",
        "fahrenheit",
        "degf",
        "airtempf",
        "airtemperaturef",
    }
)
UTC_OFFSET = frozenset({"utcoffset"})


def folded_header(header: str) -> str:
    """A header as it is compared.

    Examples
    --------
    >>> folded_header("Temperature (°C)"), folded_header("Date/Time")
    ('temperaturec', 'datetime')
    """
    return re.sub(r"[^a-z0-9]", "", header.casefold())


MOST_LINES_BEFORE_HEADER = 30
HEAD_BYTES = 64 * 1024
HEADER_REMEDY = "Name the columns time and temp_c, or time and temp_f."


@dataclass(frozen=True, slots=True)
class Header:
    """Where the header stands and which columns matter; positions count from 0."""

    line: int
    separator: str
    names: tuple[str, ...]
    time: int
    temp: int
    fahrenheit: bool
    utc: bool
    offset: int | None


def choose_columns(
    names: Sequence[str], line: int, separator: str, file: str, findings: Findings | None
) -> Header | None:
    """Time and temperature among the headers; None (after saying why) if not one of each."""
    folded = [folded_header(name) for name in names]
    times = [i for i, name in enumerate(folded) if name in TIME]
    celsius = [i for i, name in enumerate(folded) if name in CELSIUS]
    fahrenheit = [i for i, name in enumerate(folded) if name in FAHRENHEIT]
    offsets = [i for i, name in enumerate(folded) if name in UTC_OFFSET]
    temps = celsius + fahrenheit
    if len(times) == 1 and len(temps) == 1:
        return Header(
            line,
            separator,
            tuple(names),
            times[0],
            temps[0],
            bool(fahrenheit),
            folded[times[0]] in IN_UTC,
            offsets[0] if offsets else None,
        )
    if findings is not None:
        for wanted, found in (("time", times), ("temp_c", temps)):
            if len(found) == 1:
                continue
            others = [n for i, n in enumerate(names) if n.strip() and i not in times + temps]
            close = nearest(wanted, others) if others else ""
            findings.error(
                file,
                line + 1,
                wanted if not found else names[found[1]],
                None if not found else names[found[1]],
                f"There is no column {wanted if wanted == 'time' else 'temp_c or temp_f'}."
                if not found
                else "Two columns could be meant.",
                f"{HEADER_REMEDY} {close if close.startswith('Near') else ''}".rstrip()
                if not found
                else "Keep one of them.",
            )
    return None


def find_header(data: bytes, file: str, findings: Findings) -> Header | None:
    """The first line that names a time and a temperature, within the first lines of the file."""
    head = data[:HEAD_BYTES]
    try:
        text = head.decode("utf-8-sig", "strict" if len(head) == len(data) else "ignore")
    except UnicodeDecodeError:
        text = head.decode("cp1252", "replace")
    lines = text.splitlines()[: MOST_LINES_BEFORE_HEADER + 1]
    for number, line in enumerate(lines):
        separator = separator_of(line)
        names = next(csv.reader([line], delimiter=separator), [])
        if 1 < len(names) <= MOST_COLUMNS:
            header = choose_columns(names, number, separator, file, None)
            if header is not None:
                return header
    separator = separator_of(lines[0])
    choose_columns(
        next(csv.reader([lines[0]], delimiter=separator), []), 0, separator, file, findings
    )
    return None
