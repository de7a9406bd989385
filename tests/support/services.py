"""API and workers as real processes on a free port, for tests over HTTP."""

from __future__ import annotations

import itertools
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import httpx
import pytest

from shared.settings import PREFIX, Settings
from tests.support import fake_pipeline

WITHIN_S = 240.0  # the machine may be very busy; nothing here takes more than a few seconds
QUICK = {"lease_s": "3", "heartbeat_s": "1", "sweep_every_s": "1"}  # so that what was lost comes back soon
SERVED = re.compile(rb"Firstpour is at (http://\S+)/ ")
STL = b"solid invented\nendsolid invented\n"
LOOPBACK = "127.0.0.1"
ORDER_NUMBERS = itertools.count()


def free_port() -> int:
    """A port nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def wait_for(condition: Callable[[], Any], what: str, within_s: float = WITHIN_S) -> Any:
    """Wait until ``condition`` gives something true, and return it."""
    end = time.monotonic() + within_s
    while time.monotonic() < end:
        found = condition()
        if found:
            return found
        time.sleep(0.05)
    raise AssertionError(f"not within {within_s} s: {what}")


def children_of(pid: int) -> list[int]:
    """Processes started by this one."""
    with suppress(OSError):
        return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    return []


def is_alive(pid: int) -> bool:
    """Whether the process runs; one that only waits to be reaped does not."""
    with suppress(OSError):
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] != "Z"
    return False


@dataclass(eq=False)
class Service:
    """One deployment: its environment, its API, its workers."""

    folder: Path
    environment: dict[str, str]
    port: int
    processes: list[subprocess.Popen[bytes]] = field(default_factory=list)

    @property
    def settings(self) -> Settings:
        """The settings its processes read."""
        own = {k[len(PREFIX) :].lower(): v for k, v in self.environment.items() if k.startswith(PREFIX)}
        return Settings(**own)  # type: ignore[arg-type]  # pydantic reads the strings

    @property
    def client(self) -> httpx.Client:
        """Talks to the API."""
        return httpx.Client(base_url=f"http://127.0.0.1:{self.port}", timeout=20)

    def start(self, *module: str, on_host: tuple[str, ...] = ()) -> subprocess.Popen[bytes]:
        """Start a module of Firstpour; its output goes to the log."""
        command = [*on_host, sys.executable, "-P", "-m", *module]
        with (self.folder / "log").open("ab") as log:
            process = subprocess.Popen(command, env=self.environment, stdout=log, stderr=log)
        self.processes.append(process)
        return process

    def start_api(self) -> None:
        """Start the API and wait until it takes work."""
        self.start("api")
        wait_for(self.is_ready, "the API is ready")

    def is_ready(self) -> bool:
        """Whether the API takes work."""
        with suppress(httpx.TransportError), self.client as client:
            return client.get("/v1/health/ready").status_code == 200
        return False

    @contextmanager
    def worker(self, pipeline: str = fake_pipeline.NAME) -> Iterator[subprocess.Popen[bytes]]:
        """A worker, by default with the fake pipeline, for a while."""
        process = self.start("worker", "--pipeline", pipeline)
        try:
            yield process
        finally:
            stop(process)

    def order(self, title: str) -> str:
        """Order an inspection; its id."""
        return str(self.ordered(title).json()["id"])

    def ordered(self, title: str) -> httpx.Response:
        """Upload two files, no two orders the same, and order an inspection; the answer."""
        own = STL + b"\n" * next(ORDER_NUMBERS)
        with self.client as client:
            ids = [
                client.post(f"/v1/uploads?name={name}", content=own).raise_for_status().json()["id"]
                for name in ("nominal.stl", "scan.stl")
            ]
            wanted = {"title": title, "nominal_upload_id": ids[0], "scan_upload_id": ids[1]}
            wanted |= {"nominal_unit": "mm", "scan_unit": "mm"}
            return client.post("/v1/inspections", json=wanted).raise_for_status()

    def get(self, inspection_id: str) -> dict[str, Any]:
        """An inspection as the API shows it."""
        with self.client as client:
            found: dict[str, Any] = client.get(f"/v1/inspections/{inspection_id}").raise_for_status().json()
        return found

    def wait_until_final(self, inspection_id: str) -> dict[str, Any]:
        """Wait for the end of an inspection."""

        def final() -> dict[str, Any] | None:
            found = self.get(inspection_id)
            return found if found["state"] in {"done", "failed", "cancelled"} else None

        found: dict[str, Any] = wait_for(final, f"{inspection_id} is final")
        return found

    def wait_until_measuring(self, inspection_id: str) -> None:
        """Wait until the pipeline is under way."""
        wait_for(lambda: self.get(inspection_id)["stage"] == "read", f"{inspection_id} is under way")

    def job_of(self, worker: subprocess.Popen[bytes]) -> int:
        """Process id of the job a worker runs."""
        return int(wait_for(lambda: children_of(worker.pid), "the worker runs a job")[0])

    def stop_all(self) -> None:
        """Stop what still runs."""
        for process in reversed(self.processes):
            stop(process)


def stop(process: subprocess.Popen[bytes]) -> None:
    """Ask a process to end, then insist."""
    if process.poll() is None:
        process.send_signal(signal.SIGTERM)
    try:
        process.wait(timeout=15)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


@contextmanager
def running_service(folder: Path, **settings: str) -> Iterator[Service]:
    """API with the given settings, no worker yet."""
    port = free_port()
    own = {**QUICK, "data_dir": str(folder / "var"), "port": str(port), **settings}
    kept = {name: value for name, value in os.environ.items() if not name.startswith(PREFIX)}
    service = Service(folder, kept | {PREFIX + name.upper(): value for name, value in own.items()}, port)
    try:
        service.start_api()
        yield service
    finally:
        service.stop_all()


@contextmanager
def serving(folder: Path, *options: str) -> Iterator[tuple[subprocess.Popen[bytes], str]]:
    """``firstpour serve`` as a person starts it: the process and the address it says."""
    command = [sys.executable, "-P", "-m", "worker.command.main", "serve", "--port", "0", "--data-dir", str(folder)]
    process = subprocess.Popen([*command, *options], stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    if process.stdout is None:
        raise AssertionError("a pipe was asked for")
    try:
        found = SERVED.search(process.stdout.readline())
        if found is None:
            raise AssertionError(process.stdout.read().decode())
        yield process, found[1].decode()
    finally:
        stop(process)
        process.stdout.close()


@dataclass(eq=False)
class Redis:
    """A Redis server that keeps nothing on the disk."""

    folder: Path
    address: str
    port: int = field(default_factory=free_port)
    process: subprocess.Popen[bytes] = field(init=False)

    def __post_init__(self) -> None:
        self.start()

    @property
    def url(self) -> str:
        """Its address."""
        return f"redis://{self.address}:{self.port}/0"

    def start(self) -> None:
        """Start it, empty, and wait until it answers."""
        addresses = dict.fromkeys([LOOPBACK, self.address])  # the test itself may reach loopback only
        place = ["--bind", *addresses, "--port", str(self.port), "--dir", str(self.folder)]
        command = ["redis-server", *place, "--save", "", "--protected-mode", "no"]
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        wait_for(lambda: _answers(self.port), "redis answers")

    def kill(self) -> None:
        """As a power cut would: every message is gone."""
        self.process.kill()
        self.process.wait()


@contextmanager
def redis_server(address: str = LOOPBACK) -> Iterator[Redis]:
    """A Redis server of our own; it and its data are gone afterwards."""
    if shutil.which("redis-server") is None:
        pytest.skip("no redis-server installed")
    with tempfile.TemporaryDirectory(prefix="firstpour-redis-") as name:
        server = Redis(Path(name), address)
        try:
            yield server
        finally:
            stop(server.process)


@contextmanager
def temporary_redis() -> Iterator[str]:
    """Address of a Redis server of our own."""
    with redis_server() as server:
        yield server.url


def _answers(port: int) -> bool:
    with suppress(OSError), socket.create_connection((LOOPBACK, port), timeout=1):
        return True
    return False
