"""Subscriptions: make, list, change, delete; their messages, and sending one again."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.responses import Response

from api.admission import GuardedRoute
from api.paging import Cursor, Limit
from api.problems import declared
from api.resources import Admin, NeedsResources
from api.subscriptions import service
from api.subscriptions.schemas import (
    DeliveryOut,
    DeliveryPage,
    NewSubscriptionOut,
    SubscriptionIn,
    SubscriptionList,
    SubscriptionOut,
    SubscriptionPatch,
    delivery_out,
    new_subscription_out,
    subscription_out,
)
from shared.addresses import AddressRules
from shared.errors import Conflict, NotFound, RequestInvalid, RequestTooLarge, UrlRefused

router = APIRouter(route_class=GuardedRoute, prefix="/v1/subscriptions", tags=["subscriptions"])


@router.post(
    "",
    status_code=201,
    response_model=NewSubscriptionOut,
    summary="Have events told to an address",
    responses=declared(UrlRefused, Conflict, RequestInvalid, RequestTooLarge),
)
def create_subscription(wanted: SubscriptionIn, caller: Admin, resources: NeedsResources) -> NewSubscriptionOut:
    """Messages are signed by Standard Webhooks, tried ten times over three days, and arrive at least once."""
    rules = AddressRules(resources.settings.webhook_networks)
    with resources.database.writing() as session:
        return new_subscription_out(service.create_subscription(session, rules, caller, wanted))


@router.get("", response_model=SubscriptionList, summary="List subscriptions", responses=declared())
def list_subscriptions(caller: Admin, resources: NeedsResources) -> SubscriptionList:
    """Newest first."""
    with resources.database.reading() as session:
        return SubscriptionList(items=[subscription_out(row) for row in service.list_subscriptions(session, caller)])


@router.get(
    "/{subscription_id}",
    response_model=SubscriptionOut,
    summary="Look at a subscription",
    responses=declared(NotFound),
)
def read_subscription(subscription_id: str, caller: Admin, resources: NeedsResources) -> SubscriptionOut:
    """Whether it is active, and when a message last arrived."""
    with resources.database.reading() as session:
        return subscription_out(service.get_subscription(session, caller, subscription_id))


@router.patch(
    "/{subscription_id}",
    response_model=SubscriptionOut,
    summary="Change a subscription",
    responses=declared(NotFound, UrlRefused, RequestInvalid, RequestTooLarge),
)
def change_subscription(
    subscription_id: str, wanted: SubscriptionPatch, caller: Admin, resources: NeedsResources
) -> SubscriptionOut:
    """Address, events, or whether it is active."""
    rules = AddressRules(resources.settings.webhook_networks)
    with resources.database.writing() as session:
        return subscription_out(service.change_subscription(session, rules, caller, subscription_id, wanted))


@router.delete("/{subscription_id}", status_code=204, summary="Delete a subscription", responses=declared(NotFound))
def delete_subscription(subscription_id: str, caller: Admin, resources: NeedsResources) -> Response:
    """With all its messages, sent or not."""
    with resources.database.writing() as session:
        service.delete_subscription(session, caller, subscription_id)
    return Response(status_code=204)


@router.post(
    "/{subscription_id}/secret",
    response_model=NewSubscriptionOut,
    summary="Change the secret",
    responses=declared(NotFound),
)
def change_secret(subscription_id: str, caller: Admin, resources: NeedsResources) -> NewSubscriptionOut:
    """For a day every message carries two signatures, by the new secret and by the one before."""
    with resources.database.writing() as session:
        return new_subscription_out(service.change_secret(session, caller, subscription_id))


@router.post(
    "/{subscription_id}/test",
    status_code=202,
    response_model=DeliveryOut,
    summary="Send a test message",
    responses=declared(NotFound),
)
def send_test_message(subscription_id: str, caller: Admin, resources: NeedsResources) -> DeliveryOut:
    """An event subscription.test; see the deliveries for what came of it."""
    with resources.database.writing() as session:
        return delivery_out(service.send_test(session, caller, subscription_id))


@router.get(
    "/{subscription_id}/deliveries",
    response_model=DeliveryPage,
    summary="List the messages of a subscription",
    responses=declared(NotFound, RequestInvalid),
)
def list_deliveries(
    subscription_id: str, caller: Admin, resources: NeedsResources, limit: Limit = 20, cursor: Cursor = None
) -> DeliveryPage:
    """Newest first, each with what came of every attempt."""
    with resources.database.reading() as session:
        rows, following = service.list_deliveries(session, caller, subscription_id, limit, cursor)
        return DeliveryPage(items=[delivery_out(row) for row in rows], next_cursor=following)


@router.post(
    "/{subscription_id}/deliveries/{message_id}/retry",
    status_code=202,
    response_model=DeliveryOut,
    summary="Send a message again",
    responses=declared(NotFound),
)
def send_again(subscription_id: str, message_id: str, caller: Admin, resources: NeedsResources) -> DeliveryOut:
    """Under the same webhook-id, so that a receiver that has it drops it."""
    with resources.database.writing() as session:
        return delivery_out(service.send_again(session, caller, subscription_id, message_id))
