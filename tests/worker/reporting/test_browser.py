"""The page in a real browser, opened from disk: it draws, turns, reads, and asks nothing of anyone."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imread
from playwright.sync_api import Browser, Page, sync_playwright

pytestmark = pytest.mark.chromium

ARGUMENTS = [
    "--no-sandbox",  # the suite may run as root in a container
    "--disable-dev-shm-usage",
    "--disable-background-networking",
    "--use-gl=angle",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture
def complaints() -> list[str]:
    return []


@pytest.fixture
def page(browser: Browser, page_path: Path, complaints: list[str]) -> Iterator[Page]:
    page = browser.new_page(viewport={"width": 1400, "height": 900})
    page.emulate_media(reduced_motion="reduce")
    page.on(
        "console", lambda message: complaints.append(message.text) if message.type in {"error", "warning"} else None
    )
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on(
        "request",
        lambda request: None if request.url.startswith(("file:", "data:")) else complaints.append(request.url),
    )
    page.goto(page_path.as_uri())
    page.wait_for_selector("body.has-gl canvas[data-view]")
    yield page
    page.close()


def shot(page: Page, selector: str = "#canvas") -> np.ndarray:
    return np.asarray(imread(io.BytesIO(page.locator(selector).screenshot()), format="png"))


def view_of(page: Page) -> str | None:
    return page.get_attribute("#canvas", "data-view")


def test_part_is_drawn_and_nothing_is_complained_of(page: Page, complaints: list[str]) -> None:
    pixels = shot(page)[..., :3]
    assert (np.abs(pixels - pixels[2, 2]).sum(axis=2) > 0.1).mean() > 0.15
    assert complaints == []


def test_unit_changes_every_figure(page: Page) -> None:
    assert "0.448 mm" in page.inner_text("main")
    page.click("[data-choose-unit=in]")
    text = page.inner_text("main")
    assert "17.7 thou" in text
    assert not re.search(r"\d mm\b", text)


def test_show_turns_the_view_and_reads_the_place(page: Page) -> None:
    before = view_of(page)
    page.click(".finding.wrong .show")
    page.wait_for_function("before => document.getElementById('canvas').dataset.view !== before", arg=before)
    assert page.inner_text("#reading-value").startswith("Deviation ")
    assert "bore 2" in page.inner_text("#reading-where")


def test_click_reads_value_uncertainty_and_position(page: Page) -> None:
    page.click("#canvas", position={"x": 380, "y": 330})
    assert "±" in page.inner_text("#reading-value")
    assert page.inner_text("#reading-where").startswith("x ")


def test_click_beside_the_part_reads_nothing(page: Page) -> None:
    page.click("#canvas", position={"x": 5, "y": 5})
    assert page.inner_text("#reading-value") == "Click or tap the part to read a value."


def test_wall_map_looks_different_and_reads_walls(page: Page) -> None:
    before = shot(page)
    page.check("input[name=map][value=wall]", force=True)
    page.click("#canvas", position={"x": 380, "y": 330})
    assert page.inner_text("#reading-value").startswith("Wall of ")
    assert np.abs(shot(page) - before).mean() > 0.05


def test_cut_takes_material_away(page: Page) -> None:
    before = shot(page)
    page.select_option("#section-axis", "y")
    assert page.inner_text("#section-value") == "y = 40.0 mm"
    assert np.abs(shot(page) - before).mean() > 0.02


def test_keyboard_turns_the_view(page: Page) -> None:
    before = view_of(page)
    page.focus("#canvas")
    page.keyboard.press("ArrowLeft")
    page.wait_for_function("before => document.getElementById('canvas').dataset.view !== before", arg=before)
    page.keyboard.press("Enter")
    assert page.inner_text("#reading-value").startswith("Deviation ")


def test_highlight_fades_the_rest(page: Page) -> None:
    before = shot(page)
    page.select_option("#highlight", label="region bore_2")
    assert np.abs(shot(page) - before).mean() > 0.01


def test_phone_needs_no_sideways_scroll(browser: Browser, page_path: Path) -> None:
    page = browser.new_page(viewport={"width": 390, "height": 844})
    page.goto(page_path.as_uri())
    assert page.evaluate("document.documentElement.scrollWidth") == 390
    page.close()


def test_without_webgl_the_picture_and_a_word_remain(browser: Browser, page_path: Path) -> None:
    page = browser.new_page(viewport={"width": 1400, "height": 900})
    page.add_init_script("HTMLCanvasElement.prototype.getContext = () => null")
    page.goto(page_path.as_uri())
    assert page.is_visible("#no-gl")
    assert page.is_visible("svg.still")
    page.close()


def test_print_shows_pictures_and_no_controls(page: Page) -> None:
    page.emulate_media(media="print")
    assert page.is_visible("svg.still")
    assert not page.is_visible("#canvas")
    assert not page.is_visible(".tools")
    assert page.locator("button:visible").count() == 0
