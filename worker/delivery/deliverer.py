"""Sends what is due, and writes down what came of it.

Claiming a message moves its next attempt ahead by compare-and-set: of several workers one sends
it, and if that one dies the message is due again.  So it arrives at least once, always under the
same id, and the receiver drops what it has seen.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import groupby
from random import SystemRandom
from threading import Event as Flag

import structlog
from sqlalchemy import select, update

from shared.database import Database
from shared.sharing_tables import Delivery, DeliveryState, Subscription
from shared.tables import utc_now
from shared.webhooks import message_headers
from worker.delivery.posting import Answer, Poster
from worker.delivery.schedule import pause_s

CLAIM_S = 120.0  # well beyond the longest attempt and a slow look-up of the name
PER_ROUND = 100
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
        """One round: everything due now, receivers side by side.  How many were tried."""
        due = self._due()
        if not due:
            return 0
        groups = [[message for message, _ in group] for _, group in groupby(due, key=lambda pair: pair[1])]
        with ThreadPoolExecutor(min(RECEIVERS_AT_A_TIME, len(groups)), "deliverer") as pool:
            return sum(pool.map(self._deliver_to_one, groups))

    def _due(self) -> list[tuple[str, str]]:
        """Ids of messages and subscriptions, together by subscription."""
        query = (
            select(Delivery.id, Delivery.subscription_id)
            .join(Subscription)
            .where(
                Delivery.state == DeliveryState.PENDING.value,
                Delivery.next_attempt_at <= self._clock(),
                Subscription.is_active.is_(True),
            )
            .order_by(Delivery.next_attempt_at)
            .limit(PER_ROUND)
        )
        with self._database.reading() as session:
            found = [(row.id, row.subscription_id) for row in session.execute(query)]
        return sorted(found, key=lambda pair: pair[1])

    def _deliver_to_one(self, message_ids: Sequence[str]) -> int:
        """One receiver's messages in turn; after a failure the others wait for the next round."""
        for count, message_id in enumerate(message_ids, 1):
            claimed = None if self._stopping.is_set() else self._claim(message_id)
            if claimed is None:
                return count - 1
            if not self._send(claimed):
                return count
        return len(message_ids)

    def _claim(self, message_id: str) -> Claimed | None:
        """The right to send it once, counting an attempt; None if another has it."""
        now = self._clock()
        statement = (
            update(Delivery)
            .where(
                Delivery.id == message_id,
                Delivery.state == DeliveryState.PENDING.value,
                Delivery.next_attempt_at <= now,
            )
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
