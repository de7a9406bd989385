"""What someone with a share link can reach: one report, its files, its remarks.  Nothing else.

A token that is unknown, expired or revoked gets one and the same answer everywhere.  Headers that
keep the address from leaking are set for all of these paths in :mod:`api.middleware`.
"""

from __future__ import annotations

import time
from pathlib import Path
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request
from starlette.responses import JSONResponse, RedirectResponse, Response

from api.admission import GuardedRoute
from api.forms import read_fields
from api.inspections.reports import attachment_response, report_response
from api.inspections.schemas import inspection_out
from api.inspections.service import attachment_path, report_path
from api.negotiation import prefers_html
from api.pages.rendering import page
from api.pages.service import shown
from api.resources import NeedsResources, Public, Resources
from api.sharing import passphrases, remarks, service
from api.sharing.schemas import RemarkList, remark_out
from api.sharing.service import Guest
from api.sharing.shown import shown_remarks
from api.sharing.words import words_of
from shared.errors import FileSwept, LinkForbids, PassphraseNeeded, PassphraseWrong, TooManyTries

router = APIRouter(route_class=GuardedRoute, prefix="/s", include_in_schema=False, dependencies=[Public])
COOKIE = "firstpour_guest"
POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self' data:; frame-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {"Content-Security-Policy": POLICY}
FRAMED = {"X-Frame-Options": "SAMEORIGIN"}  # the page shows the report inside itself


def invited(token: str, resources: NeedsResources) -> Guest:
    """Whoever has the link, passphrase given or not."""
    with resources.database.reading() as session:
        return service.open_link(session, token)


Invited = Annotated[Guest, Depends(invited)]


def admitted(token: str, guest: Invited, request: Request) -> Guest:
    """Whoever has the link and, if there is one, gave the passphrase."""
    if not _has_passphrase(request, token, guest):
        raise PassphraseNeeded(
            "This link asks for a passphrase.", advice="Open the link itself in a browser and give the passphrase."
        )
    return guest


Admitted = Annotated[Guest, Depends(admitted)]


async def form_fields(request: Request, _guest: Invited) -> dict[str, str]:
    """The fields of a form, read only for whoever has the link."""
    return await read_fields(request)


Fields = Annotated[dict[str, str], Depends(form_fields)]


@router.get("/{token}")
def show_page(token: str, guest: Invited, request: Request, resources: NeedsResources) -> Response:
    """The report with its files and remarks, or the question for the passphrase."""
    if not _has_passphrase(request, token, guest):
        return _ask(token, None, 403)
    service.count_view(resources.database, guest.link)
    return page("guest.html", _page_values(token, guest, resources), headers=HEADERS)


@router.post("/{token}/passphrase")
def give_passphrase(
    token: str, guest: Invited, fields: Fields, request: Request, resources: NeedsResources
) -> Response:
    """A right one is remembered by a cookie for this link alone."""
    try:
        service.try_passphrase(resources.database, guest, fields.get("passphrase", ""))
    except (PassphraseWrong, TooManyTries) as error:
        if not prefers_html(request):
            raise
        return _ask(token, error, 429 if isinstance(error, TooManyTries) else 403)
    answer = RedirectResponse(f"/s/{token}", status_code=303)
    if guest.link.passphrase is not None:
        answer.set_cookie(
            COOKIE,
            passphrases.ticket(guest.link.passphrase, token, time.time()),
            max_age=passphrases.TICKET_S,
            path=f"/s/{token}",
            secure=request.url.scheme == "https" or resources.settings.public_url.startswith("https:"),
            httponly=True,
            samesite="strict",
        )
    return answer


@router.get("/{token}/report.json")
def read_report_json(guest: Admitted, request: Request, resources: NeedsResources) -> Response:
    """The figures."""
    service.count_view(resources.database, guest.link)
    return report_response(_path(guest, resources, "json"), "json", request)


@router.get("/{token}/report.html")
def read_report_html(guest: Admitted, request: Request, resources: NeedsResources) -> Response:
    """The page, for itself or inside ours, which counted already."""
    if request.headers.get("sec-fetch-dest") != "iframe":
        service.count_view(resources.database, guest.link)
    path = _path(guest, resources, "html")
    answer = report_response(path, "html", request, framed_by="'self'")
    answer.headers.update(FRAMED)
    return answer


@router.get("/{token}/files/{name}")
def read_attachment(guest: Admitted, name: str, resources: NeedsResources) -> Response:
    """A file that goes with the report."""
    known = remarks.report_facts(_path(guest, resources, "json")).files
    if name not in dict(known):
        raise service.nothing_here()
    return attachment_response(attachment_path(resources.store, guest.inspection, name))


@router.get("/{token}/remarks")
def read_remarks(guest: Admitted, resources: NeedsResources) -> RemarkList:
    """What was said through this link, and by the shop."""
    with resources.database.reading() as session:
        rows = remarks.list_remarks(session, guest.inspection.id, guest.link.id)
    return RemarkList(inspection_id=guest.inspection.id, items=[remark_out(row) for row in rows])


@router.post("/{token}/remarks")
def add_remark(token: str, guest: Admitted, fields: Fields, request: Request, resources: NeedsResources) -> Response:
    """A remark or sign-off under a name the guest gives; ``curl -d author=.. -d text=..``."""
    words = words_of(fields, guest.link.id)
    _check_allowed(guest, words)
    _path(guest, resources, "json")
    with resources.database.writing() as session:
        row = remarks.add_remark(session, resources.store, guest.inspection, guest, words)
    if prefers_html(request):
        return RedirectResponse(f"/s/{token}#remark-{row.number}", status_code=303)
    return JSONResponse(remark_out(row).model_dump(mode="json"), 201)


def _path(guest: Guest, resources: Resources, kind: str) -> Path:
    """Where the report lies; raises FileSwept in words for a guest, who can neither order nor hold anything."""
    try:
        return report_path(resources.store, guest.inspection, kind)
    except FileSwept as error:
        raise FileSwept(
            f"This report was deleted on {guest.inspection.swept_at:%Y-%m-%d}, at the end of its time.",
            advice="Ask whoever sent you the link whether they kept a copy, or will inspect the piece again.",
        ) from error


def _has_passphrase(request: Request, token: str, guest: Guest) -> bool:
    kept = guest.link.passphrase
    return kept is None or passphrases.is_valid(request.cookies.get(COOKIE), kept, token, time.time())


def _ask(token: str, error: PassphraseWrong | TooManyTries | None, status: int) -> Response:
    wait_s = error.data.get("retry_after_s") if error else None
    headers = {**HEADERS, **({"Retry-After": str(wait_s)} if wait_s else {})}
    return page("guest_passphrase.html", {"base": f"/s/{token}", "error": error}, status, headers)


def _page_values(token: str, guest: Guest, resources: Resources) -> dict[str, Any]:
    facts = remarks.report_facts(_path(guest, resources, "json"))
    with resources.database.reading() as session:
        rows = remarks.list_remarks(session, guest.inspection.id, guest.link.id)
    return {
        "base": f"/s/{token}",
        "one": shown(inspection_out(guest.inspection)),
        "link": guest.link,
        "files": facts.files,
        "places": facts.places,
        "remarks": shown_remarks(rows, facts),
    }


def _check_allowed(guest: Guest, words: remarks.Words) -> None:
    if not (guest.link.may_sign if words.decision else guest.link.may_remark):
        raise LinkForbids(
            f"This link does not allow {'signing off' if words.decision else 'remarks'}.",
            advice="Ask whoever sent you the link for one that does.",
        )
