"""Every text of a report that a stranger can choose, made hostile at once: nothing of it runs, nothing turns around."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from playwright.sync_api import Browser, sync_playwright
from pydantic import ValidationError

from shared.csp import csp_for
from shared.report import Report
from tests.worker.reporting.test_browser import ARGUMENTS
from tests.worker.reporting.test_page import Elements
from worker.reporting.page import render_page
from worker.reporting.scene import Scene

HOSTILE = (
    "</script></title></textarea><script>window.ran = 1</script><img src=x onerror='window.ran = 1'>\"'`"
    "<svg/onload=window.ran=1>{{7*7}}${7*7}<!--\u202e\u2028\x00\x1b javascript:window.ran=1//"
)
OURS = {"kind", "unit", "x_unit", "y_unit"}  # words of ours, from lists of ours
Place = tuple[str | int, ...]


def texts_of(value: Any, place: Place = ()) -> Iterator[Place]:
    """Where a document has texts."""
    if isinstance(value, str):
        yield place
    items = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in items:
        yield from texts_of(inner, (*place, key))


def with_text(document: dict[str, Any], place: Place, text: str) -> dict[str, Any]:
    changed: dict[str, Any] = json.loads(json.dumps(document))
    at: Any = changed
    for step in place[:-1]:
        at = at[step]
    at[place[-1]] = text
    return changed


def hostile_everywhere(report: Report) -> tuple[Report, int]:
    """The report with every text hostile that may hold any text, and how many those are."""
    document, count = report.model_dump(mode="json"), 0
    for place in list(texts_of(document)):
        if place[-1] in OURS:
            continue
        changed = with_text(document, place, HOSTILE)
        try:
            Report.model_validate(changed)
        except ValidationError:
            continue  # a word from a list, an id of a fixed form
        document, count = changed, count + 1
    return Report.model_validate(document), count


@pytest.fixture(scope="module")
def hostile_page(report: Report, scene: Scene, tmp_path_factory: pytest.TempPathFactory) -> Path:
    hostile, count = hostile_everywhere(report)
    assert count > 100
    path = tmp_path_factory.mktemp("hostile") / "report.html"
    path.write_text(render_page(hostile, scene), encoding="utf-8")
    return path


def test_no_text_makes_an_element_or_a_handler(hostile_page: Path, page_path: Path) -> None:
    found, plain = (Elements(path.read_text(encoding="utf-8")).found for path in (hostile_page, page_path))
    assert [tag for tag, _ in found].count("script") == [tag for tag, _ in plain].count("script") == 3
    assert not [name for _, attributes in found for name in attributes if name.startswith("on")]
    assert not [tag for tag, attributes in found if (attributes.get("href") or "").startswith("javascript:")]
    assert csp_for(hostile_page.read_text(encoding="utf-8")) == csp_for(page_path.read_text(encoding="utf-8"))


def test_no_text_turns_the_direction_of_another(hostile_page: Path) -> None:
    assert not set(hostile_page.read_text(encoding="utf-8")) & {"\u202e", "\x00", "\x1b"}


def test_no_text_is_taken_for_a_template(hostile_page: Path) -> None:
    assert "{{7*7}}" in hostile_page.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.mark.chromium
@pytest.mark.parametrize("has_policy", [True, False], ids=["under its policy", "without a policy"])
def test_nothing_runs_in_a_browser(browser: Browser, hostile_page: Path, tmp_path: Path, *, has_policy: bool) -> None:
    """Also without the policy: escaping alone must hold."""
    html = hostile_page.read_text(encoding="utf-8")
    path = tmp_path / "report.html"
    path.write_text(html if has_policy else html.replace("Content-Security-Policy", "X-None"), encoding="utf-8")
    page = browser.new_page()
    page.goto(path.as_uri())
    page.wait_for_selector("body.has-gl canvas[data-view]")
    assert page.evaluate("typeof window.ran") == "undefined"
    page.close()
