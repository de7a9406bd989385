"""Whether we can work."""

from __future__ import annotations

import hmac
from collections.abc import Callable

import structlog
from sqlalchemy import text
from sqlalchemy.exc import SQLAlchemyError

from api.health.schemas import Ready
from api.resources import Resources
from shared.access import AccessMode
from shared.database import Database
from shared.errors import Unauthenticated
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
