"""Remarks as pages show them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from api.sharing.remarks import ReportFacts
from shared.sharing_tables import Decision, Remark

DECISION_WORDS: Mapping[Decision, str] = {
    Decision.ACCEPTED: "accepted",
    Decision.ACCEPTED_WITH_REMARKS: "accepted with remarks",
    Decision.NOT_ACCEPTED: "not accepted",
}


@dataclass(frozen=True)
class ShownRemark:
    """One entry for a template; ``said`` is the decision in words, None for a plain remark."""

    number: int
    author: str
    is_guest: bool
    said: str | None
    text: str
    place: str | None
    at: str
    shown_at: str
    sha256: str


def shown_remarks(rows: Sequence[Remark], facts: ReportFacts) -> list[ShownRemark]:
    """Oldest first."""
    titles = dict(facts.places)
    return [
        ShownRemark(
            number=row.number,
            author=row.author,
            is_guest=row.link_id is not None,
            said=DECISION_WORDS[Decision(row.decision)] if row.decision else None,
            text=row.text,
            place=f"{row.place} {titles.get(row.place, '')}".strip() if row.place else None,
            at=row.at.isoformat(),
            shown_at=f"{row.at:%Y-%m-%d %H:%M} UTC",
            sha256=row.sha256,
        )
        for row in rows
    ]
