"""Reminding the workers through Celery."""

from __future__ import annotations

from celery import Celery
from kombu.exceptions import OperationalError

from shared.broker import make_celery, send_job
from shared.settings import Settings
from shared.states import SizeClass

CONNECT_TIMEOUT_S = 3  # a readiness check must answer before its caller gives up


class CelerySender:
    """Sends ids through the broker of the settings."""

    def __init__(self, settings: Settings) -> None:
        self._celery: Celery = make_celery(settings)

    def send(self, job_id: str, size_class: SizeClass) -> bool:
        """Send the id; False if the broker cannot be reached."""
        return send_job(self._celery, job_id, size_class)

    def check_reachable(self) -> None:
        """Connect once."""
        with self._celery.connection_for_write(connect_timeout=CONNECT_TIMEOUT_S) as connection:
            try:
                connection.ensure_connection(max_retries=1, interval_start=0, timeout=CONNECT_TIMEOUT_S)
            except OperationalError as error:
                raise ConnectionError(str(error)) from error
