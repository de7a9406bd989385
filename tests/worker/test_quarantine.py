from __future__ import annotations

import threading

import pytest

from shared.database import Database
from shared.filestore import FileStore
from shared.settings import Settings
from shared.states import InspectionState
from shared.tables import Job, Workspace
from tests.support import fake_pipeline
from tests.support.inspections import add_inspection, row_of
from tests.worker.conftest import Clock
from worker.failures import Failure
from worker.lease import Leases
from worker.quarantine import fingerprint, quarantined, release
from worker.running import Runner, Surroundings

FULL = Failure("internal_error", "Full.", "Make room.", is_passing=True)
DEATH = Failure("worker_died", "It died.", "Save it anew.", is_passing=True)


@pytest.fixture
def runner(settings: Settings, database: Database, store: FileStore) -> Runner:
    return Runner(
        Surroundings(
            settings=settings,
            database=database,
            store=store,
            send=lambda _id, _size: True,
            stopping=threading.Event(),
            pipeline=fake_pipeline.NAME,
        )
    )


def crash(runner: Runner, database: Database, store: FileStore) -> str:
    """A job that dies of SIGSEGV as often as it may."""
    job_id = add_inspection(database, store, title="die 11")
    for _ in range(3):
        runner.run(job_id)
    return job_id


def run(runner: Runner, database: Database, job_id: str) -> Job:
    runner.run(job_id)
    return row_of(database, job_id)


def test_files_that_crashed_three_times_are_not_tried_again(
    runner: Runner, database: Database, store: FileStore
) -> None:
    first = row_of(database, crash(runner, database, store))
    second = run(runner, database, add_inspection(database, store, title="die 11"))
    assert first.error is not None
    assert second.error is not None
    assert (second.state, second.attempts) == (InspectionState.FAILED, 1)
    assert (second.error["code"], second.error["data"]["cause"]) == ("files_quarantined", "worker_died")
    assert first.error["message"] in second.error["message"]


def test_the_same_nominal_with_another_scan_is_worked_on(runner: Runner, database: Database, store: FileStore) -> None:
    crash(runner, database, store)
    row = run(runner, database, add_inspection(database, store, scan=b"another"))
    assert row.state == InspectionState.DONE


def test_files_that_were_released_are_worked_on(runner: Runner, database: Database, store: FileStore) -> None:
    crash(runner, database, store)
    with database.writing() as session:
        (aside,) = quarantined(session)
        assert aside.file_names == ["nominal.stl", "scan.stl"]
        assert release(session, aside.id[:12]) == 1
    assert run(runner, database, add_inspection(database, store)).state == InspectionState.DONE


@pytest.mark.parametrize(("failure", "count"), [(FULL, 0), (DEATH, 1)])
def test_only_a_death_speaks_against_the_files(
    failure: Failure, count: int, database: Database, store: FileStore, settings: Settings
) -> None:
    leases = Leases(database, settings)
    job_id = add_inspection(database, store, attempts=2)
    lease = leases.claim(job_id)
    assert lease is not None
    assert not leases.retry(lease, failure)
    with database.reading() as session:
        assert len(quarantined(session)) == count


def test_workers_that_vanished_three_times_speak_against_them_too(
    database: Database, store: FileStore, settings: Settings, clock: Clock
) -> None:
    leases = Leases(database, settings, clock)
    job_id = add_inspection(database, store, attempts=2)
    assert leases.claim(job_id) is not None
    clock.pass_s(settings.lease_s + 1)
    leases.settle(job_id)
    with database.reading() as session:
        assert len(quarantined(session)) == 1


def test_a_set_of_files_has_one_name_whatever_their_order() -> None:
    assert fingerprint("w", ["a", "b"]) == fingerprint("w", ["b", "a"]) != fingerprint("w", ["ab"])


def test_another_workspace_does_not_learn_that_the_same_files_were_set_aside(
    runner: Runner, database: Database, store: FileStore
) -> None:
    crash(runner, database, store)
    with database.writing() as session:
        session.add(Workspace(id="ws_other", name="Other"))
    row = run(runner, database, add_inspection(database, store, workspace_id="ws_other"))
    assert row.state == InspectionState.DONE
