"""``firstpour inspect``: one inspection on this machine, in the same kind of process as a worker's."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

from shared.report import ATTACHMENT_FOLDER
from shared.states import Stage
from worker.child import Done, JobEnd, JobLimits, JobPlace, run_job
from worker.command import talking
from worker.command.asking import Asked
from worker.command.progress_bar import progress_bar
from worker.command.results import report_folder, result_document
from worker.exit_codes import ExitCode
from worker.failures import Failure
from worker.job import PIPELINE
from worker.job_records import DEFAULT_SEED, REPORT_HTML, REPORT_JSON, InspectionJob
from worker.threads import core_count

LOG_NAME = "firstpour.log"
LOG_KEPT_FOR = {"internal_error", "worker_died"}


def inspect_here(
    asked: Asked, *, out: Path | None, seed: int | None, as_json: bool, pipeline: str = PIPELINE
) -> ExitCode:
    """Inspect, say the result, and return the exit code."""
    folder = report_folder(out, Path(asked.scan.display_name))
    job = InspectionJob(
        title=asked.title,
        nominal=asked.nominal,
        scan=asked.scan,
        bodies=asked.bodies,
        plan=asked.plan,
        plan_source=asked.plan_source,
        seed=DEFAULT_SEED if seed is None else seed,
        thread_count=core_count(),
    )
    end = _run_into(folder, job, pipeline)
    if isinstance(end, Failure):
        return talking.complain_of_row(end.to_row(), as_json=as_json)
    result = result_document(folder)
    talking.say_result(result, as_json=as_json)
    return ExitCode(result["exit_code"])


def _run_into(folder: Path, job: InspectionJob, pipeline: str) -> JobEnd:
    """Run aside, in the same folder's disk; only a whole report takes the place of an older one."""
    with tempfile.TemporaryDirectory(prefix=".firstpour-", dir=folder) as name, progress_bar() as show:
        place = _place(Path(name), pipeline)

        def watch(stage: Stage | None, progress: float) -> bool:
            show(stage.value if stage else None, progress)
            return True

        end = run_job(job, place, JobLimits(), watch)
        if isinstance(end, Done):
            take_place(place.out_dir, folder)
        elif isinstance(end, Failure) and end.code in LOG_KEPT_FOR and place.log_path:
            shutil.copy(place.log_path, folder / LOG_NAME)
            talking.note(f"The log is in {folder / LOG_NAME}.")
    return end


def take_place(made: Path, folder: Path) -> None:
    """A whole report, and the files that go with it, instead of an older one."""
    files = folder / ATTACHMENT_FOLDER
    shutil.rmtree(files, ignore_errors=True)
    if (made / ATTACHMENT_FOLDER).is_dir():
        (made / ATTACHMENT_FOLDER).replace(files)
    for report in (REPORT_JSON, REPORT_HTML):
        (made / report).replace(folder / report)


def _place(aside: Path, pipeline: str) -> JobPlace:
    (aside / "out").mkdir()
    (aside / "scratch").mkdir()
    return JobPlace(out_dir=aside / "out", scratch_dir=aside / "scratch", log_path=aside / LOG_NAME, pipeline=pipeline)
