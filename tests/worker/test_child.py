from __future__ import annotations

import dataclasses
import time
from pathlib import Path

import pytest

from shared.states import Stage
from tests.support import fake_pipeline
from worker.child import Done, JobEnd, JobLimits, JobPlace, Stopped, Watch, run_job
from worker.failures import Failure
from worker.job_records import REPORT_HTML, REPORT_JSON, InputFile, InspectionJob

LIMITS = JobLimits(soft_time_s=60, hard_time_s=60, memory_bytes=4 * 1024**3)


def go_on(_stage: Stage | None, _progress: float) -> bool:
    return True


def run(
    title: str,
    folder: Path,
    *,
    limits: JobLimits = LIMITS,
    watch: Watch = go_on,
    pipeline: str = fake_pipeline.NAME,
) -> JobEnd:
    (folder / "out").mkdir()
    (folder / "scratch").mkdir()
    place = JobPlace(out_dir=folder / "out", scratch_dir=folder / "scratch", pipeline=pipeline)
    job = InspectionJob(
        title=title,
        nominal=InputFile(folder / "nominal.stl", "nominal.stl"),
        scan=InputFile(folder / "scan.ply", "my scan.ply"),
        thread_count=1,
    )
    return run_job(job, place, limits, watch)


def test_a_job_leaves_its_report_and_says_so(tmp_path: Path) -> None:
    assert run("quick", tmp_path) == Done("conforms", "All conforms.")
    assert (tmp_path / "out" / REPORT_JSON).is_file()
    assert (tmp_path / "out" / REPORT_HTML).is_file()


def test_a_finished_job_tells_how_long_its_stages_took(tmp_path: Path) -> None:
    end = run("slow 0.5", tmp_path)
    assert isinstance(end, Done)
    assert list(end.stage_s) == ["read", "report"]  # the invented job sleeps in the first
    assert end.stage_s["read"] > 0.4
    assert 0.0 <= end.stage_s["report"] < end.stage_s["read"]


def test_thread_limits_reach_every_library_of_the_job(tmp_path: Path) -> None:
    assert run("threads", tmp_path) == Done("conforms", "1 1 1")


def test_a_named_error_keeps_its_code_words_and_data(tmp_path: Path) -> None:
    end = run("reject", tmp_path)
    assert end == Failure(
        "file_truncated", "The scan ends in mid-air.", "Send it again.", {"file": "my scan.ply", "missing": 7}
    )


@pytest.mark.parametrize("title", ["fault", "silent"])
def test_a_fault_of_ours_gets_a_reference_and_keeps_its_details_to_the_log(
    title: str, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    end = run(title, tmp_path)
    assert isinstance(end, Failure)
    assert end.code == "internal_error"
    assert "ZeroDivision" not in str(end)
    assert str(end.data["reference"]) in capfd.readouterr().err


def test_a_pipeline_that_cannot_be_imported_is_a_fault_of_ours(tmp_path: Path) -> None:
    end = run("quick", tmp_path, pipeline="worker.no_such_pipeline:inspect")
    assert isinstance(end, Failure)
    assert (end.code, end.is_passing) == ("internal_error", False)


@pytest.mark.parametrize(("number", "name"), [(9, "SIGKILL"), (11, "SIGSEGV"), (6, "SIGABRT")])
def test_a_crash_is_named_and_may_be_tried_again(number: int, name: str, tmp_path: Path) -> None:
    end = run(f"die {number}", tmp_path)
    assert isinstance(end, Failure)
    assert end.code == "worker_died"
    assert name in end.message
    assert "stage 'read'" in end.message
    assert end.is_passing


@pytest.mark.parametrize("title", ["slow 30", "hold"])
def test_a_job_past_its_time_is_stopped_even_inside_native_code(title: str, tmp_path: Path) -> None:
    begin = time.monotonic()
    end = run(title, tmp_path, limits=dataclasses.replace(LIMITS, soft_time_s=2, hard_time_s=3))
    assert isinstance(end, Failure)
    assert end.code == "time_exceeded"
    assert not end.is_passing
    assert time.monotonic() - begin < 15


@pytest.mark.parametrize("mib", [600, 2000])
def test_a_job_past_its_memory_is_stopped(mib: int, tmp_path: Path) -> None:
    """The first outgrows the limit slowly and is seen; the second is refused at once."""
    end = run(f"greedy {mib}", tmp_path, limits=dataclasses.replace(LIMITS, memory_bytes=500 * 1024**2))
    assert isinstance(end, Failure)
    assert end.code == "memory_exceeded"
    assert not end.is_passing


def test_the_watch_sees_progress_and_stops_the_job_though_native_code_holds_the_lock(tmp_path: Path) -> None:
    seen: list[tuple[Stage | None, float]] = []

    def until_reading(stage: Stage | None, progress: float) -> bool:
        seen.append((stage, progress))
        return stage is None

    assert run("hold", tmp_path, watch=until_reading) == Stopped()
    assert seen[-1][0] == Stage.READ
    assert seen[-1][1] == pytest.approx(0.075)
