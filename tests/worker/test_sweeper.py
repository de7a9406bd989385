from __future__ import annotations

import threading
from datetime import timedelta
from typing import Any

import pytest

from shared.database import Database
from shared.filestore import FileStore
from shared.settings import Settings
from shared.states import InspectionState, SizeClass
from tests.support.inspections import add_inspection, row_of
from tests.worker.conftest import Clock
from worker.lease import Finished, Leases
from worker.sweeper import FIRST_SEND_GRACE_S, SWEEPS_BETWEEN_SENDS, Sweeper, SweeperThread

LEASE_S = 60
SEND_AGAIN_AFTER_S = SWEEPS_BETWEEN_SENDS * Settings().sweep_every_s


class Mailbox:
    """A broker that remembers what it took, or takes nothing."""

    def __init__(self) -> None:
        self.ids: list[str] = []
        self.is_reachable = True

    def __call__(self, inspection_id: str, _size_class: SizeClass) -> bool:
        if self.is_reachable:
            self.ids.append(inspection_id)
        return self.is_reachable


@pytest.fixture
def sent() -> Mailbox:
    return Mailbox()


@pytest.fixture
def sweeper(database: Database, settings: Settings, sent: Mailbox, clock: Clock) -> Sweeper:
    return Sweeper(database, settings, sent, clock)


def add(database: Database, store: FileStore, clock: Clock, **values: Any) -> str:
    return add_inspection(database, store, created_at=clock(), **values)


def test_a_row_never_sent_is_sent_once(
    database: Database, store: FileStore, clock: Clock, sweeper: Sweeper, sent: Mailbox
) -> None:
    inspection_id = add(database, store, clock)
    assert sweeper.sweep() == 0  # the API is about to
    clock.pass_s(FIRST_SEND_GRACE_S + 1)
    assert [sweeper.sweep(), sweeper.sweep()] == [1, 0]
    assert sent.ids == [inspection_id]


def test_a_message_that_led_nowhere_is_sent_again(
    database: Database, store: FileStore, clock: Clock, sweeper: Sweeper, sent: Mailbox
) -> None:
    inspection_id = add(database, store, clock, sent_at=clock())
    clock.pass_s(SEND_AGAIN_AFTER_S - 1)
    assert sweeper.sweep() == 0
    clock.pass_s(2)
    assert [sweeper.sweep(), sweeper.sweep()] == [1, 0]
    assert sent.ids == [inspection_id]


def test_what_runs_under_a_living_lease_is_left_alone(
    database: Database, store: FileStore, settings: Settings, clock: Clock, sweeper: Sweeper
) -> None:
    inspection_id = add(database, store, clock, sent_at=clock())
    leases = Leases(database, settings, clock)
    lease = leases.claim(inspection_id)
    assert lease is not None
    for _ in range(5):
        clock.pass_s(LEASE_S - 1)
        leases.beat(lease, None, 0.0)
        assert sweeper.sweep() == 0


def test_a_job_whose_worker_vanished_is_sent_again_and_can_be_claimed(
    database: Database, store: FileStore, settings: Settings, clock: Clock, sweeper: Sweeper
) -> None:
    inspection_id = add(database, store, clock, sent_at=clock())
    leases = Leases(database, settings, clock)
    assert leases.claim(inspection_id) is not None
    clock.pass_s(LEASE_S + 1)
    assert [sweeper.sweep(), sweeper.sweep()] == [1, 0]
    assert leases.claim(inspection_id) is not None


def test_a_job_that_outlived_three_workers_is_failed_and_not_sent(
    database: Database, store: FileStore, clock: Clock, sweeper: Sweeper, sent: Mailbox
) -> None:
    inspection_id = add(
        database,
        store,
        clock,
        state=InspectionState.RUNNING.value,
        attempts=3,
        lease_until=clock() - timedelta(seconds=1),
    )
    clock.pass_s(FIRST_SEND_GRACE_S + 1)
    sweeper.sweep()
    assert row_of(database, inspection_id).state == InspectionState.FAILED
    assert sent.ids == []


