"""A web server that receives webhooks, on loopback, plain or by TLS."""

from __future__ import annotations

import socket
import ssl
import threading
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer


@dataclass(frozen=True)
class Received:
    """One request as it came; header names in lower case."""

    method: str
    path: str
    headers: dict[str, str]
    body: str


@dataclass(eq=False)
class Receiver:
    """What came in, and what will be answered: statuses in turn, the last of them for ever."""

    statuses: list[int] = field(default_factory=lambda: [204])
    headers: Mapping[str, str] = field(default_factory=dict)
    answer_bytes: int = 0
    received: list[Received] = field(default_factory=list)
    url: str = ""
    port: int = 0

    def next_status(self) -> int:
        return self.statuses.pop(0) if len(self.statuses) > 1 else self.statuses[0]


def _handler(receiver: Receiver) -> type[BaseHTTPRequestHandler]:
    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            body = self.rfile.read(int(self.headers.get("content-length", "0"))).decode()
            headers = {name.lower(): value for name, value in self.headers.items()}
            receiver.received.append(Received(self.command, self.path, headers, body))
            self.send_response(receiver.next_status())
            for name, value in receiver.headers.items():
                self.send_header(name, value)
            self.send_header("content-length", str(receiver.answer_bytes))
            self.end_headers()
            with suppress(OSError):  # the sender need not read all of it
                self.wfile.write(b"x" * receiver.answer_bytes)

        do_GET = do_POST

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002 - as http.server has it
            """Say nothing."""

    return Handler


@contextmanager
def receiving(tls: ssl.SSLContext | None = None) -> Iterator[Receiver]:
    """A receiver at a port the system chose."""
    receiver = Receiver()
    server = ThreadingHTTPServer(("127.0.0.1", 0), _handler(receiver))
    server.handle_error = lambda *_: None  # type: ignore[method-assign]  # a handshake that is refused is no news
    receiver.port = server.server_port
    receiver.url = f"http://127.0.0.1:{receiver.port}/hook"
    if tls is not None:
        server.socket = tls.wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    yield receiver
    server.shutdown()
    server.server_close()
    thread.join(5)


@contextmanager
def dripping(byte_every_s: float, head: bytes = b"HTTP/1.1 200 OK\r\nX-Slow: ") -> Iterator[int]:
    """A server that goes on behind ``head`` byte by byte and never ends; its port."""
    stopping = threading.Event()
    listening = socket.create_server(("127.0.0.1", 0))

    def drip() -> None:
        with suppress(OSError):
            connection, _ = listening.accept()
            with connection:
                connection.sendall(head)
                while not stopping.is_set():
                    connection.sendall(b"x")
                    time.sleep(byte_every_s)

    thread = threading.Thread(target=drip, daemon=True)
    thread.start()
    yield int(listening.getsockname()[1])
    stopping.set()
    listening.close()
    thread.join(5)
