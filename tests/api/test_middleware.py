"""Limits, guards and headers around every request."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.support.service import STL, Service, running_service


def pieces(count: int) -> Iterator[bytes]:
    for _ in range(count):
        yield b" " * 1024


PATHS = ("/", "/v1/parts", "/v1/nothing", "/static/firstpour.css", "/v1/health/live", "/metrics")


@pytest.mark.parametrize("path", PATHS)
def test_every_answer_carries_the_security_headers(service: Service, path: str) -> None:
    headers = service.client.get(path).headers
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["referrer-policy"] == ("same-origin" if path == "/" else "no-referrer")
    assert headers["x-frame-options"] == "DENY"
    assert "default-src 'none'" in headers["content-security-policy"]
    assert "frame-ancestors 'none'" in headers["content-security-policy"]
    assert headers["cache-control"].startswith("private")
    assert len(headers["x-request-id"]) == 16


@pytest.mark.parametrize("is_announced", [True, False])
def test_a_large_body_that_is_no_file_is_refused(service: Service, is_announced: bool) -> None:
    content = b" " * 17 * 1024 if is_announced else pieces(17)
    answer = service.client.post("/v1/parts", content=content, headers={"Content-Type": "application/json"})
    assert (answer.status_code, answer.json()["code"]) == (413, "request_too_large")


def test_a_body_at_the_limit_is_read(service: Service) -> None:
    content = b'{"name": "Head"}'.ljust(16 * 1024)
    answer = service.client.post("/v1/parts", content=content, headers={"Content-Type": "application/json"})
    assert answer.status_code == 201


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1.evil.example", "", "127.0.0.2"])
def test_a_strange_host_name_is_refused(service: Service, host: str) -> None:
    answer = service.client.get("/v1/parts", headers={"Host": host})
    assert (answer.status_code, answer.json()["code"]) == (403, "request_forbidden")


@pytest.mark.parametrize("host", ["127.0.0.1:8650", "localhost", "[::1]:8650", "LOCALHOST:1"])
def test_loopback_names_are_ours(service: Service, host: str) -> None:
    assert service.client.get("/v1/parts", headers={"Host": host}).status_code == 200


def test_the_public_address_is_ours_too(tmp_path: Path) -> None:
    with running_service(tmp_path, public_url="https://firstpour.example/") as service:
        assert service.client.get("/v1/parts", headers={"Host": "firstpour.example"}).status_code == 200


@pytest.mark.parametrize(
    "headers",
    [
        {"Origin": "https://evil.example"},
        {"Origin": "null"},
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
    ],
)
def test_a_page_of_another_site_cannot_send_anything(service: Service, headers: dict[str, str]) -> None:
    files = {"nominal": ("a.stl", STL), "scan": ("b.stl", STL)}
    answer = service.client.post("/v1/inspections/form", files=files, data={"unit": "mm"}, headers=headers)
    assert (answer.status_code, answer.json()["code"]) == (403, "request_forbidden")
    assert service.stored_files() == []


@pytest.mark.parametrize(
    "headers", [{"Origin": "http://127.0.0.1:8650"}, {"Origin": "null", "Sec-Fetch-Site": "same-origin"}]
)
def test_our_own_page_can(service: Service, headers: dict[str, str]) -> None:
    assert service.client.post("/v1/parts", json={"name": "Head"}, headers=headers).status_code == 201
