"""Every page and sheet of the demo as PNG in screenshots/, and the one picture of the README.

    .venv/bin/python scripts/screenshots.py

Needs the development environment and a Chromium; says so in words where one is missing.
"""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Literal

import pypdfium2
from playwright.sync_api import Browser, Page, sync_playwright

from rhizoledger.report.statements import write_statements
from rhizoledger.report.typeset import Paper
from rhizoledger.workflows.plan import make_plan

ROOT = Path(__file__).resolve().parent.parent
OUT = ROOT / "screenshots"
README_PICTURE = ROOT / "docs" / "ledger.png"
README_FIGURE = "figure svg"
SIZES = {"desk": (1280, 900), "phone": (360, 780)}
SCHEMES: tuple[Literal["light", "dark"], ...] = ("light", "dark")
LOOKED_AT = (
    "week", "not-known", "grades", "cautions", "batches", "batch-0", "warmth-0", "batch-1",
    "plantings", "fields", "field-0", "runs", "evidence", "warnings", "inputs",
)  # fmt: skip
FLAGS = [
    "--no-sandbox", "--disable-background-networking", "--disable-component-update",
    "--disable-sync",
]  # fmt: skip
CHROMIUM = ("/usr/bin/chromium", "/usr/bin/chromium-browser", "/usr/bin/google-chrome")


def chromium() -> str | None:
    """The browser of this machine, or None."""
    return next((path for path in CHROMIUM if Path(path).exists()), None)


def main() -> int:
    """Make all pictures and print their names."""
    browser_path = chromium()
    if browser_path is None:
        print("There is no Chromium on this machine; install it, then run this again.")
        return 2
    OUT.mkdir(exist_ok=True)
    result = make_plan(ROOT / "examples" / "demo", OUT / "demo")
    papers: tuple[Paper, ...] = ("a4", "us-letter")
    for paper in papers:
        for path in write_statements(result, paper):
            if path.suffix == ".pdf":
                pdf_pages(path, paper)
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=browser_path, args=FLAGS)
        html_pages(browser, OUT / "demo" / "plan.html")
        browser.close()
    for path in sorted(OUT.glob("*.png")):
        print(path.relative_to(ROOT))
    return 0


def pdf_pages(path: Path, paper: str) -> None:
    """Each page of a PDF as a picture."""
    document = pypdfium2.PdfDocument(path)
    for i in range(len(document)):
        document[i].render(scale=1.4).to_pil().save(OUT / f"{path.stem}-{paper}-{i + 1:02d}.png")
    document.close()


def html_pages(browser: Browser, path: Path) -> None:
    """The report at phone and desk size, light and dark, as printed, and the README's picture."""
    for size, (width, height) in SIZES.items():
        for scheme in SCHEMES:
            page = browser.new_page(viewport={"width": width, "height": height})
            page.emulate_media(color_scheme=scheme)
            page.goto(path.as_uri())
            screens(page, f"report-{size}-{scheme}")
            if (size, scheme) == ("desk", "light"):
                page.locator(README_FIGURE).first.screenshot(path=README_PICTURE)
            page.close()
    page = browser.new_page(viewport={"width": 820, "height": 1100})
    page.emulate_media(media="print")
    page.goto(path.as_uri())
    screens(page, "report-print")
    page.close()


def screens(page: Page, name: str) -> None:
    """What stands on the screen at each heading that is looked at, the whole being too long."""
    for anchor in LOOKED_AT:
        page.evaluate("a => document.getElementById(a).scrollIntoView()", anchor)
        page.screenshot(path=OUT / f"{name}-{anchor}.png")


if __name__ == "__main__":
    sys.exit(main())
