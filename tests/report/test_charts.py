"""Figures: every dot can be counted, user text stays text, and the drawing is fit for a page."""

from __future__ import annotations

import json
import math
import re
from collections import Counter
from datetime import datetime, timedelta
from itertools import combinations
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rhizoledger.report.charts import (
    LEAF,
    NODULE,
    PENCIL,
    SOIL,
    TOKENS,
    LedgerStep,
    TemperatureFigure,
    ledger_figure,
    money_figure,
    temperature_figure,
)
from rhizoledger.report.draw import png, svg

NEED = 5.0
HOSTILE = [
    "<script>alert(1)</script>",
    "=1+1",
    "m" * 500,
    "\u202eאבג שלום",
    "🌱🚜 field",
    "datum.x",
    '"}]}',
    "a\x00b\x1b\ud800\ufffe\nc",
    "&lt;b&gt;",
    "url(#x)",
    "",
]
GRADES = ["own", "standard", "measured", "near", "practice", "assumption", None]
START = datetime(2027, 5, 3, 9)


def at(hours: float) -> str:
    return (START + timedelta(hours=hours)).isoformat()


def spread(middle: float, wide: float = 0.6) -> tuple[float, ...]:
    return tuple(middle + wide * (i - 9.5) / 19 for i in range(20))


def steps(n: int) -> list[LedgerStep]:
    return [
        LedgerStep(
            f"step number {i}",
            f"{i} d 2 h",
            spread(6.0 - 0.15 * i, 0.1 + 0.1 * i),
            grade=GRADES[i % len(GRADES)],
            count=(5.5, 5.2, 5.9) if i == 1 else None,
        )
        for i in range(n)
    ]


def warmth(words: str = "shed", n: int = 50) -> TemperatureFigure:
    gap = (at(n), at(n + 30))
    hours = [*range(n + 1), *range(n + 30, 2 * n + 30)]
    return TemperatureFigure(
        series=tuple((at(h), 15 + 8 * math.sin(h / 4)) for h in hours),
        gaps=((*gap, 4.0, 30.0),),
        rate=tuple((at(h), 0.1 + 0.09 * math.sin(h / 4)) for h in hours),
        rate_gaps=((*gap, 0.01, 0.3),),
        bands=((at(0), at(20), words), (at(20), at(21), "tender"), (at(21), at(2 * n), words)),
    )


def money(words: str = "acre", width: int = 640) -> dict[str, Any]:
    nets = [-9.5 + 3 * i for i in range(20)]
    return money_figure(nets, 19.0, 9.5, area=words, currency_word=words, width=width)


def values(spec: dict[str, Any], layer: str) -> list[dict[str, Any]]:
    return [v for part in spec["layer"] if part["name"] == layer for v in part["data"]["values"]]


def in_plot(spec: dict[str, Any], layer: str) -> list[dict[str, Any]]:
    """The marks of a layer without those of the key, which stands in the first rows."""
    key = {"one chance in 20", "live cells a seed", "each mark: 1 in 20"}
    top = max(v["y"] for v in values(spec, "texts") if v["text"] in key)
    return [v for v in values(spec, layer) if v["y"] > top]


def text_of(drawing: str) -> list[str]:
    return [e.text or "" for e in ET.fromstring(drawing).iter() if e.tag.endswith("text")]


FIGURES = {
    **{f"ledger {n}, {w}": ledger_figure(steps(n), NEED, width=w)
       for n in (0, 1, 2, 8, 14) for w in (640, 360)},
    "no requirement": ledger_figure(steps(3), None),
    "no dots": ledger_figure([LedgerStep("a", "1 h"), LedgerStep("b", "2 h", (), 5.5)], NEED),
    "nothing known": ledger_figure([LedgerStep("a", "")], None),
    "none alive": ledger_figure([LedgerStep("a", "", (-math.inf,) * 20)], NEED),
    "temperature": temperature_figure(warmth()),
    "temperature, narrow": temperature_figure(warmth(), width=360),
    "temperature, long": temperature_figure(warmth(n=2000)),
    "no temperature": temperature_figure(TemperatureFigure((), (), (), (), ())),
    "one reading": temperature_figure(
        TemperatureFigure(((at(0), 20.0),), (), ((at(0), 0.1),), (), (), "°F", "air")
    ),
    "money": money(),
    "money, narrow": money(width=360),
    "all lost": money_figure([-9.5] * 20, -9.5, 9.5, area="acre"),
    "all zero": money_figure([0.0] * 20, 0.0, 0.0, area="acre"),
    "no nets": money_figure([], 0.0, 10.0, area="acre"),
    "huge": money_figure([-1e12, 1e300, math.inf] + [5.0] * 17, 1e11, 1e-9, area="acre"),
    "cost below zero": money_figure([1.0] * 20, 1.0, -3.0, area="acre"),
}  # fmt: skip


