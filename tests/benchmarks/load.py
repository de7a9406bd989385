"""State reads, a large upload and busy workers at once: waits, rates, and the memory of the API.

    .venv/bin/python -m tests.benchmarks.load [--gib 1] [--pollers 200] [--seconds 30] [--workers 2]

Redis, PostgreSQL, the API and workers that compute without end, all on this machine.  Pollers ask for the
state of one inspection, one after the other each, while one file is sent; they go on until it is there and
so many seconds are over.  The same bytes are also written to the same disk with one fsync, before anything
else runs.  Pollers and sender share the cores with what they measure: on a small machine much of a
wait is theirs.  Resident memory is of the API's process, read ten times a second.
"""

from __future__ import annotations

import argparse
import asyncio
import os
import statistics
import tempfile
import time
from collections.abc import AsyncIterator, Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass
from pathlib import Path

import httpx
from rich.console import Console
from rich.table import Table

from tests.support.postgres import fresh_database, postgres_server
from tests.support.services import Service, redis_server, running_service
from worker.child import resident_bytes

MIB = 1024 * 1024
PIECE = os.urandom(MIB)
REST_S = 5.0  # after all that, before memory is read for the last time
WATCH_EVERY_S = 0.1
CALM = {"lease_s": "60", "heartbeat_s": "15"}  # as a deployment has them


@dataclass(frozen=True)
class Load:
    """What is asked for."""

    size_bytes: int
    poller_count: int
    least_s: float
    worker_count: int


@dataclass(frozen=True)
class Measured:
    """reads_s : wait of each state read, seconds; during_bytes : resident memory while all went on"""

    disk_s: float
    upload_s: float
    wall_s: float
    reads_s: list[float]
    refused_count: int
    before_bytes: int
    during_bytes: list[int]
    after_bytes: int


def write_with_fsync(folder: Path, size_bytes: int) -> float:
    """Seconds that the disk alone takes for so many bytes."""
    path = folder / "raw"
    begin_s = time.perf_counter()
    with path.open("wb") as file:
        for _ in range(size_bytes // MIB):
            file.write(PIECE)
        file.flush()
        os.fsync(file.fileno())
    duration_s = time.perf_counter() - begin_s
    path.unlink()
    return duration_s


@contextmanager
def busy_service(folder: Path, worker_count: int) -> Iterator[tuple[Service, str]]:
    """A service all of whose workers compute, and the id of a job that runs."""
    with (
        redis_server() as redis,
        postgres_server() as postgres,
        running_service(folder, database_url=fresh_database(postgres.url), broker_url=redis.url, **CALM) as service,
        ExitStack() as workers,
    ):
        ids = [service.order("spin") for _ in range(worker_count)]
        for _ in range(worker_count):
            workers.enter_context(service.worker())
        for each in ids:
            service.wait_until_measuring(each)
        yield service, ids[0]


async def pieces(size_bytes: int) -> AsyncIterator[bytes]:
    """The file that is sent."""
    for _ in range(size_bytes // MIB):
        yield PIECE


async def run(load: Load, service: Service, inspection_id: str, disk_s: float) -> Measured:
    """Everything at once."""
    pid = service.processes[0].pid
    before_bytes, during_bytes = resident_bytes(pid), list[int]()
    reads_s, statuses = list[float](), list[int]()
    done = asyncio.Event()

    async def poll(client: httpx.AsyncClient) -> None:
        while not done.is_set():
            begin_s = time.perf_counter()
            answer = await client.get(f"/v1/inspections/{inspection_id}")
            reads_s.append(time.perf_counter() - begin_s)
            statuses.append(answer.status_code)

    async def watch() -> None:
        while not done.is_set():
            during_bytes.append(resident_bytes(pid))
            await asyncio.sleep(WATCH_EVERY_S)

    async def send(client: httpx.AsyncClient) -> float:
        begin_s = time.perf_counter()
        answer = await client.post("/v1/uploads?name=scan.stl", content=pieces(load.size_bytes))
        answer.raise_for_status()
        upload_s = time.perf_counter() - begin_s
        await asyncio.sleep(max(0.0, load.least_s - upload_s))
        done.set()
        return upload_s

    limits = httpx.Limits(max_connections=load.poller_count + 1, max_keepalive_connections=load.poller_count + 1)
    begin_s = time.perf_counter()
    async with httpx.AsyncClient(base_url=f"http://127.0.0.1:{service.port}", timeout=600, limits=limits) as client:
        around = asyncio.gather(watch(), *(poll(client) for _ in range(load.poller_count)))
        upload_s = await send(client)
        await around
    wall_s = time.perf_counter() - begin_s
    await asyncio.sleep(REST_S)
    refused_count = sum(status != 200 for status in statuses)
    after_bytes = resident_bytes(pid)
    return Measured(disk_s, upload_s, wall_s, reads_s, refused_count, before_bytes, during_bytes, after_bytes)


def tell(load: Load, found: Measured) -> None:
    """Print the table."""
    table = Table(title=f"{load.poller_count} pollers, {load.size_bytes / MIB:.0f} MiB, {load.worker_count} workers")
    for column in ("figure", "value"):
        table.add_column(column)
    percentiles = statistics.quantiles(found.reads_s, n=100)
    rate, raw = load.size_bytes / MIB / found.upload_s, load.size_bytes / MIB / found.disk_s
    rows = (
        ("state reads", f"{len(found.reads_s)}, {len(found.reads_s) / found.wall_s:.0f}/s"),
        ("refused or failed", str(found.refused_count)),
        ("p50 of a state read", f"{1000 * percentiles[49]:.0f} ms"),
        ("p99 of a state read", f"{1000 * percentiles[98]:.0f} ms"),
        ("upload", f"{rate:.0f} MiB/s"),
        ("raw write with fsync", f"{raw:.0f} MiB/s, {raw / rate:.1f} times the upload"),
        ("memory of the API before", f"{found.before_bytes / MIB:.0f} MiB"),
        ("memory during, median and most", " and ".join(f"{size / MIB:.0f} MiB" for size in _spread(found))),
        ("memory after", f"{found.after_bytes / MIB:.0f} MiB"),
    )
    for row in rows:
        table.add_row(*row)
    Console().print(table)


def _spread(found: Measured) -> tuple[float, int]:
    return statistics.median(found.during_bytes), max(found.during_bytes)


def main() -> None:
    """Measure once."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.load", description=__doc__)
    parser.add_argument("--gib", type=float, default=1.0)
    parser.add_argument("--pollers", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=30.0)
    parser.add_argument("--workers", type=int, default=2)
    given = parser.parse_args()
    load = Load(int(given.gib * 1024) * MIB, given.pollers, given.seconds, given.workers)
    with tempfile.TemporaryDirectory() as name:
        disk_s = write_with_fsync(Path(name), load.size_bytes)
        with busy_service(Path(name), load.worker_count) as (service, inspection_id):
            tell(load, asyncio.run(run(load, service, inspection_id, disk_s)))


if __name__ == "__main__":
    main()
