"""Webhooks as both sides know them: events, secrets, and the signature of a message.

Signed by Standard Webhooks 1.0.0 (github.com/standard-webhooks/standard-webhooks, spec), symmetric
scheme: ``v1,`` and the base64 of HMAC-SHA256 over ``{id}.{timestamp}.{body}``.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import json
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from enum import StrEnum
from secrets import token_bytes
from typing import Any

SECRET_PREFIX = "whsec_"  # noqa: S105 - what every secret begins with
SECRET_BYTES = 32  # the specification asks for 24 to 64


class Event(StrEnum):
    """What a subscription can be told of."""

    INSPECTION_FINISHED = "inspection.finished"
    INSPECTION_FAILED = "inspection.failed"
    REMARK_ADDED = "remark.added"
    SIGN_OFF_ADDED = "sign_off.added"
    TEST = "subscription.test"  # sent when asked for, never by itself


SUBSCRIBABLE = tuple(event for event in Event if event is not Event.TEST)


def new_secret() -> str:
    """A secret of 256 bits, as the receiver's library takes it."""
    return SECRET_PREFIX + base64.b64encode(token_bytes(SECRET_BYTES)).decode()


def message_body(event: Event, at: datetime, data: Mapping[str, Any]) -> str:
    """The body of a message, made once: what is signed is what is sent."""
    moment = at.astimezone(UTC).isoformat().replace("+00:00", "Z")
    return json.dumps({"type": event.value, "timestamp": moment, "data": data}, separators=(",", ":"))


def signature(secret: str, message_id: str, timestamp_s: int, body: str) -> str:
    """One signature, with its version before it."""
    key = base64.b64decode(secret.removeprefix(SECRET_PREFIX))
    signed = f"{message_id}.{timestamp_s}.{body}".encode()
    return "v1," + base64.b64encode(hmac.new(key, signed, hashlib.sha256).digest()).decode()


def message_headers(secrets: Iterable[str], message_id: str, timestamp_s: int, body: str) -> dict[str, str]:
    """The three headers of one attempt; with several secrets, while one takes over from another, a signature each."""
    signatures = [signature(secret, message_id, timestamp_s, body) for secret in secrets]
    return {
        "webhook-id": message_id,
        "webhook-timestamp": str(timestamp_s),
        "webhook-signature": " ".join(signatures),
    }
