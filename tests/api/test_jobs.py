"""How jobs are put into the queue."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from shared.states import SizeClass
from tests.support.service import STEP, STL, Service, running_service


@pytest.fixture
def service(tmp_path: Path) -> Iterator[Service]:
    with running_service(tmp_path, large_job_bytes=1000) as service:
        yield service


@pytest.mark.parametrize(
    ("scan_bytes", "size_class"), [(1000 - len(STEP) - 1, SizeClass.SMALL), (1000 - len(STEP), SizeClass.LARGE)]
)
def test_a_job_is_large_from_so_many_bytes_of_all_its_files_on(
    scan_bytes: int, size_class: SizeClass, service: Service
) -> None:
    scan = service.upload("scan.stl", STL.ljust(scan_bytes))
    made = service.order(scan_upload_id=scan["id"])
    assert service.sender.sizes == {made["id"]: size_class}


def test_a_form_and_a_detection_have_a_size_too(service: Service) -> None:
    files = {"nominal": ("head.stl", STL), "scan": ("scan.stl", STL.ljust(1000))}
    service.client.post("/v1/inspections/form", files=files, data={"unit": "mm"}).raise_for_status()
    part = service.client.post("/v1/parts", json={"name": "Head"}).json()["id"]
    large = service.upload("head.step", STEP.ljust(1000))["id"]
    revision = {"label": "A", "nominal_upload_id": large}
    service.client.post(f"/v1/parts/{part}/revisions", json=revision).raise_for_status()
    assert list(service.sender.sizes.values()) == [SizeClass.LARGE] * 2
