"""Runs one job in a fresh process of its own, and watches it.

Chosen by ``python -m tests.benchmarks.pools`` (Celery 5.7, Open3D 0.20, two busy cores; normals and
ICP on 200,000 points):

=========================  =======  ==================  ============  =======================
pool                       threads  heartbeat silent s  keeps MiB     after kill -9 at work
=========================  =======  ==================  ============  =======================
prefork                    1.8      5.4 to 7.6          250 to 280    the worker goes on
solo                       1.9      4.9                 165           the worker is gone
threads                    1.8      7.8                 168           the worker is gone
solo, a process a job      2.0      0.3                 98            the worker goes on
=========================  =======  ==================  ============  =======================

Native code keeps the interpreter lock, so that a heartbeat beside it in the same process falls
silent for as long as a call lasts: minutes on large scans.  From outside, the heartbeat, the limits on
time and memory and the wish to cancel do not depend on it; a crash ends one job; its memory goes
back; and nothing is forked after Open3D was imported (a fork of a process that has used it computes
on one thread without a word: 1.00 threads against 1.86).  The price is the import, 1.5 s alone.
"""

from __future__ import annotations

import json
import math
import os
import selectors
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

from shared.settings import PREFIX
from shared.states import Stage
from worker import failures
from worker.failures import Failure
from worker.job_records import AnyJob, job_to_json
from worker.progress import overall_share
from worker.threads import thread_environment

TICK_S = 0.25  # how often limits and the watch are looked at
UNLIMITED = 1 << 62
REFUSE_ABOVE = 1.25  # allocations are refused above this multiple of the limit; below, the tick finds it first


@dataclass(frozen=True, kw_only=True)
class JobLimits:
    """Time and memory one job may take.  ``memory_bytes`` counts resident memory of the job and its readers."""

    soft_time_s: float = math.inf
    hard_time_s: float = math.inf
    memory_bytes: int = UNLIMITED


@dataclass(frozen=True)
class Done:
    """The result lies in the folder.

    stage_s : seconds each stage took, by name
    """

    outcome: str
    headline: str
    stage_s: Mapping[str, float] = field(default_factory=dict, compare=False)


@dataclass(frozen=True)
class Stopped:
    """The watch said stop."""


JobEnd = Done | Failure | Stopped
Watch = Callable[[Stage | None, float], bool]
"""Called at every tick with stage and overall progress; False stops the job."""


@dataclass(frozen=True, kw_only=True)
class JobPlace:
    """Folders of one job: ``out_dir`` gets the result, ``scratch_dir`` takes temporary files.

    log_path : where the job's log goes, by default to our own stderr
    pipeline : ``module:function`` to run in place of the job's own
    """

    out_dir: Path
    scratch_dir: Path
    log_path: Path | None = None
    pipeline: str | None = None


def run_job(job: AnyJob, place: JobPlace, limits: JobLimits, watch: Watch) -> JobEnd:
    """Run ``job`` to its end in a process of its own.

    Returns a Failure with ``is_passing`` if the process died.  Whatever happens, no process of the
    job is left when this returns.
    """
    with _started(job, place, limits) as (process, reader):
        return _Watching(process, reader, limits).until_end(watch)


class _Watching:
    def __init__(self, process: subprocess.Popen[bytes], reader: _EventReader, limits: JobLimits) -> None:
        self._process, self._reader, self._limits = process, reader, limits
        self._begin = self._stage_begin = time.monotonic()
        self._stage_s: dict[str, float] = {}
        self._is_told_to_end = False
        self._stage: Stage | None = None
        self._progress = 0.0
        self._last: JobEnd | None = None

    def until_end(self, watch: Watch) -> JobEnd:
        while True:
            self._take_events()
            if self._last is not None:
                return self._last
            if self._process.poll() is not None and not self._take_events():
                return self._last or self._death(self._process.returncode)
            if not watch(self._stage, self._progress):
                return Stopped()
            exceeded = self._exceeded()
            if exceeded is not None:
                return exceeded

    def _take_events(self) -> bool:
        events = self._reader.read()
        for event in events:
            self._take(event)
        return bool(events)

    def _take(self, event: dict[str, Any]) -> None:
        kind = event.pop("event")
        if kind == "progress":
            stage = Stage(event["stage"])
            self._enter(stage)
            self._progress = overall_share(stage, event["share"])
        elif kind == "done":
            self._enter(None)
            self._last = Done(**event, stage_s=self._stage_s)
        elif kind == "failed":
            self._last = Failure(**event)
        elif kind == "disk_full":
            self._last = failures.disk_full(self._stage)
        else:
            self._last = failures.memory_exceeded(self._limits.memory_bytes, self._stage)

    def _enter(self, stage: Stage | None) -> None:
        now = time.monotonic()
        if self._stage is not None:
            self._stage_s[self._stage.value] = self._stage_s.get(self._stage.value, 0.0) + now - self._stage_begin
        self._stage, self._stage_begin = stage, now

    def _exceeded(self) -> Failure | None:
        elapsed = time.monotonic() - self._begin
        if elapsed > self._limits.hard_time_s:
            return failures.time_exceeded(self._limits.hard_time_s, self._stage)
        if elapsed > self._limits.soft_time_s and not self._is_told_to_end:
            self._is_told_to_end = True
            self._process.terminate()
        if resident_bytes(self._process.pid) > self._limits.memory_bytes:
            return failures.memory_exceeded(self._limits.memory_bytes, self._stage)
        return None

    def _death(self, exit_status: int) -> Failure:
        if self._is_told_to_end:
            return failures.time_exceeded(self._limits.soft_time_s, self._stage)
        return failures.worker_died(exit_status, self._stage)


