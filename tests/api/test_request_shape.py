"""Addresses, headers and ranges that no sound client sends."""

from __future__ import annotations

import pytest

from api.request_shape import HEADER_LIMIT_BYTES, HEADER_LIMIT_COUNT, URI_LIMIT_BYTES
from tests.support.service import Service

BEGINNING, MIDDLE = {"Range": "bytes=0-3"}, {"Range": "bytes=4-7"}


def test_an_endless_address_is_refused(service: Service) -> None:
    answer = service.client.get("/v1/parts?cursor=" + "x" * URI_LIMIT_BYTES)
    assert (answer.status_code, answer.json()["code"]) == (414, "uri_too_long")


@pytest.mark.parametrize(
    "headers",
    [{f"X-{k}": "1" for k in range(HEADER_LIMIT_COUNT)}, {"X-Long": "x" * HEADER_LIMIT_BYTES}],
    ids=["many", "long"],
)
def test_a_flood_of_headers_is_refused(service: Service, headers: dict[str, str]) -> None:
    answer = service.client.get("/v1/parts", headers=headers)
    assert (answer.status_code, answer.json()["code"]) == (431, "headers_too_large")


@pytest.mark.parametrize(
    "path", ["/v1/parts/%00", "/v1/parts/a%0d%0ab", "/v1/parts?cursor=%1b", "/v1/parts/%ff", "/%7f"]
)
def test_hidden_characters_in_an_address_are_refused(service: Service, path: str) -> None:
    """PostgreSQL takes no NUL, and a line end in a log is a line that nobody wrote."""
    answer = service.client.get(path)
    assert (answer.status_code, answer.json()["code"]) == (422, "request_invalid")


def test_names_in_other_scripts_are_no_hidden_characters(service: Service) -> None:
    answer = service.client.post("/v1/uploads?name=t%C3%AAte%20%E4%B8%AD.step", content=b"ISO-10303-21;")
    assert answer.status_code == 201


def test_a_range_of_a_report_is_sent(service: Service) -> None:
    address = ordered_page(service)
    whole = service.client.get(address).content
    first, second = (service.client.get(address, headers=asked) for asked in (BEGINNING, MIDDLE))
    assert (first.status_code, first.headers["content-range"]) == (206, f"bytes 0-3/{len(whole)}")
    assert first.content + second.content == whole[:8]


@pytest.mark.parametrize("asked", ["bytes=0-1,4-5", "bytes=0-0,0-0,0-0", "bytes=99999999-"])
def test_other_ranges_are_refused(service: Service, asked: str) -> None:
    assert service.client.get(ordered_page(service), headers={"Range": asked}).status_code == 416


@pytest.mark.parametrize("path", ["/v1/health/live", "/v1/inspections"])
def test_only_what_is_described_is_answered(service: Service, path: str) -> None:
    for method in ("TRACE", "CONNECT", "PROPFIND", "DELETE"):
        answer = service.client.request(method, path)
        assert (answer.status_code, answer.json()["code"]) == (405, "method_not_allowed")


def ordered_page(service: Service) -> str:
    done = service.order()["id"]
    service.finish(done)
    return f"/v1/inspections/{done}/report.html"
