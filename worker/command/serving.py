"""``firstpour serve``: the service on one machine, HTTP and workers as processes of their own.

They are started as modules, so that neither side is imported here, are started again when they die,
and end with this process however it ends.
"""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import threading
import time
import urllib.error
import urllib.request
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

from pydantic import ValidationError

from shared.errors import RequestInvalid
from shared.settings import PREFIX, Settings, UnknownSetting, load_settings
from worker.command import talking
from worker.exit_codes import ExitCode

READY_WITHIN_S = 60.0
STOP_WITHIN_S = 20.0  # the API gives answers under way 10 s
LOOK_EVERY_S = 0.25
LONGEST_PAUSE_S = 30.0
LOG_LIMIT_BYTES = 50 * 1024 * 1024
LINES_SHOWN = 5
SOUND_AFTER_S = 10.0  # a process that lived this long did not die of its set-up


@dataclass(frozen=True, kw_only=True)
class Wanted:
    """What the command line says; None leaves it to the settings."""

    host: str | None
    port: int | None
    data_dir: Path | None
    workers: int


@dataclass(eq=False)
class Kept:
    """A process that is started again when it dies, after a pause that doubles while it dies young."""

    name: str
    start: Callable[[], subprocess.Popen[bytes]]
    process: subprocess.Popen[bytes] = field(init=False)
    _pause_s: float = 1.0
    _started_s: float = 0.0
    _again_at_s: float | None = None

    def __post_init__(self) -> None:
        self._begin()

    def look(self) -> None:
        """Start it again if it died and the pause is over."""
        now = time.monotonic()
        if self.process.poll() is None:
            return
        if self._again_at_s is None:
            lived_s = now - self._started_s
            self._pause_s = 1.0 if lived_s > SOUND_AFTER_S else min(2 * self._pause_s, LONGEST_PAUSE_S)
            self._again_at_s = now + self._pause_s
            status = self.process.returncode
            talking.note(f"The {self.name} ended (status {status}); starting it again in {self._pause_s:.0f} s.")
        elif now >= self._again_at_s:
            self._begin()

    def _begin(self) -> None:
        self.process = self.start()
        self._started_s, self._again_at_s = time.monotonic(), None


def serve_here(wanted: Wanted) -> ExitCode:
    """Serve until told to stop."""
    settings = _settings(wanted)
    environment = _environment(settings)
    stopping = _stop_on_signals()
    log = _fresh_log(settings.data_dir)
    old_bytes = log.stat().st_size
    kept: list[Kept] = []
    try:
        kept.append(Kept("API", lambda: _start("api", environment, log)))
        if not _wait_until_ready(settings, kept[0], stopping):
            return ExitCode.CONFORMS if stopping.is_set() else _say_why(log, old_bytes)
        kept += [Kept("worker", lambda: _start("worker", environment, log)) for _ in range(wanted.workers)]
        sys.stdout.write(f"Firstpour is at {address(settings)}/ (Ctrl-C stops it; its log is {log})\n")
        sys.stdout.flush()
        while not stopping.wait(LOOK_EVERY_S):
            for each in kept:
                each.look()
    finally:
        _stop_all([each.process for each in kept])
    return ExitCode.CONFORMS


def address(settings: Settings) -> str:
    """Where the service listens."""
    host = f"[{settings.host}]" if ":" in settings.host else settings.host
    return f"http://{host}:{settings.port}"


def _settings(wanted: Wanted) -> Settings:
    given: dict[str, Any] = {"host": wanted.host, "port": wanted.port, "data_dir": wanted.data_dir}
    given = {name: value for name, value in given.items() if value is not None}
    settings = given_settings({**given, "worker_processes": wanted.workers})
    port = _usable_port(settings.host, settings.port)
    return settings.model_copy(update={"port": port, "data_dir": settings.data_dir.resolve()})


