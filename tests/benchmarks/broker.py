"""Which embedded broker?  Counts what each loses, how soon it delivers and what it costs idle.

    .venv/bin/python -m tests.benchmarks.broker

Each transport gets solo workers with late acks and prefetch 1, as Firstpour runs them: one for the
latencies and the kill, two for the burst.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from celery import Celery
from rich.console import Console
from rich.table import Table

BROKER_URLS = {
    "filesystem": "filesystem://",
    "sqlalchemy": "sqla+sqlite:///{folder}/broker.sqlite3",
    "redis": "redis+socket://{folder}/redis.sock",
}
JOB_COUNT = 20
BURST_COUNT = 1000
LATENCY_COUNT = 16
IDLE_S = 15.0
STILL_S = 15.0  # nothing ran for so long: what is missing now is lost


def make_app(kind: str, folder: Path) -> Celery:
    """A Celery application on one transport, all its files below ``folder``."""
    app = Celery("benchmark", broker=BROKER_URLS[kind].format(folder=folder))
    app.conf.update(
        task_acks_late=True,
        task_reject_on_worker_lost=True,
        worker_prefetch_multiplier=1,
        task_ignore_result=True,
        broker_connection_retry_on_startup=True,
        broker_transport_options={},
    )
    if kind == "filesystem":
        for name in ("messages", "processed", "control"):
            (folder / name).mkdir(exist_ok=True)
        app.conf.broker_transport_options = {
            "data_folder_in": str(folder / "messages"),
            "data_folder_out": str(folder / "messages"),
            "processed_folder": str(folder / "processed"),
            "store_processed": True,
            "control_folder": str(folder / "control"),
        }
    elif kind == "redis":
        app.conf.broker_transport_options = {"visibility_timeout": 20}

    @app.task(name="benchmark.work")
    def work(number: int, duration_s: float) -> None:
        with (folder / "log").open("a") as log:
            log.write(f"start {number} {time.time()}\n")
            log.flush()
            time.sleep(duration_s)
            log.write(f"end {number} {time.time()}\n")

    return app


@dataclass(frozen=True)
class Figures:
    """One row of the table."""

    kind: str
    lost_count: int
    doubled_count: int
    latency_ms: float
    worst_latency_ms: float
    idle_cpu_percent: float
    burst_lost_count: int
    burst_died_count: int
    burst_per_s: float
    left_behind: str


def start_worker(kind: str, folder: Path) -> subprocess.Popen[bytes]:
    """One solo worker as a process of its own."""
    command = [sys.executable, "-m", "tests.benchmarks.broker", "worker", kind, str(folder)]
    with (folder / "worker.log").open("ab") as log:
        return subprocess.Popen(command, stdout=log, stderr=log)


def log_lines(folder: Path, word: str) -> list[tuple[int, float]]:
    """(number, time) of each line of the log that begins with ``word``."""
    path = folder / "log"
    lines = path.read_text().splitlines() if path.exists() else []
    return [(int(n), float(t)) for w, n, t in (line.split() for line in lines) if w == word]


def wait_for(folder: Path, word: str, count: int, limit_s: float) -> bool:
    """Wait until ``count`` different numbers were logged."""
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        if len({number for number, _ in log_lines(folder, word)}) >= count:
            return True
        time.sleep(0.02)
    return False


def send(app: Celery, number: int, duration_s: float) -> None:
    """Send one message."""
    app.send_task("benchmark.work", args=[number, duration_s])


def measure_latency_ms(app: Celery, folder: Path) -> list[float]:
    """Idle to start, at phases of the polling interval left to (seeded) chance; the first is a warm-up."""
    phases = random.Random(1)  # noqa: S311 - no secret
    values: list[float] = []
    for number in range(1000, 1000 + LATENCY_COUNT):
        time.sleep(1.0 + phases.random())
        sent = time.time()
        send(app, number, 0.0)
        wait_for(folder, "end", len(values) + 1, 30)
        values.append(1e3 * (dict(log_lines(folder, "start"))[number] - sent))
    return values[1:]


def cpu_s(pid: int) -> float:
    """User and system time a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def measure_kill(kind: str, app: Celery, folder: Path, worker: subprocess.Popen[bytes]) -> subprocess.Popen[bytes]:
    """Send jobs, kill the worker with -9 in the midst of the third, start another."""
    (folder / "log").unlink()
    for number in range(JOB_COUNT):
        send(app, number, 0.3)
    wait_for(folder, "start", 3, 60)
    worker.send_signal(signal.SIGKILL)
    worker.wait()
    replacement = start_worker(kind, folder)
    wait_for(folder, "end", JOB_COUNT, 15 if kind != "redis" else 150)
    return replacement


