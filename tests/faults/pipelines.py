"""Jobs for fault tests: real ones where the title says so, else what the fake pipeline makes of the title."""

from __future__ import annotations

from pathlib import Path

from tests.support import fake_pipeline
from worker.job import PIPELINES, load_pipeline
from worker.job_records import AnyJob, JobResult, Progress

NAME = "tests.faults.pipelines:run"
REAL = "real"


def run(job: AnyJob, *, out_dir: Path, progress: Progress) -> JobResult:
    """Run one job."""
    if job.title.startswith(REAL):
        return load_pipeline(PIPELINES[job.task])(job, out_dir=out_dir, progress=progress)
    return fake_pipeline.inspect(job, out_dir=out_dir, progress=progress)
