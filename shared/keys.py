"""Workspaces and access keys in the database: made, found, rotated, revoked; by the service and by the command."""

from __future__ import annotations

import hmac
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy import select
from sqlalchemy.orm import Session

from shared import audit
from shared.access import NewSecret, Scope, digest_of, new_secret, prefix_of
from shared.errors import Conflict, NotFound
from shared.tables import ApiKey, BrowserSession, KeyRate, Workspace, new_id, utc_now

DAY = timedelta(days=1)
NOBODYS_DIGEST = "0" * 64  # compared where there is no key, so that both cases do the same work


@dataclass(frozen=True, kw_only=True)
class KeyTerms:
    """What a key is made for.

    expires_at : None for a key that holds until it is revoked
    """

    name: str
    scopes: frozenset[Scope]
    expires_at: datetime | None = None
    rate_per_minute: int = (
        600  # ten a second; a person's page makes one now and then, a program that follows jobs a few
    )
    open_jobs_limit: int = 200  # a night's work of one machine at some minutes a job
    stored_bytes_limit: int = 200 * 1024**3  # some 400 scans of 20 million points


@dataclass(frozen=True)
class IssuedKey:
    """A key and, this once, its text."""

    row: ApiKey
    secret: NewSecret


def create_workspace(session: Session, name: str) -> Workspace:
    """A new workspace; raises Conflict if one has that name."""
    if session.scalar(select(Workspace).where(Workspace.name == name)) is not None:
        raise Conflict(f"There is a workspace named {name!r} already.", advice="Choose another name.", name=name)
    workspace = Workspace(id=new_id("ws"), name=name)
    session.add(workspace)
    session.flush()
    return workspace


def list_workspaces(session: Session) -> Sequence[Workspace]:
    """All, oldest first."""
    return session.scalars(select(Workspace).order_by(Workspace.created_at, Workspace.id)).all()


def find_workspace(session: Session, name_or_id: str) -> Workspace:
    """The workspace of that id or name; raises NotFound."""
    wanted = select(Workspace).where((Workspace.id == name_or_id) | (Workspace.name == name_or_id))
    workspace = session.scalars(wanted).first()
    if workspace is None:
        raise NotFound(f"There is no workspace {name_or_id}.", advice="See 'firstpour workspace list'.", id=name_or_id)
    return workspace


def create_key(session: Session, who: audit.Actor, terms: KeyTerms) -> IssuedKey:
    """A new key for the workspace of ``who``."""
    key_id = new_id("key")
    issued = _issue(session, who, terms, key_id, key_id)
    session.add(KeyRate(family_id=key_id, spent_until_us=0))
    audit.note(session, who, "key.created", key_id, name=terms.name, scopes=sorted(terms.scopes))
    session.flush()
    return issued


def get_key(session: Session, who: audit.Actor, key_id: str) -> ApiKey:
    """One key of the workspace of ``who``; raises NotFound."""
    row = session.get(ApiKey, key_id)
    if row is None or row.workspace_id != who.workspace_id:
        raise NotFound(f"There is no key {key_id}.", advice="See the list of keys.", id=key_id)
    return row


def rotate_key(session: Session, who: audit.Actor, key_id: str, overlap: timedelta = DAY) -> IssuedKey:
    """A key in place of another, which goes on working until ``overlap`` is over; raises NotFound, Conflict.

    The new one has the same terms, and as long to live as the old one was given.
    """
    old, now = get_key(session, who, key_id), utc_now()
    session.refresh(old, with_for_update=True)  # of two at once, one replaces it
    if not is_live(old, now) or old.replaced_by is not None:
        raise Conflict(
            f"Key {key_id} is not in use any more, or was replaced already.",
            advice="Rotate the key that replaced it, or create a new one.",
            replaced_by=old.replaced_by,
        )
    lifetime = None if old.expires_at is None else old.expires_at - old.created_at
    terms = KeyTerms(
        name=old.name,
        scopes=frozenset(map(Scope, old.scopes)),
        expires_at=None if lifetime is None else now + lifetime,
        rate_per_minute=old.rate_per_minute,
        open_jobs_limit=old.open_jobs_limit,
        stored_bytes_limit=old.stored_bytes_limit,
    )
    issued = _issue(session, who, terms, new_id("key"), old.family_id)
    end = now + overlap
    old.expires_at = end if old.expires_at is None else min(end, old.expires_at)
    old.replaced_by = issued.row.id
    audit.note(session, who, "key.rotated", key_id, replaced_by=issued.row.id, until=old.expires_at.isoformat())
    session.flush()
    return issued


def revoke_key(session: Session, who: audit.Actor, key_id: str) -> ApiKey:
    """End a key at once, and the browsers signed in with it; a second time changes nothing.  Raises NotFound."""
    row = get_key(session, who, key_id)
    if row.revoked_at is None:
        row.revoked_at = utc_now()
        audit.note(session, who, "key.revoked", key_id, name=row.name)
        session.flush()
    return row


def find_key(session: Session, text: str) -> ApiKey | None:
    """The key a caller holds, if it is one of ours and in use.

    It is looked up by its public part, and the hashes are compared in constant time whether or not
    there is such a key.
    """
    row = session.scalar(select(ApiKey).where(ApiKey.prefix == (prefix_of(text) or "")))
    is_right = hmac.compare_digest(row.secret_sha256 if row else NOBODYS_DIGEST, digest_of(text))
    return row if row is not None and is_right and is_live(row, utc_now()) else None


def find_session(session: Session, token: str) -> ApiKey | None:
    """The key a browser signed in with, if both are still good."""
    found = session.get(BrowserSession, digest_of(token))
    row = session.get(ApiKey, found.key_id) if found is not None and found.expires_at > utc_now() else None
    return row if row is not None and is_live(row, utc_now()) else None


def is_live(row: ApiKey, now: datetime) -> bool:
    """Neither revoked nor expired."""
    return row.revoked_at is None and (row.expires_at is None or row.expires_at > now)


def _issue(session: Session, who: audit.Actor, terms: KeyTerms, key_id: str, family_id: str) -> IssuedKey:
    secret = new_secret()
    row = ApiKey(
        id=key_id,
        workspace_id=who.workspace_id,
        family_id=family_id,
        name=terms.name,
        prefix=secret.prefix,
        secret_sha256=secret.sha256,
        scopes=sorted(terms.scopes),
        rate_per_minute=terms.rate_per_minute,
        open_jobs_limit=terms.open_jobs_limit,
        stored_bytes_limit=terms.stored_bytes_limit,
        expires_at=terms.expires_at,
        created_at=utc_now(),
    )
    session.add(row)
    session.flush()
    return IssuedKey(row, secret)