@pytest.mark.parametrize("name", FIGURES)
def test_every_figure_is_fit_for_a_page(name: str) -> None:
    spec = FIGURES[name]
    drawing = svg(spec, "a-")
    assert drawing == svg(spec, "a-")
    assert len(drawing) < 25_000
    root = ET.fromstring(drawing)
    assert root.attrib.keys() == {"viewBox", "width", "role", "aria-label"}
    assert root.attrib["aria-label"] == spec["description"]
    assert spec["description"].endswith(".")
    assert [v["text"] for v in values(spec, "texts")] == text_of(drawing)
    for element in list(root.iter())[1:]:
        assert element.tag.rpartition("}")[2] in ("g", "path", "circle", "line", "text")
        unwanted = {n for n in element.attrib if n.startswith("aria") or "href" in n}
        assert not unwanted | ({"style", "class", "role"} & element.attrib.keys())
    width, height = (float(x) for x in root.attrib["viewBox"].split()[2:])
    assert (width, height) == (spec["width"], spec["height"])
    for v in values(spec, "texts"):
        assert -1 <= v["x"] <= width and 0 < v["y"] <= height


@pytest.mark.parametrize("name", FIGURES)
def test_only_the_colours_of_the_look(name: str) -> None:
    found = set(re.findall(r"#[0-9a-fA-F]{3,8}\b", json.dumps(FIGURES[name])))
    found |= set(re.findall(r'"(#[0-9a-fA-F]{3,8})"', svg(FIGURES[name], "")))
    assert found and found <= set(TOKENS)


@pytest.mark.parametrize("name", FIGURES)
def test_no_address_but_the_schema_and_no_expression_with_text_in_it(name: str) -> None:
    spec = FIGURES[name]
    assert "url" not in json.dumps({k: v for k, v in spec.items() if k != "$schema"})
    said = set(re.findall(r'"expr": "([^"]*)"', json.dumps(spec)))
    assert said <= {"datum.align", "datum.angle"}


def test_a_picture_of_dots_has_text_on_it() -> None:
    """An unknown font would drop every word without an error."""
    spec = money()
    silent = {**spec, "layer": [part for part in spec["layer"] if part["name"] != "texts"]}
    assert png(spec).startswith(b"\x89PNG")
    assert len(png(spec)) > 1.5 * len(png(silent))


@pytest.mark.parametrize("width", [640, 360])
@pytest.mark.parametrize("n", [1, 2, 8, 14])
def test_twenty_dots_a_step_and_crosses_for_those_below(n: int, width: int) -> None:
    spec = ledger_figure(steps(n), NEED, width=width)
    dots, crosses = in_plot(spec, "dots"), in_plot(spec, "crosses")
    balances = [v for s in steps(n) for v in s.dots]
    assert len(dots) + len(crosses) == 20 * n
    assert len(crosses) == sum(v < NEED for v in balances)
    assert {d["colour"] for d in dots} <= {LEAF}
    assert {c["colour"] for c in crosses} <= {NODULE}
    drawing = svg(spec, "")
    assert drawing.count("<circle") == len(values(spec, "dots"))


