"""Rendering of pages: Jinja2 with everything escaped, and a policy that runs nothing inline."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from shared.texts import shown

FOLDER = Path(__file__).resolve().parent
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "Referrer-Policy": "same-origin",  # under no-referrer a browser posts our own form with "Origin: null"
}
_environment = Environment(
    loader=FileSystemLoader(FOLDER / "templates"),
    autoescape=True,
    undefined=StrictUndefined,
    trim_blocks=True,
    finalize=shown,
)


def page(
    template: str, values: Mapping[str, Any], status: int = 200, headers: Mapping[str, str] | None = None
) -> Response:
    """One page."""
    content = _environment.get_template(template).render(values)
    return HTMLResponse(content, status, {**HEADERS, **(headers or {})})


def sign_in_page(
    request: Request,
    status: int,
    headers: Mapping[str, str] | None = None,
    *,
    fault: str | None = None,
    wanted: str | None = None,
) -> Response:
    """A field for an access key; afterwards the browser goes on to where it wanted."""
    here = "/" if request.url.path == "/sign-in" else request.url.path
    return page("sign_in.html", {"fault": fault, "wanted": wanted or here}, status, headers)


def problem_page(
    _request: Request, problem: Mapping[str, Any], status: int, headers: Mapping[str, str] | None = None
) -> Response:
    """What is wrong and what to do, for someone at a browser."""
    return page("problem.html", {"problem": problem}, status, headers)
