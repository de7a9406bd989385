"""A service that asks for keys, with keys of every kind, and something of everything in one workspace."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path
from typing import Any

import httpx

from api.openapi import COMMITTED
from api.resources import LOCAL, Caller
from shared import keys
from shared.access import DEFAULT_WORKSPACE, AccessMode, Scope
from shared.tables import new_id, utc_now
from tests.support.report_json import minimal_report
from tests.support.service import STEP, STL, Service, running_service

TUS = {"Tus-Resumable": "1.0.0"}
OTHER_WORKSPACE = "ws_other"


@dataclass(frozen=True)
class Keyed:
    """The service, and the text of a key by what it is for."""

    service: Service
    keys: dict[str, str] = field(default_factory=dict)

    def ask(self, key: str | None, method: str, path: str, **request: Any) -> httpx.Response:
        """One request with the key of that name, or with none."""
        headers = dict(request.pop("headers", {}))
        if key is not None:
            headers |= bearer(self.keys[key])
        return self.service.client.request(method, path, headers=headers, **request)

    def issue(self, name: str, scopes: frozenset[Scope], workspace_id: str = DEFAULT_WORKSPACE, **terms: Any) -> str:
        """Make a key; its id."""
        who = Caller("test", workspace_id, None, frozenset(Scope))
        with self.service.resources.database.writing() as session:
            issued = keys.create_key(session, who, keys.KeyTerms(name=name, scopes=scopes, **terms))
        self.keys[name] = issued.secret.text
        return issued.row.id


def bearer(text: str) -> dict[str, str]:
    """The header that carries a key."""
    return {"Authorization": f"Bearer {text}"}


@contextmanager
def keyed_service(folder: Path, **settings: Any) -> Iterator[Keyed]:
    """A service in which a key of every kind exists, and nothing else."""
    with running_service(folder, access=AccessMode.KEYS, **settings) as service:
        keyed = Keyed(service)
        with service.resources.database.writing() as session:
            keys.create_workspace(session, "Other").id = OTHER_WORKSPACE
        everything = frozenset(Scope)
        terms: dict[str, Any] = {"rate_per_minute": 100_000}
        keyed.issue("everything", everything, **terms)
        keyed.issue("other workspace", everything, OTHER_WORKSPACE, **terms)
        for scope in Scope:
            keyed.issue(scope.value, frozenset({scope}), **terms)
        keyed.issue("expired", everything, expires_at=utc_now() - timedelta(seconds=1), **terms)
        revoked = keyed.issue("revoked", everything, **terms)
        with service.resources.database.writing() as session:
            keys.revoke_key(session, LOCAL, revoked)
        text = keyed.keys["everything"]
        keyed.keys["malformed"] = text[:-1] + ("A" if text[-1] != "A" else "B")
        yield keyed


def furnish(keyed: Keyed) -> dict[str, str]:
    """Something of everything in the default workspace; the ids by the names the paths have for them."""
    ask, service = keyed.ask, keyed.service

    def made(answer: httpx.Response) -> dict[str, Any]:
        assert answer.is_success, answer.text
        found: dict[str, Any] = answer.json()
        return found

    upload = made(ask("everything", "POST", "/v1/uploads?name=head.step", content=STEP))["id"]
    scan = made(ask("everything", "POST", "/v1/uploads?name=scan.stl", content=STL))["id"]
    begun = ask("everything", "POST", "/v1/uploads/tus", headers={**TUS, "Upload-Length": "4"})
    part = made(ask("everything", "POST", "/v1/parts", json={"name": "Head"}))["id"]
    label = {"label": "A", "nominal_upload_id": upload}
    revision = made(ask("everything", "POST", f"/v1/parts/{part}/revisions", json=label))["id"]
    order = {"nominal_upload_id": upload, "scan_upload_id": scan, "scan_unit": "mm"}
    inspection = made(ask("everything", "POST", "/v1/inspections", json=order))["id"]
    second = made(ask("everything", "POST", "/v1/inspections", json=order))["id"]
    for number, name in enumerate((inspection, second)):
        report = minimal_report(scan_sha256=f"{number:064x}", measured=30.0)
        service.finish(name, report=json.dumps(report), files={"room.csv": b"x_mm\n"})
    link = {"label": "Foundry"}
    subscription = made(ask("everything", "POST", "/v1/subscriptions", json={"url": "https://hooks.example/in"}))["id"]
    return {
        "link_id": made(ask("everything", "POST", f"/v1/inspections/{inspection}/links", json=link))["id"],
        "subscription_id": subscription,
        "message_id": made(ask("everything", "POST", f"/v1/subscriptions/{subscription}/test"))["id"],
        "upload_id": upload,
        "partial_id": begun.headers["location"].rpartition("/")[2],
        "part_id": part,
        "revision_id": revision,
        "inspection_id": inspection,
        "second_id": second,
        "waiting_id": made(ask("everything", "POST", "/v1/inspections", json=order))["id"],
        "name": "room.csv",
        "key_id": keyed.issue("to be looked at", frozenset({Scope.READ})),
    }


def unknown_ids() -> dict[str, str]:
    """Ids of nothing, of the same form."""
    prefixes = {"upload_id": "up", "partial_id": "part_up", "part_id": "part", "revision_id": "rev"}
    prefixes |= {"inspection_id": "insp", "second_id": "insp", "waiting_id": "insp", "key_id": "key"}
    prefixes |= {"link_id": "link", "subscription_id": "sub", "message_id": "msg"}
    return {name: new_id(prefix) for name, prefix in prefixes.items()} | {"name": "room.csv"}


@dataclass(frozen=True)
class Operation:
    """One operation of the interface, as its description has it."""

    name: str
    method: str
    path: str
    scope: str | None

    def path_with(self, ids: Mapping[str, str]) -> str:
        """Its path to the things of those ids; what may be cancelled is the inspection that waits."""
        own = {**ids, "inspection_id": ids["waiting_id"]} if self.name == "cancel_inspection" else ids
        return self.path.format(**own)


def described_operations() -> list[Operation]:
    """Every operation of the committed description, which another test holds against the application."""
    document = json.loads(COMMITTED.read_text(encoding="utf-8"))
    found = []
    for path, methods in document["paths"].items():
        for method, operation in methods.items():
            security = operation["security"]
            scope = security[0]["access_key"][0] if security else None
            found.append(Operation(operation["operationId"], method.upper(), path, scope))
    return found


def request_for(operation: str, ids: Mapping[str, str]) -> dict[str, Any]:
    """What a caller who knows those ids sends with an operation, well-formed; empty where only the path matters."""
    order = {"nominal_upload_id": ids["upload_id"], "scan_upload_id": ids["upload_id"], "scan_unit": "mm"}
    offset = {"Upload-Offset": "0", "Content-Type": "application/offset+octet-stream"}
    files = {"nominal": ("head.step", STEP), "scan": ("scan.stl", STL)}
    known: dict[str, dict[str, Any]] = {
        "create_upload": {"params": {"name": "a.stl"}, "content": STL},
        "tus_create": {"headers": {**TUS, "Upload-Length": "4"}},
        "tus_head": {"headers": TUS},
        "tus_patch": {"headers": {**TUS, **offset}, "content": b"s"},
        "tus_delete": {"headers": TUS},
        "create_part": {"json": {"name": "Head"}},
        "hold_part": {"json": {"hold": True}},
        "hold_inspection": {"json": {"hold": True}},
        "create_revision": {"json": {"label": "B", "nominal_upload_id": ids["upload_id"]}},
        "create_inspection": {"json": order},
        "create_from_form": {"files": files, "data": {"unit": "mm"}},
        "compare_inspections": {"json": {"inspection_ids": [ids["inspection_id"], ids["second_id"]]}},
        "create_key": {"json": {"name": "New", "scopes": ["read"]}},
        "create_link": {"json": {"label": "Foundry"}},
        "add_remark": {"json": {"text": "Cold shut at the gate."}},
        "create_subscription": {"json": {"url": "https://hooks.example/in"}},
        "change_subscription": {"json": {"is_active": True}},
        "rotate_key": {"json": {"overlap_hours": 1}},
    }
    return known.get(operation, {})
