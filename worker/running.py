"""One job from its SQL row to its published result: claim, run, publish, settle.

Twice equals once: a second copy finds the row taken and ends.  The result is written aside and
published by one rename under the number of the attempt; the row is changed last.
"""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from secrets import token_hex

import structlog
from sqlalchemy import select
from sqlalchemy.exc import OperationalError

from shared.database import Database
from shared.filestore import FileStore, KeyUnknown, StoreAway, folder_bytes, is_disk_full
from shared.plan import Plan
from shared.retention import uploads_of
from shared.settings import Settings
from shared.states import SizeClass, Stage
from shared.tables import FeatureDetection, Inspection, Job, Upload
from shared.units import LengthUnit
from worker import failures
from worker.child import Done, JobEnd, JobLimits, JobPlace, Stopped, Watch, run_job
from worker.failures import Failure
from worker.job_records import AnyJob, BodyFile, DetectionJob, InputFile, InspectionJob
from worker.lease import Finished, Lease, Leases, is_free
from worker.quarantine import refusal
from worker.threads import threads_per_job
from worker.turns import in_turn, sizes_taken

_Fetched = Callable[[str, str | None], InputFile]  # of an upload, by its id and unit
PROGRESS_EVERY_S = 1.0  # also how soon a wish to cancel is seen

log = structlog.get_logger()


@dataclass(frozen=True, eq=False, kw_only=True)
class Surroundings:
    """What a worker process works with.  ``send`` sends an id to the broker; ``stopping`` is set on SIGTERM.

    pipeline : ``module:function`` that runs every job in place of its own; for tests
    """

    settings: Settings
    database: Database
    store: FileStore
    send: Callable[[str, SizeClass], bool]
    stopping: threading.Event
    pipeline: str | None = None


