"""The broker: it carries ids of inspections, nothing else, and may lose them.

Production uses Redis.  The embedded default, where nothing is installed, is kombu's filesystem
transport polled five times a second.  Chosen by ``tests/benchmarks/broker.py``, whose table is
in DEVELOPERS.md: every transport loses or delays what a worker killed with -9 was busy with, so
the choice rests on the rest.  What is lost, the sweeper in the worker sends again from the SQL rows.
"""

from __future__ import annotations

import time
from pathlib import Path
from typing import Any

from celery import Celery
from kombu.exceptions import OperationalError

from shared.settings import Settings

TASK_NAME = "firstpour.inspect"
QUEUE = "firstpour"
EMBEDDED_POLL_S = 0.2  # idle to start below the time a person notices
TAKEN_KEPT_S = 60.0  # a message just taken is read within milliseconds


def make_celery(settings: Settings) -> Celery:
    """The Celery application of api and worker alike; it holds no task until the worker adds it."""
    app = Celery("firstpour", broker=settings.broker_url or "filesystem://", set_as_current=False)
    app.conf.update(
        broker_transport_options=_transport_options(settings),
        broker_connection_retry_on_startup=True,
        broker_connection_timeout=4,
        task_default_queue=QUEUE,
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
    return app


def send_inspection(app: Celery, inspection_id: str) -> bool:
    """Send the id of an inspection whose row is already committed.

    False if the broker could not be reached: no harm, the sweeper sends it later.
    """
    retry: dict[str, Any] = {"max_retries": 1, "interval_start": 0.0, "interval_step": 0.2, "interval_max": 0.2}
    try:
        app.send_task(TASK_NAME, args=[inspection_id], ignore_result=True, retry=True, retry_policy=retry)
    except (OperationalError, OSError):
        return False
    return True


def drop_taken_messages(settings: Settings) -> int:
    """Delete what the embedded broker keeps of messages already read; how many."""
    taken = settings.data_dir / "broker" / "taken"
    if settings.broker_url or not taken.is_dir():
        return 0
    newest = time.time() - TAKEN_KEPT_S
    old = [path for path in taken.iterdir() if path.stat().st_mtime < newest]
    for path in old:
        path.unlink(missing_ok=True)
    return len(old)


def _transport_options(settings: Settings) -> dict[str, Any]:
    if settings.broker_url:
        # Redis hands a message out again when it was not acknowledged for this long.
        return {
            "visibility_timeout": 2 * settings.hard_time_limit_s,
            "socket_timeout": 10,
            "socket_connect_timeout": 4,
            "socket_keepalive": True,
            "health_check_interval": 25,
        }
    return _embedded_options(settings.data_dir.resolve() / "broker")


def _embedded_options(root: Path) -> dict[str, Any]:
    """Three folders on one file system, so that taking a message is one rename."""
    folders = {name: root / name for name in ("messages", "taken", "control")}
    for path in folders.values():
        path.mkdir(parents=True, exist_ok=True)
    return {
        "data_folder_in": str(folders["messages"]),
        "data_folder_out": str(folders["messages"]),
        "processed_folder": str(folders["taken"]),
        "store_processed": True,  # otherwise it moves them to /tmp, perhaps another file system
        "control_folder": str(folders["control"]),
        "polling_interval": EMBEDDED_POLL_S,
    }
