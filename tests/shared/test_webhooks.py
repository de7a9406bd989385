"""Signatures beside the published example and the standard's own library."""

from __future__ import annotations

import base64
import json
from datetime import UTC, datetime, timedelta, timezone

import pytest
from standardwebhooks.webhooks import Webhook, WebhookVerificationError

from shared.webhooks import Event, message_body, message_headers, new_secret, signature

# github.com/standard-webhooks/standard-webhooks, libraries/python/tests/test_webhooks.py, test_sign_function
PUBLISHED_SECRET = "whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw"  # noqa: S105 - of the example
PUBLISHED_SIGNATURE = "v1,g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="
ID = "msg_0a1b2c"
BODY = '{"type":"inspection.finished","title":"Zylinderköpfe"}'


def now_s() -> int:
    return int(datetime.now(UTC).timestamp())


def test_the_published_example_comes_out() -> None:
    found = signature(PUBLISHED_SECRET, "msg_p5jXN8AQM9LWM0D4loKWxJek", 1614265330, '{"test": 2432232314}')
    assert found == PUBLISHED_SIGNATURE


def test_the_standards_own_library_accepts_what_we_sign() -> None:
    secret = new_secret()
    headers = message_headers([secret], ID, now_s(), BODY)
    assert Webhook(secret).verify(BODY.encode(), headers) == json.loads(BODY)


def test_while_secrets_change_either_one_verifies() -> None:
    new, old = new_secret(), new_secret()
    headers = message_headers([new, old], ID, now_s(), BODY)
    assert [Webhook(secret).verify(BODY, headers)["title"] for secret in (new, old)] == ["Zylinderköpfe"] * 2


@pytest.mark.parametrize(
    "change", [{"webhook-id": "msg_other"}, {"webhook-timestamp": str(now_s() + 1)}, {"webhook-signature": "v1,AAAA"}]
)
def test_whatever_header_is_changed_the_signature_no_longer_fits(change: dict[str, str]) -> None:
    secret = new_secret()
    with pytest.raises(WebhookVerificationError):
        Webhook(secret).verify(BODY, {**message_headers([secret], ID, now_s() - 5, BODY), **change})


def test_neither_another_body_nor_another_secret_verifies() -> None:
    secret = new_secret()
    headers = message_headers([secret], ID, now_s(), BODY)
    for used, body in ((secret, BODY + " "), (new_secret(), BODY)):
        with pytest.raises(WebhookVerificationError):
            Webhook(used).verify(body, headers)


def test_secrets_have_256_bits_and_differ() -> None:
    secrets = {new_secret() for _ in range(20)}
    assert len(secrets) == 20
    assert {len(base64.b64decode(secret.removeprefix("whsec_"), validate=True)) for secret in secrets} == {32}


def test_a_body_tells_type_time_and_data() -> None:
    at = datetime(2025, 1, 31, 10, 30, tzinfo=timezone(timedelta(hours=1)))
    body = json.loads(message_body(Event.REMARK_ADDED, at, {"number": 1}))
    assert body == {"type": "remark.added", "timestamp": "2025-01-31T09:30:00Z", "data": {"number": 1}}
