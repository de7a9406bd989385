"""The pages in a real browser: Debian's chromium, headless."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, BrowserContext, FilePayload, Page, Request, expect, sync_playwright

from shared.states import Stage
from tests.support.live import Live, live_service
from tests.support.service import PAGE, STEP, STL

CHROMIUM = Path("/usr/bin/chromium")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
PHONE = {"width": 390, "height": 844}
FILES: dict[str, FilePayload] = {
    "#nominal": {"name": "head.step", "mimeType": "application/octet-stream", "buffer": STEP},
    "#scan": {"name": "scan.stl", "mimeType": "application/octet-stream", "buffer": STL},
}
VISIBLE_SIZES = "[...document.querySelectorAll('button, .button')].map(b => b.offsetHeight).filter(Boolean)"
pytestmark = pytest.mark.chromium


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    if not CHROMIUM.exists():
        pytest.skip("chromium is not installed")
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture
def live(tmp_path: Path) -> Iterator[Live]:
    with live_service(tmp_path) as live:
        yield live


@pytest.fixture
def context(browser: Browser) -> Iterator[BrowserContext]:
    context = browser.new_context()
    context.set_default_timeout(20_000)
    yield context
    context.close()


@pytest.fixture
def page(context: BrowserContext, live: Live) -> Iterator[Page]:
    page = context.new_page()
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    page.goto(live.url)
    yield page
    assert [text for text in complaints if not text.startswith("Failed to load resource")] == []


def fill(page: Page) -> None:
    for place, file in FILES.items():
        page.set_input_files(place, files=[file])
    page.get_by_label("mm", exact=True).check()


def work(live: Live, is_success: bool = True) -> threading.Thread:
    """A worker that takes the first inspection it is told of through all stages."""

    def run() -> None:
        while not live.service.sender.sent:
            time.sleep(0.02)
        inspection_id = live.service.sender.sent[0]
        for number, stage in enumerate(Stage):
            live.service.move(inspection_id, state="running", stage=stage.value, progress=(number + 1) / 7)
            time.sleep(0.5)
        if is_success:
            live.service.finish(inspection_id, PAGE)
        else:
            error = {"code": "unit_mismatch", "message": "Off by 25.4.", "advice": "State inch.", "data": {}}
            live.service.move(inspection_id, state="failed", error=error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    return thread


def test_two_files_and_a_unit_lead_to_the_report(page: Page, live: Live) -> None:
    requests: list[Request] = []
    page.on("request", lambda request: requests.append(request))  # noqa: PLW0108 - playwright marks its handlers
    fill(page)
    work(live)
    page.get_by_role("button", name="Inspect").click()
    page.wait_for_url("**/inspections/insp_*")
    expect(page.get_by_role("status")).to_have_text("Measuring deviations")
    page.wait_for_url("**/report.html")
    assert page.title() == "Report"
    assert all(request.url.startswith(live.url) for request in requests)


def test_a_failure_is_shown_with_advice(page: Page, live: Live) -> None:
    fill(page)
    work(live, is_success=False)
    page.get_by_role("button", name="Inspect").click()
    expect(page.get_by_role("heading", name="Failed")).to_be_visible()
    expect(page.get_by_text("State inch.")).to_be_visible()


def test_progress_is_polled_where_events_do_not_come(page: Page, live: Live) -> None:
    page.route("**/events", lambda route: route.abort())
    ordered = live.service.order()
    page.evaluate("window.stop()")
    other = page.context.new_page()
    other.route("**/events", lambda route: route.abort())
    other.goto(live.url + ordered["links"]["page"])
    live.service.move(ordered["id"], state="running", stage="thickness", progress=0.6)
    expect(other.get_by_role("status")).to_have_text("Measuring walls")
    live.service.finish(ordered["id"])
    other.wait_for_url("**/report.html")


def test_a_refusal_is_told_and_gets_the_focus(page: Page) -> None:
    fill(page)
    page.get_by_label("each file says its own").check()
    page.get_by_role("button", name="Inspect").click()
    alert = page.get_by_role("alert")
    expect(alert).to_contain_text("scan.stl carries no unit")
    expect(alert).to_be_focused()
    expect(page.get_by_role("button", name="Inspect")).to_be_enabled()


def test_sending_goes_on_after_the_line_broke(page: Page, live: Live) -> None:
    broken: list[str] = []

    def break_once(route: object, request: Request) -> None:
        if request.method == "PATCH" and not broken:
            broken.append(request.url)
            route.abort("connectionreset")  # type: ignore[attr-defined]  # playwright's Route is not exported for typing here
        else:
            route.continue_()  # type: ignore[attr-defined]  # as above

    page.route("**/v1/uploads/tus/*", break_once)
    fill(page)
    page.get_by_role("button", name="Inspect").click()
    page.wait_for_url("**/inspections/insp_*")
    assert len(broken) == 1


def test_it_works_without_script(browser: Browser, live: Live) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(live.url)
    fill(page)
    page.get_by_role("button", name="Inspect").click()
    page.wait_for_url("**/inspections/insp_*")
    expect(page.get_by_text("Waiting for a worker")).to_be_visible()
    live.service.finish(live.service.sender.sent[0])
    expect(page.get_by_role("link", name="Open the report")).to_be_visible(timeout=15_000)
    context.close()


def test_both_files_can_be_dropped_at_once(page: Page) -> None:
    page.evaluate(
        """() => {
        const holder = new DataTransfer();
        for (const name of ["scan.stl", "head.step"]) holder.items.add(new File(["x"], name));
        document.querySelector("[data-drop]").dispatchEvent(new DragEvent("drop", { dataTransfer: holder }));
        }"""
    )
    assert page.evaluate("document.querySelector('#nominal').files[0].name") == "head.step"
    assert page.evaluate("document.querySelector('#scan').files[0].name") == "scan.stl"


def test_the_form_can_be_used_with_the_keyboard_alone(page: Page) -> None:
    reached: list[str] = []
    for _ in range(12):
        page.keyboard.press("Tab")
        reached.append(page.evaluate("document.activeElement.id || document.activeElement.textContent.trim()"))
        outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert outline != "none"
        if reached[-1] == "Inspect":
            break
    assert reached[0] == "Go to the content"
    assert [name for name in reached if name in {"nominal", "scan", "Inspect"}] == ["nominal", "scan", "Inspect"]


@pytest.mark.parametrize("path", ["/", "page", "/inspections/insp_0"])
def test_nothing_is_wider_than_a_phone(browser: Browser, live: Live, path: str) -> None:
    title = "A_very_long_title_without_any_blank_that_could_be_broken_" * 3
    ordered = live.service.order(title=title)
    live.service.move(ordered["id"], state="running", stage="align", progress=0.2)
    context = browser.new_context(viewport=PHONE)  # type: ignore[arg-type]  # a plain dict does
    page = context.new_page()
    page.goto(live.url + (ordered["links"]["page"] if path == "page" else path))
    assert page.evaluate("document.documentElement.scrollWidth") == PHONE["width"]
    sizes = page.evaluate(VISIBLE_SIZES)
    assert all(size >= 24 for size in sizes)  # WCAG 2.2, 2.5.8 target size, level AA
    context.close()
