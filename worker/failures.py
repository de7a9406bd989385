"""Why a job ended without a result, as the row and the command tell it.

Not exceptions: nobody catches these.  They are what is written down after an error was caught, or
after the process that would have raised one is gone.
"""

from __future__ import annotations

import signal
from dataclasses import dataclass, field
from typing import Any

from shared.errors import Datum, FirstpourError
from shared.states import Stage

MIB = 1024 * 1024
DIED = "worker_died"


@dataclass(frozen=True)
class Failure:
    """What is wrong, what to do, and figures a program can read (JSON types only).

    is_passing : a second try on the same input may well succeed
    """

    code: str
    message: str
    advice: str
    data: dict[str, Datum] = field(default_factory=dict)
    is_passing: bool = False

    def to_row(self) -> dict[str, Any]:
        """As kept in the row of the job."""
        return {"code": self.code, "message": self.message, "advice": self.advice, "data": self.data}


def of_error(error: FirstpourError) -> Failure:
    """An expected error of the pipeline: the same input fails the same way again."""
    return Failure(error.code, error.message, error.advice, error.data)


def internal_error(reference: str) -> Failure:
    """A fault of ours; ``reference`` finds the traceback in the log."""
    return Failure(
        "internal_error",
        "The job stopped on a fault in Firstpour itself.",
        f"Your files are kept. Report reference {reference}; the log of the worker has the details under it.",
        {"reference": reference},
    )


def worker_died(exit_status: int, stage: Stage | None) -> Failure:
    """The process of the job ended without a word: a crash in native code, or killed from outside."""
    if exit_status < 0:
        reason = f"was ended by {_signal_name(-exit_status)}"
    else:
        reason = f"ended without a result (exit status {exit_status})"
    return Failure(
        DIED,
        f"The process that ran the job {reason}{_during(stage)}.",
        "If it happens again with these files, one of them upsets a native library: save it anew from the CAD or scan"
        " program, or thin the scan out.",
        {"exit_status": exit_status, "stage": stage.value if stage else None},
        is_passing=True,
    )


def lease_lost() -> Failure:
    """A worker vanished with the job: machine off, or killed together with its job."""
    return Failure(
        DIED,
        "The worker that ran the job stopped reporting.",
        "If it happens again with these files, the machine may lack memory for them: thin the scan out.",
        is_passing=True,
    )


def time_exceeded(limit_s: float, stage: Stage | None) -> Failure:
    """Longer than the limit of this deployment."""
    return Failure(
        "time_exceeded",
        f"The job ran longer than the limit of {limit_s:.0f} s{_during(stage)} and was stopped.",
        "Thin the scan out or simplify the CAD, or have FIRSTPOUR_SOFT_TIME_LIMIT_S raised.",
        {"limit_s": limit_s, "stage": stage.value if stage else None},
    )


def memory_exceeded(limit_bytes: int, stage: Stage | None) -> Failure:
    """More memory than the limit of this deployment."""
    return Failure(
        "memory_exceeded",
        f"The job needed more than {limit_bytes // MIB} MiB of memory{_during(stage)} and was stopped.",
        "Thin the scan out or simplify the CAD, or have FIRSTPOUR_MEMORY_LIMIT_BYTES raised.",
        {"limit_bytes": limit_bytes, "stage": stage.value if stage else None},
    )


def disk_full(stage: Stage | None) -> Failure:
    """No room for the result, or for what is written on the way to it."""
    return Failure(
        "storage_full",
        f"The server's disk was full{_during(stage)}.",
        "Make room on the server, then order it anew; your files are kept.",
        {"stage": stage.value if stage else None},
        is_passing=True,
    )


def store_away() -> Failure:
    """The file store did not answer while files were fetched or the result was sent."""
    return Failure(
        "store_away",
        "The server's file store could not be reached.",
        "Order it anew when the server's owner has mended that; your files are kept.",
        is_passing=True,
    )


def after_attempts(failure: Failure, attempt_count: int) -> Failure:
    """The last of several failures, saying that it was the last of several."""
    return Failure(
        failure.code,
        f"{failure.message} It was tried {attempt_count} times.",
        failure.advice,
        {**failure.data, "attempt_count": attempt_count},
    )


def _during(stage: Stage | None) -> str:
    return f" during stage '{stage}'" if stage else ""


def _signal_name(number: int) -> str:
    try:
        return signal.Signals(number).name
    except ValueError:
        return f"signal {number}"
