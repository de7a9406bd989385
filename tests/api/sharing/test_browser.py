"""A guest in a real browser: passphrase, report inside the page, download, remark; nothing written ever runs."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect, sync_playwright

from tests.support.live import Live, live_service
from tests.support.sharing import FILE, REPORT_WITH_LINES, WORDS

ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
HOSTILE = "<img src=x onerror=\"document.title='run'\"><script>document.title='run'</script>"
REPORT_PAGE = f'<!doctype html><title>Report</title><p>0.47 mm <a href="files/{FILE}" download>Map</a>'
pytestmark = pytest.mark.chromium


@pytest.fixture
def live(tmp_path: Path) -> Iterator[Live]:
    with live_service(tmp_path) as live:
        yield live


@pytest.fixture
def address(live: Live) -> str:
    inspection_id = live.service.order()["id"]
    live.service.finish(inspection_id, REPORT_PAGE, REPORT_WITH_LINES, {FILE: b"x_mm\n"})
    wanted = {"label": "Foundry", "may_remark": True, "may_sign": True, "passphrase": WORDS}
    made = live.service.client.post(f"/v1/inspections/{inspection_id}/links", json=wanted)
    assert made.status_code == 201, made.text
    return str(made.json()["url"])


@pytest.fixture
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        yield browser
        browser.close()


def opened(browser: Browser, address: str) -> Page:
    page = browser.new_context().new_page()
    page.set_default_timeout(60_000)
    page.goto(address)
    page.get_by_label("Passphrase").fill(WORDS)
    page.get_by_role("button", name="Open the report").click()
    return page


def test_a_guest_reads_takes_along_and_answers(browser: Browser, address: str) -> None:
    page = opened(browser, address)
    report = page.frame_locator("iframe.report")
    expect(report.get_by_text("0.47 mm")).to_be_visible()
    with page.expect_download() as taken:  # the cookie goes with requests from inside the frame too
        report.get_by_role("link", name="Map").click()
    assert taken.value.suggested_filename == FILE
    page.locator("#author").fill("Anna")
    page.locator("#text").fill(HOSTILE)
    page.get_by_role("button", name="Leave the remark").click()
    page.wait_for_url("**#remark-1")
    expect(page.get_by_text(HOSTILE)).to_be_visible()
    assert page.title() != "run"


def test_the_address_goes_nowhere_with_a_request(browser: Browser, address: str) -> None:
    page = browser.new_context().new_page()
    referrers: list[str | None] = []
    page.on("request", lambda request: referrers.append(request.header_value("referer")))
    page.goto(address)
    page.goto(f"{address}/nothing")
    assert referrers
    assert not any(referrers)
