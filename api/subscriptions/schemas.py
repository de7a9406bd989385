"""What callers send and get about subscriptions."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints
from pydantic.config import JsonDict

from api.inspections.schemas import ID as INSPECTION_ID
from shared.addresses import URL_LIMIT
from shared.sharing_tables import Delivery, DeliveryState, Subscription
from shared.webhooks import SUBSCRIBABLE, Event

SUBSCRIPTION_ID = "sub_0f1e2d3c4b5a69788796a5b4"
MESSAGE_ID = "msg_3c2b1a0f9e8d7c6b5a493827"
SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"  # noqa: S105 - of the standard's own example
EventName = Literal[Event.INSPECTION_FINISHED, Event.INSPECTION_FAILED, Event.REMARK_ADDED, Event.SIGN_OFF_ADDED]
Url = Annotated[str, StringConstraints(min_length=1, max_length=URL_LIMIT)]


def _each_once(events: tuple[EventName, ...]) -> tuple[EventName, ...]:
    return tuple(dict.fromkeys(events))


Events = Annotated[tuple[EventName, ...], Field(min_length=1, max_length=20), AfterValidator(_each_once)]


class SubscriptionIn(BaseModel):
    """Where to send what."""

    model_config = ConfigDict(
        extra="forbid",
        frozen=True,
        json_schema_extra={
            "examples": [
                {"url": "https://hooks.example/firstpour", "events": ["inspection.finished", "sign_off.added"]}
            ]
        },
    )

    url: Url = Field(description="https, on a public address; private networks must be listed in the settings.")
    events: Events = SUBSCRIBABLE


class SubscriptionPatch(BaseModel):
    """What to change; the rest stays."""

    model_config = ConfigDict(extra="forbid", frozen=True, json_schema_extra={"examples": [{"is_active": True}]})

    url: Url | None = None
    events: Events | None = None
    is_active: bool | None = Field(default=None, description="What is not sent meanwhile is sent later.")


EXAMPLE: JsonDict = {
    "id": SUBSCRIPTION_ID,
    "url": "https://hooks.example/firstpour",
    "events": ["inspection.finished", "sign_off.added"],
    "is_active": True,
    "stopped_because": None,
    "last_success_at": "2025-01-31T09:31:12Z",
    "created_by": "local",
    "created_at": "2025-01-30T14:00:00Z",
    "links": {
        "self": f"/v1/subscriptions/{SUBSCRIPTION_ID}",
        "deliveries": f"/v1/subscriptions/{SUBSCRIPTION_ID}/deliveries",
    },
}


class SubscriptionLinks(BaseModel):
    """Where to go on."""

    self: str
    deliveries: str


class SubscriptionOut(BaseModel):
    """A subscription; its secret is shown once."""

    model_config = ConfigDict(json_schema_extra={"examples": [EXAMPLE]})

    id: str
    url: str
    events: list[Event]
    is_active: bool
    stopped_because: str | None = Field(description="Why we stopped by ourselves; set is_active to go on.")
    last_success_at: datetime | None
    created_by: str
    created_at: datetime
    links: SubscriptionLinks


class NewSubscriptionOut(SubscriptionOut):
    """A subscription just made, or one whose secret was changed."""

    model_config = ConfigDict(json_schema_extra={"examples": [{**EXAMPLE, "secret": SECRET}]})

    secret: str = Field(description="Signs every message, by Standard Webhooks. Shown only now.")


class SubscriptionList(BaseModel):
    """All subscriptions of the workspace, newest first."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"items": [EXAMPLE]}]})

    items: list[SubscriptionOut]


class Attempt(BaseModel):
    """One attempt: the status of the answer, or why there was none."""

    at: datetime
    status: int | None
    error: str | None


DELIVERY_EXAMPLE: JsonDict = {
    "id": MESSAGE_ID,
    "event": "inspection.finished",
    "state": "pending",
    "attempts": 1,
    "log": [{"at": "2025-01-31T09:31:07Z", "status": 503, "error": None}],
    "next_attempt_at": "2025-01-31T09:31:12Z",
    "body": (
        '{"type":"inspection.finished","timestamp":"2025-01-31T09:31:06Z",'
        f'"data":{{"inspection_id":"{INSPECTION_ID}","state":"done"}}}}'
    ),
    "created_at": "2025-01-31T09:31:06Z",
}


class DeliveryOut(BaseModel):
    """A message and how it went; its id is the header webhook-id."""

    model_config = ConfigDict(json_schema_extra={"examples": [DELIVERY_EXAMPLE]})

    id: str
    event: Event
    state: DeliveryState
    attempts: int
    log: list[Attempt]
    next_attempt_at: datetime | None
    body: str = Field(description="Exactly what is sent and signed.")
    created_at: datetime


class DeliveryPage(BaseModel):
    """Messages, newest first; settled ones are kept for 30 days."""

    model_config = ConfigDict(json_schema_extra={"examples": [{"items": [DELIVERY_EXAMPLE], "next_cursor": None}]})

    items: list[DeliveryOut]
    next_cursor: str | None = Field(description="Cursor of the next page; null on the last.")


def subscription_out(row: Subscription) -> SubscriptionOut:
    """A subscription as callers see it."""
    address = f"/v1/subscriptions/{row.id}"
    return SubscriptionOut(
        id=row.id,
        url=row.url,
        events=[Event(event) for event in row.events],
        is_active=row.is_active,
        stopped_because=row.stopped_because,
        last_success_at=row.last_success_at,
        created_by=row.created_by,
        created_at=row.created_at,
        links=SubscriptionLinks(self=address, deliveries=f"{address}/deliveries"),
    )


def new_subscription_out(row: Subscription) -> NewSubscriptionOut:
    """The same with its secret, once."""
    return NewSubscriptionOut(**subscription_out(row).model_dump(), secret=row.secret)


def delivery_out(row: Delivery) -> DeliveryOut:
    """A message as callers see it."""
    return DeliveryOut(
        id=row.id,
        event=Event(row.event),
        state=DeliveryState(row.state),
        attempts=row.attempts,
        log=[Attempt.model_validate(entry) for entry in row.log],
        next_attempt_at=row.next_attempt_at,
        body=row.body,
        created_at=row.created_at,
    )
