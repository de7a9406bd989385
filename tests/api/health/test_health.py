"""Whether the service lives, can work, and what it counts."""

from __future__ import annotations

import pytest

from tests.support.service import Service


def metric(service: Service, line: str) -> str:
    """Value of the metric whose line begins so."""
    answer = service.client.get("/metrics")
    assert answer.status_code == 200
    found = [text for text in answer.text.splitlines() if text.startswith(line)]
    assert len(found) == 1, answer.text
    return found[0].rpartition(" ")[2]


def test_a_service_with_everything_is_ready(service: Service) -> None:
    answer = service.client.get("/v1/health/ready")
    expected = {"is_ready": True, "checks": {"database": "ok", "files": "ok", "broker": "ok"}}
    assert (answer.status_code, answer.json()) == (200, expected)


def test_a_missing_broker_is_named(service: Service) -> None:
    service.sender.is_up = False
    answer = service.client.get("/v1/health/ready")
    assert (answer.status_code, answer.json()["checks"]["broker"]) == (503, "ConnectionError: Connection refused")


def test_a_lost_disk_is_named(service: Service) -> None:
    (service.folder / "files" / "aside").rmdir()
    checks = service.client.get("/v1/health/ready").json()["checks"]
    assert checks["files"].startswith("FileNotFoundError")
    assert checks["database"] == "ok"


def test_a_lost_database_is_named(service: Service) -> None:
    with service.resources.database.writing() as session:
        session.connection().exec_driver_sql("ALTER TABLE jobs RENAME TO gone")
    answer = service.client.get("/v1/health/ready")
    assert (answer.status_code, answer.json()["checks"]["files"]) == (503, "ok")
    assert "no such table" in answer.json()["checks"]["database"]


def test_it_lives_even_when_not_ready(service: Service) -> None:
    service.sender.is_up = False
    assert service.client.get("/v1/health/live").json() == {"status": "live"}


@pytest.mark.parametrize(("state", "count"), [("queued", "1.0"), ("done", "1.0"), ("failed", "0.0")])
def test_inspections_are_counted_by_state(service: Service, state: str, count: str) -> None:
    service.finish(service.order()["id"])
    service.order()
    assert metric(service, f'firstpour_inspections{{state="{state}"}}') == count


def test_requests_are_counted_by_route_and_not_by_id(service: Service) -> None:
    for upload_id in ("up_1", "up_2"):
        service.client.get(f"/v1/uploads/{upload_id}")
    line = 'firstpour_http_requests_total{method="GET",route="/v1/uploads/{upload_id}",status="404"}'
    assert metric(service, line) == "2.0"


def test_received_bytes_are_counted(service: Service) -> None:
    service.upload("a.stl", b"x" * 1000)
    assert metric(service, 'firstpour_upload_bytes_total{way="raw"}') == "1000.0"
