"""``season.toml``: the season's name, place, units, decisions and costs."""

from __future__ import annotations

import re
import tomllib
from datetime import UTC, date, datetime
from types import MappingProxyType
from typing import Any, cast
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from rhizoledger.records import Market, Settings, Units
from rhizoledger.season.cells import bare_name
from rhizoledger.season.findings import Findings, nearest
from rhizoledger.season.numerals import CellError
from rhizoledger.season.settings_reader import FILE, Reader
from rhizoledger.season.times import parse_date, parse_time, to_utc

LARGEST_SETTINGS = 1024 * 1024
SCHEMA = 1
LARGEST_SEED = 2**63 - 1

UNITS = MappingProxyType(
    {
        "seed_mass": {"lb": "lb", "kg": "kg", "pounds": "lb"},
        "area": {"ac": "ac", "acre": "ac", "acres": "ac", "ha": "ha", "hectares": "ha"},
        "temperature": {"f": "F", "°f": "F", "c": "C", "°c": "C"},
        "yield": {
            "bu": "bu",
            "bu/ac": "bu/ac",
            "bu/ha": "bu/ha",
            "lb/ac": "lb/ac",
            "cwt/ac": "cwt/ac",
            "kg/ha": "kg/ha",
            "t/ha": "t/ha",
        },
    }
)
PRICE_UNITS = ("bu", "kg", "t", "lb", "cwt")

KNOWN = MappingProxyType(
    {
        "": ("schema", "name", "timezone", "starts_on", "ends_on", "seed", "celsius_confirmed"),
        "place": ("country", "state", "lat", "lon"),
        "units": tuple(UNITS),
        "decision": ("probability", "toss_up", "max_loss_per_area", "as_of"),
        "market": ("price", "unit", "price_sd"),
        "costs": ("treating_fee", "freight", "furrow_pass", "product_per_area"),
        "delay": ("loss_per_day", "source"),
        "ambient": ("low_c", "high_c"),
        "treater": ("tank_l", "seed_flow", "max_liquid"),
    }
)
BY_CROP = ("market", "delay")


def read_settings(data: bytes, findings: Findings) -> tuple[Settings | None, dict[str, Any]]:
    """Settings from the bytes of ``season.toml``, and the keys nobody asked for.

    Every problem goes to ``findings``; the settings are None where one of them stops the season,
    so callers may go on checking tables in UTC.
    """
    try:
        text = data.decode("utf-8-sig")
        parsed = tomllib.loads(text)
    except UnicodeDecodeError:
        findings.error(FILE, None, None, None, "The file is not UTF-8.", "Save it as UTF-8.")
        return None, {}
    except RecursionError:
        findings.error(FILE, None, None, None, "The file is nested too deep.", "Write it plainly.")
        return None, {}
    except tomllib.TOMLDecodeError as error:
        where = re.search(r"line (\d+)", str(error))
        findings.error(
            FILE,
            int(where[1]) if where else None,
            None,
            None,
            f"The file is not valid TOML: {error}.",
            "Correct this line; texts go between quotes, dates and numbers do not.",
        )
        return None, {}
    before = len(findings.problems)
    reader = Reader(parsed, text.splitlines(), findings)
    extra = _unknown_keys(reader)
    settings = _assemble(reader)
    stopped = any(p.severity == "error" for p in findings.problems[before:])
    return (None if stopped else settings), extra


def _unknown_keys(reader: Reader) -> dict[str, Any]:
    extra: dict[str, Any] = {}

    def look(prefix: str, section: dict[str, Any], known: tuple[str, ...]) -> None:
        for key, value in section.items():
            if key not in known:
                dotted = f"{prefix}.{key}" if prefix else key
                extra[dotted] = value
                close = nearest(key, known)
                reader.findings.warning(
                    FILE,
                    reader.line(dotted),
                    dotted,
                    None,
                    "This setting is not known; it is kept and not used.",
                    close if close.startswith("Near") else "",
                )

    sections = tuple(name for name in KNOWN if name)
    look("", reader.data, (*KNOWN[""], *sections))
    for name in sections:
        section = reader.data.get(name)
        if not isinstance(section, dict):
            continue
        if name in BY_CROP:
            for crop, entry in section.items():
                if isinstance(entry, dict):
                    look(f"{name}.{crop}", entry, KNOWN[name])
        else:
            look(name, section, KNOWN[name])
    return extra


