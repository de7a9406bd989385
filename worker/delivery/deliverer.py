"""Sends what is due, and writes down what came of it.

Claiming a message moves its next attempt ahead by compare-and-set: of several workers one sends
it, and if that one dies the message is due again.  So it arrives at least once, always under the
same id, and the receiver drops what it has seen.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime, timedelta
from random import SystemRandom
from threading import Event as Flag

import structlog
from sqlalchemy import ColumnElement, and_, func, select, update

from shared.database import Database
from shared.sharing_tables import Delivery, DeliveryState, Subscription
from shared.tables import utc_now
from shared.webhooks import message_headers
from worker.delivery.posting import Answer, Poster
from worker.delivery.schedule import pause_s

CLAIM_S = 120.0  # well beyond the longest attempt and a slow look-up of the name
RECEIVERS_A_ROUND, MESSAGES_A_ROUND = 100, 50  # of each receiver: one with a long queue must not hide the others
RECEIVER_S = 15.0  # for one receiver in a round, but for the attempt under way
CHANCE = SystemRandom().random
RECEIVERS_AT_A_TIME = 4  # one that hangs must not hold up the others

log = structlog.get_logger()


@dataclass(frozen=True)
class Claimed:
    """A message this process may send now; ``attempt`` counts from 1 and fences off others."""

    id: str
    subscription_id: str
    url: str
    secrets: list[str]
    body: str
    attempt: int


class Deliverer:
    """Sends messages of one database.

    chance : 0 to 1, for jitter;  stopping : set when the worker must go
    """

    def __init__(
        self,
        database: Database,
        poster: Poster,
        stopping: Flag,
        clock: Callable[[], datetime] = utc_now,
        chance: Callable[[], float] = CHANCE,
    ) -> None:
        self._database, self._poster, self._stopping = database, poster, stopping
        self._clock, self._chance = clock, chance

    def deliver(self) -> int:
        """One round: what is due now, receivers side by side.  How many messages were tried."""
        receivers = self._receivers()
        if not receivers:
            return 0
        with ThreadPoolExecutor(min(RECEIVERS_AT_A_TIME, len(receivers)), "deliverer") as pool:
            return sum(pool.map(self._deliver_to_one, receivers))

    def _receivers(self) -> list[str]:
        """Subscriptions with something due, the longest waiting first."""
        query = (
            select(Delivery.subscription_id)
            .join(Subscription)
            .where(self._is_due(), Subscription.is_active.is_(True))
            .group_by(Delivery.subscription_id)
            .order_by(func.min(Delivery.next_attempt_at))
            .limit(RECEIVERS_A_ROUND)
        )
        with self._database.reading() as session:
            return list(session.scalars(query))

    def _deliver_to_one(self, subscription_id: str) -> int:
        """One receiver's messages in turn; after a failure, or some time, the others wait for the next round."""
        until_s = time.monotonic() + RECEIVER_S
        message_ids = self._messages(subscription_id)
        for count, message_id in enumerate(message_ids):
            claimed = None if self._stopping.is_set() or time.monotonic() > until_s else self._claim(message_id)
            if claimed is None:
                return count
            if not self._send(claimed):
                return count + 1
        return len(message_ids)

    def _messages(self, subscription_id: str) -> Sequence[str]:
        query = select(Delivery.id).where(Delivery.subscription_id == subscription_id, self._is_due())
        with self._database.reading() as session:
            return session.scalars(query.order_by(Delivery.next_attempt_at).limit(MESSAGES_A_ROUND)).all()

    def _is_due(self) -> ColumnElement[bool]:
        return and_(Delivery.state == DeliveryState.PENDING.value, Delivery.next_attempt_at <= self._clock())

    def _claim(self, message_id: str) -> Claimed | None:
        """The right to send it once, counting an attempt; None if another has it."""
        now = self._clock()
        statement = (
            update(Delivery)
            .where(Delivery.id == message_id, self._is_due())
            .values(attempts=Delivery.attempts + 1, next_attempt_at=now + timedelta(seconds=CLAIM_S))
            .execution_options(synchronize_session=False)
        )
        with self._database.writing() as session:
            if session.execute(statement.returning(Delivery.id)).one_or_none() is None:
                return None
            row = session.get_one(Delivery, message_id)
            to = row.subscription
            return Claimed(row.id, to.id, to.url, to.secrets_at(now), row.body, row.attempts)

    def _send(self, claimed: Claimed) -> bool:
        headers = message_headers(claimed.secrets, claimed.id, int(self._clock().timestamp()), claimed.body)
        answer = self._poster.post(claimed.url, headers, claimed.body)
        self._settle(claimed, answer)
        log.info(
            "webhook_tried",
            message_id=claimed.id,
            subscription_id=claimed.subscription_id,
            attempt=claimed.attempt,
            status=answer.status,
            error=answer.error,
        )
        return answer.is_success

    def _settle(self, claimed: Claimed, answer: Answer) -> None:
        """Write the attempt down and decide what follows, unless another worker has taken over meanwhile."""
        now = self._clock()
        with self._database.writing() as session:
            row = session.get(Delivery, claimed.id, with_for_update=True)
            if row is None or row.attempts != claimed.attempt or row.state != DeliveryState.PENDING:
                return
            row.log = [*row.log, {"at": now.isoformat(), "status": answer.status, "error": answer.error}]
            pause = None if answer.is_gone else pause_s(row.attempts, answer.retry_after_s, self._chance())
            if answer.is_success:
                row.state, row.next_attempt_at = DeliveryState.DELIVERED.value, None
                row.subscription.last_success_at = now
            elif pause is None:
                row.state, row.next_attempt_at = DeliveryState.FAILED.value, None
                _stop(row.subscription, row.created_at, answer)
            else:
                row.next_attempt_at = now + timedelta(seconds=pause)


def _stop(subscription: Subscription, message_from: datetime, answer: Answer) -> None:
    """Tell a receiver no more that says it is gone, or that took nothing in all the time one message was tried."""
    if answer.is_gone:
        subscription.stopped_because = "The receiver answered 410: it wants no more messages."
    elif subscription.last_success_at is None or subscription.last_success_at < message_from:
        subscription.stopped_because = "No message arrived for three days."
    else:
        return
    subscription.is_active = False
