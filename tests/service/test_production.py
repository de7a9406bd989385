"""The production set over HTTP: Redis, PostgreSQL, API and two workers as real processes."""

from __future__ import annotations

import json
import subprocess
from collections.abc import Iterator

import pytest

from tests.support.postgres import Postgres, fresh_database, postgres_server
from tests.support.services import Redis, Service, children_of, redis_server, running_service, stop, wait_for

pytestmark = [pytest.mark.redis, pytest.mark.postgres]


@pytest.fixture(scope="module")
def redis() -> Iterator[Redis]:
    with redis_server() as server:
        yield server


@pytest.fixture(scope="module")
def postgres() -> Iterator[Postgres]:
    with postgres_server() as server:
        yield server


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory, redis: Redis, postgres: Postgres) -> Iterator[Service]:
    with running_service(
        tmp_path_factory.mktemp("service"),
        database_url=fresh_database(postgres.url),
        broker_url=redis.url,
        worker_processes="2",
    ) as service:
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


def test_the_log_of_a_job_names_the_request_that_ordered_it(service: Service) -> None:
    answer = service.ordered("fault")
    job_id, request_id = answer.json()["id"], answer.headers["x-request-id"]
    service.wait_until_final(job_id)

    def told() -> dict[str, str]:
        lines = [json.loads(line) for line in (service.folder / "log").read_text().splitlines() if line[:1] == "{"]
        found = {line["event"]: line["request_id"] for line in lines if line.get("job_id") == job_id}
        return found if "failed" in found else {}  # written after the row

    found = wait_for(told, "the end of the job is in the log")
    assert {"claimed", "failed"} < set(found)  # and what the job's own process said of its fault
    assert set(found.values()) == {request_id}


def test_a_queue_lost_by_redis_is_filled_again(service: Service, redis: Redis) -> None:
    go = service.folder / "go_after_flush"
    busy = [service.order(f"wait {go}") for _ in range(2)]
    for inspection_id in busy:
        service.wait_until_measuring(inspection_id)
    waiting = service.order("quick")
    subprocess.run(["redis-cli", "-p", str(redis.port), "FLUSHALL"], check=True, stdout=subprocess.DEVNULL)
    go.touch()
    found = [service.wait_until_final(each) for each in (*busy, waiting)]
    assert [(each["state"], each["attempts"]) for each in found] == [("done", 1)] * 3


def test_what_is_ordered_while_redis_is_down_is_accepted_and_run_when_it_is_back(
    service: Service, redis: Redis
) -> None:
    redis.kill()
    ordered = [service.order("quick") for _ in range(3)]
    assert [service.get(each)["state"] for each in ordered] == ["queued"] * 3
    redis.start()
    found = [service.wait_until_final(each) for each in ordered]
    assert [(each["state"], each["attempts"]) for each in found] == [("done", 1)] * 3


def test_a_database_restarted_during_a_job_costs_it_no_attempt(service: Service, postgres: Postgres) -> None:
    go = service.folder / "go_after_restart"
    inspection_id = service.order(f"wait {go}")
    service.wait_until_measuring(inspection_id)
    postgres.crash()
    with service.client as client:
        away = client.get(f"/v1/inspections/{inspection_id}")
    assert (away.status_code, away.json()["code"]) == (503, "service_unavailable")
    postgres.start()
    go.touch()
    found = service.wait_until_final(inspection_id)
    assert (found["state"], found["attempts"]) == ("done", 1)


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


def test_a_rolling_restart_during_a_job_costs_no_attempt(
    service: Service, workers: list[subprocess.Popen[bytes]]
) -> None:
    go = service.folder / "go_after_roll"
    inspection_id = service.order(f"wait {go}")
    service.wait_until_measuring(inspection_id)
    with service.worker():
        for worker in workers:
            stop(worker)
        go.touch()
        found = service.wait_until_final(inspection_id)
    assert (found["state"], found["attempts"]) == ("done", 1)
