"""Requests made up from the description of the interface itself, sound and damaged.

The everyday run takes a few of each operation, the same each time; FIRSTPOUR_TEST_REQUESTS=300 takes more.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
import requests
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.core.result import Ok
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from api.openapi import COMMITTED
from tests.support.service import BASE_URL, Service, running_service

DOCUMENT = json.loads(COMMITTED.read_text(encoding="utf-8"))
for paths in DOCUMENT["paths"].values():
    for operation in paths.values():
        operation["responses"].pop("default")  # every status is to be declared by itself
FOUND = schemathesis.openapi.from_dict(DOCUMENT).get_all_operations()
OPERATIONS = {one.ok().label: one.ok() for one in FOUND if isinstance(one, Ok)}
EXAMPLES = int(os.environ.get("FIRSTPOUR_TEST_REQUESTS", "5"))
CHECKS = [not_a_server_error, content_type_conformance, response_schema_conformance, status_code_conformance]
ANYWHERE = {403, 404, 405, 413, 414, 431}  # refused before the operation is known
QUICK = settings(
    max_examples=EXAMPLES,
    deadline=None,
    derandomize=True,
    phases=[Phase.explicit, Phase.generate],
    suppress_health_check=list(HealthCheck),
)


@pytest.fixture(scope="module")
def service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Service]:
    with running_service(tmp_path_factory.mktemp("any"), upload_limit_bytes=1 << 16) as service:
        yield service


@pytest.fixture(scope="module")
def known(service: Service) -> dict[str, str]:
    """Ids of things that are there."""
    done = service.order()["id"]
    service.finish(done, files={"a.csv": b"x\n"})
    part = service.client.post("/v1/parts", json={"name": "Head"}).json()["id"]
    upload = service.upload()["id"]
    revision = service.client.post(
        f"/v1/parts/{part}/revisions", json={"label": "A", "nominal_upload_id": upload}
    ).json()["id"]
    tus = {"Tus-Resumable": "1.0.0", "Upload-Length": "10"}
    partial = service.client.post("/v1/uploads/tus", headers=tus).headers["location"].rpartition("/")[2]
    link = service.client.post(f"/v1/inspections/{done}/links", json={"label": "Foundry"}).json()["id"]
    subscription = service.client.post("/v1/subscriptions", json={"url": "https://hooks.example/in"}).json()["id"]
    key = service.client.post("/v1/keys", json={"name": "gauge", "scopes": ["read"]}).json()["id"]
    return {
        "inspection_id": done, "part_id": part, "upload_id": upload, "revision_id": revision, "partial_id": partial,
        "name": "a.csv", "link_id": link, "subscription_id": subscription, "key_id": key,
    }  # fmt: skip


def sent(service: Service, case: Any) -> httpx.Response | None:
    """The answer; None for a request that HTTP itself cannot carry."""
    try:
        wanted = requests.Request(**case.as_transport_kwargs(base_url=BASE_URL)).prepare()
        texts = {name: text for name, text in wanted.headers.items() if isinstance(text, str)}
        headers = {name.encode(): text.encode("latin-1") for name, text in texts.items()}
        body: Any = wanted.body.encode() if isinstance(wanted.body, str) else wanted.body
        return service.client.request(str(wanted.method), str(wanted.url), headers=headers, content=body)
    except (UnicodeEncodeError, httpx.InvalidURL, requests.exceptions.RequestException):
        return None


@schemathesis.serializer("application/offset+octet-stream")
def as_it_is(_context: Any, value: Any) -> bytes:
    return value if isinstance(value, bytes) else str(value).encode("utf-8", "replace")


KNOWN_OR_NOT: Any = st.booleans()
SOUND = [(label, GenerationMode.POSITIVE) for label in OPERATIONS]
DAMAGED = [(label, GenerationMode.NEGATIVE) for label, one in OPERATIONS.items() if one.body or one.query]


@pytest.mark.parametrize(("label", "mode"), SOUND + DAMAGED)
@QUICK
@given(data=st.data())
def test_every_answer_is_declared_and_sound(
    service: Service, known: dict[str, str], label: str, mode: GenerationMode, data: st.DataObject
) -> None:
    case: Any = data.draw(OPERATIONS[label].as_strategy(generation_mode=mode))
    if case.path_parameters and data.draw(KNOWN_OR_NOT):
        case.path_parameters = {name: known.get(name, given) for name, given in case.path_parameters.items()}
    answer = sent(service, case)
    if answer is not None and answer.status_code not in ANYWHERE:
        case.validate_response(answer, checks=CHECKS)
    assert answer is None or answer.status_code < 500
