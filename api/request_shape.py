"""Refuses what no sound client sends before anything looks at it: endless addresses, floods of headers."""

from __future__ import annotations

import re
from urllib.parse import unquote_to_bytes

from starlette.datastructures import Headers
from starlette.requests import Request
from starlette.types import ASGIApp, Receive, Scope, Send

from api.problems import problem_of, render
from shared.errors import FirstpourError, HeadersTooLarge, RangeRefused, RequestInvalid, UriTooLong

URI_LIMIT_BYTES = 8192  # RFC 9110, 4.1 recommends 8,000 octets at least
HEADER_LIMIT_COUNT = 100
HEADER_LIMIT_BYTES = 32 * 1024  # cookies and the metadata of tus are 8 kB each at most
NAMED_BY_TEXT = frozenset({"/v1/uploads"})  # whose query holds a file's name, which is cleaned and shown, never used
CONTROLS = re.compile(rb"[\x00-\x1f\x7f]")  # a database refuses some, a log shows others wrongly
RANGES_MANY = re.compile(r"^\s*bytes\s*=.*,", re.IGNORECASE)


class RequestShape:
    """Outside of everything that reads an address or a header."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        refusal = _refusal(scope) if scope["type"] == "http" else None
        if refusal is None:
            await self._app(scope, receive, send)
            return
        response = render(Request(scope, receive), problem_of(refusal, scope.get("firstpour_request_id")))
        await response(scope, receive, send)


def _refusal(scope: Scope) -> FirstpourError | None:
    address = scope.get("raw_path", scope["path"].encode()) + b"?" + scope.get("query_string", b"")
    headers: list[tuple[bytes, bytes]] = scope["headers"]
    if len(address) > URI_LIMIT_BYTES:
        return UriTooLong(
            f"The address has {len(address)} bytes; the limit is {URI_LIMIT_BYTES}.",
            advice="Send long values in the body.",
            limit_bytes=URI_LIMIT_BYTES,
        )
    size_bytes = sum(len(name) + len(value) for name, value in headers)
    if len(headers) > HEADER_LIMIT_COUNT or size_bytes > HEADER_LIMIT_BYTES:
        return HeadersTooLarge(
            f"The request has {len(headers)} headers of {size_bytes} bytes.",
            advice=f"At most {HEADER_LIMIT_COUNT} headers of {HEADER_LIMIT_BYTES} bytes together are read.",
        )
    named = scope["path"].encode() if scope["path"] in NAMED_BY_TEXT else address
    if not _is_plain(named):
        return RequestInvalid("The address holds control characters or is no UTF-8.", advice="See /v1/openapi.json.")
    sent = Headers(scope=scope)
    if "content-length" in sent and "transfer-encoding" in sent:  # RFC 9112, 6.1: a way to smuggle a second request
        return RequestInvalid("The body has two lengths.", advice="Send Content-Length or Transfer-Encoding, not both.")
    if RANGES_MANY.match(sent.get("range", "")):
        return RangeRefused("Only one range is sent at a time.", advice="Ask for each range by itself.")
    return None


def _is_plain(address: bytes) -> bool:
    decoded = unquote_to_bytes(address.replace(b"+", b" "))
    try:
        decoded.decode("utf-8")
    except UnicodeDecodeError:
        return False
    return CONTROLS.search(decoded) is None
