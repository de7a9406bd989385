"""API, Redis and PostgreSQL on one host, the worker on another, and the network between them cut for a while.

The files' folder is shared and stays reachable: a network drive that hangs is not what is shown here.
"""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from tests.support import fake_pipeline
from tests.support.postgres import fresh_database, postgres_server
from tests.support.services import QUICK, redis_server, running_service, stop
from tests.support.two_hosts import second_host

pytestmark = [pytest.mark.redis, pytest.mark.postgres]
CUT_S = float(os.environ.get("FIRSTPOUR_TEST_CUT_S", 3.0 * float(QUICK["lease_s"])))  # long enough to lose the lease


def test_a_network_cut_for_longer_than_a_lease_loses_nothing(tmp_path: Path) -> None:
    go = tmp_path / "go"
    with (
        second_host() as host,
        redis_server(host.near) as redis,
        postgres_server(host.near) as postgres,
        running_service(tmp_path, database_url=fresh_database(postgres.url), broker_url=redis.url) as service,
    ):
        worker = service.start("worker", "--pipeline", fake_pipeline.NAME, on_host=host.command)
        running = service.order(f"wait {go}")
        service.wait_until_measuring(running)
        host.cut()
        waiting = [service.order("quick") for _ in range(3)]
        go.touch()
        time.sleep(CUT_S)  # the cut itself
        assert service.get(running)["state"] == "running"
        host.mend()
        found = [service.wait_until_final(each) for each in (running, *waiting)]
        assert [each["state"] for each in found] == ["done"] * 4
        assert found[0]["attempts"] <= 2
        assert worker.poll() is None
        stop(worker)
    for each in found:
        assert len(list((tmp_path / "var" / "files" / "reports" / each["id"]).iterdir())) == 1