def left_behind(kind: str, folder: Path) -> str:
    """What the broker keeps of messages long done."""
    if kind == "filesystem":
        return f"{len(list((folder / 'processed').iterdir()))} files in processed"
    if kind == "sqlalchemy":
        return f"{(folder / 'broker.sqlite3').stat().st_size // 1024} KiB of rows never deleted"
    return "nothing"


def measure_burst(kind: str, app: Celery, folder: Path, worker: subprocess.Popen[bytes]) -> tuple[int, int, float]:
    """Many short jobs for two workers: how many vanish, how many workers die of it, how many jobs per second run."""
    (folder / "log").unlink()
    workers = [worker, start_worker(kind, folder)]
    begin = time.monotonic()
    try:
        for number in range(BURST_COUNT):
            send(app, number, 0.0)
        while not wait_for(folder, "end", BURST_COUNT, STILL_S):
            if time.time() - max(ended for _, ended in log_lines(folder, "end")) > STILL_S:
                break
        died_count = sum(each.poll() is not None for each in workers)
    finally:
        workers[1].kill()
        workers[1].wait()
    ended = log_lines(folder, "end")
    done = len({number for number, _ in ended})
    return BURST_COUNT - done, died_count, done / (max((t for _, t in ended)) - time.time() + time.monotonic() - begin)


def measure(kind: str, folder: Path) -> Figures:
    """All figures of one transport."""
    app = make_app(kind, folder)
    worker = start_worker(kind, folder)
    try:
        latencies = measure_latency_ms(app, folder)
        used_before, begin = cpu_s(worker.pid), time.monotonic()
        time.sleep(IDLE_S)
        idle = 100 * (cpu_s(worker.pid) - used_before) / (time.monotonic() - begin)
        worker = measure_kill(kind, app, folder, worker)
        ended = Counter(number for number, _ in log_lines(folder, "end"))
        burst_lost, burst_died, burst_rate = measure_burst(kind, app, folder, worker)
    finally:
        worker.kill()
        worker.wait()
    return Figures(
        kind=kind,
        lost_count=JOB_COUNT - len(ended),
        doubled_count=sum(count > 1 for count in ended.values()),
        latency_ms=sorted(latencies)[len(latencies) // 2],
        worst_latency_ms=max(latencies),
        idle_cpu_percent=idle,
        burst_lost_count=burst_lost,
        burst_died_count=burst_died,
        burst_per_s=burst_rate,
        left_behind=left_behind(kind, folder),
    )


def measure_with_redis(folder: Path) -> Figures:
    """The same on a Redis of our own, for comparison."""
    command = ["redis-server", "--port", "0", "--unixsocket", str(folder / "redis.sock"), "--save", "", "--dir"]
    server = subprocess.Popen([*command, str(folder)], stdout=subprocess.DEVNULL)
    try:
        time.sleep(1)
        return measure("redis", folder)
    finally:
        server.terminate()
        server.wait()


def main() -> None:
    """Measure every transport and print the table."""
    table = Table(title=f"Embedded brokers: {JOB_COUNT} jobs with one kill -9; burst of {BURST_COUNT}")
    heads = (
        "transport",
        "lost",
        "run twice",
        "latency ms",
        "worst ms",
        "idle CPU %",
        "burst lost",
        "workers died",
        "burst/s",
        "left",
    )
    for head in heads:
        table.add_column(head)
    for kind in BROKER_URLS:
        with tempfile.TemporaryDirectory() as name:
            row = measure_with_redis(Path(name)) if kind == "redis" else measure(kind, Path(name))
        table.add_row(
            row.kind,
            str(row.lost_count),
            str(row.doubled_count),
            f"{row.latency_ms:.0f}",
            f"{row.worst_latency_ms:.0f}",
            f"{row.idle_cpu_percent:.2f}",
            str(row.burst_lost_count),
            str(row.burst_died_count),
            f"{row.burst_per_s:.0f}",
            row.left_behind,
        )
    Console(width=140).print(table)


if __name__ == "__main__":
    if sys.argv[1:2] == ["worker"]:
        make_app(sys.argv[2], Path(sys.argv[3])).worker_main(["worker", "--pool=solo", "--loglevel=WARNING"])
    else:
        main()
