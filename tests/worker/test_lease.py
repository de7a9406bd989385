from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor

import pytest

from shared.database import Database
from shared.filestore import FileStore
from shared.settings import Settings
from shared.states import InspectionState, Stage
from tests.support.inspections import add_inspection, row_of
from tests.worker.conftest import Clock
from worker.failures import Failure
from worker.lease import Finished, Lease, Leases

CRASH = Failure("worker_died", "It died.", "Save it anew.", {"exit_status": -9}, is_passing=True)
LEASE_S = 60


@pytest.fixture
def leases(database: Database, settings: Settings, clock: Clock) -> Leases:
    return Leases(database, settings, clock)


@pytest.fixture
def inspection_id(database: Database, store: FileStore) -> str:
    return add_inspection(database, store)


def claimed(leases: Leases, inspection_id: str) -> Lease:
    lease = leases.claim(inspection_id)
    assert lease is not None
    return lease


def test_of_many_who_claim_at_once_one_gets_it(leases: Leases, inspection_id: str) -> None:
    with ThreadPoolExecutor(8) as pool:
        found = list(pool.map(lambda _: leases.claim(inspection_id), range(16)))
    assert sum(lease is not None for lease in found) == 1


def test_a_claim_is_written_into_the_row(database: Database, leases: Leases, inspection_id: str) -> None:
    lease = claimed(leases, inspection_id)
    row = row_of(database, inspection_id)
    assert (row.state, row.attempts, row.lease_owner) == (InspectionState.RUNNING, 1, lease.owner)
    assert row.started_at == row.heartbeat_at


def test_heartbeats_keep_the_lease_beyond_its_first_length(leases: Leases, clock: Clock, inspection_id: str) -> None:
    lease = claimed(leases, inspection_id)
    clock.pass_s(LEASE_S - 1)
    assert leases.beat(lease, Stage.ALIGN, 0.3).is_held
    clock.pass_s(LEASE_S - 1)
    assert leases.claim(inspection_id) is None


def test_heartbeats_carry_progress_out_and_the_wish_to_cancel_in(
    database: Database, leases: Leases, inspection_id: str
) -> None:
    lease = claimed(leases, inspection_id)
    with database.writing() as session:
        session.merge(row_of(database, inspection_id)).cancel_requested = True
    assert leases.beat(lease, Stage.ALIGN, 0.3).is_cancel_requested
    row = row_of(database, inspection_id)
    assert (row.stage, row.progress) == ("align", 0.3)


def test_a_lease_that_ran_out_goes_to_the_next_and_its_first_holder_can_change_nothing(
    database: Database, leases: Leases, clock: Clock, inspection_id: str
) -> None:
    first = claimed(leases, inspection_id)
    clock.pass_s(LEASE_S + 1)
    second = claimed(leases, inspection_id)
    assert (first.attempt, second.attempt) == (1, 2)
    assert not leases.beat(first, None, 0.0).is_held
    assert not leases.finish(first, Finished("conforms", "late", "reports/x/1"))
    assert not leases.fail(first, CRASH)
    assert not leases.cancel(first)
    assert not leases.release(first)
    assert leases.finish(second, Finished("conforms", "in time", "reports/x/2"))
    assert row_of(database, inspection_id).headline == "in time"


ENDS: dict[str, Callable[[Leases, Lease], bool]] = {
    "done": lambda leases, lease: leases.finish(lease, Finished("conforms", "ok", "reports/x/1")),
    "failed": lambda leases, lease: leases.fail(lease, CRASH),
    "cancelled": lambda leases, lease: leases.cancel(lease),
}


@pytest.mark.parametrize("state", ENDS)
def test_what_ended_stays_ended(state: str, database: Database, leases: Leases, inspection_id: str) -> None:
    assert ENDS[state](leases, claimed(leases, inspection_id))
    row = row_of(database, inspection_id)
    assert row.state == state
    assert row.finished_at is not None
    assert row.lease_owner is None
    assert leases.claim(inspection_id) is None


def test_three_crashes_fail_it_with_the_reason(database: Database, leases: Leases, inspection_id: str) -> None:
    outcomes = [leases.retry(claimed(leases, inspection_id), CRASH) for _ in range(3)]
    assert outcomes == [True, True, False]
    row = row_of(database, inspection_id)
    assert row.state == InspectionState.FAILED
    assert row.error == {
        "code": "worker_died",
        "message": "It died. It was tried 3 times.",
        "advice": "Save it anew.",
        "data": {"exit_status": -9, "attempt_count": 3},
    }


def test_an_attempt_given_back_on_request_is_not_counted(
    database: Database, leases: Leases, inspection_id: str
) -> None:
    assert leases.release(claimed(leases, inspection_id))
    row = row_of(database, inspection_id)
    assert (row.state, row.attempts, row.lease_until) == (InspectionState.QUEUED, 0, None)


def test_a_cancelled_one_that_waits_is_never_claimed(database: Database, store: FileStore, leases: Leases) -> None:
    inspection_id = add_inspection(database, store, cancel_requested=True)
    assert leases.claim(inspection_id) is None
    leases.settle(inspection_id)
    assert row_of(database, inspection_id).state == InspectionState.CANCELLED


def test_workers_that_vanish_three_times_fail_it(
    database: Database, leases: Leases, clock: Clock, inspection_id: str
) -> None:
    for _ in range(3):
        claimed(leases, inspection_id)
        clock.pass_s(LEASE_S + 1)
    assert leases.claim(inspection_id) is None
    leases.settle(inspection_id)
    row = row_of(database, inspection_id)
    assert row.state == InspectionState.FAILED
    assert row.error is not None
    assert row.error["code"] == "worker_died"


def test_settling_touches_nothing_that_runs_or_may_run(database: Database, leases: Leases, inspection_id: str) -> None:
    leases.settle(inspection_id)
    assert row_of(database, inspection_id).state == InspectionState.QUEUED
    claimed(leases, inspection_id)
    leases.settle(inspection_id)
    assert row_of(database, inspection_id).state == InspectionState.RUNNING
