"""The description of the interface: complete, with examples, and never changed unannounced."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import jsonschema
import pytest

from api.openapi import ACCESS_ANSWERS, COMMITTED, operations, text_of
from api.problems import MEDIA_TYPE
from tests.support.service import Service


@pytest.fixture
def document(service: Service) -> dict[str, Any]:
    found: dict[str, Any] = service.client.get("/v1/openapi.json").json()
    return found


def response_kinds(operation: dict[str, Any]) -> set[str]:
    return {
        kind
        for status, answer in operation["responses"].items()
        if not status.startswith("2")
        for kind in ACCESS_ANSWERS.get(status, answer)["content"]
    }


def media_types(operation: dict[str, Any]) -> Iterator[dict[str, Any]]:
    bodies = [operation.get("requestBody", {})]
    bodies += [answer for status, answer in operation["responses"].items() if status.startswith("2")]
    for body in bodies:
        yield from body.get("content", {}).values()


def test_it_does_not_change_unannounced(service: Service) -> None:
    message = "the interface changed: look at the difference, then run python -m api.openapi"
    assert text_of(service.app) == COMMITTED.read_text(encoding="utf-8"), message


def test_it_is_openapi_3_1(document: dict[str, Any]) -> None:
    assert document["openapi"].startswith("3.1.")


def test_every_operation_has_examples_throughout(document: dict[str, Any]) -> None:
    bare = [
        f"{operation['operationId']}: {media}"
        for operation in operations(document)
        for media in media_types(operation)
        if not {"example", "examples"} & media.keys()
    ]
    assert bare == []


def test_every_parameter_has_an_example(document: dict[str, Any]) -> None:
    bare = [
        parameter["name"]
        for operation in operations(document)
        for parameter in operation.get("parameters", [])
        if not {"example", "examples"} & (parameter.keys() | parameter["schema"].keys())
    ]
    assert bare == []


def test_examples_are_what_their_schemas_allow(document: dict[str, Any]) -> None:
    schemas = document["components"]["schemas"]
    for name, schema in schemas.items():
        for example in schema.get("examples", []):
            jsonschema.validate(example, {"$ref": f"#/components/schemas/{name}", "components": {"schemas": schemas}})
    assert sum("examples" in schema for schema in schemas.values()) >= 10


def test_every_error_is_a_problem(document: dict[str, Any]) -> None:
    others = {one["operationId"] for one in operations(document) if response_kinds(one) != {MEDIA_TYPE}}
    assert others == {"ready"}  # which answers the same when it is not
    assert "HTTPValidationError" not in document["components"]["schemas"]


def test_what_has_an_id_in_its_path_declares_that_it_may_not_be_found(document: dict[str, Any]) -> None:
    lacking = [
        f"{method} {path}"
        for path, methods in document["paths"].items()
        for method, operation in methods.items()
        if "{" in path and "404" not in operation["responses"]
    ]
    assert lacking == []


def test_names_for_generated_clients_are_short_and_unique(document: dict[str, Any]) -> None:
    names = [operation["operationId"] for operation in operations(document)]
    assert len(names) == len(set(names)) > 20
    assert all(len(name) < 30 for name in names)


@pytest.mark.parametrize("name", ["plan", "report"])
def test_the_schemas_of_plan_and_report_are_published(service: Service, name: str) -> None:
    answer = service.client.get(f"/v1/schemas/{name}")
    assert answer.headers["content-type"] == "application/schema+json"
    jsonschema.Draft202012Validator.check_schema(answer.json())
    assert answer.json()["title"] == name.capitalize()
