"""Subscriptions and their messages in the database; the workers send what is due."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from api.paging import after_cursor, page_of
from api.resources import Caller
from api.subscriptions.schemas import SubscriptionIn, SubscriptionPatch
from shared import audit
from shared.addresses import AddressRules
from shared.errors import Conflict, NotFound
from shared.outbox import message_for
from shared.sharing_tables import Delivery, DeliveryState, Subscription
from shared.tables import new_id, utc_now
from shared.webhooks import Event, new_secret

SUBSCRIPTION_LIMIT = 50  # of one workspace
TAKEOVER = timedelta(hours=24)  # in which the secret before still signs beside the new one
KEPT = timedelta(days=30)  # what is settled, for looking at


def create_subscription(session: Session, rules: AddressRules, caller: Caller, wanted: SubscriptionIn) -> Subscription:
    """A new subscription; raises UrlRefused, Conflict."""
    rules.check_url(wanted.url)
    count = select(func.count()).select_from(Subscription).where(Subscription.workspace_id == caller.workspace_id)
    if (session.scalar(count) or 0) >= SUBSCRIPTION_LIMIT:
        raise Conflict(f"There are {SUBSCRIPTION_LIMIT} subscriptions.", advice="Delete one that is not needed.")
    row = Subscription(
        id=new_id("sub"),
        workspace_id=caller.workspace_id,
        url=wanted.url,
        events=[event.value for event in wanted.events],
        secret=new_secret(),
        is_active=True,
        created_by=caller.name,
        created_at=utc_now(),
    )
    session.add(row)
    session.flush()
    audit.note(session, caller, "subscription.created", row.id, events=row.events)
    return row


def list_subscriptions(session: Session, caller: Caller) -> Sequence[Subscription]:
    """All of the workspace, newest first."""
    rows = select(Subscription).where(Subscription.workspace_id == caller.workspace_id)
    return session.scalars(rows.order_by(Subscription.created_at.desc(), Subscription.id.desc())).all()


def get_subscription(session: Session, caller: Caller, subscription_id: str) -> Subscription:
    """One subscription of the workspace; raises NotFound."""
    row = session.get(Subscription, subscription_id)
    if row is None or row.workspace_id != caller.workspace_id:
        raise NotFound(
            f"There is no subscription {subscription_id}.", advice="See /v1/subscriptions for those there are."
        )
    return row


def change_subscription(
    session: Session, rules: AddressRules, caller: Caller, subscription_id: str, wanted: SubscriptionPatch
) -> Subscription:
    """Change what is given; raises NotFound, UrlRefused."""
    row = get_subscription(session, caller, subscription_id)
    if wanted.url is not None:
        rules.check_url(wanted.url)
        row.url = wanted.url
    if wanted.events is not None:
        row.events = [event.value for event in wanted.events]
    if wanted.is_active is not None:
        row.is_active, row.stopped_because = wanted.is_active, None
    session.flush()
    audit.note(session, caller, "subscription.changed", row.id, fields=sorted(wanted.model_fields_set))
    return row


def change_secret(session: Session, caller: Caller, subscription_id: str) -> Subscription:
    """A new secret; the one before signs beside it for a day, so that no message is refused meanwhile."""
    row = get_subscription(session, caller, subscription_id)
    row.previous_secret, row.previous_until = row.secret, utc_now() + TAKEOVER
    row.secret = new_secret()
    session.flush()
    audit.note(session, caller, "subscription.secret_changed", row.id)
    return row


def delete_subscription(session: Session, caller: Caller, subscription_id: str) -> None:
    """Gone with its messages, sent or not."""
    row = get_subscription(session, caller, subscription_id)
    session.refresh(row, with_for_update=True)  # after this no message is added to it
    session.execute(delete(Delivery).where(Delivery.subscription_id == row.id))
    session.delete(row)
    audit.note(session, caller, "subscription.deleted", subscription_id)


def send_test(session: Session, caller: Caller, subscription_id: str) -> Delivery:
    """A message that tells of nothing, to see whether it arrives."""
    row = get_subscription(session, caller, subscription_id)
    message = message_for(row, Event.TEST, utc_now(), {"subscription_id": row.id})
    session.add(message)
    session.flush()
    return message


def list_deliveries(
    session: Session, caller: Caller, subscription_id: str, limit: int, cursor: str | None
) -> tuple[Sequence[Delivery], str | None]:
    """A page of messages, newest first, and the cursor of the next."""
    row = get_subscription(session, caller, subscription_id)
    rows = select(Delivery).where(Delivery.subscription_id == row.id)
    page = after_cursor(rows, Delivery.created_at, Delivery.id, cursor).limit(limit + 1)
    return page_of(session.scalars(page).all(), limit)


def send_again(session: Session, caller: Caller, subscription_id: str, message_id: str) -> Delivery:
    """Send a message once more from the beginning of its schedule, whatever came of it; its id stays."""
    row = get_subscription(session, caller, subscription_id)
    message = session.get(Delivery, message_id, with_for_update=True)
    if message is None or message.subscription_id != row.id:
        raise NotFound(f"There is no message {message_id}.", advice="See the deliveries of the subscription.")
    message.state, message.attempts, message.next_attempt_at = DeliveryState.PENDING.value, 0, utc_now()
    session.flush()
    return message


def forget_old_deliveries(session: Session) -> None:
    """Drop messages settled long ago."""
    is_settled = Delivery.state != DeliveryState.PENDING.value
    session.execute(delete(Delivery).where(is_settled, Delivery.created_at < utc_now() - KEPT))
