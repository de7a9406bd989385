"""The production set over HTTP: Redis, PostgreSQL, API and two workers as real processes."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator

import pytest

from tests.support.postgres import fresh_database, temporary_postgres
from tests.support.services import Service, children_of, running_service, temporary_redis, wait_for

pytestmark = [pytest.mark.redis, pytest.mark.postgres]


@pytest.fixture(scope="module")
def redis_url() -> Iterator[str]:
    with temporary_redis() as url:
        yield url


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory, redis_url: str) -> Iterator[Service]:
    with (
        temporary_postgres() as server,
        running_service(
            tmp_path_factory.mktemp("service"),
            database_url=fresh_database(server),
            broker_url=redis_url,
            worker_processes="2",
        ) as service,
    ):
        yield service


@pytest.fixture(scope="module", autouse=True)
def workers(service: Service) -> Iterator[list[subprocess.Popen[bytes]]]:
    with service.worker() as first, service.worker() as second:
        yield [first, second]


def test_two_workers_run_two_inspections_at_the_same_time(service: Service) -> None:
    go = service.folder / "go"
    ids = [service.order(f"wait {go}") for _ in range(3)]

    def running() -> bool:
        return [service.get(each)["stage"] for each in ids].count("read") == 2

    wait_for(running, "two inspections are under way")
    go.touch()
    found = [service.wait_until_final(each) for each in ids]
    assert [(each["state"], each["attempts"]) for each in found] == [("done", 1)] * 3


def test_a_queue_lost_by_redis_is_filled_again(service: Service, redis_url: str) -> None:
    port = redis_url.rsplit(":", 1)[1].removesuffix("/0")
    go = service.folder / "go_after_flush"
    busy = [service.order(f"wait {go}") for _ in range(2)]
    for inspection_id in busy:
        service.wait_until_measuring(inspection_id)
    waiting = service.order("quick")
    subprocess.run(["redis-cli", "-p", port, "FLUSHALL"], check=True, stdout=subprocess.DEVNULL)
    go.touch()
    found = [service.wait_until_final(each) for each in (*busy, waiting)]
    assert [(each["state"], each["attempts"]) for each in found] == [("done", 1)] * 3


def test_an_inspection_whose_worker_is_killed_goes_to_the_other(
    service: Service, workers: list[subprocess.Popen[bytes]]
) -> None:
    go = service.folder / "go_after_kill"
    inspection_id = service.order(f"wait {go}")
    service.wait_until_measuring(inspection_id)
    busy = next(worker for worker in workers if children_of(worker.pid))
    busy.kill()
    busy.wait()
    go.touch()
    found = service.wait_until_final(inspection_id)
    assert (found["state"], found["attempts"]) == ("done", 2)
