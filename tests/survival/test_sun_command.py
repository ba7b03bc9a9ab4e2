"""``survival sun``: a temperature, a flag, what would settle it; never a loss, never green."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from rhizoledger.cli.app import main
from rhizoledger.evidence import load_evidence
from rhizoledger.evidence.facts import hazard_facts
from rhizoledger.survival.course import hours_above
from rhizoledger.workflows.survival_sun import sun_stay

AT = ["--at", "-31.4,-64.2", "--date", "2026-10-17", "--ambient-low", "12", "--ambient-high", "31"]
WHERE: dict[str, Any] = {"ambient_low": 12.0, "ambient_high": 31.0}


def ran(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["survival", "sun", *words]) == 0
    return capsys.readouterr().out


def found(capsys: pytest.CaptureFixture[str], *words: str) -> dict[str, Any]:
    out = json.loads(ran(capsys, *words, "--json"))
    assert isinstance(out, dict)
    return out


def complaint(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    assert main(["survival", "sun", *words]) == 2
    caught = capsys.readouterr()
    assert caught.out == ""
    return " ".join(caught.err.split())


def keys(x: Any) -> set[str]:
    if isinstance(x, dict):
        return set(x) | {k for v in x.values() for k in keys(v)}
    return {k for v in x for k in keys(v)} if isinstance(x, list) else set()


@pytest.mark.parametrize("place", ["vehicle", "box"])
def test_a_temperature_and_a_flag_and_no_loss(
    capsys: pytest.CaptureFixture[str], place: str
) -> None:
    out = found(capsys, *AT, "--place", place)
    assert out["quantified"] is False and out["flags"]
    assert not [k for k in keys(out) if "loss" in k or "log10" in k or "verdict" in k]
    known = hazard_facts()
    for flag in out["flags"]:
        assert flag["quantified"] is False
        assert flag["known"] == known[flag["kind"]].known
        assert "count" in flag["settle"].lower()
    assert out["grade"] == "assumption"
    low, middle, high = (out["highest_c"][k] for k in ("low", "middle", "high"))
    assert low < middle < high


@pytest.mark.parametrize("place", ["vehicle", "box"])
def test_what_is_said_follows_from_the_course(
    capsys: pytest.CaptureFixture[str], place: str
) -> None:
    out = found(capsys, *AT, "--place", place, "--above", "30", "40")
    course = out["course"]
    t = 300.0 * np.arange(len(course))
    for name in ("low", "middle", "high"):
        temps = [row[f"{name}_c"] for row in course]
        assert out["highest_c"][name] == pytest.approx(max(temps), abs=0.01)
        for row in out["hours_above"]:
            assert row[name] == pytest.approx(hours_above(t, temps, row["limit_c"]), abs=0.05)
    assert all(r["low_c"] <= r["middle_c"] <= r["high_c"] for r in course)
    assert [row["limit_c"] for row in out["hours_above"]] == [30, 40]


def test_first_the_answer_then_the_flag(capsys: pytest.CaptureFixture[str]) -> None:
    said = ran(capsys, *AT, "--place", "box")
    assert max(map(len, said.splitlines())) <= 80
    flat = " ".join(said.split())
    assert flat.startswith("Seed in a box in the sun, Saturday 17 October 2026, 31.4° S 64.2° W:")
    assert flat.index("at its warmest") < flat.index("Known harmful, not quantified.")
    assert "What would settle it: A count" in flat
    assert "No loss is worked out" in flat
    assert "in the north" in flat


def test_a_vehicle_keeps_to_the_published_rise() -> None:
    """Within the ledger's bound for a time without readings: ambient and the largest mean rise."""
    most = load_evidence()["survival.vehicle.rise_max_c"].number()
    out = sun_stay("-31.4,-64.2", "2026-10-17", place="vehicle", **WHERE)
    rise = np.array(
        [[r[f"{k}_c"] - r["ambient_c"] for k in ("low", "high")] for r in out["course"]]
    )
    assert rise.min() >= -0.011 and rise.max() <= most + 0.011
    assert rise.max() == pytest.approx(most, abs=0.1)
    noon = out["course"][144]
    assert noon["low_c"] - noon["ambient_c"] > 10


def test_what_is_told_of_a_box_narrows_its_range() -> None:
    spans = []
    for told in ({}, {"colour": "light"}, {"colour": "light", "wind_m_s": 1.0}):
        out = sun_stay("-31.4,-64.2", "2026-10-17", place="box", **WHERE, **told)
        spans.append(out["highest_c"]["high"] - out["highest_c"]["low"])
        assert len(out["not_given"]) == 3 - len(told)
    assert spans[0] > spans[1] > spans[2]


def test_dark_is_warmer_than_light_and_wind_cools() -> None:
    def middle(**told: Any) -> float:
        out = sun_stay("-31.4,-64.2", "2026-10-17", place="box", **WHERE, **told)
        return float(out["highest_c"]["middle"])

    assert middle(colour="dark") > middle() > middle(colour="light")
    assert middle(wind_m_s=0.0) > middle(wind_m_s=4.0)
    assert middle(depth_cm=5.0) > middle(depth_cm=60.0)


def test_polar_night_has_no_sun_and_no_rise(capsys: pytest.CaptureFixture[str]) -> None:
    where = ["--at", "72,20", "--date", "2026-12-21", "--ambient-low", "-9", "--ambient-high", "-5"]
    out = found(capsys, *where, "--place", "vehicle")
    assert [f["kind"] for f in out["flags"]] == ["frozen"]
    assert out["sun"]["first_up"] is None
    assert out["highest_c"]["high"] == pytest.approx(-5, abs=0.01)
    box = ran(capsys, *where, "--place", "box")
    assert "The sun is not up during this stay." in " ".join(box.split())
    assert "Known harmful, not quantified. Freezing" in " ".join(box.split())


