"""The HTTP service on a port of its own, for what only a real connection shows."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import httpx
import uvicorn

from api.app import create_app
from api.connections import ImpatientProtocol, connection_limits
from api.server import Server
from shared.settings import Settings
from tests.support.service import FakeSender, Service

START_TIMEOUT_S = 20
GRACE_S = 30  # what open streams would hold a server up for if nobody told them to end


@dataclass(frozen=True)
class Live:
    """A running server and what lies behind it."""

    url: str
    server: Server
    service: Service
    thread: threading.Thread

    def stop(self, timeout_s: float = GRACE_S) -> bool:
        """Ask it to stop as a signal does; whether it did in time."""
        self.server.handle_exit(2, None)
        self.thread.join(timeout_s)
        return not self.thread.is_alive()


@contextmanager
def live_service(
    folder: Path, protocol: type[ImpatientProtocol] = ImpatientProtocol, **settings: Any
) -> Iterator[Live]:
    """The service on loopback, at a port the system chose."""
    sender = FakeSender()
    app = create_app(Settings(data_dir=folder, **settings), sender)
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    url = f"http://127.0.0.1:{listening.getsockname()[1]}"
    options = {**connection_limits(), "http": protocol, "timeout_graceful_shutdown": GRACE_S}
    config = uvicorn.Config(app, log_config=None, access_log=False, **options)
    server = Server(config, app.state.resources)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    deadline_s = time.monotonic() + START_TIMEOUT_S
    while not server.started and time.monotonic() < deadline_s:
        time.sleep(0.01)
    with httpx.Client(base_url=url, timeout=30) as client:
        live = Live(url, server, Service(app, client, sender, folder), thread)
        yield live
    live.stop()
    listening.close()
