"""Access keys: make, list, rotate, revoke those of the caller's workspace."""

from __future__ import annotations

from fastapi import APIRouter, Response

from api.admission import GuardedRoute
from api.keys import service
from api.keys.schemas import IssuedKeyOut, KeyIn, KeyOut, KeyPage, RotationIn, issued_out, key_out
from api.paging import Cursor, Limit
from api.problems import declared
from api.resources import Admin, NeedsResources
from shared import keys
from shared.errors import Conflict, NotFound, RequestInvalid, RequestTooLarge

router = APIRouter(route_class=GuardedRoute, prefix="/v1/keys", tags=["keys"])


@router.post(
    "",
    status_code=201,
    response_model=IssuedKeyOut,
    summary="Make an access key",
    responses=declared(RequestInvalid, RequestTooLarge),
)
def create_key(wanted: KeyIn, caller: Admin, resources: NeedsResources, response: Response) -> IssuedKeyOut:
    """``key`` in the answer is shown this once.  An Idempotency-Key is not heeded: the answer is kept nowhere."""
    with resources.database.writing() as session:
        made = issued_out(keys.create_key(session, caller, wanted.terms()))
    response.headers["Location"] = made.links.self
    return made


@router.get("", response_model=KeyPage, summary="List access keys", responses=declared(RequestInvalid))
def list_keys(caller: Admin, resources: NeedsResources, limit: Limit = 20, cursor: Cursor = None) -> KeyPage:
    """Newest first, those that are no longer in use included."""
    with resources.database.reading() as session:
        rows, following = service.list_keys(session, caller, limit, cursor)
        return KeyPage(items=[key_out(row) for row in rows], next_cursor=following)


@router.get("/{key_id}", response_model=KeyOut, summary="Read an access key", responses=declared(NotFound))
def read_key(key_id: str, caller: Admin, resources: NeedsResources) -> KeyOut:
    """What it may do, and when it was last used."""
    with resources.database.reading() as session:
        return key_out(keys.get_key(session, caller, key_id))


@router.post(
    "/{key_id}/rotate",
    status_code=201,
    response_model=IssuedKeyOut,
    summary="Replace an access key",
    responses=declared(NotFound, Conflict, RequestInvalid, RequestTooLarge),
)
def rotate_key(
    key_id: str, wanted: RotationIn, caller: Admin, resources: NeedsResources, response: Response
) -> IssuedKeyOut:
    """A new key on the same terms; the old one works until the overlap is over.  Their rate and quotas are one."""
    with resources.database.writing() as session:
        made = issued_out(keys.rotate_key(session, caller, key_id, wanted.overlap))
    response.headers["Location"] = made.links.self
    return made


@router.post("/{key_id}/revoke", response_model=KeyOut, summary="Revoke an access key", responses=declared(NotFound))
def revoke_key(key_id: str, caller: Admin, resources: NeedsResources) -> KeyOut:
    """It ends at once, as do the browsers signed in with it."""
    with resources.database.writing() as session:
        return key_out(keys.revoke_key(session, caller, key_id))
