"""What a form says becomes words for the chain of remarks."""

from __future__ import annotations

from collections.abc import Mapping

from api.sharing.remarks import Words
from shared.errors import RequestInvalid
from shared.sharing_tables import Decision

FIELDS = frozenset({"author", "text", "decision", "place"})


def words_of(fields: Mapping[str, str], link_id: str | None = None) -> Words:
    """The words of a form; raises RequestInvalid."""
    if fields.keys() - FIELDS:
        raise RequestInvalid("The form has fields that mean nothing here.", advice=f"Send {', '.join(sorted(FIELDS))}.")
    decision = fields.get("decision") or None
    if decision is not None and decision not in set(Decision):
        raise RequestInvalid("That is no decision.", advice=f"It is one of {', '.join(Decision)}.", field="decision")
    return Words(
        author=fields.get("author", ""),
        text=fields.get("text", ""),
        decision=Decision(decision) if decision else None,
        place=fields.get("place") or None,
        link_id=link_id,
    )
