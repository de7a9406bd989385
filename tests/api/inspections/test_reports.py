"""The report goes out under a policy that lets it load nothing."""

from __future__ import annotations

import pytest

from shared.csp import csp_for
from tests.support.service import PAGE, Service


@pytest.fixture
def address(service: Service) -> str:
    inspection_id = service.order()["id"]
    service.finish(inspection_id)
    return f"/v1/inspections/{inspection_id}/report"


@pytest.mark.parametrize(
    ("ending", "accept", "kind"),
    [
        ("", "*/*", "application/json"),
        ("", "text/html,*/*;q=0.8", "text/html; charset=utf-8"),
        (".json", "text/html", "application/json"),
        (".html", "application/json", "text/html; charset=utf-8"),
    ],
)
def test_a_report_comes_in_the_form_asked_for(
    service: Service, address: str, ending: str, accept: str, kind: str
) -> None:
    answer = service.client.get(address + ending, headers={"Accept": accept})
    assert (answer.status_code, answer.headers["content-type"]) == (200, kind)


def test_the_page_may_run_only_what_it_carries(service: Service, address: str) -> None:
    headers = service.client.get(f"{address}.html").headers
    assert headers["content-security-policy"].startswith(csp_for(PAGE))
    assert "frame-ancestors 'none'" in headers["content-security-policy"]
    assert (headers["referrer-policy"], headers["x-content-type-options"]) == ("no-referrer", "nosniff")
    assert headers["cache-control"] == "private, no-cache"


def test_a_report_already_known_is_not_sent_again(service: Service, address: str) -> None:
    tag = service.client.get(f"{address}.html").headers["etag"]
    answer = service.client.get(f"{address}.html", headers={"If-None-Match": tag})
    assert (answer.status_code, answer.content, answer.headers["etag"]) == (304, b"", tag)


def test_a_part_of_a_report_can_be_asked_for(service: Service, address: str) -> None:
    answer = service.client.get(f"{address}.html", headers={"Range": "bytes=0-14"})
    assert (answer.status_code, answer.text) == (206, "<!doctype html>")


@pytest.mark.parametrize("state", ["queued", "running", "failed", "cancelled"])
def test_without_a_report_the_state_is_told(service: Service, state: str) -> None:
    inspection_id = service.order()["id"]
    service.move(inspection_id, state=state)
    answer = service.client.get(f"/v1/inspections/{inspection_id}/report.json")
    assert (answer.status_code, answer.json()["code"]) == (409, "report_not_ready")
    assert answer.json()["data"] == {"state": state}


def test_the_links_to_the_report_come_with_it(service: Service, address: str) -> None:
    links = service.client.get(address.removesuffix("/report")).json()["links"]
    assert [links["report_json"], links["report_html"]] == [f"{address}.json", f"{address}.html"]


def test_a_file_that_goes_with_the_report_is_a_download(service: Service) -> None:
    inspection_id = service.order()["id"]
    service.finish(inspection_id, files={"wall2-map.csv": b"x_mm\n1.0\n"})
    answer = service.client.get(f"/v1/inspections/{inspection_id}/files/wall2-map.csv")
    assert (answer.status_code, answer.content) == (200, b"x_mm\n1.0\n")
    assert answer.headers["content-disposition"] == 'attachment; filename="wall2-map.csv"'
    assert answer.headers["content-type"] == "application/octet-stream"


@pytest.mark.parametrize("name", ["other.csv", "%2e%2e%2freport.json", "..%5creport.json", "a%00b"])
def test_nothing_but_those_files_is_given_out(service: Service, name: str) -> None:
    inspection_id = service.order()["id"]
    service.finish(inspection_id, files={"wall2-map.csv": b""})
    answer = service.client.get(f"/v1/inspections/{inspection_id}/files/{name}")
    assert answer.status_code in {404, 405, 422}
