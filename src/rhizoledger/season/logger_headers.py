"""Headers under which logger exports write time and temperature: general words, as data.

A header is compared in lower case with everything but letters and digits left out, so
"Date/Time", "date_time" and "Date Time" are one. A temperature header must say its scale.
"""

from __future__ import annotations

import re

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


def folded(header: str) -> str:
    """A header as it is compared.

    Examples
    --------
    >>> folded("Temperature (°C)"), folded("Date/Time")
    ('temperaturec', 'datetime')
    """
    return re.sub(r"[^a-z0-9]", "", header.casefold())
