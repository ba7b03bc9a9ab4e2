"""The page as people open it: from their own disk, on a telephone, at night, on paper."""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, Literal

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

from rhizoledger.report.statements import write_statements
from rhizoledger.workflows.plan import make_plan
from tests.report.pages import EXAMPLES, closed, page, sheets
from tests.season.make import TOML, tiny, write_season

CHROMIUM = Path(os.environ.get("CHROMIUM", "/usr/bin/chromium"))
ARGUMENTS = [
    "--no-sandbox",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
DESK, PHONE = (1280, 900), (360, 740)
PAPER_CSS_PX = 673
"""What A4 leaves between the margins of the print style, in CSS pixels."""
Scheme = Literal["light", "dark"]

pytestmark = [
    pytest.mark.thorough,
    pytest.mark.skipif(not CHROMIUM.is_file(), reason=f"there is no Chromium at {CHROMIUM}"),
    pytest.mark.skipif(sys.platform == "win32", reason="Chromium is looked for the POSIX way"),
]

TOO_WIDE = """() => {
  const wide = document.documentElement.clientWidth, out = [];
  for (const e of document.querySelectorAll("body *")) {
    if (e.closest("svg") && e.tagName !== "svg") continue;
    const box = e.getBoundingClientRect();
    if (!box.width || !box.height || e.closest("thead") && getComputedStyle(e.closest("thead"))
        .position === "absolute") continue;
    let inside = e.parentElement, scrolls = false;
    for (; inside; inside = inside.parentElement)
      if (inside.matches(".wide")) scrolls = true;
    if (!scrolls && (box.right > wide + 1 || box.left < -1))
      out.push(e.tagName + "." + e.className + " " + Math.round(box.right));
  }
  return out.slice(0, 10);
}"""
CLIPPED = """() => {
  const out = [];
  for (const e of document.querySelectorAll("body, body *")) {
    const style = getComputedStyle(e);
    if (style.display === "none" || e.closest("svg") || !e.clientWidth) continue;
    if (style.overflowX !== "visible" && e.scrollWidth > e.clientWidth + 1 ||
        style.overflowY !== "visible" && e.scrollHeight > e.clientHeight + 1)
      out.push(e.tagName + "." + e.className + " " + e.scrollWidth + ">" + e.clientWidth + " "
               + e.textContent.trim().slice(0, 40));
  }
  return out.slice(0, 10);
}"""
OVERFLOWING_CELLS = """() => [...document.querySelectorAll("th, td, p, li, h1, h2, h3")]
  .filter(e => e.clientWidth > 1 && e.scrollWidth > e.clientWidth + 1)
  .map(e => e.tagName + " " + e.textContent.trim().slice(0, 40)).slice(0, 10)"""


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("demo")
    write_statements(make_plan(EXAMPLES / "demo", folder))
    return folder / "plan.html"


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A page with words that no line holds and with markup in its names."""
    folder = tmp_path_factory.mktemp("hostile")
    word = "m" * 500
    markup = '"><img src=x onerror=alert(1)><script>alert(2)</script>'
    tables = tiny()
    for rows, column in ((tables["batches"], "owner"), (tables["fields"], "grower")):
        for row in rows:
            row[column] = f"{markup} {word}"
    tables["requirements"][0]["source"] = f"{word} {markup}"
    toml = TOML.replace("Invented season", word)
    write_statements(make_plan(write_season(folder / "season", tables, toml), folder / "out"))
    return folder / "out" / "plan.html"


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield opened
        opened.close()


@contextmanager
def opened(
    browser: Browser, file: Path, size: tuple[int, int], scheme: Scheme = "light"
) -> Iterator[Page]:
    """The file in a window; what it says on the console or asks for fails."""
    said: list[str] = []
    asked: list[str] = []
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]}, color_scheme=scheme
    )
    window = context.new_page()
    window.on("console", lambda m: said.append(f"{m.type}: {m.text}"))
    window.on("pageerror", lambda e: said.append(str(e)))
    window.on("dialog", lambda d: said.append(f"dialog: {d.message}"))
    window.on("request", lambda r: asked.append(r.url))
    window.goto(file.as_uri())
    assert window.title() == page(file).text.split("\n:root")[0].strip()
    yield window
    context.close()
    assert said == []
    assert asked == [file.as_uri()]


def unfold(window: Page) -> None:
    window.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")


@pytest.mark.parametrize(
    ("which", "size", "scheme"),
    [
        ("demo", DESK, "light"),
        ("demo", PHONE, "dark"),
        ("hostile", DESK, "dark"),
        ("hostile", PHONE, "light"),
    ],
    ids=["desk, light", "phone, dark", "desk, dark", "phone, light"],
)
def test_nothing_stands_in_anybody_s_way(
    which: str,
    size: tuple[int, int],
    scheme: Scheme,
    browser: Browser,
    request: pytest.FixtureRequest,
) -> None:
    with opened(browser, request.getfixturevalue(which), size, scheme) as window:
        unfold(window)
        found: Any = Axe().run(window)
        assert len(found.response["passes"]) > 20
        assert [
            (v["id"], v["impact"], len(v["nodes"]), v["nodes"][0]["html"][:200])
            for v in found.response["violations"]
        ] == []


def test_night_is_dark_and_day_is_light(browser: Browser, demo: Path) -> None:
    grounds = {}
    schemes: tuple[Scheme, ...] = ("light", "dark")
    for scheme in schemes:
        with opened(browser, demo, PHONE, scheme) as window:
            ground = window.evaluate("getComputedStyle(document.documentElement).backgroundColor")
            grounds[scheme] = sum(int(x) for x in re.findall(r"\d+", ground)[:3])
    assert grounds["dark"] < 3 * 64 and grounds["light"] > 3 * 192


@pytest.mark.parametrize("which", ["demo", "hostile"])
@pytest.mark.parametrize("size", [(320, 700), PHONE, DESK], ids=["320", "360", "1280"])
def test_the_page_scrolls_down_and_never_sideways(
    size: tuple[int, int], which: str, browser: Browser, request: pytest.FixtureRequest
) -> None:
    with opened(browser, request.getfixturevalue(which), size) as window:
        unfold(window)
        across = window.evaluate("document.documentElement.scrollWidth")
        assert across <= size[0], window.evaluate(TOO_WIDE)
        assert window.evaluate(TOO_WIDE) == []
        window.evaluate("window.scrollTo(9999, 0)")
        assert window.evaluate("window.scrollX") == 0


@pytest.mark.parametrize("which", ["demo", "hostile"])
def test_a_telephone_shows_each_cell_with_its_column(
    which: str, browser: Browser, request: pytest.FixtureRequest
) -> None:
    """No table has to be pushed sideways there, and no word leaves its cell."""
    with opened(browser, request.getfixturevalue(which), PHONE) as window:
        unfold(window)
        assert window.evaluate(CLIPPED.replace('"body, body *"', '".wide:has(table)"')) == []
        assert window.evaluate(OVERFLOWING_CELLS) == []
        shown = window.evaluate(
            "getComputedStyle(document.querySelector('td[data-label]:not(:empty)'), '::before')"
            ".content"
        )
        assert ": " in shown


def test_what_can_be_pressed_is_large_enough_and_shows_its_focus(
    browser: Browser, demo: Path
) -> None:
    with opened(browser, demo, PHONE) as window:
        sizes = window.evaluate(
            "[...document.querySelectorAll('a, summary')].map(e => e.getBoundingClientRect())"
            ".filter(b => b.width).map(b => b.height)"
        )
        assert sizes and min(sizes) >= 44
        window.keyboard.press("Tab")
        assert window.evaluate("document.activeElement.tagName") == "A"
        assert window.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"


@pytest.mark.parametrize("which", ["demo", "hostile"])
@pytest.mark.parametrize("folded", [True, False])
def test_paper_clips_nothing(
    folded: bool, which: str, browser: Browser, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    file = request.getfixturevalue(which)
    with opened(browser, file, (PAPER_CSS_PX, 1000)) as window:
        if not folded:
            unfold(window)
        window.emulate_media(media="print")
        assert window.evaluate(CLIPPED) == []
        assert window.evaluate(OVERFLOWING_CELLS) == []
        assert window.evaluate("document.documentElement.scrollWidth") <= PAPER_CSS_PX
        shown = window.evaluate(
            "[...document.querySelectorAll('h1, h2, h3, p, caption, th, td')]"
            ".filter(e => e.getClientRects().length).map(e => e.textContent)"
        )
        printed = tmp_path / "printed.pdf"
        window.pdf(path=printed, format="A4", prefer_css_page_size=True)
    pages = sheets(printed)
    assert "".join(s.outside() for s in pages) == ""
    whole = closed("".join(s.text for s in pages))
    assert len(shown) > 20
    words = {closed(w) for text in shown for w in text.split() if w.isascii()}
    assert [w for w in sorted(words) if len(w) < 15 and w not in whole] == []
