"""Whether we can work."""

from __future__ import annotations

import hmac
from collections.abc import Callable, Iterable

import structlog
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector
from sqlalchemy import text
from sqlalchemy.exc import SQLAlchemyError

from api.health.schemas import Ready
from api.inspections.service import count_by_state
from api.resources import Resources
from shared.access import AccessMode
from shared.database import Database
from shared.errors import Unauthenticated
from shared.filestore import FileStore
from shared.retention import stored_bytes
from shared.settings import Settings

log = structlog.get_logger(__name__)
OK = "ok"


def readiness(resources: Resources) -> Ready:
    """Try the database, the file store and the broker."""
    checks = {
        "database": _outcome("database", lambda: _ask(resources.database)),
        "files": _outcome("files", resources.store.check_writable),
        "broker": _outcome("broker", resources.sender.check_reachable),
    }
    return Ready(is_ready=all(outcome == OK for outcome in checks.values()), checks=checks)


def check_may_read_metrics(settings: Settings, authorization: str) -> None:
    """Compared in constant time; raises Unauthenticated, always where keys are used but no token is set."""
    wanted = f"Bearer {settings.metrics_token}".encode()
    is_right = hmac.compare_digest(wanted, authorization.encode()) and settings.metrics_token != ""
    if settings.access == AccessMode.KEYS and not is_right:
        raise Unauthenticated


class InspectionStates(Collector):
    """Counts the inspections when Prometheus asks."""

    def __init__(self, database: Database) -> None:
        self._database = database

    def describe(self) -> Iterable[GaugeMetricFamily]:
        """Names only, so that registering it asks no database."""
        return [self._family()]

    def collect(self) -> Iterable[GaugeMetricFamily]:
        """One gauge a state."""
        family = self._family()
        with self._database.reading() as session:
            for state, count in count_by_state(session).items():
                family.add_metric([state], count)
        return [family]

    @staticmethod
    def _family() -> GaugeMetricFamily:
        return GaugeMetricFamily("firstpour_inspections", "Inspections by state", labels=["state"])


class StoreSizes(Collector):
    """Sums up what is stored when Prometheus asks."""

    def __init__(self, database: Database, store: FileStore) -> None:
        self._database, self._store = database, store

    def describe(self) -> Iterable[GaugeMetricFamily]:
        """Names only."""
        return list(self._families())

    def collect(self) -> Iterable[GaugeMetricFamily]:
        """A gauge a kind, and what is free."""
        taken, free = self._families()
        with self._database.reading() as session:
            sizes = stored_bytes(session)
        for kind, size_bytes in {**sizes, "aside": self._store.aside_bytes()}.items():
            taken.add_metric([kind], size_bytes)
        free.add_metric([], self._store.free_bytes())
        return [taken, free]

    @staticmethod
    def _families() -> tuple[GaugeMetricFamily, GaugeMetricFamily]:
        return (
            GaugeMetricFamily("firstpour_store_bytes", "Bytes stored by kind", labels=["kind"]),
            GaugeMetricFamily("firstpour_store_free_bytes", "Bytes free on the disk of the files", labels=[]),
        )


def _ask(database: Database) -> None:
    with database.reading() as session:
        session.execute(text("SELECT id FROM jobs LIMIT 1"))


def _outcome(name: str, check: Callable[[], None]) -> str:
    try:
        check()
    except (OSError, SQLAlchemyError) as error:
        log.warning("not_ready", check=name, reason=str(error))
        return f"{type(error).__name__}: {str(error).splitlines()[0][:200]}"
    return OK
