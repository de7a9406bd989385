"""The OpenAPI document: what FastAPI derives, with our errors and examples put where it cannot.

``python -m api.openapi`` writes the committed copy anew.
"""

from __future__ import annotations

import json
import sys
import tempfile
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi
from fastapi.routing import APIRoute
from pydantic import BaseModel

from api.admission import scope_of
from api.audit.schemas import AuditPage
from api.features.schemas import FeaturesOut
from api.health.schemas import Live, Ready
from api.inspections.schemas import InspectionIn, InspectionOut, InspectionPage
from api.keys.schemas import KEY_ID, IssuedKeyOut, KeyIn, KeyOut, KeyPage, RotationIn
from api.parts.schemas import PartIn, PartOut, PartPage, RevisionIn, RevisionOut, RevisionPage
from api.problems import MEDIA_TYPE, declared
from api.repeatability.schemas import RepeatabilityIn, RepeatabilityOut
from api.sessions.cookies import PLAIN_NAME
from api.sharing.schemas import (
    ChainOut,
    LinkIn,
    LinkList,
    LinkOut,
    NewLinkOut,
    RemarkIn,
    RemarkList,
    RemarkOut,
)
from api.subscriptions.schemas import (
    DeliveryOut,
    DeliveryPage,
    NewSubscriptionOut,
    SubscriptionIn,
    SubscriptionList,
    SubscriptionOut,
    SubscriptionPatch,
)
from api.uploads.schemas import UploadOut
from shared.access import Scope
from shared.errors import RateLimited, RequestInvalid, ScopeMissing, Unauthenticated
from shared.settings import Settings

MODELS: tuple[type[BaseModel], ...] = (
    ChainOut, LinkIn, LinkList, LinkOut, NewLinkOut, RemarkIn, RemarkList, RemarkOut,
    DeliveryOut, DeliveryPage, NewSubscriptionOut, SubscriptionIn, SubscriptionList, SubscriptionOut, SubscriptionPatch,
    AuditPage, FeaturesOut, InspectionIn, InspectionOut, InspectionPage, IssuedKeyOut, KeyIn, KeyOut, KeyPage, Live,
    PartIn, PartOut, PartPage, Ready, RepeatabilityIn, RepeatabilityOut, RevisionIn, RevisionOut, RevisionPage,
    RotationIn, UploadOut,
)  # fmt: skip
COMMITTED = Path(__file__).with_name("openapi.json")
FRAMEWORK_SCHEMAS = ("HTTPValidationError", "ValidationError")
SECURITY_SCHEMES = {
    "access_key": {"type": "http", "scheme": "bearer", "description": "fp_..., with the scope named"},
    "browser": {
        "type": "apiKey",
        "in": "cookie",
        "name": PLAIN_NAME,
        "description": "Of a browser signed in with a key",
    },
}
DEFAULT = {
    "description": "Any other error, such as internal_error",
    "content": {MEDIA_TYPE: {"schema": {"$ref": "#/components/schemas/Problem"}}},
}
ID_EXAMPLES = {
    "upload_id": "up_0b1c2d3e4f5a6b7c8d9e0f1a",
    "partial_id": "part_up_0b1c2d3e4f5a6b7c8d9e0f1a",
    "part_id": "part_5f0e1d2c3b4a59687786950a",
    "revision_id": "rev_a1b2c3d4e5f60718293a4b5c",
    "inspection_id": "insp_9a8b7c6d5e4f30211203f4e5",
    "link_id": "link_7a6b5c4d3e2f1a0b9c8d7e6f",
    "subscription_id": "sub_0f1e2d3c4b5a69788796a5b4",
    "message_id": "msg_3c2b1a0f9e8d7c6b5a493827",
    "key_id": KEY_ID,
    "limit": 20,
    "cursor": "MjAyNS0wMS0zMVQwOTozMDowMCswMDowMCBwYXJ0XzVmMGU=",
    "state": "done",
    "name": "room_1-room.csv",
    "general": "ISO 2768-m",
    "unit": "mm",
    "kind": "casting",
    "tus-resumable": "1.0.0",
    "upload-checksum": "sha1 Kq5sNclPz7QV2+lfQIuc6R7oRu0=",
}


