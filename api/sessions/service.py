"""Signing in and out, in the database."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import timedelta
from secrets import token_urlsafe

from sqlalchemy import delete
from sqlalchemy.orm import Session

from api.admission import caller_with
from shared import audit
from shared.access import SECRET_BYTES, digest_of
from shared.keys import find_key
from shared.tables import ApiKey, BrowserSession, utc_now

LIFETIME = timedelta(hours=12)  # a working day; next morning the key is pasted again


@dataclass(frozen=True)
class SignedIn:
    """The token, for the cookie and kept nowhere else, and for how long it is good."""

    token: str
    lifetime_s: int


def sign_in(session: Session, key_text: str) -> SignedIn | None:
    """A session for whoever holds this key; None if it is no valid one."""
    key = find_key(session, key_text.strip())
    if key is None:
        return None
    token, now = token_urlsafe(SECRET_BYTES), utc_now()
    end = now + LIFETIME if key.expires_at is None else min(now + LIFETIME, key.expires_at)
    session.add(BrowserSession(token_sha256=digest_of(token), key_id=key.id, created_at=now, expires_at=end))
    audit.note(session, caller_with(key), "session.signed_in", key.id)
    return SignedIn(token, math.floor((end - now).total_seconds()))


def sign_out(session: Session, token: str) -> None:
    """End a session; one that is not there has ended."""
    found = session.get(BrowserSession, digest_of(token))
    if found is not None:
        session.delete(found)
        audit.note(session, caller_with(session.get_one(ApiKey, found.key_id)), "session.signed_out", found.key_id)


def forget_ended_sessions(session: Session) -> None:
    """Drop those whose time is over."""
    session.execute(delete(BrowserSession).where(BrowserSession.expires_at < utc_now()))
