"""One attempt to hand a message to its receiver."""

from __future__ import annotations

import ssl
import time
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from email.utils import parsedate_to_datetime

import httpcore

from shared.addresses import AddressRules
from shared.errors import UrlRefused
from shared.tables import utc_now
from worker.delivery.connecting import GuardedBackend, Resolve, resolve

ATTEMPT_S = 15.0  # all in all; Standard Webhooks 1.0.0, "Request timeouts": 15 to 30 s
ANSWER_LIMIT_BYTES = 64 * 1024  # read for politeness; nothing of it is kept
GONE = 410  # Standard Webhooks 1.0.0: the receiver wants no more
FAULTS: Mapping[type[Exception], str] = {
    httpcore.TimeoutException: "no answer in time",
    httpcore.ConnectError: "cannot be connected to",
    httpcore.NetworkError: "the connection broke",
    httpcore.ProtocolError: "the answer is not HTTP",
}


@dataclass(frozen=True)
class Answer:
    """What came of an attempt: a status, or an error and none.

    retry_after_s : what the receiver asked for, None if nothing
    """

    status: int | None
    error: str | None = None
    retry_after_s: float | None = None

    @property
    def is_success(self) -> bool:
        """Any 2xx; a redirect is none."""
        return self.status is not None and 200 <= self.status < 300

    @property
    def is_gone(self) -> bool:
        """Whether the receiver wants to be told no more."""
        return self.status == GONE


class Poster:
    """Posts messages: guarded addresses, no redirects, no proxies, one deadline for everything."""

    def __init__(
        self,
        rules: AddressRules,
        look_up: Resolve = resolve,
        tls: ssl.SSLContext | None = None,
        attempt_s: float = ATTEMPT_S,
    ) -> None:
        self._rules, self._look_up, self._attempt_s = rules, look_up, attempt_s
        self._tls = tls or ssl.create_default_context()

    def post(self, url: str, headers: Mapping[str, str], body: str) -> Answer:
        """Try once; whatever goes wrong is the answer."""
        try:
            return self._post(url, {"content-type": "application/json", "user-agent": "Firstpour", **headers}, body)
        except UrlRefused as error:
            return Answer(None, error.message)
        except tuple(FAULTS) as error:
            return Answer(None, next(words for kind, words in FAULTS.items() if isinstance(error, kind)))

    def _post(self, url: str, headers: Mapping[str, str], body: str) -> Answer:
        destination = self._rules.check_url(url)
        deadline_s = time.monotonic() + self._attempt_s
        backend = GuardedBackend(self._rules, destination, self._look_up, deadline_s)
        sent = list(headers.items())
        with (
            httpcore.ConnectionPool(ssl_context=self._tls, network_backend=backend, max_connections=1) as pool,
            pool.stream("POST", url, headers=sent, content=body.encode()) as answer,
        ):
            known = {name.lower(): value for name, value in answer.headers}
            _read_some(answer)
            return Answer(answer.status, retry_after_s=_retry_after_s(known.get(b"retry-after"), utc_now()))


def _read_some(answer: httpcore.Response) -> None:
    """The answer counts once its head is there: a body that breaks off or does not end changes nothing."""
    read_bytes = 0
    try:
        for chunk in answer.iter_stream():
            read_bytes += len(chunk)
            if read_bytes > ANSWER_LIMIT_BYTES:
                return
    except tuple(FAULTS):
        return


def _retry_after_s(value: bytes | None, now: datetime) -> float | None:
    """Seconds from a Retry-After header (RFC 9110, 10.2.3): a number or a date."""
    text = (value or b"").decode("latin-1").strip()
    if text.isascii() and text.isdigit():
        return float(text[:9])
    try:
        return max(0.0, (parsedate_to_datetime(text) - now).total_seconds())
    except (ValueError, TypeError):  # no date, or one without a zone
        return None
