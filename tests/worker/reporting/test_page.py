"""The page: one file, nothing fetched, every text escaped, under a policy that names its scripts."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from shared.csp import csp_for
from shared.report import Report
from tests.support.report_example import example, not_aligned, without_plan
from worker.reporting.document import build_report
from worker.reporting.inspected import Inspected
from worker.reporting.page import ASSETS, render_page
from worker.reporting.payload import json_for_script, view_payload
from worker.reporting.scene import Scene
from worker.reporting.write import report_scene

HOSTILE = '</script><script>alert("x")</script><img src=x onerror=alert(1)>'
SIZE_LIMIT_BYTES = 15_000_000
OUTSIDE = ("src", "href", "action", "data", "srcset", "poster", "xlink:href")


class Elements(HTMLParser):
    """Every start tag with its attributes."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.found: list[tuple[str, dict[str, str | None]]] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found.append((tag, dict(attrs)))


def page_of(inspected: Inspected) -> str:
    return render_page(build_report(inspected), report_scene(inspected))


@pytest.fixture(scope="module")
def html(page_path: Path) -> str:
    return page_path.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def hostile_html() -> str:
    inspected = example(4, title=HOSTILE)
    measured = inspected.measured
    faces = (replace(measured.nominal.faces[0], name=HOSTILE), *measured.nominal.faces[1:])
    line = replace(inspected.characteristics[0], title=HOSTILE, region=HOSTILE, reason=HOSTILE)
    renamed = replace(
        measured,
        nominal=replace(measured.nominal, faces=faces),
        regions=tuple(replace(region, name=HOSTILE) for region in measured.regions[:1]),
    )
    return page_of(replace(inspected, measured=renamed, characteristics=(line, *inspected.characteristics[1:])))


def test_page_asks_nothing_of_any_server(html: str) -> None:
    for tag, attributes in Elements(html).found:
        for name in OUTSIDE:
            value = attributes.get(name)
            is_own = tag == "a" and value is not None and re.fullmatch(r"files/[A-Za-z0-9._-]+", value)
            assert value is None or is_own or value.startswith(("data:", "#")), (tag, name, value)


def test_page_loads_nothing_by_tag_or_style(html: str) -> None:
    assert not {tag for tag, _ in Elements(html).found} & {
        "link",
        "iframe",
        "object",
        "embed",
        "base",
        "form",
        "audio",
        "video",
    }
    assert not re.search(r"url\((?!#)|@import", (ASSETS / "report.css").read_text())


def test_no_style_or_handler_stands_in_an_attribute(html: str) -> None:
    names = {name for _, attributes in Elements(html).found for name in attributes}
    assert "style" not in names
    assert not [name for name in names if name.startswith("on")]


def test_policy_in_the_page_is_the_one_a_server_would_send(html: str) -> None:
    metas = [attributes for tag, attributes in Elements(html).found if tag == "meta"]
    (policy,) = (meta["content"] for meta in metas if meta.get("http-equiv") == "Content-Security-Policy")
    assert policy == csp_for(html)
    assert policy is not None
    assert policy.count("'sha256-") == 3  # one style, three.js, the viewer


def test_hostile_names_make_no_element(hostile_html: str, html: str) -> None:
    tags = [tag for tag, _ in Elements(hostile_html).found]
    assert tags.count("script") == [tag for tag, _ in Elements(html).found].count("script") == 3
    assert "img" not in {tag for tag, attributes in Elements(hostile_html).found if "onerror" in attributes}
    assert csp_for(hostile_html) == csp_for(html)


def test_hostile_names_are_still_readable(hostile_html: str) -> None:
    assert "&lt;/script&gt;&lt;script&gt;alert" in hostile_html


def test_data_block_survives_any_name() -> None:
    text = json_for_script({"name": HOSTILE + "\u2028<!--"})
    assert not re.search(r"[<>&\u2028]", text)
    assert json.loads(text)["name"] == HOSTILE + "\u2028<!--"


def test_licence_of_the_vendored_library_travels_with_it(html: str) -> None:
    assert "The MIT License" in html
    assert html.count("three.js authors") >= 1


def test_every_finding_and_characteristic_is_in_the_text(html: str, report: Report) -> None:
    assert html.count('class="finding ') == len(report.summary.findings)
    assert all(f"{line.id} ·" in html for line in report.characteristics)


@pytest.mark.parametrize("verdict", ["conforms", "does_not_conform", "not_proven", "not_measured"])
def test_verdict_carries_a_word_and_a_shape(html: str, verdict: str) -> None:
    assert f'<use href="#v-{verdict}"/></svg> {verdict.replace("_", " ")}' in html
    assert f'<symbol id="v-{verdict}"' in html


def test_first_picture_shows_the_first_finding(html: str) -> None:
    first = html[html.index('<svg class="still"') :]
    assert ">1</text>" in first[: first.index("</svg>")]


@pytest.mark.parametrize("make", [without_plan, not_aligned])
def test_page_is_made_whatever_was_found(make: Any) -> None:
    inspected = make(4)
    html = page_of(inspected)
    assert build_report(inspected).summary.headline in html
    assert 'id="characteristics"' not in html


def test_view_is_quantised_far_below_the_scan(scene: Scene) -> None:
    payload = view_payload(scene)
    points = np.frombuffer(base64.b64decode(payload["points"]["data"]), dtype="<i2").reshape(-1, 3)
    restored = points * payload["points"]["step"] + payload["centre_mm"]
    assert np.abs(restored - scene.mesh.points_mm).max() < 0.002
    deviation = (
        np.frombuffer(base64.b64decode(payload["deviation"]["data"]), dtype="<i2") * payload["deviation"]["step"]
    )
    assert np.abs(deviation - scene.mesh.deviation_mm).max() < 1e-4


def test_report_on_a_million_triangles_stays_small() -> None:
    inspected = example(106)
    assert len(inspected.measured.samples.triangles) > 1_000_000
    assert len(page_of(inspected).encode()) < SIZE_LIMIT_BYTES


def test_vendored_library_is_the_one_recorded() -> None:
    folder = ASSETS / "vendor" / "three"
    lines = [line.split() for line in (folder / "SHA256SUMS").read_text().splitlines()]
    assert len(lines) == 2
    for recorded, name in lines:
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == recorded
