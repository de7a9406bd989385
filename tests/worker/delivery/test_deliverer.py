"""From the change of a row to the receiver: nothing lost, nothing untrue, at least once, under one id."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from sqlalchemy import select
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from shared.access import DEFAULT_WORKSPACE
from shared.addresses import AddressRules
from shared.database import Database
from shared.filestore import FileStore
from shared.settings import Settings
from shared.sharing_tables import Delivery, DeliveryState, Subscription
from shared.tables import Inspection, Workspace, new_id, utc_now
from shared.webhooks import SUBSCRIBABLE, new_secret
from tests.support.inspections import add_detection, add_inspection
from tests.support.receiver import Receiver, receiving
from tests.worker.conftest import Clock
from worker.delivery.deliverer import CLAIM_S, Deliverer
from worker.delivery.posting import Answer, Poster
from worker.delivery.schedule import ATTEMPT_LIMIT, PAUSES_S
from worker.failures import Failure
from worker.lease import Finished, Leases

CRASH = Failure("worker_died", "It died.", "Save it anew.", {"exit_status": -9}, is_passing=True)


@dataclass(frozen=True, eq=False)
class Scene:
    """A database with its clock, and a receiver."""

    database: Database
    store: FileStore
    settings: Settings
    clock: Clock
    receiver: Receiver

    @property
    def leases(self) -> Leases:
        return Leases(self.database, self.settings, self.clock)

    def subscribe(self, url: str | None = None, **values: Any) -> str:
        """A subscription to everything, of the receiver if no other address is given; its id."""
        row = Subscription(
            id=new_id("sub"),
            url=url or self.receiver.url,
            secret=new_secret(),
            created_by="test",
            **{"workspace_id": DEFAULT_WORKSPACE, "events": [event.value for event in SUBSCRIBABLE], **values},
        )
        with self.database.writing() as session:
            session.add(row)
        return row.id

    def end(self, how: str = "finish") -> str:
        """An inspection that ends; its id."""
        inspection_id = add_inspection(self.database, self.store, created_at=self.clock())
        lease = self.leases.claim(inspection_id)
        assert lease is not None
        if how == "finish":
            self.leases.finish(lease, Finished("conforms", "All conforms.", "reports/1"))
        elif how == "cancel":
            self.leases.cancel(lease)
        else:
            getattr(self.leases, how)(lease, CRASH)
        return inspection_id

    def deliverer(self, rules: str = "127.0.0.0/8") -> Deliverer:
        poster = Poster(AddressRules(rules))
        return Deliverer(self.database, poster, threading.Event(), self.clock, lambda: 0.0)

    def deliver(self) -> int:
        return self.deliverer().deliver()

    def messages(self) -> list[Delivery]:
        with self.database.reading() as session:
            return list(session.scalars(select(Delivery).order_by(Delivery.created_at)))

    def subscription(self, subscription_id: str) -> Subscription:
        with self.database.reading() as session:
            return session.get_one(Subscription, subscription_id)


@pytest.fixture
def scene(database: Database, store: FileStore, settings: Settings, clock: Clock) -> Iterator[Scene]:
    with receiving() as receiver:
        yield Scene(database, store, settings, clock, receiver)


@pytest.mark.parametrize(
    ("how", "events"),
    [("finish", ["inspection.finished"]), ("fail", ["inspection.failed"]), ("cancel", []), ("retry", [])],
)
def test_an_end_is_told_with_the_row_that_ends(scene: Scene, how: str, events: list[str]) -> None:
    scene.subscribe("https://hooks.example/")
    inspection_id = scene.end(how)
    bodies = [json.loads(message.body) for message in scene.messages()]
    assert [body["type"] for body in bodies] == events
    assert all(body["data"]["inspection_id"] == inspection_id for body in bodies)


def test_a_job_out_of_attempts_is_told_as_failed(scene: Scene) -> None:
    scene.subscribe("https://hooks.example/")
    inspection_id = add_inspection(scene.database, scene.store, attempts=3)
    scene.leases.settle(inspection_id)
    (message,) = scene.messages()
    assert json.loads(message.body)["data"]["state"] == "failed"


def test_a_lost_lease_tells_nothing(scene: Scene) -> None:
    scene.subscribe("https://hooks.example/")
    leases = scene.leases
    lease = leases.claim(add_inspection(scene.database, scene.store))
    assert lease is not None
    scene.clock.pass_s(scene.settings.lease_s + 1)
    assert leases.claim(lease.job_id) is not None
    assert not leases.finish(lease, Finished("conforms", "All conforms.", "reports/1"))
    assert scene.messages() == []


def test_an_end_that_is_rolled_back_is_not_told(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    def break_off(*_: object) -> None:
        raise OSError("the database went away")

    scene.subscribe()
    scene.subscribe()
    monkeypatch.setattr("shared.outbox.message_for", break_off)
    with pytest.raises(OSError, match="went away"):
        scene.end()
    assert scene.messages() == []
    with scene.database.reading() as session:
        assert session.scalars(select(Inspection.state)).all() == ["running"]


def test_only_whoever_wants_it_is_told(scene: Scene) -> None:
    with scene.database.writing() as session:
        session.add(Workspace(id="ws_2", name="Other"))
    scene.subscribe("https://other.example/", workspace_id="ws_2")
    scene.subscribe("https://hooks.example/", events=["remark.added"])
    scene.subscribe("https://hooks.example/", is_active=False)
    scene.end()
    lease_of_features = scene.leases.claim(add_detection(scene.database, scene.store))
    assert lease_of_features is not None
    scene.leases.finish(lease_of_features, Finished("done", "Done.", "x/1"))
    assert scene.messages() == []


def test_a_message_arrives_signed_once(scene: Scene) -> None:
    scene.clock.now = utc_now()  # the referee looks at the real time
    subscription_id = scene.subscribe()
    scene.end()
    assert [scene.deliver(), scene.deliver()] == [1, 0]
    (got,), (message,) = scene.receiver.received, scene.messages()
    data = Webhook(scene.subscription(subscription_id).secret).verify(got.body, got.headers)
    assert (data["type"], data["data"]["outcome"]) == ("inspection.finished", "conforms")
    assert (got.headers["webhook-id"], got.body) == (message.id, message.body)
    assert (message.state, message.next_attempt_at) == (DeliveryState.DELIVERED, None)
    assert scene.subscription(subscription_id).last_success_at == scene.clock()


def test_both_secrets_sign_for_a_day_after_a_change(scene: Scene) -> None:
    scene.clock.now = utc_now()
    old = new_secret()
    until = scene.clock.now.replace(year=scene.clock.now.year + 1)
    scene.subscribe(previous_secret=old, previous_until=until)
    scene.end()
    scene.deliver()
    scene.clock.now = until
    scene.end()
    scene.deliver()
    first, second = scene.receiver.received
    assert Webhook(old).verify(first.body, first.headers)["type"] == "inspection.finished"
    with pytest.raises(WebhookVerificationError):
        Webhook(old).verify(second.body, {**second.headers, "webhook-timestamp": str(int(utc_now().timestamp()))})
    assert len(second.headers["webhook-signature"].split()) == 1


def test_failures_are_tried_again_under_the_same_id_until_it_arrives(scene: Scene) -> None:
    scene.receiver.statuses = [500, 302, 200]
    scene.subscribe()
    scene.end()
    assert [scene.deliver(), scene.deliver()] == [1, 0]
    scene.clock.pass_s(PAUSES_S[0])
    assert scene.deliver() == 1
    scene.clock.pass_s(PAUSES_S[1] - 1)
    assert scene.deliver() == 0
    scene.clock.pass_s(1)
    assert scene.deliver() == 1
    (message,) = scene.messages()
    assert {got.headers["webhook-id"] for got in scene.receiver.received} == {message.id}
    assert [entry["status"] for entry in message.log] == [500, 302, 200]
    assert message.state == DeliveryState.DELIVERED


def test_after_the_last_attempt_it_has_failed_and_the_receiver_is_told_no_more(scene: Scene) -> None:
    scene.receiver.statuses = [500]
    subscription_id = scene.subscribe()
    scene.end()
    for _ in range(ATTEMPT_LIMIT + 3):
        scene.deliver()
        scene.clock.pass_s(PAUSES_S[-1])
    (message,) = scene.messages()
    assert (len(scene.receiver.received), len(message.log)) == (ATTEMPT_LIMIT, ATTEMPT_LIMIT)
    assert (message.state, message.next_attempt_at) == (DeliveryState.FAILED, None)
    row = scene.subscription(subscription_id)
    assert (row.is_active, row.stopped_because) == (False, "No message arrived for three days.")


def test_a_receiver_that_is_gone_is_told_no_more(scene: Scene) -> None:
    scene.receiver.statuses = [410]
    subscription_id = scene.subscribe()
    for _ in range(2):
        scene.end()
    scene.deliver()
    scene.clock.pass_s(PAUSES_S[-1])
    assert scene.deliver() == 0
    assert len(scene.receiver.received) == 1
    assert not scene.subscription(subscription_id).is_active


def test_a_receiver_that_asks_for_time_gets_it(scene: Scene) -> None:
    scene.receiver.statuses, scene.receiver.headers = [429, 200], {"retry-after": "900"}
    scene.subscribe()
    scene.end()
    scene.deliver()
    scene.clock.pass_s(899)
    assert scene.deliver() == 0
    scene.clock.pass_s(1)
    assert scene.deliver() == 1


def test_several_workers_send_one_message_once(scene: Scene) -> None:
    scene.subscribe()
    for _ in range(3):
        scene.end()
    threads = [threading.Thread(target=scene.deliver) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    ids = [got.headers["webhook-id"] for got in scene.receiver.received]
    assert sorted(ids) == sorted(message.id for message in scene.messages())


class Killed(BaseException):
    """The worker dies in mid-attempt."""


class DyingPoster(Poster):
    def post(self, *_: object) -> Answer:
        raise Killed


def test_a_message_whose_worker_died_is_sent_by_another(scene: Scene) -> None:
    scene.subscribe()
    scene.end()
    with pytest.raises(Killed):
        Deliverer(scene.database, DyingPoster(AddressRules()), threading.Event(), scene.clock).deliver()
    assert scene.deliver() == 0  # the dead one still has it
    scene.clock.pass_s(CLAIM_S)
    assert scene.deliver() == 1
    (message,) = scene.messages()
    assert (message.state, message.attempts, len(message.log)) == (DeliveryState.DELIVERED, 2, 1)


def test_one_receiver_that_fails_does_not_hold_up_another(scene: Scene) -> None:
    scene.subscribe("http://127.0.0.1:9/")
    scene.subscribe()
    for _ in range(3):
        scene.end()
    assert scene.deliver() == 4
    assert len(scene.receiver.received) == 3


def test_a_long_queue_of_one_receiver_does_not_hide_another(scene: Scene, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("worker.delivery.deliverer.MESSAGES_A_ROUND", 2)
    scene.subscribe("http://127.0.0.1:9/")
    for _ in range(5):
        scene.end()
    scene.subscribe()
    scene.end()
    assert scene.deliver() == 2
    assert len(scene.receiver.received) == 1


def test_a_forbidden_address_is_not_called_and_the_log_says_why(scene: Scene) -> None:
    scene.subscribe(scene.receiver.url.replace("http:", "https:"))
    scene.end()
    scene.deliverer("").deliver()
    (message,) = scene.messages()
    assert "not public" in message.log[0]["error"]
    assert scene.receiver.received == []


def test_a_worker_that_must_stop_sends_nothing_more(scene: Scene) -> None:
    scene.subscribe()
    scene.end()
    stopping = threading.Event()
    stopping.set()
    assert Deliverer(scene.database, Poster(AddressRules("127.0.0.0/8")), stopping, scene.clock).deliver() == 0
    assert scene.receiver.received == []
