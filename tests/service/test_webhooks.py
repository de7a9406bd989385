"""A message to a subscriber, from the order over HTTP through the worker to a receiver on this machine."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from standardwebhooks.webhooks import Webhook

from tests.support.receiver import receiving
from tests.support.services import Service, running_service, wait_for


def test_the_end_of_an_inspection_arrives_signed_and_again_after_a_500(tmp_path: Path) -> None:
    with receiving() as receiver, running_service(tmp_path, webhook_networks="127.0.0.0/8") as service:
        receiver.statuses = [500, 204]
        with service.client as client:
            made = client.post("/v1/subscriptions", json={"url": receiver.url}).raise_for_status().json()
        with service.worker():
            inspection_id = service.order("quick")
            log = wait_for(lambda: delivered(service, made["id"]), "the message arrived")
        first, second = receiver.received
    body = Webhook(made["secret"]).verify(second.body, second.headers)
    assert (body["type"], body["data"]["inspection_id"]) == ("inspection.finished", inspection_id)
    assert (first.body, first.headers["webhook-id"]) == (second.body, second.headers["webhook-id"])
    assert [(one["attempts"], [each["status"] for each in one["log"]]) for one in log] == [(2, [500, 204])]
    assert made["secret"] not in json.dumps(log)


def delivered(service: Service, subscription_id: str) -> list[dict[str, Any]]:
    """The messages to a subscriber once all are delivered."""
    with service.client as client:
        found: list[dict[str, Any]] = client.get(f"/v1/subscriptions/{subscription_id}/deliveries").json()["items"]
    return found if found and all(one["state"] == "delivered" for one in found) else []