def zone_of(name: str) -> ZoneInfo | None:
    """The time zone of that name; None where there is none."""
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        # A folder of the zone database, or a path out of it, is no zone either.
        return None


def _assemble(r: Reader) -> Settings | None:
    if r.get("schema") != SCHEMA or isinstance(r.get("schema"), bool):
        r.wrong("schema", r.get("schema"), "This schema is not known.", "Write schema = 1.")
    name = r.text("name", required=True)
    timezone = r.text("timezone", required=True)
    zone = zone_of(timezone) if timezone else None
    if timezone and zone is None:
        close = nearest(timezone, available_timezones())
        hint = close if close.startswith("Near") else ""
        remedy = f"Use a name such as America/Chicago. {hint}".rstrip()
        r.wrong("timezone", timezone, "This time zone is not known.", remedy)
    starts_on, ends_on = r.day("starts_on", required=True), r.day("ends_on", required=True)
    if starts_on and ends_on and starts_on >= ends_on:
        remedy = f"Give a day after {starts_on}."
        r.wrong("ends_on", ends_on, "The season ends before it starts.", remedy)
    seed = r.number("seed", 0, LARGEST_SEED, required=True)
    if seed is not None and not isinstance(r.get("seed"), int):
        r.wrong("seed", r.get("seed"), "The seed must be a whole number.", "Write seed = 1.")
    low_c, high_c = r.number("ambient.low_c", -60, 60), r.number("ambient.high_c", -60, 60)
    if (low_c is None) != (high_c is None) and "ambient" in r.data:
        r.wrong("ambient", None, "One end of the range is missing.", "Give low_c and high_c.")
    if low_c is not None and high_c is not None and low_c > high_c:
        r.wrong("ambient.low_c", low_c, "The low end is above the high end.", "Swap them.")
    optional: dict[str, Any] = {
        "probability": _probability(r),
        "toss_up": _toss_up(r),
        "country": r.text("place.country"),
        "state": r.text("place.state"),
        "lat": r.number("place.lat", -90, 90),
        "lon": r.number("place.lon", -180, 180),
        "units": _units(r),
        "max_loss_per_area": r.number("decision.max_loss_per_area", 0),
        "as_of": _as_of(r, zone),
        "markets": _markets(r),
        "delay_loss_per_day": _delay_losses(r),
        "delay_source": _delay_sources(r),
        "ambient_low_c": low_c,
        "ambient_high_c": high_c,
        "tank_l": r.number("treater.tank_l", 0),
        "seed_flow": r.text("treater.seed_flow"),
        "max_liquid": _max_liquid(r),
        "celsius_confirmed": _celsius_confirmed(r),
    }
    optional |= {name: r.number(f"costs.{name}", 0) for name in KNOWN["costs"]}
    if not (name and timezone and starts_on and ends_on and seed is not None):
        return None
    return Settings(
        name=name,
        timezone=timezone,
        starts_on=starts_on,
        ends_on=ends_on,
        seed=cast(int, r.get("seed")),
        # What was not said keeps the record's own default.
        **{key: value for key, value in optional.items() if value is not None},
    )


def _probability(r: Reader) -> float | None:
    """How sure "meets" must be; below one half, what fails would be called enough."""
    key = "decision.probability"
    value = r.number(key, 0, 1, open_ends=True)
    if value is not None and value < 0.5:  # exact: more likely than not, by its definition
        r.wrong(key, value, "This is less sure than a coin.", "Give 0.5 or more, such as 0.9.")
        return None
    return value


def _toss_up(r: Reader) -> tuple[float, float] | None:
    key = "decision.toss_up"
    value = r.get(key)
    if value is None:
        return None
    ends = value if isinstance(value, list) and len(value) == 2 else []
    numbers = [float(e) for e in ends if isinstance(e, int | float) and not isinstance(e, bool)]
    if len(numbers) != 2 or not 0 <= numbers[0] <= numbers[1] <= 1:
        r.wrong(key, value, "This is not a band of probability.", "Write it like [0.4, 0.6].")
        return None
    return numbers[0], numbers[1]


