"""Who may work on a job: a lease on its SQL row, taken and given back by compare-and-set.

    queued ──claim──> running ──finish──> done | failed | cancelled
       ^                 │
       └──release/retry──┘   (or the lease runs out and the sweeper puts it back)

Each change is one UPDATE that names the state, owner and attempt it expects; whoever finds no row
has lost the lease and must drop what it holds.  Of two workers with the same message one claims.
Times are the database's: the clocks of the machines do not matter.  If that one clock is set, a job
under way may lose one attempt (forward) or its lost lease is waited for twice ``lease_s`` (back).
"""

from __future__ import annotations

import os
import socket
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from secrets import token_hex
from typing import Any

from sqlalchemy import ColumnElement, and_, or_, update

from shared.database import Database
from shared.outbox import tell_end
from shared.settings import Settings
from shared.states import InspectionState, SizeClass, Stage
from shared.tables import Job
from worker import failures
from worker.failures import Failure
from worker.quarantine import set_aside

_NO_LEASE: dict[str, Any] = {"lease_owner": None, "lease_until": None, "heartbeat_at": None}
_KEPT = (Job.id, Job.attempts, Job.cancel_requested, Job.size_class, Job.request_id)
_FRESH: dict[str, Any] = {"stage": None, "progress": 0.0}


@dataclass(frozen=True)
class Lease:
    """The right to work on one job; ``owner`` and ``attempt`` together fence off everyone else."""

    job_id: str
    owner: str
    attempt: int
    size_class: SizeClass
    request_id: str | None = None


@dataclass(frozen=True)
class Finished:
    """What the row keeps of a job that is done: see :class:`shared.tables.Job`."""

    outcome: str
    headline: str
    report_key: str
    report_bytes: int | None = None
    stage_s: Mapping[str, float] | None = None


@dataclass(frozen=True)
class Beat:
    """Answer to a heartbeat."""

    is_held: bool
    is_cancel_requested: bool


def new_owner() -> str:
    """A name for one claim, unique for ever, that says where it was made."""
    return f"{socket.gethostname()[:80]}:{os.getpid()}:{token_hex(6)}"


