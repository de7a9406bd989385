"""One TCP connection: how long a client may take over its request, and over reading its answer.

uvicorn closes connections that are idle between requests, but waits for ever for the rest of a request that comes a
byte at a time (seen with uvicorn 0.3x and h11).
"""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from typing import Any

import h11
import structlog
from uvicorn.protocols.http.h11_impl import H11Protocol

log = structlog.get_logger(__name__)


@dataclass(frozen=True, kw_only=True)
class Patience:
    """headers_s: from the connection, or the answer before, to the last header;  the others: without a single byte."""

    headers_s: float = 20.0  # a phone on a bad line needs two
    body_s: float = 60.0  # a scanner's PC that swaps is silent for seconds; tus goes on where it broke off
    answer_s: float = 120.0  # of a client that does not read what it asked for
    look_every_s: float = 5.0


class ImpatientProtocol(H11Protocol):
    """Closes connections that hold a place and send, or read, nothing."""

    patience = Patience()

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        """A client is there."""
        super().connection_made(transport)
        now_s = self.loop.time()
        self._waiting_since_s: float | None = now_s
        self._received_s = self._read_s = now_s
        self._look = self.loop.call_later(self.patience.look_every_s, self._on_look)

    def connection_lost(self, exc: Exception | None) -> None:
        """The client is gone."""
        self._look.cancel()
        super().connection_lost(exc)

    def data_received(self, data: bytes) -> None:
        """Some bytes of a request."""
        self._received_s = self.loop.time()
        super().data_received(data)

    def _on_look(self) -> None:
        reason = self._overdue(self.loop.time())
        if reason is None:
            self._look = self.loop.call_later(self.patience.look_every_s, self._on_look)
        else:
            log.info("connection_closed", reason=reason, client=self.client and self.client[0])
            self.transport.abort()

    def _overdue(self, now_s: float) -> str | None:
        if self.conn.their_state is h11.IDLE:
            self._waiting_since_s = now_s if self._waiting_since_s is None else self._waiting_since_s
            return "headers too slow" if now_s - self._waiting_since_s > self.patience.headers_s else None
        self._waiting_since_s = None
        if self.flow.write_paused:
            return "answer not read" if now_s - self._read_s > self.patience.answer_s else None
        self._read_s = now_s
        if self.conn.their_state is h11.SEND_BODY and not self.flow.read_paused:
            return "body too slow" if now_s - self._received_s > self.patience.body_s else None
        return None


def connection_limits() -> dict[str, Any]:
    """What uvicorn is told: sizes, numbers and times of connections."""
    return {
        "http": ImpatientProtocol,
        "h11_max_incomplete_event_size": 64 * 1024,  # of request line and headers; more is answered 400 at once
        "timeout_keep_alive": 15,  # pages ask every second or two
        "limit_concurrency": 1000,  # 200 pollers, their streams of events, and room; more is answered 503
        "backlog": 512,
        "ws": "none",
    }
