"""Remarks and sign-offs in the database: added to the chain of their inspection, read, checked."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from functools import lru_cache
from pathlib import Path, PurePosixPath
from typing import Any

from sqlalchemy import Select, select
from sqlalchemy.orm import Session

from api.inspections.service import report_path
from api.sharing.schemas import ChainOut
from api.sharing.texts import name_of, remark_of
from shared import audit
from shared.errors import Conflict, RequestInvalid
from shared.filestore import FileStore
from shared.outbox import tell_remark
from shared.remark_chain import FIRST, check_chain
from shared.sharing_tables import Decision, Remark, RemarkKind
from shared.tables import Inspection, new_id, utc_now

REMARK_LIMIT = 1000  # of one inspection: beyond that someone is playing
SAME_WITHIN = timedelta(minutes=1)  # a second click or a reload is no second remark
REPORTS_KEPT = 64  # a published report never changes


@dataclass(frozen=True, kw_only=True)
class Words:
    """What someone wants to say.  ``decision`` makes it a sign-off; ``place`` is the id of a characteristic."""

    author: str
    text: str
    decision: Decision | None = None
    place: str | None = None
    link_id: str | None = None

    @property
    def kind(self) -> RemarkKind:
        """What it is."""
        return RemarkKind.SIGN_OFF if self.decision else RemarkKind.REMARK


@dataclass(frozen=True)
class ReportFacts:
    """What is needed of a report beside its page: digest of its report.json, ids and titles of what can be pointed at.

    files : names and titles of what goes with it
    """

    sha256: str
    places: tuple[tuple[str, str], ...]
    files: tuple[tuple[str, str], ...]


def add_remark(session: Session, store: FileStore, inspection: Inspection, who: audit.Actor, words: Words) -> Remark:
    """Add an entry; the same words within a minute are the same entry.

    Raises
    ------
    RequestInvalid, Conflict (too many), ReportNotReady, FileSwept

    """
    facts = report_facts(report_path(store, inspection, "json"))
    checked = _checked(words, facts)
    session.get_one(
        Inspection, inspection.id, with_for_update=True
    )  # one at a time on PostgreSQL; SQLite has one writer
    last = session.scalar(_entries(inspection.id).order_by(None).order_by(Remark.number.desc()).limit(1))
    if last is not None and _is_again(last, checked):
        return last
    if last is not None and last.number >= REMARK_LIMIT:
        raise Conflict(f"There are {REMARK_LIMIT} remarks on this report.", advice="Speak to each other.")
    row = _next(inspection, checked, facts, last)
    session.add(row)
    session.flush()
    audit.note(session, who, f"{row.kind}.added", row.id, inspection_id=inspection.id, sha256=row.sha256)
    tell_remark(session, inspection, row)
    return row


def list_remarks(session: Session, inspection_id: str, link_id: str | None = None) -> Sequence[Remark]:
    """All entries, oldest first; for a guest those of the own link and of the shop.

    Suppliers who got a link each do not read each other.
    """
    rows = session.scalars(_entries(inspection_id)).all()
    return rows if link_id is None else [row for row in rows if row.link_id in {None, link_id}]


def check_remarks(session: Session, store: FileStore, inspection: Inspection, known_sha256: str | None) -> ChainOut:
    """Follow the chain; ``known_sha256`` is that of an entry the caller once saw."""
    rows = list_remarks(session, inspection.id)
    found = check_chain(inspection.id, [(row.entry(), row.sha256) for row in rows])
    fitting = rows if found.is_whole else rows[: found.entry_count - 1]
    facts = report_facts(report_path(store, inspection, "json"))
    return ChainOut(
        is_whole=found.is_whole,
        entry_count=len(rows),
        broken_number=found.broken_number,
        reason=found.reason,
        last_sha256=found.last_sha256,
        is_known_there=None if known_sha256 is None else known_sha256 in {row.sha256 for row in fitting},
        is_report_same=all(row.report_sha256 == facts.sha256 for row in rows),
    )


@lru_cache(maxsize=REPORTS_KEPT)
def report_facts(path: Path) -> ReportFacts:
    """Read them once."""
    content = path.read_bytes()
    report: dict[str, list[dict[str, Any]]] = json.loads(content)
    lines, sections = report.get("characteristics", []), report.get("sections", [])
    shown = [one.get("exhibits") or {} for one in (*lines, *sections)]
    files = [file for exhibits in shown for file in exhibits.get("attachments", [])]
    return ReportFacts(
        hashlib.sha256(content).hexdigest(),
        tuple((line["id"], line["title"]) for line in lines),
        tuple((PurePosixPath(file["path"]).name, file["title"]) for file in files),
    )


def _checked(words: Words, facts: ReportFacts) -> Words:
    author, text = name_of(words.author), remark_of(words.text)
    if not author:
        raise RequestInvalid("The remark has no author.", advice="Say who you are.", field="author")
    if not text and words.decision is not Decision.ACCEPTED:
        raise RequestInvalid(
            "The remark has no text.",
            advice="Write what is to be said; only a piece accepted as it is needs no words.",
            field="text",
        )
    if words.place is not None and words.place not in dict(facts.places):
        raise RequestInvalid(
            "The remark points at a characteristic the report does not have.",
            advice="Take an id from the report's characteristics, or none.",
            field="place",
        )
    return Words(author=author, text=text, decision=words.decision, place=words.place, link_id=words.link_id)


def _entries(inspection_id: str) -> Select[Remark]:
    return select(Remark).where(Remark.inspection_id == inspection_id).order_by(Remark.number)


def _is_again(last: Remark, words: Words) -> bool:
    said = (last.author, last.text, last.decision, last.place, last.link_id)
    return said == (words.author, words.text, words.decision, words.place, words.link_id) and (
        utc_now() - last.at < SAME_WITHIN
    )


def _next(inspection: Inspection, words: Words, facts: ReportFacts, last: Remark | None) -> Remark:
    row = Remark(
        id=new_id("rem"),
        inspection_id=inspection.id,
        number=last.number + 1 if last else 1,
        link_id=words.link_id,
        author=words.author,
        kind=words.kind.value,
        decision=words.decision.value if words.decision else None,
        text=words.text,
        place=words.place,
        at=utc_now(),
        report_sha256=facts.sha256,
        previous_sha256=last.sha256 if last else FIRST,
    )
    row.sha256 = row.entry().sha256()
    return row