def test_a_cancelled_job_whose_worker_vanished_becomes_cancelled(
    database: Database, store: FileStore, clock: Clock, sweeper: Sweeper
) -> None:
    inspection_id = add(
        database,
        store,
        clock,
        state=InspectionState.RUNNING.value,
        cancel_requested=True,
        lease_until=clock() - timedelta(seconds=1),
    )
    sweeper.sweep()
    assert row_of(database, inspection_id).state == InspectionState.CANCELLED


def test_without_a_broker_the_row_waits_and_is_sent_when_it_is_back(
    database: Database, store: FileStore, clock: Clock, sweeper: Sweeper, sent: Mailbox
) -> None:
    inspection_id = add(database, store, clock)
    clock.pass_s(FIRST_SEND_GRACE_S + 1)
    sent.is_reachable = False
    assert sweeper.sweep() == 0
    sent.is_reachable = True
    assert sweeper.sweep() == 1
    assert sent.ids == [inspection_id]


def test_a_clock_set_back_delays_what_waits_and_what_was_lost_by_a_lease(
    database: Database, store: FileStore, clock: Clock, sweeper: Sweeper, sent: Mailbox
) -> None:
    leases = Leases(database, Settings(lease_s=LEASE_S), clock)
    lost, waiting = (add(database, store, clock, sent_at=clock()) for _ in range(2))
    assert leases.claim(lost) is not None
    clock.pass_s(-24 * 3600)
    sweeper.sweep()
    assert sent.ids == [waiting]
    clock.pass_s(LEASE_S + 1)
    sweeper.sweep()
    assert sent.ids == [waiting, lost]
    assert leases.claim(lost) is not None


def test_a_clock_set_back_takes_nothing_from_who_still_beats(
    database: Database, store: FileStore, settings: Settings, clock: Clock, sweeper: Sweeper
) -> None:
    leases = Leases(database, settings, clock)
    lease = leases.claim(add(database, store, clock, sent_at=clock()))
    assert lease is not None
    clock.pass_s(-24 * 3600)
    for _ in range(5):
        sweeper.sweep()
        assert leases.beat(lease, None, 0.0).is_held
        clock.pass_s(LEASE_S - 1)
    assert leases.finish(lease, Finished("conforms", "ok", "reports/x/1"))


def test_a_clock_set_forward_costs_at_most_the_attempt_under_way(
    database: Database, store: FileStore, settings: Settings, clock: Clock
) -> None:
    leases = Leases(database, settings, clock)
    job_id = add(database, store, clock)
    first = leases.claim(job_id)
    assert first is not None
    clock.pass_s(24 * 3600)
    second = leases.claim(job_id)
    assert second is not None
    assert not leases.beat(first, None, 0.0).is_held
    assert leases.finish(second, Finished("conforms", "ok", "reports/x/2"))
    assert row_of(database, job_id).attempts == 2


def test_several_sweepers_send_once(
    database: Database, store: FileStore, settings: Settings, clock: Clock, sent: Mailbox
) -> None:
    ids = {add(database, store, clock) for _ in range(5)}
    clock.pass_s(FIRST_SEND_GRACE_S + 1)
    sweepers = [Sweeper(database, settings, sent, clock) for _ in range(4)]
    threads = [threading.Thread(target=each.sweep) for each in sweepers]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(sent.ids) == sorted(ids)


def test_the_thread_outlives_a_failing_round() -> None:
    rounds: list[int] = []
    is_enough = threading.Event()

    def each_round() -> None:
        rounds.append(1)
        if len(rounds) == 3:
            is_enough.set()
        raise OSError("the database is away")

    thread = SweeperThread(each_round, every_s=0.01)
    thread.start()
    assert is_enough.wait(5)
    thread.stop()