@pytest.mark.parametrize("lon", [179.99, -179.99])
def test_the_date_line_keeps_the_local_date(lon: float) -> None:
    out = sun_stay(f"-17.8,{lon}", "2026-10-17", place="vehicle", **WHERE)
    assert out["from"] == "2026-10-17T00:00" and out["to"] == "2026-10-18T00:00"
    assert out["sun"]["highest_at"][11:13] in ("11", "12")
    first_utc = out["course"][0]["utc"]
    assert first_utc.startswith("2026-10-16T12" if lon > 0 else "2026-10-17T11:59")


def test_equator_at_an_equinox_has_the_sun_overhead() -> None:
    out = sun_stay("0,0", "2026-03-20", place="box", **WHERE)
    assert out["sun"]["highest_deg"] > 89
    assert out["sun"]["highest_at"][11:13] == "12"


def test_a_zone_only_renames_the_moments() -> None:
    told: dict[str, Any] = {"place": "vehicle", **WHERE}
    summer = sun_stay(
        "48,16", "2026-07-01", zone="Europe/Vienna", start="09:00", end="15:00", **told
    )
    utc = sun_stay("48,16", "2026-07-01", zone="UTC", start="07:00", end="13:00", **told)
    for a, b in zip(summer["course"], utc["course"], strict=True):
        assert {**a, "time": ""} == {**b, "time": ""}
    assert summer["course"][0]["time"] == "2026-07-01T09:00"


def test_a_day_of_a_clock_change_has_its_own_length() -> None:
    for day, hours in (("2026-03-29", 23), ("2026-10-25", 25)):
        out = sun_stay("48,16", day, place="vehicle", zone="Europe/Vienna", **WHERE)
        assert len(out["course"]) == hours * 12 + 1


def test_an_end_before_the_start_is_the_next_day() -> None:
    out = sun_stay("48,16", "2026-07-01", place="box", start="20:00", end="08:30", **WHERE)
    assert (out["from"], out["to"]) == ("2026-07-01T20:00", "2026-07-02T08:30")


def test_fahrenheit_is_the_same_stay(capsys: pytest.CaptureFixture[str]) -> None:
    cold = found(capsys, *AT, "--place", "box", "--above", "30")
    f = [*AT[:4], "--ambient-low", "53.6", "--ambient-high", "87.8", "--above", "86", "--unit", "F"]
    warm = found(capsys, *f, "--place", "box")
    for name in ("low", "middle", "high"):
        assert warm["highest_c"][name] == pytest.approx(cold["highest_c"][name], abs=1e-6)
    assert warm["hours_above"][0]["limit_c"] == pytest.approx(30)
    assert "°F at its warmest" in " ".join(ran(capsys, *f, "--place", "box").split())


def test_files_are_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    said = ran(capsys, *AT, "--place", "box", "--out", str(tmp_path))
    assert "Written:" in said
    assert (tmp_path / "sun.png").read_bytes().startswith(b"\x89PNG")
    drawing = (tmp_path / "sun.svg").read_text(encoding="utf-8")
    assert "air outside" in drawing and "aria-label" in drawing
    with (tmp_path / "sun.csv").open(encoding="utf-8", newline="") as f:
        rows = list(csv.DictReader(f))
    assert len(rows) == 289 and float(rows[144]["high_c"]) > float(rows[144]["low_c"])


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"--at": "here"}, "is no place"),
        ({"--at": "1,2,3"}, "is no place"),
        ({"--at": "91,0"}, "Latitude 91"),
        ({"--at": "0,181"}, "Longitude 181"),
        ({"--at": "nan,0"}, "Latitude nan"),
        ({"--date": "17.10.2026"}, "is no date"),
        ({"--date": "2026-02-30"}, "is no date"),
        ({"--date": "1900-01-01"}, "outside 1950 to 2099"),
        ({"--ambient-low": "40"}, "is no range"),
        ({"--ambient-high": "88"}, "--unit F"),
        ({"--ambient-high": "nan"}, ""),
        ({"--start": "25:00"}, "no time of day"),
        ({"--start": "9"}, "no time of day"),
        ({"--end": "24:30"}, "no time of day"),
        ({"--zone": "Mars/Base"}, "is no time zone"),
        ({"--zone": "America"}, "is no time zone"),
        ({"--zone": "../etc"}, "is no time zone"),
        ({"--wind": "-1"}, "Wind of -1"),
        ({"--wind": "nan"}, "Wind of nan"),
        ({"--depth-cm": "0"}, "depth of 0 cm"),
        ({"--above": "nan"}, ""),
    ],
)
def test_bad_input_is_named(
    capsys: pytest.CaptureFixture[str], change: dict[str, str], said: str
) -> None:
    words = {AT[i]: AT[i + 1] for i in range(0, len(AT), 2)} | {"--place": "box"} | change
    assert said in complaint(capsys, *(w for pair in words.items() for w in pair))


def test_what_belongs_to_a_box_is_refused_for_a_vehicle(
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert "--colour and --wind can be told of a box only" in complaint(
        capsys, *AT, "--place", "vehicle", "--colour", "dark", "--wind", "1"
    )


def test_a_skipped_hour_is_refused() -> None:
    from rhizoledger.errors import InputError

    with pytest.raises(InputError, match="does not occur"):
        sun_stay("48,16", "2026-03-29", place="box", zone="Europe/Vienna", start="02:30", **WHERE)
