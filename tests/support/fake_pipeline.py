"""A pipeline that measures nothing and does what the title of the job says.

``quick`` | ``slow SECONDS`` | ``wait FILE`` (until it exists) | ``hold`` (keeps the interpreter lock)
| ``spin`` (never ends) | ``reject`` | ``fault`` | ``full`` (no room on the disk) | ``silent`` (no report)
| ``greedy MIB`` | ``die SIGNAL`` | ``die_until N FOLDER`` (dies N times, then is quick)
| ``threads`` (says its thread limits)
"""

from __future__ import annotations

import ctypes
import errno
import os
import time
from collections.abc import Callable
from pathlib import Path

from shared.errors import FileTruncated
from shared.report import REPORT_VERSION, AlignmentRecord, Provenance, Report, Run, Summary, Tessellation
from shared.states import Stage
from worker.job_records import REPORT_HTML, REPORT_JSON, AnyJob, InspectionJob, InspectionResult, Progress

NAME = "tests.support.fake_pipeline:inspect"


def make_report(job: AnyJob, headline: str) -> Report:
    """A report without measurements."""
    return Report(
        report_version=REPORT_VERSION,
        title=job.title,
        decision_rule="none",
        summary=Summary(outcome="conforms", headline=headline, findings=[], counts={}),
        provenance=Provenance(
            firstpour_version="0",
            files=[],
            tessellation=Tessellation(
                chord_tolerance_mm=None, angular_tolerance_rad=None, sample_count=0, sample_spacing_mm=0.0
            ),
            plan_sha256=None,
            plan_title=None,
            seed=0,
            settings={},
            versions={},
        ),
        alignment=AlignmentRecord(
            status="not_aligned",
            reason="invented",
            T_nominal_scan=None,
            icp_T_nominal_scan=None,
            method="none",
            icp_rms_mm=None,
            robust_rms_mm=None,
            icp_moved_mm=None,
            sigma_mm=None,
            kept_share_of_scan=None,
            overlap_share_of_scan=None,
            iterations_run=0,
            candidate_count=0,
            rivals=[],
            freedom=None,
        ),
        coverage=None,
        deviation=None,
        thickness=None,
        shrink=None,
        characteristics=[],
        cautions=[],
        run=Run(
            inspection_id=job.job_id,
            created_at="2025-01-01T00:00:00Z",
            timings_s={},
            peak_memory_bytes=0,
            thread_count=job.thread_count,
            host_platform="none",
        ),
    )


def inspect(job: AnyJob, *, out_dir: Path, progress: Progress) -> InspectionResult:
    """Do what the title says, then write an empty report, or whatever else such a job writes."""
    word, *arguments = job.title.split()
    progress(Stage.READ, 0.5)
    headline = ACTS[word](job, *arguments)
    report = make_report(job, headline)
    contents = {REPORT_JSON: report.model_dump_json(), REPORT_HTML: "<!doctype html><title>invented</title>"}
    for name in [] if word == "silent" else job.writes:
        (out_dir / name).write_text(contents.get(name, "{}"))
    progress(Stage.REPORT, 1.0)
    return InspectionResult(report)


def _quick(_job: AnyJob) -> str:
    return "All conforms."


def _slow(_job: AnyJob, seconds: str) -> str:
    time.sleep(float(seconds))
    return "Slept well."


def _spin(_job: AnyJob) -> str:
    """Keep a core busy until stopped from outside."""
    while True:
        hash(bytes(1_000_000))


def _wait(_job: AnyJob, path: str) -> str:
    while not Path(path).exists():
        time.sleep(0.05)
    return "Waited."


def _reject(job: AnyJob) -> str:
    file = job.scan if isinstance(job, InspectionJob) else job.nominal
    raise FileTruncated("The scan ends in mid-air.", file=file.display_name, advice="Send it again.", missing=7)


def _fault(_job: AnyJob) -> str:
    raise ZeroDivisionError("a fault of ours")


def _full(_job: AnyJob) -> str:
    raise OSError(errno.ENOSPC, "No space left on device")


def _hold(_job: AnyJob) -> str:
    ctypes.PyDLL(None).sleep(30)  # PyDLL keeps the interpreter lock
    return "Held."


def _greedy(_job: AnyJob, mib: str) -> str:
    kept = bytearray(int(mib) * 1024 * 1024)
    for start in range(0, len(kept), 4096):
        kept[start] = 1
    time.sleep(30)
    return "Kept."


def _die(_job: AnyJob, number: str) -> str:
    os.kill(os.getpid(), int(number))
    time.sleep(5)
    return "Survived."


def _die_until(_job: AnyJob, count: str, folder: str) -> str:
    lives = Path(folder) / "lives"
    lives.mkdir(parents=True, exist_ok=True)
    used = len(list(lives.iterdir()))
    (lives / str(used)).touch()
    if used < int(count):
        os.kill(os.getpid(), 9)
    return "Alive."


def _threads(_job: AnyJob) -> str:
    import open3d  # noqa: PLC0415 - only this act needs it

    limits = [os.environ[name] for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS")]
    return " ".join([str(open3d.utility.get_max_threads()), *limits])


ACTS: dict[str, Callable[..., str]] = {
    "quick": _quick,
    "slow": _slow,
    "wait": _wait,
    "spin": _spin,
    "reject": _reject,
    "fault": _fault,
    "silent": _quick,
    "full": _full,
    "hold": _hold,
    "greedy": _greedy,
    "die": _die,
    "die_until": _die_until,
    "threads": _threads,
}