def describe(app: FastAPI) -> dict[str, Any]:
    """The document, made once."""
    if app.openapi_schema is None:
        document = get_openapi(
            title=app.title, version=app.version, description=app.description, routes=app.routes, summary=app.summary
        )
        for model in MODELS:  # FastAPI drops every null from the examples it is given
            document["components"]["schemas"][model.__name__]["examples"] = examples_of(model)
        needed = needed_scopes(app)
        document["components"] |= {"securitySchemes": SECURITY_SCHEMES, "responses": ACCESS_ANSWERS}
        for operation in operations(document):
            _tell_access(operation, needed[operation["operationId"]])
            _tell_errors(operation)
            _tell_examples(operation, document["components"]["schemas"])
        for name in FRAMEWORK_SCHEMAS:
            document["components"]["schemas"].pop(name, None)
        app.openapi_schema = document
    return app.openapi_schema


def examples_of(model: type[BaseModel]) -> list[Any]:
    """Examples written into a model."""
    extra = model.model_config.get("json_schema_extra")
    found = extra.get("examples") if isinstance(extra, dict) else None
    return found if isinstance(found, list) else []


def add_description(app: FastAPI) -> None:
    """Have the application serve it."""
    app.openapi = partial(describe, app)  # type: ignore[method-assign]  # FastAPI's documented way to extend it


def operation_id(route: APIRoute) -> str:
    """Names for generated clients: those of our functions."""
    return route.name


def operations(document: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Every operation of a document."""
    for path in document["paths"].values():
        yield from path.values()


def text_of(app: FastAPI) -> str:
    """The document as committed."""
    return json.dumps(app.openapi(), indent=1, ensure_ascii=False) + "\n"


def main() -> int:
    """Write the committed copy."""
    from api.app import create_app  # noqa: PLC0415 - the application imports this module

    with tempfile.TemporaryDirectory() as folder:
        COMMITTED.write_text(text_of(create_app(Settings(data_dir=Path(folder)))), encoding="utf-8")
    return 0


def needed_scopes(app: FastAPI) -> dict[str, Scope | None]:
    """What each route needs, by its operation's id; None for the public ones."""
    routes = (route for module in app.state.routers for route in module.routes)
    return {route.name: scope_of(route) for route in routes if route.include_in_schema}


def _own(response: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in response.items() if key != "model"}


ACCESS_ANSWERS = {
    str(status): _own(response) for status, response in declared(Unauthenticated, ScopeMissing, RateLimited).items()
}


def _tell_access(operation: dict[str, Any], scope: Scope | None) -> None:
    operation["security"] = [] if scope is None else [{name: [scope.value]} for name in SECURITY_SCHEMES]
    if scope is None:
        return
    for status, response in ACCESS_ANSWERS.items():
        known = operation["responses"].get(status)
        if known is None:
            operation["responses"][status] = {"$ref": f"#/components/responses/{status}"}
        else:
            known["content"][MEDIA_TYPE]["examples"] |= response["content"][MEDIA_TYPE]["examples"]


def _tell_errors(operation: dict[str, Any]) -> None:
    """Problem details only, and never the framework's own form of a refusal."""
    for status, response in operation["responses"].items():
        content = response.get("content", {})
        if "HTTPValidationError" in json.dumps(content):
            operation["responses"][status] = _own(declared(RequestInvalid)[422])
        elif MEDIA_TYPE in content:
            response["content"] = {MEDIA_TYPE: content[MEDIA_TYPE]}
    operation["responses"]["default"] = DEFAULT


def _tell_examples(operation: dict[str, Any], schemas: dict[str, Any]) -> None:
    for parameter in operation.get("parameters", []):
        if "examples" not in parameter["schema"] and "examples" not in parameter and "example" not in parameter:
            parameter["example"] = ID_EXAMPLES[parameter["name"].lower()]
    bodies = [operation.get("requestBody", {}), *operation["responses"].values()]
    for media in (media for body in bodies for media in body.get("content", {}).values()):
        name = media.get("schema", {}).get("$ref", "").rpartition("/")[2]
        examples = schemas.get(name, {}).get("examples")
        if examples and "examples" not in media and name != "Problem":
            media["examples"] = {f"example {index}": {"value": value} for index, value in enumerate(examples, 1)}


if __name__ == "__main__":
    sys.exit(main())
