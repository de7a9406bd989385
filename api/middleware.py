"""What happens around every request: an id, limits, guards, headers, counting."""

from __future__ import annotations

import re
import time
from secrets import token_hex
from urllib.parse import urlsplit

import structlog
from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import ClientDisconnect, Request
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from api.metrics import Metrics
from api.problems import internal_problem, problem_of, render
from api.sharing import privacy
from shared.errors import FirstpourError, RequestForbidden, RequestTooLarge
from shared.settings import Settings

log = structlog.get_logger(__name__)
# These stream their body to the disk and hold it against upload_limit_bytes themselves.
STREAMED = re.compile(r"POST /v1/uploads|(POST|PATCH) /v1/uploads/tus(/.*)?|POST /v1/inspections/form")
CUT_OFF = 499  # the caller went away before there was an answer; as many servers log it
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
LOOPBACK_NAMES = frozenset({"127.0.0.1", "localhost", "::1"})
QUIET_PATHS = ("/v1/health/", "/metrics", "/static/")
SECURITY_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "X-Frame-Options": "DENY",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
    "Content-Security-Policy": "default-src 'none'; frame-ancestors 'none'",
    "Cache-Control": "private, no-store",
}


MORE_HEADERS = "firstpour_headers"


def more_headers(request: Request) -> dict[str, str]:
    """Headers to be put on the answer to this request, whatever it will be."""
    found: dict[str, str] = request.scope[MORE_HEADERS]
    return found


class RequestContext:
    """Outermost: request id, log line, metrics, and security headers that an answer may replace."""

    def __init__(self, app: ASGIApp, metrics: Metrics) -> None:
        self._app, self._metrics = app, metrics

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        started_s, request_id, status = time.perf_counter(), token_hex(8), 0
        scope["firstpour_request_id"] = request_id
        more: dict[str, str] = {}
        scope[MORE_HEADERS] = more
        structlog.contextvars.bind_contextvars(request_id=request_id)

        async def send_with_headers(message: Message) -> None:
            nonlocal status
            if message["type"] == "http.response.start":
                status = message["status"]
                headers = MutableHeaders(scope=message)
                headers["X-Request-Id"] = request_id
                headers.update(more)
                for name, value in SECURITY_HEADERS.items():
                    headers.setdefault(name, value)
                if privacy.is_guest_path(scope["path"]):
                    headers.update(privacy.HEADERS)
            await send(message)

        try:
            await self._app(scope, receive, send_with_headers)
        except ClientDisconnect:
            log.info("caller_left", path=_shown_path(scope))
        except Exception:  # the one place where a fault of ours becomes an answer
            if status:  # an answer is under way and can only be cut off
                raise
            log.exception("request_failed")
            await internal_problem(Request(scope, receive))(scope, receive, send_with_headers)
        finally:
            self._count(scope, status or CUT_OFF, time.perf_counter() - started_s)
            structlog.contextvars.unbind_contextvars("request_id", "key_id")

    def _count(self, scope: Scope, status: int, duration_s: float) -> None:
        method, route = scope["method"], _route_template(scope)
        self._metrics.requests.labels(method, route, status).inc()
        self._metrics.durations_s.labels(method, route).observe(duration_s)
        if not scope["path"].startswith(QUIET_PATHS):
            log.info("request", method=method, path=_shown_path(scope), status=status, duration_s=round(duration_s, 4))


class Guard:
    """Refuses other sites' pages and strange host names.

    A page of any site can make a browser post to a loopback address, and with a name that resolves
    there (DNS rebinding) read the answer.  As long as there are no keys, this is the fence.
    """

    def __init__(self, app: ASGIApp, settings: Settings) -> None:
        self._app = app
        public = urlsplit(settings.public_url).hostname
        self._names = LOOPBACK_NAMES | ({public} if public else set())

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        refusal = self._refusal(scope) if scope["type"] == "http" else None
        if refusal is None:
            await self._app(scope, receive, send)
        else:
            await _answer(refusal, scope, receive, send)

    def _refusal(self, scope: Scope) -> RequestForbidden | None:
        headers = Headers(scope=scope)
        name = urlsplit(f"//{headers.get('host', '')}").hostname
        if name not in self._names:
            return RequestForbidden(
                f"This server does not go by the name {name!r}.",
                advice="Use its own address, or set FIRSTPOUR_PUBLIC_URL to the address callers use.",
            )
        if scope["method"] in SAFE_METHODS:
            return None
        if self._is_from_us(headers, scope["path"]):
            return None
        return RequestForbidden("A page of another site sent this.", advice="Send it from our own pages or a program.")

    def _is_from_us(self, headers: Headers, path: str) -> bool:
        """Browsers say what kind of site sent it (Fetch Metadata); older ones its origin; programs neither.

        A guest's page sends no referrer, and so "Origin: null" where Fetch Metadata is not sent; another site
        cannot forge what it sends, for want of the token.
        """
        site, origin = headers.get("sec-fetch-site"), headers.get("origin")
        if site is not None:
            return site in {"same-origin", "none"}
        if origin == "null" and privacy.is_guest_path(path):
            return True
        return origin is None or urlsplit(origin).hostname in self._names


class BodyLimit:
    """Small bodies only, announced or not, except where files are streamed."""

    def __init__(self, app: ASGIApp, limit_bytes: int) -> None:
        self._app, self._limit_bytes = app, limit_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Handle one request."""
        if scope["type"] != "http" or STREAMED.fullmatch(f"{scope['method']} {scope['path']}"):
            await self._app(scope, receive, send)
            return
        announced = Headers(scope=scope).get("content-length", "0")
        if announced.isdigit() and int(announced) > self._limit_bytes:
            await _answer(self._too_large(), scope, receive, send)
            return
        received_bytes = 0

        async def receive_limited() -> Message:
            nonlocal received_bytes
            message = await receive()
            received_bytes += len(message.get("body", b""))
            if received_bytes > self._limit_bytes:
                raise self._too_large()
            return message

        await self._app(scope, receive_limited, send)

    def _too_large(self) -> RequestTooLarge:
        return RequestTooLarge(
            f"The body of this request may have {self._limit_bytes} bytes.",
            advice="Send files to /v1/uploads and refer to them by id.",
            limit_bytes=self._limit_bytes,
        )


async def _answer(error: FirstpourError, scope: Scope, receive: Receive, send: Send) -> None:
    response = render(Request(scope, receive), problem_of(error, scope["firstpour_request_id"]))
    await response(scope, receive, send)


def _shown_path(scope: Scope) -> str:
    """The path for the log, without the secret of a share link."""
    path: str = scope["path"]
    return _route_template(scope) if privacy.is_guest_path(path) else path


def _route_template(scope: Scope) -> str:
    """Template of the route, never the path itself: ids would make a series each."""
    route = scope.get("route")
    return getattr(route, "path", None) or "unmatched"
