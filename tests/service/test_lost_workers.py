"""Workers and messages that go missing: what was accepted is done all the same, and once."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from typing import Any

import pytest

from shared.broker import make_celery, send_job
from tests.support.services import Service, is_alive, running_service, wait_for


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with running_service(tmp_path_factory.mktemp("service")) as service:
        yield service


@pytest.fixture(scope="module")
def ended(service: Service) -> dict[str, dict[str, Any]]:
    """Three inspections ordered while no worker ran, and what two workers made of them."""
    ids = {"lost": service.order("quick")}
    with closing(sqlite3.connect(service.settings.data_dir / "broker.sqlite3")) as broker, broker:
        assert broker.execute("DELETE FROM kombu_message").rowcount == 1
    ids |= {"sent": service.order("quick"), "sent many times": service.order("quick")}
    app = make_celery(service.settings)
    assert all(send_job(app, ids["sent many times"]) for _ in range(4))
    with service.worker(), service.worker():
        return {name: service.wait_until_final(inspection_id) for name, inspection_id in ids.items()}


@pytest.mark.parametrize("name", ["sent", "lost", "sent many times"])
def test_what_was_accepted_while_no_worker_ran_is_done_once(
    name: str, ended: dict[str, dict[str, Any]], service: Service
) -> None:
    found = ended[name]
    reports = service.settings.files_dir / "reports" / found["id"]
    assert (found["state"], found["attempts"]) == ("done", 1)
    assert [path.name for path in reports.iterdir()] == ["1"]


def test_a_killed_worker_takes_its_job_along_and_another_finishes_it(service: Service) -> None:
    go = service.folder / "go_after_kill"
    with service.worker() as worker:
        inspection_id = service.order(f"wait {go}")
        service.wait_until_measuring(inspection_id)
        job = service.job_of(worker)
        worker.kill()
        worker.wait()
        wait_for(lambda: not is_alive(job), "the job is gone", within_s=5)
    go.touch()
    with service.worker():
        found = service.wait_until_final(inspection_id)
    assert (found["state"], found["attempts"]) == ("done", 2)


def test_a_worker_told_to_stop_gives_its_job_back(service: Service) -> None:
    go = service.folder / "go_after_stop"
    with service.worker() as worker:
        inspection_id = service.order(f"wait {go}")
        service.wait_until_measuring(inspection_id)
        worker.terminate()
        assert worker.wait(timeout=15) == 0
    assert service.get(inspection_id)["state"] == "queued"
    go.touch()
    with service.worker():
        found = service.wait_until_final(inspection_id)
    assert (found["state"], found["attempts"]) == ("done", 1)
