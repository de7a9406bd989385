"""The cookie of a signed-in browser: read by no script, sent by no other site, over https only where there is https."""

from __future__ import annotations

from urllib.parse import urlsplit

from starlette.requests import Request
from starlette.responses import Response

from shared.settings import Settings

PLAIN_NAME = "firstpour"
HTTPS_NAME = (
    "__Host-firstpour"  # a browser takes this name with Secure, path / and no domain only (RFC 6265bis, 4.1.3.2)
)


def session_token(request: Request, settings: Settings) -> str | None:
    """What the browser sent."""
    return request.cookies.get(_name(request, settings))


def set_session(response: Response, request: Request, settings: Settings, token: str, lifetime_s: int) -> None:
    """Have the browser keep a token, an empty one with no lifetime to forget it."""
    response.set_cookie(
        _name(request, settings),
        token,
        max_age=lifetime_s,
        path="/",
        secure=_is_https(request, settings),
        httponly=True,
        samesite="strict",
    )


def _name(request: Request, settings: Settings) -> str:
    return HTTPS_NAME if _is_https(request, settings) else PLAIN_NAME


def _is_https(request: Request, settings: Settings) -> bool:
    """As the browser sees it: behind a proxy only the public address says so."""
    return "https" in {request.url.scheme, urlsplit(settings.public_url).scheme}
