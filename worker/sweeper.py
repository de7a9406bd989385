"""Sends again what never ran: the broker may lose messages, machines may vanish.

Every worker sweeps, in a thread of its own; several at once do no harm, because each change is a
compare-and-set and a message too many finds its row taken.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

import structlog
from sqlalchemy import and_, or_, select, update

from shared.database import Database
from shared.settings import Settings
from shared.states import InspectionState, SizeClass
from shared.tables import Job
from worker.lease import Leases, is_free

FIRST_SEND_GRACE_S = 5  # the API sends right after it commits the row
SWEEPS_BETWEEN_SENDS = 6  # a message too many costs milliseconds, a lost one six sweeps
SENT_PER_SWEEP = 100  # oldest first, so that a long queue does not flood the broker with doubles

Send = Callable[[str, SizeClass], bool]

log = structlog.get_logger()


@dataclass(frozen=True)
class _Waiting:
    """A job nobody is coming for, and when it was last sent."""

    job_id: str
    sent_at: datetime | None
    size_class: SizeClass


class Sweeper:
    """Looks for rows that wait though nobody is coming for them.

    send : sends one id to the queue of its size class, True if the broker took it
    """

    def __init__(
        self,
        database: Database,
        settings: Settings,
        send: Send,
        clock: Callable[[], datetime] | None = None,
    ) -> None:
        self._database = database
        self._leases = Leases(database, settings, clock)
        self._max_attempts = settings.max_attempts
        self._send_again_after = timedelta(seconds=SWEEPS_BETWEEN_SENDS * settings.sweep_every_s)
        self._send = send
        self._clock = clock or database.now

    def sweep(self) -> int:
        """One round: settle what is over, send what waits.  How many were sent."""
        self._leases.shorten()
        for job_id in self._beyond_claiming():
            self._leases.settle(job_id)
        return sum(map(self._send_again, self._waiting()))

    def _beyond_claiming(self) -> list[str]:
        query = select(Job.id).where(
            is_free(self._clock()),
            or_(Job.attempts >= self._max_attempts, Job.cancel_requested.is_(True)),
        )
        with self._database.reading() as session:
            return list(session.scalars(query.limit(SENT_PER_SWEEP)))

    def _waiting(self) -> list[_Waiting]:
        """Those that are free and were not sent lately."""
        now = self._clock()
        long_ago, grace = now - self._send_again_after, timedelta(seconds=FIRST_SEND_GRACE_S)
        is_ahead = or_(
            Job.sent_at > now + grace, and_(Job.sent_at.is_(None), Job.created_at > now + grace)
        )  # a clock was set back
        never_sent = and_(Job.sent_at.is_(None), Job.created_at < now - grace)
        lease_ran_out = and_(
            Job.state == InspectionState.RUNNING.value,
            Job.lease_until < now,
            Job.sent_at < Job.lease_until,  # not sent since
        )
        query = (
            select(Job.id, Job.sent_at, Job.size_class)
            .where(is_free(now), or_(never_sent, Job.sent_at < long_ago, lease_ran_out, is_ahead))
            .order_by(Job.created_at)
            .limit(SENT_PER_SWEEP)
        )
        with self._database.reading() as session:
            return [_Waiting(row.id, row.sent_at, SizeClass(row.size_class)) for row in session.execute(query)]

    def _send_again(self, one: _Waiting) -> bool:
        """Send one, unless another sweeper was faster."""
        now = self._clock()
        if not self._mark_sent(one.job_id, one.sent_at, now):
            return False
        if self._send(one.job_id, one.size_class):
            log.info("sent_again", job_id=one.job_id)
            return True
        self._mark_sent(one.job_id, now, None)
        return False

    def _mark_sent(self, job_id: str, expected: datetime | None, new: datetime | None) -> bool:
        is_expected = Job.sent_at.is_(None) if expected is None else Job.sent_at == expected
        statement = (
            update(Job)
            .where(Job.id == job_id, is_expected)
            .values(sent_at=new)
            .returning(Job.id)
            .execution_options(synchronize_session=False)
        )
        with self._database.writing() as session:
            return session.execute(statement).one_or_none() is not None


class SweeperThread:
    """Sweeps, or whatever its rounds do, now and then until stopped; after a failed round comes the next."""

    def __init__(self, each_round: Callable[[], object], every_s: float, name: str = "sweeper") -> None:
        self._name, self._each_round = name, each_round
        self._every_s = every_s
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def start(self) -> None:
        """Begin with a round at once: the broker may have come back empty."""
        self._thread.start()

    def stop(self) -> None:
        """End after the round under way."""
        self._stop.set()
        self._thread.join(timeout=5)

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self._each_round()
            except Exception:  # the thread must outlive a database that is away for a while
                log.exception("round_failed", thread=self._name)
            self._stop.wait(self._every_s)
