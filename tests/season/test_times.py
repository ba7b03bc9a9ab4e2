"""Clocks: the fast column conversion against the plain definition, and numbers in cells."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from rhizoledger.season.numerals import CellError, Style, read_number
from rhizoledger.season.times import local_seconds_to_utc, parse_offset, parse_time, to_utc

EPOCH = datetime(1970, 1, 1)

# A change of clocks by an hour, by half an hour, by a whole day, southern, and none at all.
CHANGES = [
    ("America/Chicago", datetime(2027, 3, 14), 60),
    ("America/Chicago", datetime(2027, 11, 7), 60),
    ("Australia/Lord_Howe", datetime(2027, 4, 4), 30),
    ("America/Argentina/Buenos_Aires", datetime(2027, 3, 14), 0),
    ("Pacific/Apia", datetime(2011, 12, 30), 24 * 60),
    ("America/Asuncion", datetime(2027, 3, 28), 0),
    ("UTC", datetime(2027, 3, 14), 0),
]


@pytest.mark.parametrize(("zone", "day", "minutes"), CHANGES)
def test_columns_convert_like_single_times(zone: str, day: datetime, minutes: int) -> None:
    step = timedelta(minutes=15)
    local = [day - timedelta(days=1) + i * step for i in range(3 * 96)]
    local_s = np.array([int((t - EPOCH).total_seconds()) for t in local])
    utc_s, skipped, repeated = local_seconds_to_utc(local_s, ZoneInfo(zone))
    for i, time in enumerate(local):
        slow = to_utc(time, ZoneInfo(zone))
        if isinstance(slow, str):
            assert (skipped[i], repeated[i]) == (slow == "skipped", slow == "repeated")
        else:
            assert not (skipped[i] or repeated[i])
            assert utc_s[i] == slow.timestamp()
    assert int(skipped.sum() + repeated.sum()) * 15 in (0, minutes)
    assert bool(minutes) == bool(skipped.any() or repeated.any())


@given(st.datetimes(datetime(1971, 1, 1), datetime(2036, 12, 31)))
def test_utc_to_local_and_back(moment: datetime) -> None:
    zone = ZoneInfo("America/Chicago")
    utc = moment.replace(microsecond=0, tzinfo=UTC)
    back = to_utc(utc.astimezone(zone).replace(tzinfo=None), zone)
    assert back in (utc, "repeated")


@pytest.mark.parametrize("text", ["-5", "CST", "+15:00", "5:00", "-05:60", "", "+٠٥:٠٠"])
def test_what_is_not_an_offset(text: str) -> None:
    assert parse_offset(text) is None


@pytest.mark.parametrize(
    "text", ["2027-05-10", "2027-5-1 8:00", "2027-05-10T8:00", "2027-05-10T24:00", "10:00", "now"]
)
def test_what_is_not_a_time(text: str) -> None:
    assert parse_time(text) is None


@given(st.floats(allow_nan=False, allow_infinity=False), st.booleans())
def test_any_number_is_read_back_with_either_decimal_sign(number: float, comma: bool) -> None:
    text = repr(number)
    style = Style(comma=comma, point=not comma)
    assert read_number(text.replace(".", ",") if comma else text, style) == number


@pytest.mark.parametrize(
    "text",
    ["1 234", "1'234", "1,234,567", "1.234.567", "1,234.5", "1.234,5", "1_000", "0x10", "١٢", "1e",
     "<30", "10^6", "1/2", "5 %", "infinity", "--1", ".", "1e9999"],
)  # fmt: skip
def test_what_is_not_read_as_a_number(text: str) -> None:
    with pytest.raises(CellError):
        read_number(text, Style(point=True))
