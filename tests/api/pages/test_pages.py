"""Pages as any browser gets them, script or not."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from api.pages.rendering import FOLDER
from shared.states import InspectionState, Stage
from tests.support.service import Service

BROWSER = {"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"}
HOSTILE = "</script><img src=x onerror=alert(1)>.stl"


class Seen(HTMLParser):
    """Tags of a page, and what labels what."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def all(self, tag: str) -> list[dict[str, str | None]]:
        return [attributes for name, attributes in self.tags if name == tag]


def page_of(service: Service, path: str) -> str:
    answer = service.client.get(path, headers=BROWSER)
    assert answer.headers["content-type"].startswith("text/html")
    return answer.text


def test_the_first_page_takes_the_form_without_script(service: Service) -> None:
    (form,) = Seen(page_of(service, "/")).all("form")
    expected = {"action": "/v1/inspections/form", "method": "post", "enctype": "multipart/form-data"}
    assert expected.items() <= form.items()


def test_every_input_has_a_label(service: Service) -> None:
    page = page_of(service, "/")
    seen = Seen(page)
    labelled = {label.get("for") for label in seen.all("label")}
    bare = [
        field["name"] for field in seen.all("input") if field.get("type") != "radio" and field["id"] not in labelled
    ]
    assert bare == []
    assert page.count('type="radio"') == len(re.findall(r"<label><input type=\"radio\"[^>]*> \S+", page)) == 4


def test_no_unit_is_chosen_for_anyone(service: Service) -> None:
    radios = [field for field in Seen(page_of(service, "/")).all("input") if field.get("type") == "radio"]
    assert all("checked" not in field for field in radios)
    assert any("required" in field for field in radios)


@pytest.mark.parametrize("path", ["/", "/inspections/insp_0"])
def test_nothing_runs_inline_and_nothing_comes_from_elsewhere(service: Service, path: str) -> None:
    answer = service.client.get(path, headers=BROWSER)
    seen = Seen(answer.text)
    assert "script-src 'self'" in answer.headers["content-security-policy"]
    assert all(script["src"] == "/static/firstpour.js" for script in seen.all("script"))
    assert not any(name.startswith("on") or name == "style" for _, attributes in seen.tags for name in attributes)
    links = [attributes.get("href") or attributes.get("src") or "" for _, attributes in seen.tags]
    assert not any("//" in link for link in links)


def test_a_hostile_name_is_only_text(service: Service) -> None:
    scan = service.upload(HOSTILE, b"solid")["id"]
    ordered = service.order(scan_upload_id=scan, title=f"Head {HOSTILE}")
    for path in ("/", ordered["links"]["page"]):
        page = page_of(service, path)
        assert "<img" not in page
        assert "&lt;img" in page


def test_past_inspections_are_listed_with_word_and_shape(service: Service) -> None:
    service.finish(service.order(title="First casting")["id"])
    page = page_of(service, "/")
    assert "First casting" in page
    assert 'href="#v-does_not_conform"' in page
    assert "does not conform" in page
    assert "Jacket core displaced by 0.45 mm." in page


def test_older_inspections_are_a_page_away(service: Service) -> None:
    for number in range(21):
        service.order(title=f"Piece {number}")
    first = page_of(service, "/")
    older = re.search(r'href="(/\?before=[^"#]+)#past">Older', first)
    assert older is not None
    assert "Piece 0<" not in first
    assert "Piece 0<" in page_of(service, older[1])


def test_a_page_of_a_running_inspection_reloads_without_script(service: Service) -> None:
    ordered = service.order()
    service.move(ordered["id"], state="running", stage="align", progress=0.3)
    page = page_of(service, ordered["links"]["page"])
    assert '<noscript><meta http-equiv="refresh"' in page
    assert 'aria-current="step">Align' in page
    assert 'value="0.3"' in page


def test_the_cancel_button_works_without_script(service: Service) -> None:
    ordered = service.order()
    answer = service.client.post(f"{ordered['links']['page']}/cancel", headers=BROWSER)
    assert answer.status_code == 200
    assert "Cancelled" in answer.text


def test_a_failed_inspection_says_what_to_do(service: Service) -> None:
    ordered = service.order()
    error = {"code": "file_truncated", "message": "scan.stl ends early.", "advice": "Copy it again.", "data": {}}
    service.move(ordered["id"], state="failed", error=error)
    page = page_of(service, ordered["links"]["page"])
    assert "scan.stl ends early." in page
    assert "Copy it again." in page
    assert "refresh" not in page


def test_a_finished_inspection_leads_to_its_report(service: Service) -> None:
    ordered = service.order()
    service.finish(ordered["id"])
    page = page_of(service, ordered["links"]["page"])
    assert f'href="/v1/inspections/{ordered["id"]}/report.html">Open the report' in page


def test_a_wrong_form_is_told_on_a_page(service: Service) -> None:
    answer = service.client.post("/v1/inspections/form", files={"nominal": ("a.step", b"x")}, headers=BROWSER)
    assert answer.status_code == 422
    assert "exactly one file named scan" in answer.text
    assert 'role="alert"' in answer.text


@pytest.mark.parametrize("state", list(InspectionState))
def test_every_state_has_a_page_and_a_place_in_the_list(service: Service, state: InspectionState) -> None:
    ordered = service.order(title="Piece")
    service.move(ordered["id"], state=state.value, stage=Stage.ALIGN.value)
    symbols = re.findall(r'<symbol id="(v-[a-z_]+)"', page_of(service, "/"))
    for path in ("/", ordered["links"]["page"]):
        assert set(re.findall(r'<use href="#(v-[a-z_]+)"', page_of(service, path))) <= set(symbols)


def test_the_script_knows_every_stage() -> None:
    script = Path(FOLDER / "static" / "firstpour.js").read_text(encoding="utf-8")
    assert [stage for stage in Stage if f"{stage.value}:" not in script] == []


def luminance(color: str) -> float:
    """Relative luminance (WCAG 2.2)."""
    channels = [int(color[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4 for value in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


COLORS = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", (FOLDER / "static" / "firstpour.css").read_text()))


@pytest.mark.parametrize("ink", ["ink", "soft", "accent", "wrong", "doubt"])
@pytest.mark.parametrize("ground", ["paper", "card", "accent-pale", "wrong-pale"])
def test_text_contrasts_with_every_ground_it_stands_on(ink: str, ground: str) -> None:
    dark, light = sorted((luminance(COLORS[ink]), luminance(COLORS[ground])))
    assert (light + 0.05) / (dark + 0.05) >= 4.5  # WCAG 2.2, 1.4.3, level AA
