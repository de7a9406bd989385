"""Screenshots for the README from the demonstration's reports: ``demo/run``, then ``python -m demo.make_pictures``.

Needs Playwright (the development group) and Debian's chromium.
"""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import sync_playwright

HERE = Path(__file__).parent
CHROMIUM = "/usr/bin/chromium"
FLAGS = ["--no-sandbox", "--use-angle=swiftshader", "--enable-unsafe-swiftshader", "--disable-background-networking"]
SIZE = {"width": 1400, "height": 900}
DRAWN_MS = 4000  # for the first picture of the 3D view on a slow machine


def make_pictures() -> None:
    """One first screen a report, as PNG."""
    folder = HERE / "pictures"
    folder.mkdir(exist_ok=True)
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        for name in ("print", "casting"):
            page = browser.new_page(viewport={"width": SIZE["width"], "height": SIZE["height"]})
            page.goto((HERE / "out" / name / "report.html").as_uri())
            page.wait_for_timeout(DRAWN_MS)
            page.screenshot(path=folder / f"report-{name}.png")
        browser.close()


if __name__ == "__main__":
    make_pictures()
