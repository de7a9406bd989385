"""Ties a process to the life of the one that started it.

    python -m worker.parent PARENT_PID COMMAND ARGUMENT...

runs a command that gets SIGTERM when the process PARENT_PID is gone, even by -9.
"""

from __future__ import annotations

import ctypes
import os
import signal
import sys

PR_SET_PDEATHSIG = 1  # linux/prctl.h; survives exec


def end_with_parent(parent_pid: int, number: signal.Signals) -> None:
    """Have the kernel send us ``number`` when our parent goes (Linux only)."""
    if sys.platform.startswith("linux"):
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, number)
    if os.getppid() != parent_pid:
        os._exit(1)  # it went before the call above


if __name__ == "__main__":
    end_with_parent(int(sys.argv[1]), signal.SIGTERM)
    os.execvp(sys.argv[2], sys.argv[2:])  # noqa: S606 - no shell is wanted
