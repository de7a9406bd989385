"""Which Celery pool?  Native work in each, beside one fresh process a job as Firstpour runs it.

    .venv/bin/python -m tests.benchmarks.pools

Every row runs the same work in a real Celery worker: Open3D normals (which keep the interpreter
lock) and ICP on a seeded cloud.  The columns: threads at work with the limit at two (processor time of
all by that of the busiest, so that a busy machine does not matter); longest silence of a heartbeat
beside the work; memory the worker keeps afterwards; import paid by the second job; what is left when
the process at work is killed with -9.  Below: ICP in a forked child, under a timer of 20 s.
"""

from __future__ import annotations

import json
import multiprocessing
import os
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
from celery import Celery
from rich.console import Console
from rich.table import Table

from shared.broker import make_celery
from shared.settings import Settings
from worker.child import resident_bytes

POOLS = {
    "prefork, imported in parent": ["--pool=prefork", "--concurrency=1"],
    "prefork, imported in child": ["--pool=prefork", "--concurrency=1"],
    "solo": ["--pool=solo", "--concurrency=1"],
    "threads": ["--pool=threads", "--concurrency=1"],
    "solo + a process a job": ["--pool=solo", "--concurrency=1"],
}
POINT_COUNT = 200_000
TASKS = Path("/proc/self/task")
SELF_TEST_S = 20.0
BEAT_S = 0.05
WAIT_S = 90.0
MIB = 1024 * 1024


def native_work(folder: Path) -> None:
    """Normals and ICP; writes how busy it kept the cores."""
    begin = time.perf_counter()
    import open3d  # noqa: PLC0415 - when it is imported is what is measured

    registration = open3d.pipelines.registration
    open3d.utility.set_max_threads(2)
    start_s = time.perf_counter() - begin
    points = np.random.default_rng(1).random((POINT_COUNT, 3))
    cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(points))
    (folder / "working").write_text(str(os.getpid()))
    wall, before = time.perf_counter(), cpu_by_thread()
    cloud.estimate_normals()
    estimate = registration.TransformationEstimationPointToPlane()
    pose = np.eye(4)
    pose[0, 3] = 0.001
    registration.registration_icp(cloud, cloud, 0.01, pose, estimate)
    used = [after - before.get(thread, 0.0) for thread, after in cpu_by_thread().items()]
    _write(
        folder / "work",
        {"start_s": start_s, "threads": sum(used) / max(used), "wall_s": time.perf_counter() - wall},
    )


def cpu_by_thread() -> dict[str, float]:
    """Clock ticks used by each thread of this process."""
    fields = {task.name: (task / "stat").read_text().rsplit(")", 1)[1].split() for task in TASKS.iterdir()}
    return {name: float(values[11]) + float(values[12]) for name, values in fields.items()}


def beat_beside(work: Callable[[], None]) -> float:
    """Run ``work`` with a heartbeat thread beside it; the longest silence in seconds."""
    stop, beats = threading.Event(), [time.monotonic()]

    def beat() -> None:
        while not stop.wait(BEAT_S):
            beats.append(time.monotonic())

    thread = threading.Thread(target=beat)
    thread.start()
    work()
    stop.set()
    thread.join()
    return float(np.diff([*beats, time.monotonic()]).max())


def in_fresh_process(folder: Path) -> None:
    """As :mod:`worker.child` does it."""
    process = subprocess.Popen([sys.executable, "-m", "tests.benchmarks.pools", "work", str(folder)])
    while process.poll() is None:
        time.sleep(BEAT_S)


def make_app(name: str, folder: Path) -> Celery:
    """A worker's application with the one task."""
    app = make_celery(Settings(data_dir=folder))
    if name == "prefork, imported in parent":
        import open3d  # noqa: F401, PLC0415 - the trap under test

    @app.task(name="benchmark.native")
    def native() -> None:
        run = in_fresh_process if name == "solo + a process a job" else native_work
        silence_s = beat_beside(lambda: run(folder))
        _write(folder / "end", {"silence_s": silence_s, "pid": os.getpid()})

    return app