@given(
    st.lists(st.floats(-2, 14), min_size=1, max_size=20),
    st.one_of(st.none(), st.floats(0, 12)),
    st.integers(1, 14),
    st.sampled_from([360, 640]),
)
@settings(max_examples=60)
def test_no_dot_hides_another_and_none_is_on_the_wrong_side(
    balances: list[float], need: float | None, n: int, width: int
) -> None:
    spec = ledger_figure([LedgerStep("a", "1 h", tuple(balances))] * n, need, width=width)
    dots, crosses = in_plot(spec, "dots"), in_plot(spec, "crosses")
    assert len(dots) + len(crosses) == n * len(balances)
    apart = min(
        (math.dist((a["x"], a["y"]), (b["x"], b["y"])) for a, b in
         combinations([*dots, *crosses], 2)), default=math.inf,
    )  # fmt: skip
    # Coordinates are rounded to a tenth.
    widest = math.sqrt(max(m["size"] for m in (*dots, *crosses)))
    assert apart >= widest - 0.3
    if need is None:
        assert {d["colour"] for d in dots} == {PENCIL}
        return
    line = next(v["y"] for v in values(spec, "rules") if v["thick"] == 1.75)
    assert all(d["y"] < line for d in dots)
    assert all(c["y"] > line for c in crosses)
    assert len(crosses) == n * sum(v < need for v in balances)


def test_dots_stand_near_their_value() -> None:
    spec = ledger_figure([LedgerStep("a", "1 h", spread(5.5, 2.0))], 4.0)
    heights = sorted((d["y"] for d in in_plot(spec, "dots")), reverse=True)
    assert heights == sorted(heights, reverse=True)
    ticks = {v["text"].replace("\u00a0", " "): v["y"] for v in values(spec, "texts")}
    decade = ticks["100 000"] - ticks["1 million"]
    wanted = [ticks["100 000"] - 4 - (v - 5) * decade for v in spread(5.5, 2.0)]
    assert max(abs(a - b) for a, b in zip(heights, wanted, strict=True)) < 7


def test_the_line_tells_the_grade() -> None:
    some = [LedgerStep("a", "", spread(6.0), grade=g) for g in ("own", "own", "near", "practice")]
    spec = ledger_figure(some, NEED)
    lines = [v for v in values(spec, "rules") if v["thick"] == 1.25 and v["y"] > 60]
    assert Counter(map(tuple, (v["dash"] for v in lines))) == {
        (1, 0): 3, (6, 3): 2, (1.5, 3): 2,
    }  # fmt: skip


def test_numbers_are_said_as_people_say_them() -> None:
    said = [t.replace("\u00a0", " ") for t in text_of(svg(ledger_figure(steps(14), NEED), ""))]
    assert {"needs 100 000", "1 million", "10 000"} <= set(said)
    assert not [t for t in said if re.search(r"\de\d|\^|log", t)]
    limit = ledger_figure([LedgerStep("a", "1 h", (), 6.0)], None)
    assert "at most" in text_of(svg(limit, ""))
    few = ledger_figure([LedgerStep("a", "1 h", (-3.0,) * 20)], NEED)
    assert "1 or fewer" in text_of(svg(few, ""))


@pytest.mark.parametrize("text", HOSTILE)
@pytest.mark.parametrize("width", [640, 360])
def test_text_stays_text(text: str, width: int) -> None:
    figures = [
        ledger_figure([LedgerStep(text, text, spread(5.0), grade=text)] * n, NEED, width=width)
        for n in (2, 14)
    ]
    figures += [temperature_figure(warmth(text), width=width), money(text, width)]
    for spec in figures:
        drawing = svg(spec, "a-")
        root = ET.fromstring(drawing)
        assert "<script" not in drawing
        assert {e.tag.rpartition("}")[2] for e in root.iter()} <= {
            "svg", "g", "path", "circle", "line", "text",
        }  # fmt: skip
        drawing.encode()
        assert not re.search(r"[\x00-\x08\x0b\x0c\x0e-\x1f\ufffe\uffff]", drawing)
        shown = [v["text"] for v in values(spec, "texts")]
        assert shown == [t for t in text_of(drawing) if t]
        if text in ("=1+1", "datum.x", "url(#x)"):
            assert any(text in t for t in shown)
        assert all(len(t) < 200 for t in shown)


def test_ids_and_what_points_to_them_get_the_prefix(monkeypatch: pytest.MonkeyPatch) -> None:
    ours = (
        '<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" '
        'viewBox="0 0 9 9"><defs><clipPath id="c"><rect width="1.23456" height="2" fill="#fff"/>'
        '</clipPath></defs><g clip-path="url(#c)" style="x"><path d="M0,0L1e-9,2.0001" '
        'stroke="#1d2a22" aria-label="x"/></g><use xlink:href="#c" fill="none"/></svg>'
    )
    monkeypatch.setattr("vl_convert.vegalite_to_svg", lambda *a, **k: ours)
    one, two = (svg({"description": "A.", "layer": []}, p) for p in ("f1-", "f2-"))
    assert 'id="f1-c"' in one and "url(#f1-c)" in one and 'href="#f1-c"' in one
    assert 'd="M0,0L0,2"' in one and "1.23" in one and "1.2345" not in one
    assert "style" not in one
    assert one.replace("f1-", "f2-") == two


