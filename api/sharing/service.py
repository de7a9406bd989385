"""Share links in the database: made, listed, revoked by their owner; opened by a guest."""

from __future__ import annotations

import hmac
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from secrets import token_urlsafe

from sqlalchemy import or_, select, update
from sqlalchemy.orm import Session, joinedload

from api.inspections.service import get_inspection, report_path
from api.resources import Caller, Resources
from api.sharing import passphrases
from api.sharing.schemas import LinkIn
from shared import audit
from shared.access import digest_of
from shared.database import Database
from shared.errors import NotFound, PassphraseWrong, TooManyTries
from shared.sharing_tables import ShareLink
from shared.tables import Inspection, new_id, utc_now

TOKEN_BYTES = 32  # 256 bits
NO_DIGEST = "-" * 64  # the digest of no token
FREE_TRIES = 5
FIRST_PAUSE_S = 60
LONGEST_PAUSE_S = 3600  # two dozen tries a day, however long someone guesses


@dataclass(frozen=True)
class NewLink:
    """A link just made; ``token`` is shown once and kept nowhere."""

    row: ShareLink
    token: str

    def __repr__(self) -> str:
        return f"NewLink({self.row.id})"  # never the token: a traceback or a log may show this


@dataclass(frozen=True)
class Guest:
    """Who opened a link: it names the one report there is for them.  Does things, so the audit log knows them."""

    link: ShareLink
    inspection: Inspection
    key_id: str | None = None

    @property
    def name(self) -> str:
        """As the audit log calls them."""
        return f"guest of {self.link.id}"

    @property
    def workspace_id(self) -> str:
        """The workspace of the report."""
        return self.link.workspace_id


def create_link(resources: Resources, caller: Caller, inspection_id: str, wanted: LinkIn) -> NewLink:
    """A link to a finished report; raises NotFound, ReportNotReady, FileSwept.

    The passphrase is hashed before the transaction: slow work must not hold up other writers.
    """
    kept = passphrases.hash_passphrase(wanted.passphrase) if wanted.passphrase else None
    token, now = token_urlsafe(TOKEN_BYTES), utc_now()
    with resources.database.writing() as session:
        inspection = get_inspection(session, caller, inspection_id)
        report_path(resources.store, inspection, "json")
        row = ShareLink(
            id=new_id("link"),
            workspace_id=caller.workspace_id,
            inspection_id=inspection.id,
            token_sha256=digest_of(token),
            passphrase=kept,
            label=wanted.label,
            may_remark=wanted.may_remark,
            may_sign=wanted.may_sign,
            expires_at=now + timedelta(days=wanted.expires_in_days),
            created_by=caller.name,
            created_at=now,
        )
        session.add(row)
        session.flush()
        audit.note(session, caller, "link.created", row.id, inspection_id=inspection.id, label=row.label)
    return NewLink(row, token)


def list_links(session: Session, caller: Caller, inspection_id: str) -> Sequence[ShareLink]:
    """All links to one report, newest first; raises NotFound."""
    inspection = get_inspection(session, caller, inspection_id)
    rows = select(ShareLink).where(ShareLink.inspection_id == inspection.id)
    return session.scalars(rows.order_by(ShareLink.created_at.desc(), ShareLink.id.desc())).all()


def get_link(session: Session, caller: Caller, inspection_id: str, link_id: str) -> ShareLink:
    """One link; raises NotFound."""
    inspection = get_inspection(session, caller, inspection_id)
    row = session.get(ShareLink, link_id)
    if row is None or row.inspection_id != inspection.id:
        raise NotFound(
            f"Inspection {inspection_id} has no link {link_id}.", advice="Take an id from the list of its links."
        )
    return row


def revoke_link(session: Session, caller: Caller, inspection_id: str, link_id: str) -> ShareLink:
    """End a link at once and for good; a second time changes nothing."""
    row = get_link(session, caller, inspection_id, link_id)
    if row.revoked_at is None:
        row.revoked_at = utc_now()
        audit.note(session, caller, "link.revoked", row.id, inspection_id=inspection_id)
    session.flush()
    return row


def open_link(session: Session, token: str) -> Guest:
    """The guest of a token.  Raises one and the same NotFound for tokens unknown, expired and revoked.

    Each takes the same query and the same comparisons.  Finding the row by its digest tells nothing by
    the time it takes: nobody can choose a token by the beginning of its SHA-256.
    """
    digest = digest_of(token)
    query = select(ShareLink, Inspection).join(Inspection, Inspection.id == ShareLink.inspection_id)
    query = query.options(joinedload(Inspection.nominal), joinedload(Inspection.scan))
    found = session.execute(query.where(ShareLink.token_sha256 == digest)).one_or_none()
    kept = found[0].token_sha256 if found else NO_DIGEST
    is_known = hmac.compare_digest(kept.encode(), digest.encode())
    is_live = found is not None and found[0].revoked_at is None and utc_now() < found[0].expires_at
    if not (is_known and is_live) or found is None:
        raise nothing_here()
    return Guest(found[0], found[1])


def nothing_here() -> NotFound:
    """What everyone hears who may see nothing, whatever the reason."""
    return NotFound("There is nothing here.", advice="Ask whoever sent you the link for a new one.")


def count_view(database: Database, link: ShareLink) -> None:
    """Count one opening of the page or the report."""
    values = {"view_count": ShareLink.view_count + 1, "last_viewed_at": utc_now()}
    with database.writing() as session:
        session.execute(update(ShareLink).where(ShareLink.id == link.id).values(values))


def try_passphrase(database: Database, guest: Guest, passphrase: str) -> None:
    """Look at one passphrase; raises PassphraseWrong, TooManyTries.

    The try is counted before it is looked at, so that many at once get no more than many in turn.
    """
    now, kept = utc_now(), guest.link.passphrase
    if kept is None:
        return
    _count_try(database, guest.link.id, now)
    if not passphrases.is_right(passphrase, kept):
        raise PassphraseWrong("That is not the passphrase of this link.", advice="Try again, letter by letter.")
    with database.writing() as session:
        statement = update(ShareLink).where(ShareLink.id == guest.link.id)
        session.execute(statement.values(tries=0, next_try_at=None))


def _count_try(database: Database, link_id: str, now: datetime) -> None:
    is_open = or_(ShareLink.next_try_at.is_(None), ShareLink.next_try_at <= now)
    counted = update(ShareLink).where(ShareLink.id == link_id, is_open).values(tries=ShareLink.tries + 1)
    with database.writing() as session:
        tries = session.execute(counted.returning(ShareLink.tries)).scalar_one_or_none()
        if tries is None:
            until = session.get_one(ShareLink, link_id).next_try_at or now
            raise TooManyTries(
                "Too many wrong passphrases were tried.",
                advice=f"Try again after {until:%H:%M} UTC.",
                retry_after_s=max(1, round((until - now).total_seconds())),
            )
        if tries >= FREE_TRIES:
            pause_s = min(FIRST_PAUSE_S * 2 ** min(tries - FREE_TRIES, 16), LONGEST_PAUSE_S)
            next_try_at = now + timedelta(seconds=pause_s)
            session.execute(update(ShareLink).where(ShareLink.id == link_id).values(next_try_at=next_try_at))