def _units(r: Reader) -> Units | None:
    chosen: dict[str, str] = {}
    for name in r.table("units"):
        text = r.text(f"units.{name}") if name in UNITS else None
        if text is None:
            continue
        unit = UNITS[name].get(text.strip().casefold())
        if unit is None:
            remedy = f"Use one of: {', '.join(dict.fromkeys(UNITS[name].values()))}."
            r.wrong(f"units.{name}", text, "This unit is not known.", remedy)
        else:
            chosen["yield_" if name == "yield" else name] = unit
    if chosen.get("yield_") == "bu":
        chosen["yield_"] = f"bu/{chosen.get('area', Units().area)}"
    return Units(**chosen)


def _as_of(r: Reader, zone: ZoneInfo | None) -> date | datetime | None:
    key = "decision.as_of"
    value = r.get(key)
    if value is None:
        return None
    text = value.isoformat() if isinstance(value, datetime) else str(value)
    value = parse_date(text) or parse_time(text)
    if isinstance(value, datetime):
        moment = to_utc(value, zone or UTC)
        if isinstance(moment, datetime):
            return moment
        remedy = "Give its offset, such as 2027-11-07T01:30:00-05:00."
        r.wrong(key, r.get(key), f"The clock change makes this a {moment} hour.", remedy)
        return None
    if isinstance(value, date):
        return value
    r.wrong(key, r.get(key), "This is not a date.", "Write it as 2027-05-10.")
    return None


def _crops(r: Reader, section: str) -> tuple[str, ...]:
    crops = []
    for crop, entry in r.table(section).items():
        if isinstance(entry, dict):
            crops.append(crop)
        else:
            r.wrong(
                f"{section}.{crop}",
                entry,
                "This must be a table.",
                f"Write it as [{section}.{crop}].",
            )
    return tuple(crops)


def _markets(r: Reader) -> MappingProxyType[str, Market]:
    markets = {}
    for crop in _crops(r, "market"):
        key = f"market.{crop}"
        price = r.number(f"{key}.price", 0, required=True)
        unit = r.text(f"{key}.unit", required=True)
        price_sd = r.number(f"{key}.price_sd", 0)
        if unit is not None and unit not in PRICE_UNITS:
            remedy = f"Use one of: {', '.join(PRICE_UNITS)}."
            r.wrong(f"{key}.unit", unit, "This unit is not known.", remedy)
        elif price is not None and price_sd is not None and price_sd > price:
            what = "The spread is larger than the price itself."
            r.wrong(f"{key}.price_sd", price_sd, what, "Give it in the price's own unit.")
        elif price is not None and unit is not None:
            markets[crop] = Market(crop, price, unit, price_sd)
    return MappingProxyType(markets)


def _delay_losses(r: Reader) -> MappingProxyType[str, float]:
    losses = {c: r.number(f"delay.{c}.loss_per_day", 0) for c in _crops(r, "delay")}
    return MappingProxyType({c: loss for c, loss in losses.items() if loss is not None})


def _delay_sources(r: Reader) -> MappingProxyType[str, str]:
    delays = r.data.get("delay")
    crops = (
        [c for c, d in delays.items() if isinstance(d, dict)] if isinstance(delays, dict) else []
    )
    sources = {c: r.text(f"delay.{c}.source") for c in crops}
    return MappingProxyType({c: source for c, source in sources.items() if source is not None})


def _max_liquid(r: Reader) -> MappingProxyType[str, str]:
    rates = {crop: r.rate(f"treater.max_liquid.{crop}") for crop in r.table("treater.max_liquid")}
    return MappingProxyType({crop: rate for crop, rate in rates.items() if rate is not None})


def _celsius_confirmed(r: Reader) -> tuple[str, ...]:
    key = "celsius_confirmed"
    value = r.get(key)
    if value is None:
        return ()
    if not isinstance(value, list) or not all(isinstance(v, str) for v in value):
        r.wrong(key, value, "This must be a list of file names.", 'Write it like ["a.csv"].')
        return ()
    for name in value:
        try:
            bare_name(name)
        except CellError as error:
            r.wrong(key, name, error.what, error.remedy)
    return tuple(value)
