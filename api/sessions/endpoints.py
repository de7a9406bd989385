"""The sign-in page: paste a key, get a cookie.  The guard has refused what a page of another site sends."""

from __future__ import annotations

import re
from urllib.parse import parse_qs

import structlog
from fastapi import APIRouter, Request
from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse, Response

from api.admission import GuardedRoute
from api.pages.rendering import sign_in_page
from api.resources import NeedsResources, Public, Resources
from api.sessions import service
from api.sessions.cookies import session_token, set_session
from shared.access import AccessMode

log = structlog.get_logger(__name__)
router = APIRouter(route_class=GuardedRoute, include_in_schema=False, dependencies=[Public])
OWN_PATH = re.compile(r"/([A-Za-z0-9_.~-][\w./?=&%~-]*)?", re.ASCII)  # never //host, /\host or a scheme
WRONG = "That is no valid access key."
HOME = "/"


@router.get("/sign-in")
def show_sign_in(request: Request, resources: NeedsResources) -> Response:
    """A field for the key; where no keys are used there is nothing to sign in to."""
    if resources.settings.access == AccessMode.OPEN:
        return RedirectResponse(HOME, status_code=303)
    return sign_in_page(request, 200)


@router.post("/sign-in")
async def sign_in(request: Request, resources: NeedsResources) -> Response:
    """Take the key, give the cookie, go where the browser wanted to."""
    fields = parse_qs((await request.body()).decode("utf-8", "replace"))
    key_text, wanted = fields.get("key", [""])[0], fields.get("next", [HOME])[0]
    signed_in = await run_in_threadpool(_sign_in, resources, key_text)
    if signed_in is None:
        log.info("sign_in_refused")
        return sign_in_page(request, 401, fault=WRONG, wanted=wanted)
    answer = RedirectResponse(wanted if OWN_PATH.fullmatch(wanted) else HOME, status_code=303)
    set_session(answer, request, resources.settings, signed_in.token, signed_in.lifetime_s)
    return answer


@router.post("/sign-out")
def sign_out(request: Request, resources: NeedsResources) -> Response:
    """Forget the session, here and in the browser."""
    token = session_token(request, resources.settings)
    if token is not None:
        with resources.database.writing() as session:
            service.sign_out(session, token)
    answer = RedirectResponse("/sign-in", status_code=303)
    set_session(answer, request, resources.settings, "", 0)
    return answer


def _sign_in(resources: Resources, key_text: str) -> service.SignedIn | None:
    with resources.database.writing() as session:
        return service.sign_in(session, key_text)