class Runner:
    """Runs jobs by id, one at a time."""

    def __init__(self, around: Surroundings) -> None:
        self._around = around
        self._leases = Leases(around.database, around.settings)

    def run(self, job_id: str) -> None:
        """Run the job whose turn it is; ``job_id`` is the one a message named, which only says that there is work."""
        if self._around.stopping.is_set():
            return  # the row stays queued; the next worker's sweeper sends it
        if not self._is_store_fit():
            return  # a try now would cost an attempt; the sweeper reminds us again
        lease = self._claim()
        if lease is None:
            self._leases.settle(job_id)
            log.info("nothing_to_do")
            return
        if lease.job_id != job_id:
            self._pass_on(job_id)
        with structlog.contextvars.bound_contextvars(job_id=lease.job_id, request_id=lease.request_id):
            log.info("claimed", attempt=lease.attempt)
            self._work(lease)

    def _is_store_fit(self) -> bool:
        store = self._around.store
        if store.free_bytes() < self._around.settings.free_disk_floor_bytes:
            log.warning("disk_full")
            return False
        try:
            store.check_writable()
        except StoreAway as error:
            log.warning("store_away", reason=str(error))
            return False
        return True

    def _claim(self) -> Lease | None:
        """Claim the first in turn; another worker may be faster, then the next."""
        with self._around.database.reading() as session:
            now = self._around.database.now()
            ids = session.scalars(in_turn(now, sizes_taken(self._around.settings), self._around.settings.max_attempts))
            candidates = ids.all()
        return next(filter(None, map(self._leases.claim, candidates)), None)

    def _pass_on(self, job_id: str) -> None:
        """Send a message on whose job did not get its turn: as many messages as jobs stay on the way."""
        with self._around.database.reading() as session:
            still_free = select(Job.size_class).where(Job.id == job_id, is_free(self._around.database.now()))
            size_class = session.scalar(still_free)
        if size_class is not None:
            self._around.send(job_id, SizeClass(size_class))

    def _work(self, lease: Lease) -> None:
        """Run a claimed job to its end."""
        try:
            watch = _LeaseWatch(self._leases, lease, self._around.settings, self._around.stopping)
            with self._folders() as place:
                end = self._run_process(lease.job_id, place, watch)
                self._settle(lease, end, place.out_dir, watch)
        except Exception as error:  # the edge of the task: disk full, database away, or a fault of ours
            reference = token_hex(4)
            log.exception("worker_failed", reference=reference)
            self._try_again(lease, _passing(error, reference))

    def _run_process(self, job_id: str, place: JobPlace, watch: _LeaseWatch) -> JobEnd:
        settings = self._around.settings
        limits = JobLimits(
            soft_time_s=settings.soft_time_limit_s,
            hard_time_s=settings.hard_time_limit_s,
            memory_bytes=settings.memory_limit_bytes,
        )
        with self._around.database.reading() as session:
            refused = refusal(session, job_id)
        if refused is not None:
            return refused
        try:
            job = load_job(self._around, job_id, Fetching(place.scratch_dir, watch))
        except KeyUnknown as error:
            return _file_gone(str(error))
        except _Interrupted:
            return Stopped()
        return run_job(job, place, limits, watch)

    def _settle(self, lease: Lease, end: JobEnd, out_dir: Path, watch: _LeaseWatch) -> None:
        """Write the end into the row; only the holder of the lease gets through."""
        if isinstance(end, Done):
            self._publish(lease, end, out_dir)
        elif isinstance(end, Stopped):
            self._give_back(lease, watch)
        elif end.is_passing:
            log.warning("attempt_failed", **end.to_row())
            self._try_again(lease, end)
        else:
            log.info("failed", **end.to_row())
            self._patiently(lambda: self._leases.fail(lease, end))

    def _patiently(self, change: Callable[[], bool]) -> bool:
        """Make a last change, trying again while the database is away: it may stand for half an hour's work."""
        give_up_s = time.monotonic() + self._around.settings.lease_s
        while True:
            try:
                return change()
            except OperationalError:
                if time.monotonic() > give_up_s:
                    raise
                log.warning("change_failed", exc_info=True)
                time.sleep(PROGRESS_EVERY_S)

    def _try_again(self, lease: Lease, failure: Failure) -> None:
        if self._leases.retry(lease, failure):
            self._around.send(lease.job_id, lease.size_class)

    def _publish(self, lease: Lease, done: Done, out_dir: Path) -> None:
        store = self._around.store
        size_bytes = folder_bytes(out_dir)
        key = store.publish_folder(out_dir, f"reports/{lease.job_id}/{lease.attempt}")

        result = Finished(done.outcome, done.headline, key, size_bytes, dict(done.stage_s))
        if self._patiently(lambda: self._leases.finish(lease, result)):
            log.info("finished", outcome=done.outcome)
            for attempt in range(1, lease.attempt):  # left by a worker killed between rename and row
                store.delete(f"reports/{lease.job_id}/{attempt}")
        else:
            log.warning("lease_lost")
            store.delete(key)

    def _give_back(self, lease: Lease, watch: _LeaseWatch) -> None:
        if watch.is_cancel_requested:
            log.info("cancelled", was_held=self._leases.cancel(lease))
        elif watch.is_held:
            log.info("released", was_held=self._leases.release(lease))
            self._around.send(lease.job_id, lease.size_class)
        else:
            log.warning("lease_lost")

    @contextmanager
    def _folders(self) -> Iterator[JobPlace]:
        """Folders aside on the store's disk: a crash's leftovers are swept there."""
        store = self._around.store
        place = JobPlace(out_dir=store.new_folder(), scratch_dir=store.new_folder(), pipeline=self._around.pipeline)
        try:
            yield place
        finally:
            shutil.rmtree(place.out_dir, ignore_errors=True)
            shutil.rmtree(place.scratch_dir, ignore_errors=True)


