"""The process of one job: job on stdin, events out, result into a folder.

    python -m worker.job --out FOLDER --events-fd N [--pipeline MODULE:FUNCTION] < job.json

It knows no database, broker or settings.  Each event is one line of JSON: ``progress``, then one of
``done``, ``failed``, ``out_of_memory``, ``disk_full``.  No last event means that it died.
"""

from __future__ import annotations

import argparse
import errno
import importlib
import json
import os
import resource
import signal
import sys
import time
from pathlib import Path
from secrets import token_hex
from types import FrameType
from typing import Any, NoReturn, cast

import structlog

from shared.errors import FirstpourError
from shared.logs import configure_logs
from shared.states import Stage
from worker import failures
from worker.failures import Failure
from worker.job_records import AnyJob, JobResult, Pipeline, job_from_json
from worker.parent import end_with_parent
from worker.threads import limit_open3d_threads

PIPELINE = "worker.pipeline:inspect"
PIPELINES = {"inspect": PIPELINE, "detect_features": "worker.detecting:detect"}  # by task
PROGRESS_EVERY_S = 0.05
DISK_FULL = frozenset({errno.ENOSPC, errno.EDQUOT})

log = structlog.get_logger()


class Events:
    """Writes events to the parent; a parent that is gone ends the process."""

    def __init__(self, descriptor: int) -> None:
        self._descriptor = descriptor
        self._last_stage: Stage | None = None
        self._last_s = 0.0

    def progress(self, stage: Stage, share_of_stage: float, /) -> None:
        """As :class:`worker.job_records.Progress`; what comes too fast for anyone to see is dropped."""
        now = time.monotonic()
        if stage != self._last_stage or now - self._last_s > PROGRESS_EVERY_S:
            self._last_stage, self._last_s = stage, now
            self._write("progress", stage=stage.value, share=float(share_of_stage))

    def done(self, result: JobResult) -> None:
        """The result lies in the folder."""
        self._write("done", outcome=result.outcome, headline=result.headline)

    def failed(self, failure: Failure) -> None:
        """No result, for a reason that can be told."""
        self._write("failed", **failure.to_row())

    def out_of_memory(self) -> None:
        """No result, because an allocation was refused."""
        self._write("out_of_memory")

    def disk_full(self) -> None:
        """No result, because a file could not be written."""
        self._write("disk_full")

    def _write(self, event: str, **fields: Any) -> None:
        line = json.dumps({"event": event, **fields}).encode() + b"\n"
        while line:
            line = line[os.write(self._descriptor, line) :]


def run(job: AnyJob, out_dir: Path, pipeline: str, events: Events) -> None:
    """Run the pipeline and say how it ended; one that cannot even be imported is a fault of ours like any other."""
    try:
        result = load_pipeline(pipeline)(job, out_dir=out_dir, progress=events.progress)
        _require_files(job, out_dir)
    except FirstpourError as error:
        events.failed(failures.of_error(error))
    except MemoryError:
        events.out_of_memory()
    except Exception as error:  # the edge of the job: everything not foreseen is a fault of ours
        if isinstance(error, OSError) and error.errno in DISK_FULL:
            events.disk_full()
            return
        reference = token_hex(4)
        log.exception("job_failed", reference=reference)
        events.failed(failures.internal_error(reference))
    else:
        events.done(result)


def load_pipeline(name: str) -> Pipeline:
    """Find ``module:function``."""
    module, _, function = name.partition(":")
    return cast("Pipeline", getattr(importlib.import_module(module), function))


def limit_memory(limit_bytes: int) -> None:
    """Have allocations beyond ``limit_bytes`` refused, unless a stricter limit is set already."""
    _, strictest = resource.getrlimit(resource.RLIMIT_DATA)
    if strictest == resource.RLIM_INFINITY or limit_bytes < strictest:
        resource.setrlimit(resource.RLIMIT_DATA, (limit_bytes, limit_bytes))


def _require_files(job: AnyJob, out_dir: Path) -> None:
    missing = [name for name in job.writes if not (out_dir / name).is_file()]
    if missing:
        raise RuntimeError(f"the pipeline ended without {' and '.join(missing)}")


def _leave(_number: int, _frame: FrameType | None) -> NoReturn:
    raise SystemExit(1)  # the soft limit: temporary folders are removed on the way out


def _options(arguments: list[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m worker.job", description="Run one job.")
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--events-fd", type=int, required=True)
    parser.add_argument("--pipeline", help="default: the one of its task")
    parser.add_argument("--parent-pid", type=int, required=True)
    parser.add_argument("--memory-limit-bytes", type=int, required=True)
    return parser.parse_args(arguments)


def main(arguments: list[str] | None = None) -> None:
    """Run the job on stdin."""
    options = _options(arguments)
    end_with_parent(options.parent_pid, signal.SIGKILL)
    signal.signal(signal.SIGTERM, _leave)
    limit_memory(options.memory_limit_bytes)
    configure_logs()
    job = job_from_json(sys.stdin.buffer.read())
    structlog.contextvars.bind_contextvars(job_id=job.job_id, request_id=job.request_id)
    events = Events(options.events_fd)
    limit_open3d_threads(job.thread_count)
    run(job, options.out, options.pipeline or PIPELINES[job.task], events)
    sys.stderr.flush()
    os._exit(0)  # native libraries may crash while they are unloaded; everything is written


if __name__ == "__main__":
    main()
