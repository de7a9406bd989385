"""``firstpour serve`` as a person starts it."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import httpx
import pytest

from shared.settings import PREFIX
from tests.support.services import children_of, free_port, is_alive, serving, wait_for

SERVE = (sys.executable, "-P", "-m", "worker.command.main", "serve")


def log_of(folder: Path) -> str:
    return (folder / "firstpour.log").read_text()


def wait_for_workers(folder: Path, count: int) -> None:
    wait_for(lambda: log_of(folder).count("worker_ready") == count, f"{count} workers are ready")


def test_it_answers_starts_a_dead_worker_again_and_ends_cleanly_on_ctrl_c(tmp_path: Path) -> None:
    with serving(tmp_path) as (process, address):
        assert httpx.get(f"{address}/v1/health/ready").status_code == 200
        wait_for_workers(tmp_path, 1)
        api, worker = children_of(process.pid)
        os.kill(worker, signal.SIGKILL)
        wait_for_workers(tmp_path, 2)
        started = children_of(process.pid)
        assert api in started
        assert worker not in started
        process.send_signal(signal.SIGINT)
        assert process.wait(timeout=30) == 0
        assert not any(map(is_alive, started))


def test_nothing_outlives_it_even_if_it_is_killed(tmp_path: Path) -> None:
    with serving(tmp_path) as (process, _):
        started = children_of(process.pid)
        assert len(started) == 2
        process.kill()
        process.wait()
        wait_for(lambda: not any(map(is_alive, started)), "API and worker ended")


def refused(*options: str, **settings: str) -> str:
    """What serve says when it cannot start."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith(PREFIX)}
    environment = kept | {PREFIX + name: value for name, value in settings.items()}
    result = subprocess.run(
        [*SERVE, *options], check=False, capture_output=True, text=True, timeout=60, env=environment
    )
    assert result.returncode == 2
    assert "Traceback" not in result.stderr
    return result.stderr


def test_a_port_in_use_is_named(tmp_path: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "http.server", "--bind", "127.0.0.1", str(port := free_port())]
    ) as other:
        try:
            wait_for(lambda: _listens(port), "somebody listens")
            said = refused("--port", str(port), "--data-dir", str(tmp_path))
        finally:
            other.kill()
    assert f"127.0.0.1:{port}" in said
    assert "--port" in said


def _listens(port: int) -> bool:
    try:
        return httpx.get(f"http://127.0.0.1:{port}/").status_code == 200
    except httpx.TransportError:
        return False


@pytest.mark.parametrize(
    ("settings", "words"),
    [
        ({"LEASE_SECONDS": "5"}, "FIRSTPOUR_LEASE_SECONDS"),
        ({"LEASE_S": "long"}, "FIRSTPOUR_LEASE_S"),
        ({"HOST": "192.0.2.1"}, "192.0.2.1"),
        ({"DATA_DIR": "/proc/nowhere"}, "--data-dir"),
    ],
)
def test_a_wrong_setting_is_named(settings: dict[str, str], words: str, tmp_path: Path) -> None:
    assert words in refused("--port", "0", **({"DATA_DIR": str(tmp_path)} | settings))
