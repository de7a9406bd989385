"""Logs as JSON, one event a line on stderr: an event name and fields."""

from __future__ import annotations

import logging
import re
import sys
from collections.abc import MutableMapping
from typing import Any

import structlog
from structlog.typing import Processor

HIDDEN = "***"
SECRET_FIELDS = re.compile(r"password|passphrase|secret|authorization|cookie|api_?key|token", re.IGNORECASE)
CREDENTIALS = re.compile(r"([a-zA-Z][a-zA-Z0-9+.-]*://)[^/\s'\"@]*@")  # of a database or broker, in any text
BEARER = re.compile(r"\b(Bearer|Basic)\s+[A-Za-z0-9._~+/=-]{8,}")


def without_secrets(_logger: Any, _method: str, event: MutableMapping[str, Any]) -> MutableMapping[str, Any]:
    """Passwords of addresses, wherever they stand, and whatever a field named like a secret holds."""
    return {name: HIDDEN if SECRET_FIELDS.search(name) else redacted(value) for name, value in event.items()}


def redacted(value: Any) -> Any:
    """Texts without credentials, also inside lists and mappings."""
    if isinstance(value, str):
        return BEARER.sub(rf"\1 {HIDDEN}", CREDENTIALS.sub(rf"\1{HIDDEN}@", value))
    if isinstance(value, list | tuple):
        return [redacted(item) for item in value]
    if isinstance(value, dict):
        return {name: HIDDEN if SECRET_FIELDS.search(str(name)) else redacted(item) for name, item in value.items()}
    return value


_SHARED: list[Processor] = [
    structlog.contextvars.merge_contextvars,
    structlog.stdlib.add_log_level,
    structlog.processors.TimeStamper(fmt="iso", utc=True),
]


def current_request_id() -> str | None:
    """Of the request that is being answered or the job that is being run; None outside both."""
    found: str | None = structlog.contextvars.get_contextvars().get("request_id")
    return found


def configure_logs() -> None:
    """Send our events and those of the libraries through the same renderer."""
    structlog.configure(
        processors=[*_SHARED, structlog.stdlib.ProcessorFormatter.wrap_for_formatter],
        logger_factory=structlog.stdlib.LoggerFactory(),
        cache_logger_on_first_use=True,
    )
    handler = logging.StreamHandler(sys.stderr)
    renderers: list[Processor] = [
        structlog.stdlib.ProcessorFormatter.remove_processors_meta,
        structlog.processors.format_exc_info,
        without_secrets,
        structlog.processors.JSONRenderer(),
    ]
    handler.setFormatter(structlog.stdlib.ProcessorFormatter(foreign_pre_chain=_SHARED, processors=renderers))
    logging.basicConfig(handlers=[handler], level=logging.INFO, force=True)
    for chatty in ("celery", "alembic"):
        logging.getLogger(chatty).setLevel(logging.WARNING)
