"""How many native threads a job may use, so that N workers on one machine do not fight for cores.

Open3D 0.20 schedules on TBB and ignores OMP_NUM_THREADS; its own switch limits it.  BLAS, and what
else is built on OpenMP, read the environment once, when they are loaded.
"""

from __future__ import annotations

import os

from shared.settings import Settings

THREAD_VARIABLES = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMEXPR_NUM_THREADS")


def core_count() -> int:
    """Cores this process may run on."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def threads_per_job(settings: Settings) -> int:
    """Native threads of one job: the setting, or this machine's cores shared among the worker processes."""
    return settings.thread_count or max(1, core_count() // settings.worker_processes)


def thread_environment(thread_count: int) -> dict[str, str]:
    """Variables for a process that has not loaded its libraries yet."""
    return dict.fromkeys(THREAD_VARIABLES, str(thread_count))


def limit_open3d_threads(thread_count: int) -> None:
    """Limit Open3D in this process."""
    import open3d  # noqa: PLC0415 - 1.6 s to import: only the process of a job pays it

    open3d.utility.set_max_threads(thread_count)
