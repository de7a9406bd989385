"""How many native threads a job may use, so that N workers on one machine do not fight for cores.

Open3D 0.20 schedules on TBB and ignores OMP_NUM_THREADS; its own switch limits it.  BLAS, and what
else is built on OpenMP, read the environment once, when they are loaded.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from contextlib import suppress
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec
from importlib.util import find_spec
from pathlib import Path
from types import ModuleType

from shared.settings import Settings

BLAS_VARIABLES = ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


def core_count(cpu_max: Path = Path("/sys/fs/cgroup/cpu.max")) -> int:
    """Cores this process may keep busy: those it may run on, or fewer where a container's quota says so.

    cpu_max : "QUOTA PERIOD" or "max PERIOD" (Linux kernel documentation, "Control Group v2")
    """
    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1
    with suppress(OSError, ValueError):
        quota, period = map(int, cpu_max.read_text().split())
        return max(1, min(cores, quota // period))
    return cores


def threads_per_job(settings: Settings) -> int:
    """Native threads of one job: the setting, or this machine's cores shared among the worker processes."""
    return settings.thread_count or max(1, core_count() // settings.worker_processes)


def thread_environment(thread_count: int) -> dict[str, str]:
    """Variables for a process that has not loaded its libraries yet.

    BLAS gets one thread whatever the job's share: its matrices here are small, its threads wait by
    spinning (an eigenvalue problem of 160 rows took 0.6 s instead of 0.01 s beside a busy neighbour),
    and on one thread the last bits do not depend on the machine.
    """
    return {"OMP_NUM_THREADS": str(thread_count)} | dict.fromkeys(BLAS_VARIABLES, "1")


def limit_open3d_threads(thread_count: int) -> None:
    """Limit Open3D in this process from the moment somebody imports it.

    Not at once: the import takes seconds, which a job that ends at a bad file need not spend.
    """
    sys.meta_path.insert(0, _LimitOnImport(thread_count))


class _LimitOnImport(MetaPathFinder):
    """Finds Open3D like anyone else, and sets its limit when it is loaded."""

    def __init__(self, thread_count: int) -> None:
        self._thread_count = thread_count

    def find_spec(
        self,
        fullname: str,
        path: Sequence[str] | None,  # noqa: ARG002 - signature of the base
        target: ModuleType | None = None,  # noqa: ARG002 - signature of the base
    ) -> ModuleSpec | None:
        if fullname != "open3d":
            return None
        sys.meta_path.remove(self)
        spec = find_spec(fullname)
        if spec is not None and spec.loader is not None:
            load = spec.loader.exec_module

            def load_and_limit(module: ModuleType) -> None:
                load(module)
                module.utility.set_max_threads(self._thread_count)

            spec.loader.exec_module = load_and_limit  # type: ignore[method-assign]  # the one place to come after it
        return spec