def given_settings(given: Mapping[str, Any]) -> Settings:
    """Settings of the environment, with what the command line says; raises RequestInvalid."""
    try:
        load_settings()  # refuses misspelt variables
        return Settings(**given)
    except UnknownSetting as error:
        raise RequestInvalid(f"{error}.", advice="Correct the name or unset the variable.") from error
    except ValidationError as error:
        faults = "; ".join(f"{PREFIX}{str(one['loc'][0]).upper()}: {one['msg']}" for one in error.errors())
        raise RequestInvalid(f"A setting is wrong: {faults}.", advice="Correct the variable or the option.") from error


def _environment(settings: Settings) -> Mapping[str, str]:
    """Ours with the settings of the command line."""
    own = {"host": settings.host, "port": settings.port, "data_dir": settings.data_dir}
    own["worker_processes"] = settings.worker_processes
    return {**os.environ, **{PREFIX + name.upper(): str(value) for name, value in own.items()}}


def _fresh_log(data_dir: Path) -> Path:
    """The log of API and workers; one that grew large is kept aside once."""
    path = data_dir / "firstpour.log"
    try:
        data_dir.mkdir(parents=True, exist_ok=True)
        if path.exists() and path.stat().st_size > LOG_LIMIT_BYTES:
            path.replace(path.with_suffix(".log.old"))
        path.touch()
    except OSError as error:
        raise RequestInvalid(
            f"The folder {data_dir} cannot be written: {error.strerror}.", advice="Choose another with --data-dir."
        ) from error
    return path


def _start(module: str, environment: Mapping[str, str], log: Path) -> subprocess.Popen[bytes]:
    """Start a module tied to our life, in a session of its own: Ctrl-C reaches us alone."""
    python = [sys.executable, "-P", "-m"]
    command = [*python, "worker.parent", str(os.getpid()), *python, module]
    with log.open("ab") as stream:
        return subprocess.Popen(
            command,
            env=environment,
            stdin=subprocess.DEVNULL,
            stdout=stream,
            stderr=stream,
            start_new_session=True,
        )


def _say_why(log: Path, old_bytes: int) -> ExitCode:
    """The last lines of the log beyond ``old_bytes``, after a start that failed."""
    talking.note(f"firstpour: the service did not start. The end of {log}:")
    for line in log.read_bytes()[old_bytes:].decode(errors="replace").splitlines()[-LINES_SHOWN:]:
        talking.note(f"  {line}")
    return ExitCode.FAILED


def _stop_on_signals() -> threading.Event:
    stopping = threading.Event()

    def stop(_number: int, _frame: FrameType | None) -> None:
        stopping.set()

    for number in (signal.SIGINT, signal.SIGTERM):
        signal.signal(number, stop)
    return stopping


def _wait_until_ready(settings: Settings, api: Kept, stopping: threading.Event) -> bool:
    """Wait for the API to take work; False if it ended, took too long or we were told to stop."""
    end = time.monotonic() + READY_WITHIN_S
    while time.monotonic() < end and not stopping.wait(LOOK_EVERY_S):
        if api.process.poll() is not None:
            return False
        with suppress(OSError), urllib.request.urlopen(f"{address(settings)}/v1/health/ready", timeout=2) as answer:  # noqa: S310 - http by construction
            if answer.status == 200:
                return True
    return False


def _stop_all(processes: list[subprocess.Popen[bytes]]) -> None:
    """Ask all to stop, then insist."""
    for process in processes:
        process.terminate()
    end = time.monotonic() + STOP_WITHIN_S
    for process in processes:
        try:
            process.wait(timeout=max(0.1, end - time.monotonic()))
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def _usable_port(host: str, port: int) -> int:
    """The port itself, or any free one for 0; raises RequestInvalid when it cannot be listened on."""
    try:
        family, _, _, _, place = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        with socket.socket(family, socket.SOCK_STREAM) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            probe.bind(place)
            return int(probe.getsockname()[1])
    except OSError as error:
        raise RequestInvalid(
            f"Cannot listen on {host}:{port}: {error.strerror or error}.",
            advice="Choose another port with --port, or --port 0 for any free one; or stop what runs there.",
        ) from error
