"""Slow and rude clients, over real sockets."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from contextlib import suppress
from urllib.parse import urlsplit

import pytest

from api.connections import ImpatientProtocol, Patience
from tests.support.live import Live, live_service

REQUEST = b"GET /v1/health/live HTTP/1.1\r\nHost: 127.0.0.1\r\n"
POST = b"POST /v1/uploads?name=a.step HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 100\r\n\r\n"


class Quick(ImpatientProtocol):
    patience = Patience(headers_s=0.5, body_s=0.5, answer_s=0.5, look_every_s=0.1)


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Live]:
    with live_service(tmp_path_factory.mktemp("live"), Quick) as live:
        yield live


def connected(live: Live) -> socket.socket:
    place = urlsplit(live.url)
    return socket.create_connection((str(place.hostname), place.port or 0), timeout=20)


def rest_of(line: socket.socket) -> bytes:
    """All that comes until the server closes; empty too if it resets the line."""
    got = b""
    try:
        while data := line.recv(65536):
            got += data
    except ConnectionResetError:
        return got
    return got


@pytest.mark.parametrize("sent", [b"", b"GET /v1/hea", REQUEST, REQUEST + b"X-A: b\r\n"])
def test_a_client_that_does_not_end_its_headers_is_let_go(live: Live, sent: bytes) -> None:
    with connected(live) as line:
        line.sendall(sent)
        assert rest_of(line) == b""


def test_a_client_that_sends_a_byte_now_and_then_is_let_go(live: Live) -> None:
    with connected(live) as line:
        line.settimeout(0.1)
        line.sendall(REQUEST)
        with pytest.raises(ConnectionError):
            send_slowly(line, 200)


def send_slowly(line: socket.socket, count: int) -> None:
    """A header line whenever nothing came back for as long as the socket waits."""
    for _ in range(count):
        line.sendall(b"X-A: b\r\n")
        with suppress(TimeoutError):
            if line.recv(10) == b"":
                raise ConnectionResetError


def test_a_body_that_stops_coming_ends_the_line_and_leaves_nothing(live: Live) -> None:
    with connected(live) as line:
        line.sendall(POST + b"x" * 10)
        rest_of(line)
    assert not [path for path in live.service.stored_files() if path.stat().st_size]


def test_a_sound_client_is_not_hurried(live: Live) -> None:
    with connected(live) as line:
        line.sendall(REQUEST + b"Connection: close\r\n\r\n")
        assert rest_of(line).startswith(b"HTTP/1.1 200")


@pytest.mark.parametrize(
    "sent",
    [
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nX-A: " + b"b" * 100_000,
        b"GET / HTTP/9.9\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",  # the beginning of TLS
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\nGET /",
        b"POST / HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: -1\r\n\r\n",
        b"GET / HTTP/1.1\r\nHost: 127.0.0.1\r\nHost: other\r\n\r\n",
        b"\0" * 5000,
    ],
    ids=["long header", "version", "TLS", "two lengths", "negative length", "two hosts", "zeros"],
)
def test_what_is_no_http_is_refused(live: Live, sent: bytes) -> None:
    with connected(live) as line:
        line.sendall(sent)
        answer = rest_of(line)
    assert answer == b"" or answer.split(b"\r\n")[0].split()[1] in {b"400", b"403", b"405", b"422", b"431"}


def test_the_service_goes_on(live: Live) -> None:
    assert live.service.client.get("/v1/health/ready").status_code == 200
