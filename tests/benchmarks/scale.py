"""How jobs a second grow with worker processes, and what a job costs beside its own work.

    .venv/bin/python -m tests.benchmarks.scale [--jobs 24] [--seconds 2]

Redis, PostgreSQL, the API and 1, 2 and 4 workers.  Each job sleeps instead of measuring, so that what is
seen is queue, lease, process and publishing, and not whose turn it is on the cores.  A worker does one
job at a time, hence the model: jobs a second = workers / (seconds + overhead), up to the rate at which
the cores can pay the overhead's processor time.
"""

from __future__ import annotations

import argparse
import os
import resource
import tempfile
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

from rich.console import Console
from rich.table import Table

from tests.support.postgres import fresh_database, postgres_server
from tests.support.services import Service, redis_server, running_service, wait_for

WORKER_COUNTS = (1, 2, 4)
WITHIN_S = 3600.0


@dataclass(frozen=True)
class Measured:
    """One run."""

    worker_count: int
    wall_s: float
    processor_s: float
    job_count: int
    job_s: float

    @property
    def overhead_s(self) -> float:
        """What a worker spends on a job beside the job."""
        return self.wall_s * self.worker_count / self.job_count - self.job_s


def measure(folder: Path, worker_count: int, job_count: int, job_s: float) -> Measured:
    """Let so many workers do so many jobs that were all there before the first began."""
    before_s = _children_processor_s()
    with _service(folder, worker_count) as service:
        with ThreadPoolExecutor(4) as pool:
            ids = list(pool.map(service.order, [f"slow {job_s}"] * job_count))
        with ExitStack() as workers:
            for _ in range(worker_count):
                workers.enter_context(service.worker())
            wait_for(lambda: _count(service, "queued") < job_count, "the first job began", WITHIN_S)
            begin_s = time.monotonic()
            wait_for(lambda: _count(service, "done") == len(ids), "all jobs are done", WITHIN_S)
            wall_s = time.monotonic() - begin_s
    return Measured(worker_count, wall_s, _children_processor_s() - before_s, job_count, job_s)


@contextmanager
def _service(folder: Path, worker_count: int) -> Iterator[Service]:
    with (
        redis_server() as redis,
        postgres_server() as postgres,
        running_service(
            folder,
            database_url=fresh_database(postgres.url),
            broker_url=redis.url,
            worker_processes=str(worker_count),
            lease_s="60",
            heartbeat_s="15",
        ) as service,
    ):
        yield service


def _count(service: Service, state: str) -> int:
    with service.client as client:
        return len(client.get(f"/v1/inspections?state={state}&limit=100").raise_for_status().json()["items"])


def _children_processor_s() -> float:
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def _show(runs: list[Measured]) -> None:
    table = Table(
        "workers", "jobs a second", "overhead a job s", "processor s a job, set-up included", "model jobs a second"
    )
    one = runs[0]
    for run in runs:
        model = run.worker_count / (run.job_s + one.overhead_s)
        figures = (run.job_count / run.wall_s, run.overhead_s, run.processor_s / run.job_count, model)
        table.add_row(str(run.worker_count), *(f"{figure:.2f}" for figure in figures))
    Console().print(table)
    Console().print(f"{os.cpu_count()} cores, load average {os.getloadavg()[0]:.1f}")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.scale", description=__doc__)
    parser.add_argument("--jobs", type=int, default=24, help="at most 100")
    parser.add_argument("--seconds", type=float, default=2.0, help="length of a job")
    parser.add_argument("--workers", type=int, nargs="+", default=WORKER_COUNTS, help="how many, run by run")
    options = parser.parse_args()
    runs = []
    for worker_count in options.workers:
        with tempfile.TemporaryDirectory(prefix="firstpour-scale-") as folder:
            runs.append(measure(Path(folder), worker_count, options.jobs, options.seconds))
    _show(runs)


if __name__ == "__main__":
    main()