def measure(name: str, folder: Path) -> dict[str, Any]:
    """Two jobs, then one whose process is killed, then one more."""
    command = [sys.executable, "-m", "tests.benchmarks.pools", "worker", name, str(folder)]
    with (folder / "log").open("ab") as log:
        worker = subprocess.Popen(command, stdout=log, stderr=log)
    app = make_celery(Settings(data_dir=folder))
    try:
        figures = _one_job(app, folder) or {}
        figures |= _one_job(app, folder) or {}  # the second has everything warm
        figures["kept_mib"] = resident_bytes(worker.pid) / MIB
        figures["after_kill"] = _after_kill(app, folder, worker)
    finally:
        worker.kill()
        worker.wait()
    return figures


def _one_job(app: Celery, folder: Path) -> dict[str, Any] | None:
    for name in ("work", "end", "working"):
        (folder / name).unlink(missing_ok=True)
    app.send_task("benchmark.native")
    if not _appears(folder / "end", WAIT_S):
        return None
    return {**json.loads((folder / "work").read_text()), **json.loads((folder / "end").read_text())}


def _after_kill(app: Celery, folder: Path, worker: subprocess.Popen[bytes]) -> str:
    for name in ("work", "end", "working"):
        (folder / name).unlink(missing_ok=True)
    app.send_task("benchmark.native")
    if not _appears(folder / "working", WAIT_S):
        return "never began"
    time.sleep(0.2)
    os.kill(int((folder / "working").read_text()), signal.SIGKILL)
    time.sleep(2)
    if worker.poll() is not None:
        return "worker gone"
    return "worker goes on" if _one_job(app, folder) else "worker stuck"


def _appears(path: Path, limit_s: float) -> bool:
    end = time.monotonic() + limit_s
    while time.monotonic() < end:
        if path.exists():
            return True
        time.sleep(0.05)
    return False


def _write(path: Path, figures: dict[str, Any]) -> None:
    aside = path.with_suffix(".aside")
    aside.write_text(json.dumps(figures))
    aside.replace(path)


def self_test() -> str:
    """ICP in a forked child of a process that has used Open3D already, under a timer."""
    folder = Path(tempfile.mkdtemp())
    native_work(folder)
    warm = json.loads((folder / "work").read_text())["threads"]
    child = multiprocessing.get_context("fork").Process(target=native_work, args=(folder,))
    child.start()
    child.join(SELF_TEST_S)
    if child.is_alive():
        child.kill()
        return f"hangs (killed after {SELF_TEST_S:.0f} s)"
    threads = json.loads((folder / "work").read_text())["threads"]
    return f"ends, {threads:.2f} threads at work (parent {warm:.2f})"


def main() -> None:
    """Measure every pool and print the table."""
    table = Table(title=f"Pools: normals and ICP on {POINT_COUNT} points, two threads allowed")
    for head in ("pool", "work s", "threads", "longest silence s", "worker keeps MiB", "import s", "after kill -9"):
        table.add_column(head)
    for name in POOLS:
        with tempfile.TemporaryDirectory() as folder:
            found = measure(name, Path(folder))
        keys = ("wall_s", "threads", "silence_s", "kept_mib", "start_s")
        table.add_row(name, *(f"{found[key]:.2f}" if key in found else "-" for key in keys), found["after_kill"])
    console = Console(width=140)
    console.print(table)
    console.print(f"Fork of a process that used Open3D: {self_test()}")


if __name__ == "__main__":
    if sys.argv[1:2] == ["worker"]:
        application = make_app(sys.argv[2], Path(sys.argv[3]))
        with suppress(KeyboardInterrupt):
            application.worker_main(["worker", *POOLS[sys.argv[2]], "--loglevel=WARNING"])
    elif sys.argv[1:2] == ["work"]:
        native_work(Path(sys.argv[2]))
    else:
        main()
