from __future__ import annotations

import os
import time
from datetime import timedelta
from typing import Any

import pytest

from shared.database import Database
from shared.filestore import FileStore
from shared.settings import Settings
from shared.states import InspectionState
from shared.tables import utc_now
from tests.support.inspections import add_inspection
from worker.health import WAITING_S, Stamp, fault, is_queue_stuck

LONG_AGO = timedelta(seconds=WAITING_S + 60)
NOW = timedelta(0)


def test_a_machine_whose_worker_never_swept_is_not_healthy(settings: Settings) -> None:
    assert "swept" in str(fault(settings))


def test_a_machine_whose_worker_sweeps_is_healthy(settings: Settings, database: Database) -> None:
    Stamp(settings).renew()
    assert fault(settings) is None


def test_a_worker_that_stopped_sweeping_is_noticed(settings: Settings, database: Database) -> None:
    Stamp(settings).renew()
    (path,) = (settings.data_dir / "workers").iterdir()
    old = time.time() - 4 * settings.sweep_every_s
    os.utime(path, (old, old))
    assert not Stamp(settings).is_fresh()


@pytest.mark.parametrize(
    ("rows", "is_stuck"),
    [
        ([], False),
        ([{"created_at": NOW}], False),
        ([{"created_at": -LONG_AGO}], True),
        (
            [
                {"created_at": -LONG_AGO},
                {"state": InspectionState.RUNNING.value, "lease_until": LONG_AGO},
            ],
            False,
        ),
    ],
)
def test_a_queue_is_stuck_when_one_waits_and_nobody_works(
    rows: list[dict[str, Any]], is_stuck: bool, database: Database, store: FileStore
) -> None:
    now = utc_now()  # of the test, which may run long after it was collected
    for values in rows:
        times = {name: now + value for name, value in values.items() if isinstance(value, timedelta)}
        add_inspection(database, store, **(values | times))
    assert is_queue_stuck(database) == is_stuck