class _LeaseWatch:
    """Beats for a lease while its job runs; says stop when it was lost or cancelled, or the worker must go."""

    def __init__(self, leases: Leases, lease: Lease, settings: Settings, stopping: threading.Event) -> None:
        self._leases, self._lease, self._stopping = leases, lease, stopping
        self._every_s = min(settings.heartbeat_s, PROGRESS_EVERY_S)
        self._lease_s = settings.lease_s
        self._tried_s = self._held_s = time.monotonic()
        self.is_cancel_requested = False
        self.is_held = True

    def __call__(self, stage: Stage | None, progress: float) -> bool:
        if self._stopping.is_set():
            return False
        if time.monotonic() - self._tried_s >= self._every_s:
            self._tried_s = time.monotonic()
            self._beat(stage, progress)
        return self.is_held and not self.is_cancel_requested

    def _beat(self, stage: Stage | None, progress: float) -> None:
        try:
            beat = self._leases.beat(self._lease, stage, progress)
        except OperationalError:  # a database away for less than the lease costs nothing
            log.warning("heartbeat_failed", exc_info=True)
            self.is_held = time.monotonic() - self._held_s < self._lease_s
            return
        self._held_s = time.monotonic()
        self.is_held, self.is_cancel_requested = beat.is_held, beat.is_cancel_requested


def _passing(error: Exception, reference: str) -> Failure:
    """What stopped the worker and not the job: most of it passes."""
    if isinstance(error, OSError) and is_disk_full(error):
        return failures.disk_full(Stage.REPORT)
    if isinstance(error, StoreAway):
        return failures.store_away()
    return replace(failures.internal_error(reference), is_passing=True)


class _Interrupted(Exception):
    """The watch said stop while files were fetched."""


@dataclass(frozen=True)
class Fetching:
    """Where files go that a store elsewhere keeps, and the watch to ask while they come: that may take minutes."""

    folder: Path
    watch: Watch

    def file(self, store: FileStore, upload: Upload, unit: str | None) -> InputFile:
        """An input on this machine; raises KeyUnknown."""
        path = store.local_copy(upload.storage_key, self.folder, self._tick)
        return InputFile(path, upload.file_name, LengthUnit(unit) if unit else None)

    def _tick(self) -> None:
        if not self.watch(None, 0.0):
            raise _Interrupted


def load_job(around: Surroundings, job_id: str, fetching: Fetching) -> AnyJob:
    """The job a row describes, with its files on this machine; no session waits while they come."""
    with around.database.reading() as session:
        row = session.get_one(Job, job_id)
        ids = uploads_of(row) if isinstance(row, Inspection) else [row.nominal_upload_id]
        uploads = {one: session.get_one(Upload, one) for one in ids}

    def file(upload_id: str, unit: str | None) -> InputFile:
        return fetching.file(around.store, uploads[upload_id], unit)

    if isinstance(row, FeatureDetection):
        return _detection_job(around, row, file)
    assert isinstance(row, Inspection)  # noqa: S101 - tells the type checker that there are two kinds of job
    return _inspection_job(around, row, file)


def _detection_job(around: Surroundings, row: FeatureDetection, file: _Fetched) -> DetectionJob:
    return DetectionJob(
        title=row.title,
        job_id=row.id,
        request_id=row.request_id,
        nominal=file(row.nominal_upload_id, row.nominal_unit),
        thread_count=threads_per_job(around.settings),
    )


def _inspection_job(around: Surroundings, row: Inspection, file: _Fetched) -> InspectionJob:
    bodies = tuple(
        BodyFile(body["name"], body["role"], file(body["upload_id"], row.nominal_unit)) for body in row.bodies
    )
    return InspectionJob(
        title=row.title,
        job_id=row.id,
        request_id=row.request_id,
        nominal=file(row.nominal_upload_id, row.nominal_unit),
        scan=file(row.scan_upload_id, row.scan_unit),
        bodies=bodies,
        plan=None if row.plan is None else Plan.model_validate(row.plan),
        plan_source=row.plan_source,
        thread_count=threads_per_job(around.settings),
    )


def _file_gone(key: str) -> Failure:
    return Failure(
        "file_gone",
        f"A file this needs is no longer in the store ({key}).",
        "Upload it again and start anew.",
    )
