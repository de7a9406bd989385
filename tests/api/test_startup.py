"""How the service starts, what it refuses, and what it does not drag in."""

from __future__ import annotations

import socket
import subprocess
import sys
from pathlib import Path

import httpx
import pytest
from starlette.routing import Mount

from api.__main__ import refusal
from api.admission import GuardedRoute
from api.app import ROUTERS
from api.openapi import operations
from shared.access import AccessMode
from shared.settings import Settings
from tests.support.process import api_process, environment
from tests.support.service import Service

HEAVY = ("open3d", "OCP", "trimesh", "numpy", "scipy", "matplotlib", "networkx", "pye57", "worker")


def test_it_imports_nothing_heavy() -> None:
    script = "import sys, api.server; print(*(name.partition('.')[0] for name in sys.modules))"
    loaded = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True).stdout.split()
    assert set(HEAVY) & set(loaded) == set()
    assert "fastapi" in loaded


@pytest.mark.parametrize("host", ["127.0.0.1", "::1", "localhost", "127.0.0.5"])
def test_it_listens_on_loopback(host: str) -> None:
    assert refusal(Settings(host=host)) is None


@pytest.mark.parametrize("host", ["0.0.0.0", "::", "192.168.1.4", "firstpour.example"])  # noqa: S104 - to be refused
def test_without_keys_it_refuses_any_other_address(host: str) -> None:
    reason = refusal(Settings(host=host))
    assert reason is not None
    assert "FIRSTPOUR_ACCESS=keys" in reason


@pytest.mark.parametrize("host", ["0.0.0.0", "192.168.1.4"])  # noqa: S104 - with keys
def test_with_keys_it_listens_anywhere_under_a_stated_name(host: str) -> None:
    keys = Settings(host=host, access=AccessMode.KEYS)
    assert refusal(keys.model_copy(update={"public_url": "https://firstpour.example"})) is None
    assert "FIRSTPOUR_PUBLIC_URL" in (refusal(keys) or "")


def test_a_container_may_say_that_it_is_published_on_loopback_only() -> None:
    assert refusal(Settings(host="0.0.0.0", published_on_loopback_only=True)) is None  # noqa: S104 - inside a container


def start(folder: Path, **settings: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "api"]
    return subprocess.run(command, env=environment(folder, **settings), capture_output=True, text=True, check=False)


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"host": "0.0.0.0"}, "FIRSTPOUR_ACCESS=keys"),  # noqa: S104 - to be refused
        ({"hots": "x"}, "FIRSTPOUR_HOTS"),
        ({"port": "http"}, "port"),
    ],
)
def test_the_command_says_why_it_does_not_start(tmp_path: Path, settings: dict[str, str], words: str) -> None:
    found = start(tmp_path, **settings)
    assert found.returncode == 2
    assert words in found.stderr
    assert "Traceback" not in found.stderr


def test_the_command_serves_and_stops_when_asked(tmp_path: Path) -> None:
    with api_process(tmp_path) as api:
        assert httpx.get(f"{api.url}/v1/health/ready").json()["is_ready"]
        api.process.terminate()
        assert api.process.wait(15) == 0


def test_a_port_in_use_is_an_error(tmp_path: Path) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        found = start(tmp_path, port=str(taken.getsockname()[1]))
    assert found.returncode not in {0, 2}
    assert "address already in use" in found.stderr


def test_every_route_says_what_it_needs(service: Service) -> None:
    routes = [route for module in ROUTERS for route in module.router.routes]
    assert all(isinstance(route, GuardedRoute) for route in routes)
    described = list(operations(service.app.openapi()))
    assert len(routes) >= len(described) > 20
    assert any(isinstance(route, Mount) for route in service.app.routes)
