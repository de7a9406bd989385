"""``python -m api`` as a process of its own, to be killed."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx

START_TIMEOUT_S = 60


@dataclass(frozen=True)
class ApiProcess:
    """A running service."""

    url: str
    process: subprocess.Popen[bytes]

    def kill(self) -> None:
        """As a power cut would."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def peak_memory_bytes(self) -> int:
        """Most memory it ever held resident."""
        status = Path(f"/proc/{self.process.pid}/status").read_text(encoding="ascii")
        line = next(line for line in status.splitlines() if line.startswith("VmHWM:"))
        return int(line.split()[1]) * 1024


def free_port() -> int:
    """A port nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port


def environment(folder: Path, **settings: str) -> dict[str, str]:
    """Environment of a service in that folder."""
    given = {f"FIRSTPOUR_{name.upper()}": value for name, value in settings.items()}
    return {**os.environ, "FIRSTPOUR_DATA_DIR": str(folder), **given}


@contextmanager
def api_process(folder: Path, **settings: str) -> Iterator[ApiProcess]:
    """Start it, wait until it lives, end it."""
    port = free_port()
    process = subprocess.Popen(
        [sys.executable, "-m", "api"], env=environment(folder, port=str(port), **settings), stderr=subprocess.DEVNULL
    )
    url = f"http://127.0.0.1:{port}"
    try:
        _wait_until_live(url)
        yield ApiProcess(url, process)
    finally:
        process.terminate()
        process.wait(20)


def _wait_until_live(url: str) -> None:
    deadline_s = time.monotonic() + START_TIMEOUT_S
    while True:
        try:
            httpx.get(f"{url}/v1/health/live")
        except httpx.TransportError:
            if time.monotonic() > deadline_s:
                raise
            time.sleep(0.1)
        else:
            return
