"""The chain that holds the remarks on an inspection together.

Each entry's SHA-256 covers all it says, its place in the row, the report it was made on and the
SHA-256 of the entry before, so that none can be changed, moved or taken out of the middle unseen.
Entries cut off the end leave no trace in the rest: whoever keeps the last SHA-256 they were
given can ask whether it is still there.
"""

from __future__ import annotations

import hashlib
import hmac
import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass

FIRST = "0" * 64  # stands where the first entry has none before it


@dataclass(frozen=True, kw_only=True)
class Entry:
    """One remark or sign-off as it is hashed.

    number : 1, 2, 3 ... within the inspection;  at : ISO 8601 in UTC, to the microsecond
    decision : of a sign-off, else None;  report_sha256 : of the report.json it was made on
    """

    id: str
    inspection_id: str
    number: int
    link_id: str | None
    author: str
    kind: str
    decision: str | None
    text: str
    place: str | None
    at: str
    report_sha256: str
    previous_sha256: str

    def sha256(self) -> str:
        """SHA-256 (hex) of the entry as JSON with sorted keys, no blanks, everything beyond ASCII escaped."""
        text = json.dumps(asdict(self), sort_keys=True, separators=(",", ":"), ensure_ascii=True)
        return hashlib.sha256(text.encode("ascii")).hexdigest()


@dataclass(frozen=True)
class ChainCheck:
    """How a chain was found.

    entry_count : entries looked at;  broken_number, reason : the first that does not fit, None if all do
    last_sha256 : of the last entry that fits
    """

    entry_count: int
    broken_number: int | None
    reason: str | None
    last_sha256: str

    @property
    def is_whole(self) -> bool:
        """Whether all entries fit."""
        return self.broken_number is None


def check_chain(inspection_id: str, entries: Iterable[tuple[Entry, str]]) -> ChainCheck:
    """Follow a chain from its first entry and name the first that does not fit.

    entries : each with the SHA-256 kept beside it, in their order
    """
    last, count = FIRST, 0
    for count, (entry, kept_sha256) in enumerate(entries, 1):
        reason = _fault(inspection_id, entry, count, last)
        if reason is None and not hmac.compare_digest(entry.sha256().encode(), kept_sha256.encode()):
            reason = "it is not what it was when it was added"
        if reason is not None:
            return ChainCheck(count, count, reason, last)
        last = kept_sha256
    return ChainCheck(count, None, None, last)


def _fault(inspection_id: str, entry: Entry, number: int, last: str) -> str | None:
    if entry.inspection_id != inspection_id:
        return "it belongs to another inspection"
    if entry.number != number:
        return f"entry {number} is missing"
    if entry.previous_sha256 != last:
        return "the entry before it is not the one it followed"
    return None
