"""Figures for Prometheus, and the dashboard that draws them."""

from __future__ import annotations

import json
import re
from datetime import timedelta
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

import api
from shared.tables import utc_now
from tests.support.service import DATABASE, Service

DASHBOARD = json.loads((Path(api.__file__).parent / "dashboard" / "firstpour.json").read_text())
EXPRESSIONS = [target["expr"] for panel in DASHBOARD["panels"] for target in panel["targets"]]
NAME = re.compile(r"\bfirstpour_[a-z_]+")


def figures(service: Service) -> dict[tuple[str, ...], float]:
    """Value by name and labels, these in the order of their names."""
    families = list(text_string_to_metric_families(service.client.get("/metrics").text))
    return {(sample.name, *sample.labels.values()): sample.value for one in families for sample in one.samples}


@pytest.fixture
def busy(service: Service) -> Service:
    """One job waits since ten minutes, one runs and beat a minute ago, one is done after two attempts."""
    now = utc_now()
    waiting, running, done = (service.order()["id"] for _ in range(3))
    service.move(waiting, created_at=now - timedelta(minutes=10))
    service.move(running, state="running", stage="align", heartbeat_at=now - timedelta(minutes=1), attempts=1)
    service.finish(done)
    service.move(done, attempts=2, created_at=now - timedelta(seconds=50), started_at=now - timedelta(seconds=40))
    service.move(done, finished_at=now - timedelta(seconds=10), stage_s={"read": 4.0, "align": 20.0})
    return service


def test_jobs_are_counted_by_state_and_outcome(busy: Service) -> None:
    found = figures(busy)
    assert found["firstpour_jobs", "", "queued", "inspect"] == 1
    assert found["firstpour_jobs", "does_not_conform", "done", "inspect"] == 1
    assert found["firstpour_jobs_at_stage", "align"] == 1
    assert found["firstpour_jobs_tried_again",] == 1


def test_ages_and_times_are_told(busy: Service) -> None:
    found = figures(busy)
    assert 600 <= found["firstpour_queue_age_seconds",] < 660
    assert 60 <= found["firstpour_heartbeat_age_seconds",] < 120
    assert (found["firstpour_job_wait_seconds",], found["firstpour_job_run_seconds",]) == pytest.approx((10.0, 30.0))


def test_times_of_stages_are_told(busy: Service) -> None:
    found = figures(busy)
    assert (
        found["firstpour_stage_seconds", "align", "inspect"],
        found["firstpour_stage_seconds", "read", "inspect"],
    ) == (
        20.0,
        4.0,
    )


def test_the_place_is_told(service: Service) -> None:
    stamp = service.folder / "workers" / "bench.alive"
    stamp.parent.mkdir()
    stamp.touch()
    found = figures(service)
    assert 0 < found["firstpour_disk_free_bytes",] < found["firstpour_disk_size_bytes",]
    assert found["firstpour_worker_swept_age_seconds", "bench"] < 60


def test_an_empty_service_waits_for_nothing(service: Service) -> None:
    found = figures(service)
    assert (found["firstpour_queue_age_seconds",], found["firstpour_job_run_seconds",]) == (0, 0)


def test_without_a_database_the_rest_is_still_told(service: Service) -> None:
    service.resources.database.close()
    (service.folder / DATABASE).write_bytes(b"no database, and longer than the header of one" * 100)
    for ending in ("-wal", "-shm"):
        (service.folder / (DATABASE + ending)).unlink(missing_ok=True)
    assert ("firstpour_disk_free_bytes",) in figures(service)


@pytest.mark.parametrize("expression", EXPRESSIONS)
def test_every_figure_of_the_dashboard_exists(busy: Service, expression: str) -> None:
    stamp = busy.folder / "workers" / "bench.alive"
    stamp.parent.mkdir(exist_ok=True)
    stamp.touch()
    names = {name for name, *_ in figures(busy)}
    asked = set(NAME.findall(expression))
    assert asked
    assert asked <= names


def test_the_dashboard_asks_for_every_figure_of_jobs(busy: Service) -> None:
    drawn = set(NAME.findall(" ".join(EXPRESSIONS)))
    told = {name for name, *_ in figures(busy) if not name.endswith(("_created", "_sum", "_count"))}
    assert told - drawn <= {"firstpour_inspections"}
