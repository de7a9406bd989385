"""What Prometheus is told of jobs, workers and the disk, read when it asks."""

from __future__ import annotations

import shutil
import time
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime, timedelta
from pathlib import Path

import structlog
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector
from sqlalchemy import func, select
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.orm import Session

from api.inspections.service import count_by_state
from shared.database import Database
from shared.filestore import FileStore
from shared.retention import stored_bytes
from shared.settings import Settings
from shared.states import InspectionState
from shared.tables import Job, utc_now

LATELY = timedelta(hours=1)  # over which times of jobs are averaged
log = structlog.get_logger(__name__)
Figures = Iterator[GaugeMetricFamily]


class JobFigures(Collector):
    """Gauges over the rows of jobs; none while the database does not answer."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def describe(self) -> Iterable[GaugeMetricFamily]:
        """Nothing, so that registering it asks no database."""
        return []

    def collect(self) -> Iterable[GaugeMetricFamily]:
        """Everything as of now."""
        kinds: tuple[Callable[[Session], Figures], ...] = (
            _inspections, _counts, _stages, _waiting, _attempts, _heartbeats, _times, _stage_times,
        )  # fmt: skip
        try:
            with self._database.reading() as session:
                return [family for kind in kinds for family in kind(session)]
        except SQLAlchemyError as error:
            log.warning("figures_missing", reason=str(error).splitlines()[0])
            return []


class PlaceFigures(Collector):
    """Gauges over the data folder: room on its disk, and when workers that share it last swept."""

    def __init__(self, settings: Settings) -> None:
        self._folder = settings.data_dir

    def describe(self) -> Iterable[GaugeMetricFamily]:
        """Nothing, as above."""
        return []

    def collect(self) -> Iterable[GaugeMetricFamily]:
        """Everything as of now."""
        usage = shutil.disk_usage(self._folder)
        yield GaugeMetricFamily("firstpour_disk_free_bytes", "Room on the disk of the data folder", usage.free)
        yield GaugeMetricFamily("firstpour_disk_size_bytes", "Size of the disk of the data folder", usage.total)
        swept = GaugeMetricFamily("firstpour_worker_swept_age_seconds", "Since workers swept", labels=["host"])
        for path in sorted((self._folder / "workers").glob("*.alive")):
            swept.add_metric([path.stem], _age_s(path))
        yield swept


class StoreFigures(Collector):
    """Gauges over what is stored; of rows none while the database does not answer."""

    def __init__(self, database: Database, store: FileStore) -> None:
        self._database, self._store = database, store

    def describe(self) -> Iterable[GaugeMetricFamily]:
        """Nothing, as above."""
        return []

    def collect(self) -> Iterable[GaugeMetricFamily]:
        """A gauge a kind, and what is free."""
        sizes: dict[str, int] = {}
        try:
            with self._database.reading() as session:
                sizes = dict(stored_bytes(session))
        except SQLAlchemyError as error:
            log.warning("figures_missing", reason=str(error).splitlines()[0])
        taken = GaugeMetricFamily("firstpour_store_bytes", "Bytes stored by kind", labels=["kind"])
        for kind, size_bytes in {**sizes, "aside": self._store.aside_bytes()}.items():
            taken.add_metric([kind], size_bytes)
        yield taken
        free_bytes = self._store.free_bytes()
        yield GaugeMetricFamily("firstpour_store_free_bytes", "Bytes free on the disk of the files", free_bytes)


def _age_s(path: Path) -> float:
    return max(0.0, time.time() - path.stat().st_mtime)


def _inspections(session: Session) -> Figures:
    family = GaugeMetricFamily("firstpour_inspections", "Inspections by state", labels=["state"])
    for state, count in count_by_state(session).items():
        family.add_metric([state], count)
    yield family


def _counts(session: Session) -> Figures:
    family = GaugeMetricFamily("firstpour_jobs", "Jobs by kind, state and outcome", labels=["task", "state", "outcome"])
    marks = (Job.task, Job.state, Job.outcome)
    for task, state, outcome, count in session.execute(select(*marks, func.count()).group_by(*marks)):
        family.add_metric([task, state, outcome or ""], count)
    yield family


def _stages(session: Session) -> Figures:
    family = GaugeMetricFamily("firstpour_jobs_at_stage", "Running jobs by stage", labels=["stage"])
    running = Job.state == InspectionState.RUNNING.value
    for stage, count in session.execute(select(Job.stage, func.count()).where(running).group_by(Job.stage)):
        family.add_metric([stage or ""], count)
    yield family


def _waiting(session: Session) -> Figures:
    oldest = session.scalar(select(func.min(Job.created_at)).where(Job.state == InspectionState.QUEUED.value))
    yield GaugeMetricFamily("firstpour_queue_age_seconds", "How long the oldest waiting job waits", _since(oldest))


def _attempts(session: Session) -> Figures:
    again = session.scalar(select(func.count()).where(Job.attempts > 1)) or 0
    yield GaugeMetricFamily("firstpour_jobs_tried_again", "Jobs that needed more than one attempt", again)


def _heartbeats(session: Session) -> Figures:
    oldest = session.scalar(select(func.min(Job.heartbeat_at)).where(Job.state == InspectionState.RUNNING.value))
    yield GaugeMetricFamily("firstpour_heartbeat_age_seconds", "Oldest heartbeat of a running job", _since(oldest))


def _times(session: Session) -> Figures:
    lately = Job.finished_at > utc_now() - LATELY
    rows = session.execute(select(Job.created_at, Job.started_at, Job.finished_at).where(lately)).all()
    ran = [(end - start).total_seconds() for _, start, end in rows if start and end]
    waited = [(start - made).total_seconds() for made, start, _ in rows if start]
    yield GaugeMetricFamily("firstpour_job_run_seconds", "Mean run of jobs ended within an hour", _mean(ran))
    yield GaugeMetricFamily("firstpour_job_wait_seconds", "Mean wait of jobs ended within an hour", _mean(waited))


def _stage_times(session: Session) -> Figures:
    family = GaugeMetricFamily(
        "firstpour_stage_seconds", "Mean time of each stage in jobs done within an hour", labels=["task", "stage"]
    )
    lately = Job.finished_at > utc_now() - LATELY
    by_stage: dict[tuple[str, str], list[float]] = defaultdict(list)
    for task, taken in session.execute(select(Job.task, Job.stage_s).where(lately, Job.stage_s.is_not(None))):
        for stage, duration_s in (taken or {}).items():
            by_stage[task, stage].append(duration_s)
    for marks, durations_s in sorted(by_stage.items()):
        family.add_metric(list(marks), _mean(durations_s))
    yield family


def _since(moment: datetime | None) -> float:
    return 0.0 if moment is None else max(0.0, (utc_now() - moment).total_seconds())


def _mean(values: list[float]) -> float:
    return sum(values) / len(values) if values else 0.0
