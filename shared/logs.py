"""Logs as JSON, one event a line on stderr: an event name and fields."""

from __future__ import annotations

import logging
import sys

import structlog
from structlog.typing import Processor

_SHARED: list[Processor] = [
    structlog.contextvars.merge_contextvars,
    structlog.stdlib.add_log_level,
    structlog.processors.TimeStamper(fmt="iso", utc=True),
]


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
        structlog.processors.JSONRenderer(),
    ]
    handler.setFormatter(structlog.stdlib.ProcessorFormatter(foreign_pre_chain=_SHARED, processors=renderers))
    logging.basicConfig(handlers=[handler], level=logging.INFO, force=True)
    for chatty in ("celery", "alembic"):
        logging.getLogger(chatty).setLevel(logging.WARNING)
