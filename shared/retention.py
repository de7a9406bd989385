"""How long files are kept, and how much they take.

    unused upload           goes ``unused_upload_days`` after it came
    finished inspection     its report, and uploads nobody else needs, go after ``keep_days``, or oldest first
                            while more than ``store_limit_bytes`` are stored; both 0 = never
    what a crash left       goes after a day

Rows stay, with ``swept_at``: what was inspected, when and how it ended is never forgotten.  A held
inspection, or one of a held part, keeps its files whatever their age; so does everything that waits or
runs.  A row is marked first, under a lock that keeps orders from being placed on it, and its files
deleted afterwards: a crash between leaves a file too many, never one too few.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import ColumnElement, and_, func, or_, select, update
from sqlalchemy.orm import Session

from shared.database import Database
from shared.filestore import FileStore
from shared.settings import Settings
from shared.states import InspectionState
from shared.tables import Inspection, Job, Part, PartialUpload, Revision, Upload, utc_now

LEFTOVER_S = 24 * 3600.0  # no upload or report takes a day from its first byte to its row
FINAL = [state.value for state in InspectionState if state.is_final]


@dataclass(frozen=True)
class Swept:
    """What one round deleted."""

    upload_count: int
    report_count: int
    leftover_count: int


class Retention:
    """Sweeps files by the settings; several processes may do so at once."""

    def __init__(
        self, database: Database, store: FileStore, settings: Settings, clock: Callable[[], datetime] = utc_now
    ) -> None:
        self._database, self._store, self._settings, self._clock = database, store, settings, clock

    def sweep(self) -> Swept:
        """One round."""
        gone = [self._expire(row) for row in self._too_old()]
        unused_count = self._sweep_uploads(self._unused_too_long())
        gone += self._expire_to_size()
        upload_count = unused_count + sum(count or 0 for count in gone)
        return Swept(upload_count, sum(count is not None for count in gone), self._sweep_leftovers())

    def _too_old(self) -> Sequence[Inspection]:
        if not self._settings.keep_days:
            return []
        before = self._clock() - timedelta(days=self._settings.keep_days)
        with self._database.reading() as session:
            return session.scalars(select(Inspection).where(_may_go(), Inspection.finished_at < before)).all()

    def _unused_too_long(self) -> list[str]:
        before = self._clock() - timedelta(days=self._settings.unused_upload_days)
        with self._database.reading() as session:
            old = session.scalars(select(Upload.id).where(Upload.swept_at.is_(None), Upload.created_at < before)).all()
            return sorted(set(old) - _needed(session)) if old else []

    def _expire_to_size(self) -> Iterator[int | None]:
        """Let the oldest inspections go until what is stored fits."""
        limit_bytes = self._settings.store_limit_bytes
        if not limit_bytes:
            return
        with self._database.reading() as session:
            rows = session.scalars(select(Inspection).where(_may_go()).order_by(Inspection.finished_at)).all()
        for row in rows:
            with self._database.reading() as session:
                if sum(stored_bytes(session).values()) <= limit_bytes:
                    return
            yield self._expire(row)

    def _expire(self, row: Inspection) -> int | None:
        """Delete the report of a finished inspection and uploads only it needed: how many; None if it was held now."""
        with self._database.writing() as session:
            statement = update(Job).where(Job.id == row.id, _may_go()).values(swept_at=self._clock())
            marked = session.execute(statement.returning(Job.id).execution_options(synchronize_session=False))
            is_marked = marked.one_or_none() is not None
        if not is_marked:
            return None
        self._store.delete(f"reports/{row.id}")
        return self._sweep_uploads(uploads_of(row))

    def _sweep_uploads(self, ids: Iterable[str]) -> int:
        """Delete those nobody needs."""
        with self._database.writing() as session:
            locked = select(Upload).where(Upload.id.in_(list(ids)), Upload.swept_at.is_(None)).with_for_update()
            rows = session.scalars(locked).all()
            needed = _needed(session) if rows else set()  # after the lock: no order on them can come any more
            going = [row for row in rows if row.id not in needed]
            for row in going:
                row.swept_at = self._clock()
        for row in going:
            self._store.delete(row.storage_key)
        return len(going)

    def _sweep_leftovers(self) -> int:
        """Files without a row: of an API killed before the row, of a worker killed beside another's report."""
        old = (
            list(self._store.keys_older_than("uploads", LEFTOVER_S)),
            list(self._store.keys_older_than("reports", LEFTOVER_S)),
        )
        with self._database.reading() as session:
            known = set(session.scalars(select(Upload.storage_key).where(Upload.swept_at.is_(None))))
            known |= set(session.scalars(select(Job.report_key).where(Job.swept_at.is_(None))))
            busy = set(session.scalars(select(Job.id).where(Job.state.not_in(FINAL))))
        going = [key for keys in old for key in keys if key not in known and key.split("/")[1] not in busy]
        for key in going:
            self._store.delete(key)
        return len(going) + self._store.sweep_aside(LEFTOVER_S) + self._store.sweep_unfinished(LEFTOVER_S)


def stored_bytes(session: Session) -> dict[str, int]:
    """Bytes of finished uploads, of uploads under way, and of reports."""
    sums = {
        "uploads": select(func.sum(Upload.size_bytes)).where(Upload.swept_at.is_(None)),
        "partial": select(func.sum(PartialUpload.offset_bytes)).where(PartialUpload.upload_id.is_(None)),
        "reports": select(func.sum(Job.report_bytes)).where(Job.swept_at.is_(None)),
    }
    return {kind: int(session.scalar(query) or 0) for kind, query in sums.items()}


def uploads_of(row: Inspection) -> list[str]:
    """Ids of all files an inspection rests on."""
    return [row.nominal_upload_id, row.scan_upload_id, *(body["upload_id"] for body in row.bodies)]


def _may_go() -> ColumnElement[bool]:
    """Finished, not swept yet, and held neither itself nor by its part."""
    held_part = select(Revision.id).join(Part).where(Part.hold.is_(True))
    return and_(
        Job.task == Inspection.__mapper__.polymorphic_identity,
        Job.state.in_(FINAL),
        Job.hold.is_(False),
        Job.swept_at.is_(None),
        or_(Job.revision_id.is_(None), Job.revision_id.not_in(held_part)),
    )


def _needed(session: Session) -> set[str]:
    """Ids of uploads that a revision, or a job whose files are kept, rests on."""
    inspections = session.scalars(select(Inspection).where(Inspection.swept_at.is_(None)))
    needed = {upload_id for row in inspections for upload_id in uploads_of(row)}
    needed |= set(session.scalars(select(Job.nominal_upload_id).where(Job.swept_at.is_(None))))
    for nominal_upload_id, bodies in session.execute(select(Revision.nominal_upload_id, Revision.bodies)):
        needed |= {nominal_upload_id, *(body["upload_id"] for body in bodies)}
    return needed
