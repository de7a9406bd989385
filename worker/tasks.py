"""The one task, and the one way tasks are defined."""

from __future__ import annotations

from collections.abc import Callable

import structlog
from celery import Celery

from shared.broker import TASK_NAME
from worker.running import Runner


def add_task(app: Celery, function: Callable[[str], None], *, name: str) -> None:
    """Register a task that takes one id.

    Its message is acknowledged when it ends and comes again if the worker is lost; its result is in
    the database.  Time limits are kept by :mod:`worker.child`: Celery's own do not work in a solo pool.
    """
    app.task(name=name, shared=False, acks_late=True, reject_on_worker_lost=True, ignore_result=True)(function)


def add_job_task(app: Celery, runner: Runner) -> None:
    """Register the task that runs a job, whatever its kind."""

    def run(job_id: str) -> None:
        with structlog.contextvars.bound_contextvars(job_id=job_id):
            runner.run(job_id)

    add_task(app, run, name=TASK_NAME)
