"""Messages to subscribers, written in the transaction of the change they tell of.

So none is lost with a crash after the change, and none tells of a change that was rolled back;
the workers send them (:mod:`worker.delivery`).
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from shared.sharing_tables import Delivery, Remark, RemarkKind, Subscription
from shared.states import InspectionState
from shared.tables import Inspection, new_id
from shared.webhooks import Event, message_body

ENDS: Mapping[InspectionState, Event] = {
    InspectionState.DONE: Event.INSPECTION_FINISHED,
    InspectionState.FAILED: Event.INSPECTION_FAILED,
}


def tell_end(session: Session, job_id: str, at: datetime) -> None:
    """Tell that an inspection finished or failed; other jobs and other states are nobody's news."""
    row = session.get(Inspection, job_id, populate_existing=True)
    event = ENDS.get(InspectionState(row.state)) if row else None
    if row is not None and event is not None:
        tell(session, row.workspace_id, event, at, _inspection_data(row))


def tell_remark(session: Session, inspection: Inspection, remark: Remark) -> None:
    """Tell that a remark or sign-off was added; what it says is read over the interface."""
    event = Event.SIGN_OFF_ADDED if remark.kind == RemarkKind.SIGN_OFF else Event.REMARK_ADDED
    data = {
        "inspection_id": inspection.id,
        "remark_id": remark.id,
        "number": remark.number,
        "decision": remark.decision,
        "sha256": remark.sha256,
        "url": f"/v1/inspections/{inspection.id}/remarks",
    }
    tell(session, inspection.workspace_id, event, remark.at, data)


def tell(session: Session, workspace_id: str, event: Event, at: datetime, data: Mapping[str, Any]) -> None:
    """Write a message for every active subscription of the workspace that wants the event.

    On PostgreSQL the lock keeps one from being deleted before its message is there: the change must not fail for that.
    """
    query = select(Subscription).where(Subscription.workspace_id == workspace_id, Subscription.is_active.is_(True))
    for subscription in session.scalars(query.with_for_update(read=True, key_share=True)):
        if event in subscription.events:
            session.add(message_for(subscription, event, at, data))


def message_for(subscription: Subscription, event: Event, at: datetime, data: Mapping[str, Any]) -> Delivery:
    """One message, due at once."""
    return Delivery(
        id=new_id("msg"),
        subscription_id=subscription.id,
        event=event.value,
        body=message_body(event, at, data),
        next_attempt_at=at,
        created_at=at,
    )


def _inspection_data(row: Inspection) -> dict[str, Any]:
    return {
        "inspection_id": row.id,
        "title": row.title,
        "state": row.state,
        "outcome": row.outcome,
        "headline": row.headline,
        "error_code": row.error["code"] if row.error else None,
        "url": f"/v1/inspections/{row.id}",
    }
