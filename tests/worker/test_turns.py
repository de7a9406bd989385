"""In which order jobs are taken."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from shared.access import DEFAULT_WORKSPACE
from shared.database import Database
from shared.filestore import FileStore
from shared.settings import Settings
from shared.states import InspectionState, SizeClass
from shared.tables import Workspace
from tests.support.inspections import add_inspection
from tests.worker.conftest import Clock
from worker.lease import Finished, Leases
from worker.turns import STARVED_S, in_turn, sizes_taken

BOTH = tuple(SizeClass)


def order(database: Database, clock: Clock, sizes: tuple[SizeClass, ...] = BOTH) -> list[str]:
    with database.reading() as session:
        return list(session.scalars(in_turn(clock(), sizes, 3)))


class Queue:
    """Adds jobs a second apart, and does them."""

    def __init__(self, database: Database, store: FileStore, clock: Clock, settings: Settings) -> None:
        self._database, self._store, self._clock = database, store, clock
        self._leases = Leases(database, settings, clock)

    def add(self, workspace_id: str = DEFAULT_WORKSPACE, **values: Any) -> str:
        self._clock.pass_s(1)
        return add_inspection(
            self._database, self._store, workspace_id=workspace_id, created_at=self._clock(), **values
        )

    def begin(self, job_id: str) -> None:
        self._clock.pass_s(1)
        assert self._leases.claim(job_id) is not None

    def do(self, job_id: str) -> None:
        self._clock.pass_s(1)
        lease = self._leases.claim(job_id)
        assert lease is not None
        assert self._leases.finish(lease, Finished("conforms", "ok", f"reports/{job_id}/1"))


@pytest.fixture
def queue(database: Database, store: FileStore, clock: Clock, settings: Settings) -> Queue:
    with database.writing() as session:
        session.add_all(Workspace(id=name, name=name) for name in ("busy", "other"))
    return Queue(database, store, clock, settings)


def test_of_one_workspace_the_oldest_comes_first(queue: Queue, database: Database, clock: Clock) -> None:
    ids = [queue.add() for _ in range(3)]
    assert order(database, clock) == ids


def test_a_small_job_goes_before_a_large_one_that_came_first(queue: Queue, database: Database, clock: Clock) -> None:
    large, small = queue.add(size_class="large"), queue.add()
    assert order(database, clock) == [small, large]
    clock.pass_s(STARVED_S)
    assert order(database, clock) == [large, small]


@pytest.mark.parametrize("size", SizeClass)
def test_a_worker_for_one_size_sees_no_other(size: SizeClass, queue: Queue, database: Database, clock: Clock) -> None:
    ids = {each: queue.add(size_class=each.value) for each in SizeClass}
    assert order(database, clock, (size,)) == [ids[size]]
    assert sizes_taken(Settings(worker_takes=size.value)) == [size]


def test_one_worker_serves_workspaces_in_turn_however_many_jobs_one_of_them_has(
    queue: Queue, database: Database, clock: Clock
) -> None:
    busy = [queue.add("busy") for _ in range(4)]
    other = [queue.add("other") for _ in range(2)]
    done: list[str] = []
    for _ in range(6):
        done.append(order(database, clock)[0])
        queue.do(done[-1])
    assert done == [busy[0], other[0], busy[1], other[1], busy[2], busy[3]]


def test_several_workers_are_shared_among_workspaces(queue: Queue, database: Database, clock: Clock) -> None:
    busy = [queue.add("busy") for _ in range(3)]
    queue.begin(busy[0])
    other = queue.add("other")
    queue.do(queue.add("other"))  # served last, but nothing of it runs
    assert order(database, clock) == [other, busy[1], busy[2]]


def test_what_runs_was_cancelled_or_is_out_of_attempts_is_nobodys_turn(
    queue: Queue, database: Database, clock: Clock
) -> None:
    queue.begin(queue.add())
    queue.add(cancel_requested=True)
    queue.add(attempts=3)
    queue.add(state=InspectionState.DONE.value)
    assert order(database, clock) == []
    clock.pass_s(timedelta(minutes=2).total_seconds())  # the lease of the first ran out
    assert len(order(database, clock)) == 1
