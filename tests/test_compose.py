"""docker-compose.yml and the two Dockerfiles, as far as they can be checked without an engine.

The schema is the Compose Specification's (github.com/compose-spec/compose-spec, Apache-2.0), in
the copy carried by the docker-compose 1.29.2 package.  The same processes are run for real,
without containers, in tests/service.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

ROOT = Path(__file__).parents[1]
OWN = ("api", "worker")


@pytest.fixture(scope="module")
def compose() -> dict[str, Any]:
    document: dict[str, Any] = yaml.safe_load((ROOT / "docker-compose.yml").read_text())
    return document


def dockerfile(name: str) -> str:
    return (ROOT / name / "Dockerfile").read_text()


def test_compose_file_follows_the_specification(compose: dict[str, Any]) -> None:
    schema = json.loads((ROOT / "tests/files/compose_spec.json").read_text())
    without_name = {key: value for key, value in compose.items() if key != "name"}  # younger than this copy
    jsonschema.Draft7Validator(schema).validate(without_name)


def test_every_service_has_a_health_check(compose: dict[str, Any]) -> None:
    assert {name for name, service in compose["services"].items() if "healthcheck" not in service} == set()


def test_every_image_is_pinned_to_a_full_version(compose: dict[str, Any]) -> None:
    images = [service["image"] for service in compose["services"].values()]
    images += [line.split()[1] for name in OWN for line in dockerfile(name).splitlines() if line.startswith("FROM ")]
    loose = [image for image in images if not re.search(r":\d+\.\d+(\.\d+|-alpine|-slim)", image)]
    assert loose == []


@pytest.mark.parametrize("name", OWN)
def test_image_does_not_run_as_root(name: str) -> None:
    users = [line.split()[1] for line in dockerfile(name).splitlines() if line.startswith("USER ")]
    assert users[-1:] == ["firstpour"]


def test_only_loopback_is_published(compose: dict[str, Any]) -> None:
    ports = [port for service in compose["services"].values() for port in service.get("ports", [])]
    assert ports
    assert all(port.startswith("127.0.0.1:") for port in ports)


def test_every_request_needs_a_key(compose: dict[str, Any]) -> None:
    assert compose["services"]["api"]["environment"]["FIRSTPOUR_ACCESS"] == "keys"
    assert "FIRSTPOUR_PUBLISHED_ON_LOOPBACK_ONLY" not in str(compose)


def test_database_password_has_no_default(compose: dict[str, Any]) -> None:
    assert compose["services"]["postgres"]["environment"]["POSTGRES_PASSWORD"].startswith("${POSTGRES_PASSWORD:?")


def test_workers_can_be_scaled(compose: dict[str, Any]) -> None:
    assert not {"container_name", "ports"} & set(compose["services"]["worker"])


def test_api_image_leaves_the_measuring_libraries_out() -> None:
    assert "--extra api" in dockerfile("api")
    assert "--extra worker" not in dockerfile("api")
    assert "--all-extras" not in dockerfile("api")
