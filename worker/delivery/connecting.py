"""Connections to a subscriber: the name is looked up once, checked, and that very address connected to.

A name that answers with a public address when it is checked and with a private one when it is
connected to (DNS rebinding) gains nothing: there is no second look-up.  TLS and the Host header
still go by the name.
"""

from __future__ import annotations

import socket
import ssl
import time
from collections.abc import Callable, Iterable
from typing import Any

import httpcore

from shared.addresses import AddressRules, Destination

Resolve = Callable[[str, int], list[str]]
OUT_OF_TIME = "the time allowed for one attempt is over"


def resolve(host: str, port: int) -> list[str]:
    """Every address a name stands for, in the system's order; raises OSError."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(place[0]) for *_, place in found))


class GuardedBackend(httpcore.NetworkBackend):
    """Connects to checked addresses only, and lets nothing take longer than until ``deadline_s`` (monotonic)."""

    def __init__(self, rules: AddressRules, destination: Destination, look_up: Resolve, deadline_s: float) -> None:
        self._rules, self._destination, self._look_up = rules, destination, look_up
        self._deadline_s = deadline_s
        self._plain = httpcore.SyncBackend()

    def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[Any] | None = None,
    ) -> httpcore.NetworkStream:
        """Connect; raises UrlRefused, httpcore.ConnectError, httpcore.ConnectTimeout."""
        if (host, port) != (self._destination.host, self._destination.port):
            raise httpcore.ConnectError(f"{host}:{port} is not where this message goes")
        addresses = self._addresses()
        self._rules.check_resolved(self._destination, addresses)
        fault: Exception = httpcore.ConnectError("the name stands for no address")
        for address in addresses:
            allowed_s = _allowed_s(self._deadline_s, timeout, httpcore.ConnectTimeout)
            try:
                stream = self._plain.connect_tcp(address, port, allowed_s, local_address, socket_options)
            except (httpcore.ConnectError, httpcore.ConnectTimeout) as error:
                fault = error
            else:
                return TimedStream(stream, self._deadline_s)
        raise fault

    def _addresses(self) -> list[str]:
        try:
            return self._look_up(self._destination.host, self._destination.port)
        except (OSError, UnicodeError) as error:  # the latter for labels no name can have
            raise httpcore.ConnectError("the name cannot be found") from error


class TimedStream(httpcore.NetworkStream):
    """A stream that ends at a deadline, however little comes how often."""

    def __init__(self, inner: httpcore.NetworkStream, deadline_s: float) -> None:
        self._inner, self._deadline_s = inner, deadline_s

    def read(self, max_bytes: int, timeout: float | None = None) -> bytes:
        """Read what is there; raises httpcore.ReadTimeout."""
        return self._inner.read(max_bytes, _allowed_s(self._deadline_s, timeout, httpcore.ReadTimeout))

    def write(self, buffer: bytes, timeout: float | None = None) -> None:
        """Write all; raises httpcore.WriteTimeout."""
        self._inner.write(buffer, _allowed_s(self._deadline_s, timeout, httpcore.WriteTimeout))

    def close(self) -> None:
        """Close."""
        self._inner.close()

    def start_tls(
        self, ssl_context: ssl.SSLContext, server_hostname: str | None = None, timeout: float | None = None
    ) -> httpcore.NetworkStream:
        """The same, encrypted; raises httpcore.ConnectTimeout, httpcore.ConnectError."""
        allowed_s = _allowed_s(self._deadline_s, timeout, httpcore.ConnectTimeout)
        return TimedStream(self._inner.start_tls(ssl_context, server_hostname, allowed_s), self._deadline_s)

    def get_extra_info(self, info: str) -> Any:
        """What the stream knows of itself."""
        return self._inner.get_extra_info(info)


def _allowed_s(deadline_s: float, timeout_s: float | None, late: type[Exception]) -> float:
    left_s = deadline_s - time.monotonic()
    if left_s <= 0:
        raise late(OUT_OF_TIME)
    return left_s if timeout_s is None else min(timeout_s, left_s)