class Leases:
    """Leases on jobs, in one database."""

    def __init__(self, database: Database, settings: Settings, clock: Callable[[], datetime] | None = None) -> None:
        self._database = database
        self._lease = timedelta(seconds=settings.lease_s)
        self._max_attempts = settings.max_attempts
        self._clock = clock or database.now

    def claim(self, job_id: str) -> Lease | None:
        """Take the lease, counting an attempt; None if there is nothing to do or another has it."""
        now, owner = self._clock(), new_owner()
        row = self._change(
            and_(
                Job.id == job_id,
                is_free(now),
                Job.attempts < self._max_attempts,
                Job.cancel_requested.is_(False),
            ),
            state=InspectionState.RUNNING.value,
            lease_owner=owner,
            lease_until=now + self._lease,
            heartbeat_at=now,
            attempts=Job.attempts + 1,
            started_at=now,
            **_FRESH,
        )
        return None if row is None else Lease(job_id, owner, row.attempts, row.size_class, row.request_id)

    def beat(self, lease: Lease, stage: Stage | None, progress: float) -> Beat:
        """Extend the lease and note the progress; a lease that ran out but was not taken is still held."""
        now = self._clock()
        row = self._change(
            _fence(lease),
            stage=stage.value if stage else None,
            progress=progress,
            heartbeat_at=now,
            lease_until=now + self._lease,
        )
        return Beat(row is not None, row is not None and row.is_cancel_requested)

    def finish(self, lease: Lease, result: Finished) -> bool:
        """Done: the report is published.  False if the lease was lost."""
        return self._end(lease, InspectionState.DONE, progress=1.0, **asdict(result))

    def fail(self, lease: Lease, failure: Failure) -> bool:
        """Failed for good."""
        return self._end(lease, InspectionState.FAILED, error=failure.to_row())

    def cancel(self, lease: Lease) -> bool:
        """Stopped because its sender asked for it."""
        return self._end(lease, InspectionState.CANCELLED)

    def retry(self, lease: Lease, failure: Failure) -> bool:
        """Back to the queue, or failed if this was the last attempt.  True if it will be tried again."""
        if lease.attempt >= self._max_attempts:
            last = failures.after_attempts(failure, lease.attempt)
            self._end(lease, InspectionState.FAILED, quarantine=_if_it_died(last), error=last.to_row())
            return False
        return self._requeue(lease)

    def release(self, lease: Lease) -> bool:
        """Back to the queue without counting the attempt: the worker is asked to stop."""
        return self._requeue(lease, attempts=Job.attempts - 1)

    def settle(self, job_id: str) -> None:
        """End a free job that no one may claim: cancelled, or out of attempts."""
        now = self._clock()
        free = and_(Job.id == job_id, is_free(now))
        self._change(
            and_(free, Job.cancel_requested.is_(True)),
            state=InspectionState.CANCELLED.value,
            finished_at=now,
            **_NO_LEASE,
        )
        failure = failures.after_attempts(failures.lease_lost(), self._max_attempts)
        self._change(
            and_(free, Job.attempts >= self._max_attempts),
            quarantine=failure,
            state=InspectionState.FAILED.value,
            error=failure.to_row(),
            finished_at=now,
            **_NO_LEASE,
        )

    def shorten(self) -> None:
        """Bound leases that reach too far ahead, as after a clock set back; whoever lives beats again at once."""
        now = self._clock()
        statement = (
            update(Job)
            .where(Job.state == InspectionState.RUNNING.value, Job.lease_until > now + 2 * self._lease)
            .values(lease_until=now + self._lease)
            .execution_options(synchronize_session=False)
        )
        with self._database.writing() as session:
            session.execute(statement)

    def _requeue(self, lease: Lease, **values: Any) -> bool:
        queued = InspectionState.QUEUED.value
        return self._change(_fence(lease), state=queued, sent_at=None, **_FRESH, **_NO_LEASE, **values) is not None

    def _end(self, lease: Lease, state: InspectionState, *, quarantine: Failure | None = None, **values: Any) -> bool:
        values |= {"state": state.value, "finished_at": self._clock(), **_NO_LEASE}
        return self._change(_fence(lease), quarantine=quarantine, **values) is not None

    def _change(
        self, condition: ColumnElement[bool], *, quarantine: Failure | None = None, **values: Any
    ) -> _Changed | None:
        """Change the one row that meets the condition; its files are set aside in the same transaction."""
        statement = (
            update(Job).where(condition).values(**values).returning(*_KEPT).execution_options(synchronize_session=False)
        )
        with self._database.writing() as session:
            row = session.execute(statement).one_or_none()
            if row is not None and quarantine is not None:
                set_aside(session, row.id, quarantine)
            if row is not None and "finished_at" in values:
                tell_end(session, row.id, values["finished_at"])  # subscribers: in the transaction that ends the job
        if row is None:
            return None
        return _Changed(row.attempts, row.cancel_requested, SizeClass(row.size_class), row.request_id)


@dataclass(frozen=True)
class _Changed:
    attempts: int
    is_cancel_requested: bool
    size_class: SizeClass
    request_id: str | None


def is_free(now: datetime) -> ColumnElement[bool]:
    """Queued, or running under a lease that ran out."""
    return or_(
        Job.state == InspectionState.QUEUED.value,
        and_(Job.state == InspectionState.RUNNING.value, Job.lease_until < now),
    )


def _if_it_died(failure: Failure) -> Failure | None:
    """A full disk or a database that is away says nothing against the files."""
    return failure if failure.code == failures.DIED else None


def _fence(lease: Lease) -> ColumnElement[bool]:
    return and_(
        Job.id == lease.job_id,
        Job.state == InspectionState.RUNNING.value,
        Job.lease_owner == lease.owner,
        Job.attempts == lease.attempt,
    )