def test_the_name_of_a_figure_is_escaped() -> None:
    drawing = svg({**money(), "description": 'A "<b>" & more.'}, "")
    assert ET.fromstring(drawing).attrib["aria-label"] == 'A "<b>" & more.'


def test_a_long_record_keeps_its_area_and_its_extremes() -> None:
    data = warmth(n=2000)
    spec = temperature_figure(data)
    curve = values(spec, "curves")
    assert len(curve) < 1000
    short = temperature_figure(warmth(n=200))
    assert min(v["y"] for v in curve) == pytest.approx(
        min(v["y"] for v in values(short, "curves")), abs=0.5
    )
    outline = [(v["x"], v["y"]) for v in values(spec, "areas") if v["run"] == outline_run(spec)]
    area = abs(
        sum(a[0] * b[1] - b[0] * a[1]
            for a, b in zip(outline, [*outline[1:], outline[0]], strict=True))
    ) / 2  # fmt: skip
    wide = outline[-1][0] - outline[0][0]
    ticks = {v["text"]: v["y"] for v in values(spec, "texts")}
    unit = (ticks["0\u00a0%"] - ticks["20\u00a0%"]) / -math.log10(1 - 0.2)
    first = [v for t, v in data.rate if t <= at(2000)]
    mean = (sum(first) - (first[0] + first[-1]) / 2) / (len(first) - 1)
    assert area / wide / unit == pytest.approx(mean, rel=0.01)


def outline_run(spec: dict[str, Any]) -> int:
    """The first outline of the record itself; those under a gap are drawn before it."""
    many: Counter[int] = Counter(v["run"] for v in values(spec, "areas"))
    return min(run for run, n in many.items() if n > 4)


def test_a_gap_is_hatched_and_the_line_stops() -> None:
    spec = temperature_figure(warmth())
    assert len({v["run"] for v in values(spec, "curves")}) == 2
    slanted = [v for v in values(spec, "rules") if v["x"] != v["x2"] and v["y"] != v["y2"]]
    assert {v["colour"] for v in slanted} == {PENCIL, SOIL}
    assert len(slanted) > 10
    whole = temperature_figure(TemperatureFigure(warmth().series, (), (), (), ()))
    assert len({v["run"] for v in values(whole, "curves")}) == 1
    said = text_of(svg(spec, ""))
    assert "temperature, °C (product)" in said
    assert {"tender", "shed"} <= set(said)


@pytest.mark.parametrize("width", [640, 360])
def test_money_dots_can_be_counted_on_their_side_of_zero(width: int) -> None:
    spec = money(width=width)
    dots, crosses = in_plot(spec, "dots"), in_plot(spec, "crosses")
    zero = next(v for v in values(spec, "texts") if v["text"].startswith("0: "))["x"] - 5
    assert (len(dots), len(crosses)) == (16, 4)
    assert all(d["x"] > zero for d in dots) and all(c["x"] < zero for c in crosses)
    ticks = {v["text"]: v["x"] for v in values(spec, "texts")}
    assert ticks["1×"] == pytest.approx(zero, abs=0.25)
    once = ticks["2×"] - ticks["1×"]
    assert ticks["3×"] - ticks["1×"] == pytest.approx(2 * once, abs=0.25)
    assert ticks["5×"] - ticks["1×"] == pytest.approx(4 * once, abs=0.25)
    per_unit = (ticks["20"] - ticks["0"]) / 20
    assert once == pytest.approx(9.5 * per_unit, abs=0.25)
    assert "mean 19" in ticks


def test_no_cost_is_said() -> None:
    assert "no cost to compare with" in text_of(svg(FIGURES["all zero"], ""))


def test_what_is_no_number_is_refused() -> None:
    with pytest.raises(ValueError, match="needs numbers"):
        money_figure([math.nan] * 20, 0.0, 1.0, area="acre")