class _EventReader:
    """Lines of JSON from the pipe; waits up to one tick for the first."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._is_open = True
        self._rest = b""
        self._selector = selectors.DefaultSelector()
        self._selector.register(descriptor, selectors.EVENT_READ)

    def read(self) -> list[dict[str, Any]]:
        if not self._is_open:
            time.sleep(TICK_S)  # the pipe is closed, the process is about to end
        elif self._selector.select(TICK_S):
            data = os.read(self._descriptor, 65536)
            self._is_open = bool(data)
            *lines, self._rest = (self._rest + data).split(b"\n")
            return [json.loads(line) for line in lines]
        return []

    def close(self) -> None:
        self._selector.close()
        os.close(self._descriptor)


@contextmanager
def _started(job: AnyJob, place: JobPlace, limits: JobLimits) -> Iterator[tuple[subprocess.Popen[bytes], _EventReader]]:
    read_end, write_end = os.pipe()
    reader = _EventReader(read_end)
    try:
        process = _start(job, place, limits, write_end)
    finally:
        os.close(write_end)
    try:
        yield process, reader
    finally:
        _kill_all(process)
        reader.close()


def _start(job: AnyJob, place: JobPlace, limits: JobLimits, write_end: int) -> subprocess.Popen[bytes]:
    """Start the process in a session of its own: Ctrl-C at the worker's terminal must not reach it."""
    command = [sys.executable, "-P", "-m", "worker.job", "--out", str(place.out_dir)]
    command += [] if place.pipeline is None else ["--pipeline", place.pipeline]
    command += ["--events-fd", str(write_end), "--parent-pid", str(os.getpid())]
    command += ["--memory-limit-bytes", str(min(UNLIMITED, int(REFUSE_ABOVE * limits.memory_bytes)))]
    with tempfile.TemporaryFile() as job_file, _log_file(place) as log_file:
        job_file.write(job_to_json(job))
        job_file.seek(0)  # a file and not a pipe: a process that dies at once must not block us
        return subprocess.Popen(
            command,
            stdin=job_file,
            stdout=subprocess.DEVNULL,
            stderr=log_file,
            pass_fds=(write_end,),
            start_new_session=True,
            env=_environment(job.thread_count, place.scratch_dir),
        )


def _environment(thread_count: int, scratch_dir: Path) -> dict[str, str]:
    """Ours without the deployment's settings: the job needs no passwords."""
    kept = {name: value for name, value in os.environ.items() if not name.startswith(PREFIX)}
    fixed = {"TMPDIR": str(scratch_dir), "PYTHONFAULTHANDLER": "1", "PYTHONHASHSEED": "0", "MPLBACKEND": "Agg"}
    return {**kept, **fixed, **thread_environment(thread_count)}


def _log_file(place: JobPlace) -> AbstractContextManager[BinaryIO | None]:
    return nullcontext() if place.log_path is None else place.log_path.open("wb")


def _kill_all(process: subprocess.Popen[bytes]) -> None:
    """End the process and the readers it started, which have sessions of their own."""
    pids = [process.pid, *_children(process.pid)]
    for pid in pids if process.poll() is None else []:
        with suppress(ProcessLookupError):
            os.kill(pid, signal.SIGKILL)
    process.wait()


def resident_bytes(pid: int) -> int:
    """Resident memory of a process and its children; 0 where the system does not say (not Linux)."""
    return sum(map(_resident_of_one, [pid, *_children(pid)]))


def _children(pid: int) -> list[int]:
    with suppress(OSError):
        return [int(child) for child in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]
    return []


def _resident_of_one(pid: int) -> int:
    with suppress(OSError, IndexError):
        return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE")
    return 0
