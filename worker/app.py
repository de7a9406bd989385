"""The worker as a service: Celery with a solo pool, which runs each job in a process of its own.

Why not another pool stands in :mod:`worker.child`, why the broker of the embedded default is what it
is in :mod:`shared.broker`.

Stopping (SIGTERM): the job under way is given back to the queue at once and its attempt not
counted, so that a roll-out never waits; another worker begins it anew.
"""

from __future__ import annotations

import threading
from dataclasses import dataclass
from typing import Any

import structlog
from celery import Celery, signals

from shared.addresses import AddressRules
from shared.broker import drop_taken_messages, make_celery, queues_of, send_job
from shared.database import Database, migrate, open_database
from shared.settings import Settings
from shared.states import SizeClass
from shared.stores import open_store
from worker.delivery.deliverer import Deliverer
from worker.delivery.posting import Poster
from worker.health import Stamp
from worker.running import Runner, Surroundings
from worker.sweeper import Sweeper, SweeperThread
from worker.tasks import add_job_task
from worker.turns import sizes_taken

CELERY_ARGUMENTS = (
    "--quiet",
    "worker",
    "--pool=solo",
    "--concurrency=1",  # times the prefetch multiplier of 1: hold no message that another worker could run
    "--without-gossip",
    "--without-mingle",
    "--without-heartbeat",
)

DELIVER_EVERY_S = 2.0  # a look at an index; what subscribers wait at most when all is well

log = structlog.get_logger()


@dataclass(frozen=True, eq=False)
class Worker:
    """A worker put together."""

    app: Celery
    database: Database
    threads: tuple[SweeperThread, ...]
    stopping: threading.Event
    queues: tuple[str, ...]

    def run(self) -> None:
        """Work until told to stop."""
        signals.setup_logging.connect(self._keep_our_logs)
        signals.worker_ready.connect(self._ready)
        signals.worker_shutting_down.connect(self._shutting_down)
        try:
            self.app.worker_main([*CELERY_ARGUMENTS, "--queues", ",".join(self.queues)])
        finally:
            for thread in self.threads:
                thread.stop()
            self.database.close()

    def _keep_our_logs(self, **_fields: Any) -> None:
        """A receiver of this signal keeps Celery from configuring logs itself."""

    def _ready(self, **_fields: Any) -> None:
        for thread in self.threads:
            thread.start()
        log.info("worker_ready")

    def _shutting_down(self, **_fields: Any) -> None:
        """Called in the signal handler: the watch of the job under way sees it within a tick."""
        self.stopping.set()


def make_worker(settings: Settings, pipeline: str | None = None) -> Worker:
    """Put a worker together; the database is brought up to date first."""
    migrate(settings)
    app = make_celery(settings)
    database = open_database(settings)
    store = open_store(settings)
    stopping = threading.Event()

    def send(job_id: str, size_class: SizeClass) -> bool:
        return send_job(app, job_id, size_class)

    around = Surroundings(
        settings=settings, database=database, store=store, send=send, stopping=stopping, pipeline=pipeline
    )
    add_job_task(app, Runner(around))
    sweeper = Sweeper(database, settings, send)
    stamp = Stamp(settings)

    def sweep() -> None:
        sweeper.sweep()
        drop_taken_messages(settings)
        store.sweep_aside(older_than_s=2 * settings.hard_time_limit_s)
        stamp.renew()

    deliverer = Deliverer(database, Poster(AddressRules(settings.webhook_networks)), stopping)
    threads = (
        SweeperThread(sweep, settings.sweep_every_s),
        SweeperThread(deliverer.deliver, DELIVER_EVERY_S, "deliverer"),
    )
    return Worker(app, database, threads, stopping, tuple(queues_of(sizes_taken(settings))))
