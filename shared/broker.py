"""The broker: it carries ids of jobs, nothing else, and may lose them.

Production uses Redis.  The embedded default, where nothing is installed, is kombu's SQL transport on
an SQLite file of its own.  Chosen by ``python -m tests.benchmarks.broker`` (kombu 5.7, two cores):

- kombu's filesystem transport was the other candidate.  It writes a message under its final name, and
  a worker that looks at that moment reads half of it, loses it and ends with "Unrecoverable error:
  JSONDecodeError": seen in 2 of 8 bursts of 300 messages, none of 2 bursts of 1000.  The SQL
  transport lost nothing; it is slower (9 to 22 messages a second against 76 to 270), which is plenty.
- Killed with -9 in mid-task, both lose the one message in flight of 20; Redis hands it out again.
  The sweeper in the worker sends what was lost again from the SQL rows.
- Idle to start is half a second, at most 1.4 s (it looks once a second), idle CPU 0.2 %.
- It never deletes a message; :func:`drop_taken_messages` does.  Tables and queue are made under a
  lock here, because two processes doing so at once failed in 3 of 24 starts.
"""

from __future__ import annotations

import fcntl
import sqlite3
import warnings
from collections.abc import Collection
from contextlib import closing
from pathlib import Path
from typing import Any

from celery import Celery
from kombu.exceptions import OperationalError
from sqlalchemy.exc import OperationalError as SqlOperationalError
from sqlalchemy.exc import SADeprecationWarning

from shared.settings import Settings
from shared.states import SizeClass

TASK_NAME = "firstpour.run"
QUEUE = "firstpour"
LARGE_QUEUE = "firstpour.large"  # apart, so that a worker that takes small jobs only swallows no message of these
BUSY_TIMEOUT_S = 15.0  # the file is locked for milliseconds at a time


def make_celery(settings: Settings) -> Celery:
    """The Celery application of api and worker alike; it holds no task until the worker adds it."""
    app = Celery("firstpour", broker=settings.broker_url or _embedded_url(settings), set_as_current=False)
    app.conf.update(
        broker_transport_options=_transport_options(settings),
        broker_connection_retry_on_startup=True,
        broker_connection_timeout=4,
        task_default_queue=QUEUE,
        task_create_missing_queues=True,
        task_ignore_result=True,
        task_acks_late=True,
        task_reject_on_worker_lost=True,
        task_serializer="json",
        accept_content=["json"],
        worker_prefetch_multiplier=1,
        worker_enable_remote_control=False,  # its mailboxes have no expiry in Redis (Celery issue 6089)
        worker_send_task_events=False,
        worker_hijack_root_logger=False,
    )
    if not settings.broker_url:
        _prepare_embedded(app, _embedded_file(settings))
    return app


def queues_of(sizes: Collection[SizeClass]) -> list[str]:
    """Queues that carry the messages of jobs of these size classes."""
    return [LARGE_QUEUE if size is SizeClass.LARGE else QUEUE for size in sizes]


def send_job(app: Celery, job_id: str, size_class: SizeClass = SizeClass.SMALL) -> bool:
    """Send the id of a job whose row is already committed.

    False if the broker could not be reached: no harm, the sweeper sends it later.
    """
    retry: dict[str, Any] = {"max_retries": 1, "interval_start": 0.0, "interval_step": 0.2, "interval_max": 0.2}
    try:
        app.send_task(
            TASK_NAME,
            args=[job_id],
            queue=queues_of([size_class])[0],
            ignore_result=True,
            retry=True,
            retry_policy=retry,
        )
    except (OperationalError, SqlOperationalError, OSError):
        return False
    return True


def drop_taken_messages(settings: Settings) -> int:
    """Delete what the embedded broker keeps of messages already taken; how many."""
    if settings.broker_url:
        return 0
    with closing(sqlite3.connect(_embedded_file(settings), timeout=BUSY_TIMEOUT_S)) as connection, connection:
        return connection.execute("DELETE FROM kombu_message WHERE NOT visible").rowcount


def _transport_options(settings: Settings) -> dict[str, Any]:
    if not settings.broker_url:
        return {"connect_args": {"timeout": BUSY_TIMEOUT_S}}
    return {
        "visibility_timeout": 2 * settings.hard_time_limit_s,  # unacknowledged for this long, Redis sends again
        "socket_timeout": 10,
        "socket_connect_timeout": 4,
        "socket_keepalive": True,
        "health_check_interval": 25,
    }


def _embedded_file(settings: Settings) -> Path:
    return settings.data_dir.resolve() / "broker.sqlite3"


def _embedded_url(settings: Settings) -> str:
    return f"sqla+sqlite:///{_embedded_file(settings)}"


def _prepare_embedded(app: Celery, path: Path) -> None:
    """Make tables and queues, one process at a time."""
    path.parent.mkdir(parents=True, exist_ok=True)
    with (
        path.with_suffix(".lock").open("w") as lock,
        app.connection_for_write() as connection,
        warnings.catch_warnings(),
    ):
        warnings.simplefilter("ignore", SADeprecationWarning)  # kombu 5.7 maps with a strategy that will go one day
        fcntl.flock(lock, fcntl.LOCK_EX)
        for name in queues_of(list(SizeClass)):
            app.amqp.queues[name].bind(connection.default_channel).declare()
