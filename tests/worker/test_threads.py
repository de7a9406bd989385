from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

from shared.settings import Settings
from worker.threads import BLAS_VARIABLES, core_count, thread_environment, threads_per_job

ASK = """
import json, os, time
from worker.threads import limit_open3d_threads
limit_open3d_threads(COUNT)
import numpy, open3d
cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(numpy.random.default_rng(1).random((60000, 3))))
wall, cpu = time.perf_counter(), time.process_time()
cloud.estimate_normals()
wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
print(json.dumps({"limit": open3d.utility.get_max_threads(), "busy": cpu / wall}))
"""


def ask(thread_count: int) -> dict[str, float]:
    """Limit and threads kept busy, in a fresh process set up like a job's."""
    answer = subprocess.run(
        [sys.executable, "-c", ASK.replace("COUNT", str(thread_count))],
        env={**os.environ, **thread_environment(thread_count)},
        capture_output=True,
        check=True,
    )
    found: dict[str, float] = json.loads(answer.stdout)
    return found


def test_open3d_keeps_to_one_thread_when_told() -> None:
    found = ask(1)
    assert found["limit"] == 1
    assert found["busy"] < 1.2  # one thread keeps at most one core busy, whatever else the machine does


def test_open3d_takes_the_threads_it_is_given() -> None:
    assert ask(2)["limit"] == min(2, core_count())


def test_libraries_that_read_the_environment_are_told_too() -> None:
    assert thread_environment(3) == {"OMP_NUM_THREADS": "3"} | dict.fromkeys(BLAS_VARIABLES, "1")


@pytest.mark.parametrize(
    ("thread_count", "worker_processes", "expected"),
    [(0, 1, core_count()), (0, 2 * core_count(), 1), (3, 4, 3)],
)
def test_workers_share_the_cores_unless_told_otherwise(thread_count: int, worker_processes: int, expected: int) -> None:
    assert threads_per_job(Settings(thread_count=thread_count, worker_processes=worker_processes)) == expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [("100000 100000", 1), ("50000 100000", 1), ("max 100000", core_count()), ("100000000 100000", core_count())],
)
def test_a_container_s_quota_counts_as_cores(text: str, expected: int, tmp_path: Path) -> None:
    (tmp_path / "cpu.max").write_text(text)
    assert core_count(tmp_path / "cpu.max") == expected


def test_without_control_groups_the_cores_are_those_of_the_machine(tmp_path: Path) -> None:
    assert core_count(tmp_path / "none") == len(os.sched_getaffinity(0))
